//! `readings FILE`.

use std::path::{Path, PathBuf};

use measure::at_rest::readings::{Meter, RANGES, Readings, ReadingsOf, Taken, read};
use measure::at_rest::voltages::voltages;
use measure::instruments::varied::{Allowed, SUPPLIES};
use sim::Tolerances;
use sim::amplifier::Amplifier;
use sim::quantity::Unit;

use super::waveform::quantity;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::report::{self, csv, json, output};
use crate::{Options, amplifier, caution, progress};

mod words;

/// Meters when none is named: a good pointer meter and a digital one (common practice, no source).
const METERS: [&str; 2] = ["20k/V", "10M"];

/// Arguments of `readings`.
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

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let opened = amplifier::open(&arguments.file, options)?;
    let (circuit, system) = (&opened.amplifier.circuit, &opened.system);
    let question = question(arguments, &opened.amplifier)?;
    if let Some(path) = &arguments.csv {
        output::free(path, options.overwrite)?;
    }
    let tolerances = Tolerances::default();
    let bar = progress::long_bar(1, "circuits solved");
    let answer = question.run(circuit, system, &tolerances, &|done, all| {
        bar.set_length(all as u64);
        bar.set_position(done as u64);
    });
    bar.finish_and_clear();
    let answer = answer?;
    let rest = voltages(circuit, system, &tolerances, &mut system.workspace())?;
    if let Some(path) = &arguments.csv {
        output::write(path, table(&answer).as_bytes(), options.overwrite)?;
    }
    if options.json {
        report::print(&json::document("readings", &opened.amplifier, &answer))?;
    } else {
        report::print(&words::text(&opened.amplifier, &answer, &question.ranges))?;
    }
    caution::print(&rest);
    Ok(())
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
    let volts = |argument, text: &String| quantity(argument, text, Unit::Volt, f64::MIN_POSITIVE);
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

/// Low and high ends of mains or supplies, as ratios: what is asked for, what the file says, or practice.
pub(super) fn mains(asked: Option<&str>, amplifier: &Amplifier) -> Result<(f64, f64), Failure> {
    Ok(match (asked, &amplifier.mains) {
        (Some(text), _) => {
            let share = share("--mains", text)?;
            (1.0 - share, 1.0 + share)
        }
        (None, Some(mains)) => (mains.low / mains.nominal, mains.high / mains.nominal),
        (None, None) => (1.0 - SUPPLIES, 1.0 + SUPPLIES),
    })
}

/// A ratio below one.
pub(super) fn share(argument: &str, text: &str) -> Result<f64, Failure> {
    let share = quantity(argument, text, Unit::Percent, 0.0)?;
    if share < 1.0 {
        return Ok(share);
    }
    Err(Failure::plain(
        Id::OutOfBounds,
        format!("{argument} {text} leaves nothing"),
        "write less than 100 %",
    ))
}

fn taken(path: &Path, amplifier: &Amplifier) -> Result<Vec<Taken>, Failure> {
    let text = amplifier::read_text(path, "a file of readings is plain UTF-8 text")?;
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
