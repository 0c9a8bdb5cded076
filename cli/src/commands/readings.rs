//! `readings FILE`.

use std::path::{Path, PathBuf};

use measure::at_rest::readings::{Meter, RANGE_LIMITS, RANGES, Readings, ReadingsOf, Taken, read};
use measure::instruments::varied::Allowed;
use sim::amplifier::Amplifier;
use sim::quantity::Unit;

use super::command::{File, OfAmplifier, Told};
use crate::amplifier::Opened;
use crate::argument::{mains, positive, share};
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::report::csv;
use crate::{input, progress};
use measure::judged::study::Study;

mod words;

/// Meters when none is named: a good pointer meter and a digital one (common practice, no source).
const METERS: [&str; 2] = ["20k/V", "10M"];

/// What a voltmeter shows at every electrode, how far it may lie off, and readings against it.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// A meter: ohms per volt, "500 ohms per volt" or 20k/V, or its input resistance, 10M. May be repeated;
    /// without one, 20k/V and 10M.
    #[arg(long = "meter", value_name = "OHMS")]
    meters: Vec<String>,
    /// Ranges of the meter, of which the smallest that holds the reading is taken, coming from above.
    #[arg(long, value_name = "VOLTS,…", value_delimiter = ',')]
    ranges: Vec<String>,
    /// One range for all readings.
    #[arg(long, value_name = "VOLTS", conflicts_with = "ranges")]
    range: Option<String>,
    /// Tolerance of resistances for which the file states none.
    #[arg(long, value_name = "PERCENT", default_value = "10%")]
    tolerance: String,
    /// How far mains or supplies may lie off; without it the file's mains band, or 5 % of its supplies.
    #[arg(long, value_name = "PERCENT")]
    mains: Option<String>,
    /// Readings to be judged: a file with a line for each, `V5 anode, 285V, 500 ohms per volt, 500V`. Meter
    /// and range may be left out: then the first meter, on the smallest range that holds the reading.
    #[arg(long, value_name = "FILE")]
    taken: Option<PathBuf>,
    /// Write the chart to this file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
}

impl OfAmplifier for Arguments {
    const NAME: &'static str = "readings";
    type Question = ReadingsOf;
    type Answer = Readings;

    fn file(&self) -> &Path {
        &self.file
    }

    fn question(&self, opened: &Opened, _: &Study<'_>) -> Result<ReadingsOf, Failure> {
        question(self, &opened.amplifier)
    }

    fn files(&self) -> Vec<File<'_, Self>> {
        vec![File::csv(self.csv.as_ref(), |told| table(told.answer))]
    }

    fn answer(
        &self,
        _: &Opened,
        known: &Study<'_>,
        question: &ReadingsOf,
    ) -> Result<Readings, Failure> {
        let bar = progress::long_bar(1, "circuits solved");
        let answer = progress::ask(question, known.under_test()?, &bar)?;
        known.rest()?;
        Ok(answer)
    }

    fn words(told: &Told<'_, Self>) -> String {
        words::text(told.amplifier, told.answer, &told.question.ranges)
    }
}

fn question(arguments: &Arguments, amplifier: &Amplifier) -> Result<ReadingsOf, Failure> {
    let named = arguments.meters.iter().map(String::as_str);
    let named: Vec<&str> = if arguments.meters.is_empty() {
        METERS.to_vec()
    } else {
        named.collect()
    };
    let meters: Result<Vec<Meter>, Failure> = named
        .into_iter()
        .map(|text| {
            Meter::parse(text).map_err(|error| {
                Failure::plain(
                    Id::BadValue,
                    format!("--meter {text}: {error}"),
                    "write ohms per volt, 20k/V, or an input resistance, 10M",
                )
            })
        })
        .collect();
    let volts = |argument, text: &String| {
        let range = positive(argument, text, Unit::Volt)?;
        if (RANGE_LIMITS.0..=RANGE_LIMITS.1).contains(&range) {
            return Ok(range);
        }
        Err(Failure::plain(
            Id::OutOfBounds,
            format!("{argument} {text}: no voltmeter has that range"),
            "ranges are from 1 mV to 1 MV",
        ))
    };
    let ranges = match &arguments.range {
        Some(range) => vec![volts("--range", range)?],
        None if arguments.ranges.is_empty() => RANGES.to_vec(),
        None => {
            let ranges = arguments.ranges.iter();
            let mut ranges = ranges
                .map(|range| volts("--ranges", range))
                .collect::<Result<Vec<f64>, Failure>>()?;
            ranges.sort_by(f64::total_cmp);
            ranges
        }
    };
    let parts = share("--tolerance", &arguments.tolerance)?;
    let mains = mains(arguments.mains.as_deref(), amplifier)?;
    Ok(ReadingsOf {
        meters: meters?,
        ranges,
        allowed: Allowed {
            parts,
            mains,
            ..Allowed::default()
        },
        taken: match &arguments.taken {
            Some(path) => taken(path, amplifier)?,
            None => Vec::new(),
        },
    })
}

fn taken(path: &Path, amplifier: &Amplifier) -> Result<Vec<Taken>, Failure> {
    let text = input::text(path, "a file of readings is plain UTF-8 text")?;
    read(&text, &amplifier.circuit).map_err(|faults| Failure::Input {
        diagnostics: faults
            .iter()
            .map(|fault| {
                let message = format!("{}: {fault}", path.display());
                Diagnostic::plain(Id::BadValue, message, fault.help())
            })
            .collect(),
        text: None,
    })
}

/// The chart, a line for each point.
fn table(answer: &Readings) -> String {
    let mut header = vec![
        "point".to_owned(),
        "node".to_owned(),
        "volts [V]".to_owned(),
        "likely band [V]".to_owned(),
        "worst band [V]".to_owned(),
        "source [ohm]".to_owned(),
    ];
    for meter in &answer.meters {
        header.push(format!("{} [V]", meter.name));
        header.push(format!("{} range [V]", meter.name));
    }
    let mut lines = vec![header];
    let number = |value: f64| value.to_string();
    let or_empty = |value: Option<f64>| value.map_or_else(String::new, number);
    for point in &answer.points {
        let mut line = vec![
            point.point.clone(),
            point.node.clone(),
            number(point.volts),
            number(point.band.likely),
            number(point.band.worst),
            or_empty(point.source_ohms),
        ];
        for shown in &point.shown {
            line.push(number(shown.volts));
            line.push(or_empty(shown.range));
        }
        lines.push(line);
    }
    let lines = lines.iter().map(|line| {
        let fields: Vec<String> = line.iter().map(|field| csv::quoted(field)).collect();
        fields.join(",") + "\n"
    });
    lines.collect()
}
