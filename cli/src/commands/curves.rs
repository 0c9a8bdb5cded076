//! `curves TYPE` and `curves FILE PART`.
//!
//! A command by itself: it asks a valve type as well, with no amplifier round it.

use std::path::{Path, PathBuf};

use measure::driven::curves::{
    Asked, Curve, Frame, LoadLine, Pair, Point, ScreenVolts, Section, Stage, StageOf, round_step,
};
use measure::driven::power::PowerOf;
use measure::instruments::valve::ValveProbe;
use measure::judged::study::Study;
use models::data::{ValveModel, ValveType};
use models::library::Library;
use serde::Serialize;
use sim::quantity::Unit;

use super::command::Command;
use crate::amplifier::Opened;
use crate::argument::positive;
use crate::caution::{self, Beyond};
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::options::Options;
use crate::report::file_kind::FileKind;
use crate::report::{self, json, output};
use crate::{amplifier, library, notes, progress};

mod picture;
mod settings;
mod words;

use settings::Settings;

/// Characteristics of a valve type, load lines and push-pull pairs; or a valve of a file on its own.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// Type of valve, e.g. EL84; or an amplifier file, followed by the designator of one of its valves.
    #[arg(value_name = "TYPE or FILE")]
    what: String,
    /// Designator of a valve of the amplifier file, e.g. V5.
    #[arg(value_name = "VALVE")]
    part: Option<String>,
    #[command(flatten)]
    of_type: settings::OfType,
    /// Peak volts of the generator at which the valve of a file is followed; without it and --watts, the
    /// drive of the distortion limit.
    #[arg(
        long,
        value_name = "VOLTS",
        conflicts_with = "watts",
        requires = "part"
    )]
    drive: Option<String>,
    /// Power into the load at which the valve of a file is followed.
    #[arg(long, value_name = "WATTS", requires = "part")]
    watts: Option<String>,
    /// Write the curves to this file: curve 0 is the cycle or the load line, the others in their order.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// The answer; in JSON currents and volts are those of one section.
#[derive(Debug, Serialize)]
struct Answer {
    /// Type designation.
    kind: String,
    /// How the screen is joined.
    connection: &'static str,
    /// Its volts; none in a triode.
    screen: Option<ScreenVolts>,
    /// Where the figures of the type come from.
    data: String,
    /// Worst and median of the law's anode currents against the type's points, ratios.
    fit_current_worst: Option<f64>,
    fit_current_median: Option<f64>,
    /// Anode dissipation permitted in this connection, W.
    watts_limit: Option<f64>,
    /// Anode volts permitted in this connection, V.
    volts_limit: Option<f64>,
    /// Anode characteristics, held at grid volts.
    anode: Vec<Curve>,
    /// Mutual characteristics, held at screen or anode volts.
    mutual: Vec<Curve>,
    load_line: Option<LoadLine>,
    pair: Option<Pair>,
    stage: Option<Stage>,
    #[serde(skip)]
    frame: Frame,
    /// Anode volts of the mutual characteristics where the screen is held.
    #[serde(skip)]
    mutual_anode: f64,
}

impl Command for Arguments {
    const NAME: &'static str = "curves";

    fn run(&self, options: &Options) -> Result<(), Failure> {
        match &self.part {
            Some(part) => of_file(self, part, options),
            None => of_type(self, options),
        }
    }
}

fn of_type(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let library = library::open(options)?;
    may_be_written(arguments, options)?;
    let valve = find(&library, &arguments.what, options)?;
    let settings = Settings::read(&arguments.of_type, valve)?;
    let section = Section::new(valve, settings.screen).ok_or_else(|| {
        Failure::plain(
            Id::CannotAsk,
            format!("{} has no grid: it has no such curves", valve.name),
            "ask for a triode, pentode or beam tetrode",
        )
    })?;
    // The supply is to be in the picture, whatever the current there.
    let supply = settings.supply.map(|supply| Point {
        i_a: 0.0,
        ..section.at(supply, 0.0)
    });
    let frame = Frame::new(
        &section,
        settings.grid.clone(),
        settings.anode_to,
        supply.as_slice(),
    );
    let line = settings
        .load_line()
        .map(|question| question.run(&section, &frame.grid));
    let pair = settings
        .pair()
        .map(|question| question.run(&section, &settings.drives()));
    let mut answer = answer(&section, frame);
    answer.load_line = line;
    answer.pair = pair;
    write(arguments, options, &answer, &valve.name)?;
    if options.json {
        report::print(&json::bare(Arguments::NAME, &answer))?;
    } else {
        let warning = valve
            .fit_error
            .filter(|_| valve.fitted_on_reading)
            .and_then(|error| {
                let slopes = error.slope_worst_percent;
                let slopes = if slopes.is_finite() { slopes } else { 0.0 };
                notes::poor_fit(&valve.name, error.current_worst_percent, slopes)
            });
        let warning = warning.map_or_else(String::new, |warning| warning + "\n");
        report::print(&(warning + &words::of_type(&section, &answer)))?;
    }
    Ok(())
}

fn of_file(arguments: &Arguments, part: &str, options: &Options) -> Result<(), Failure> {
    if let Some(option) = arguments.of_type.first() {
        return Err(Failure::plain(
            Id::CannotAsk,
            format!("{option} is for a type; the valve of a file is drawn as the file joins it"),
            "leave it out, or ask for the type alone",
        ));
    }
    let opened = amplifier::open(Path::new(&arguments.what), options)?;
    may_be_written(arguments, options)?;
    let probe = probe(&opened, part)?;
    let watts = |text: &String| positive("--watts", text, Unit::Watt);
    let volts = |text: &String| positive("--drive", text, Unit::Volt);
    let level = match (&arguments.drive, &arguments.watts) {
        (Some(text), _) => Asked::Drive(volts(text)?),
        (_, Some(text)) => Asked::Watts(watts(text)?),
        _ => Asked::Limit,
    };
    let known = Study::new(&opened.amplifier, &opened.system);
    let rest = known.rest()?;
    let question = StageOf {
        part: probe.part,
        bench: PowerOf::bench(&opened.amplifier.bench),
        level,
    };
    let bar = progress::counter("levels solved");
    let stage = progress::ask(&question, known.under_test()?, &bar)?;
    let screen = stage.screen.unwrap_or(ScreenVolts::STRAPPED);
    let section = Section::new(probe.kind(), screen).expect("a probe is of an amplifying valve");
    let mut answer = answer(&section, Frame::new(&section, None, None, &stage.locus));
    let driven = stage.peak.clone();
    let unsolved = stage.unsolved.clone();
    answer.stage = Some(stage);
    let title = format!(
        "{}: {} ({})",
        opened.amplifier.title, probe.name, answer.kind
    );
    write(arguments, options, &answer, &title)?;
    if options.json {
        report::print(&json::document("curves", &opened.amplifier, &answer))?;
    } else {
        let warnings = notes::warnings(&opened.amplifier.notes);
        let words = words::of_file(&section, &opened.amplifier, &answer, level);
        report::print(&(warnings + &words))?;
    }
    caution::print(
        &opened.amplifier,
        Some(rest),
        driven.as_ref().map(Beyond::with_signal),
    );
    match unsolved {
        Some(reason) => Err(Failure::NoAnswer(Diagnostic::plain(
            Id::NotPeriodic,
            format!("the level asked for could not be solved: {reason}"),
            "what is printed holds at the drive it names; what the amplifier does at the level asked for is followed from rest, with no cycle sought, by `gridleak waveform FILE --drive …`",
        ))),
        None => Ok(()),
    }
}

fn may_be_written(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let files = [
        (FileKind::Sheet, arguments.csv.as_ref()),
        (FileKind::Picture, arguments.svg.as_ref()),
    ];
    output::may_be_written(files, options.overwrite)
}

fn write(
    arguments: &Arguments,
    options: &Options,
    answer: &Answer,
    title: &str,
) -> Result<(), Failure> {
    if let Some(path) = &arguments.csv {
        output::write(path, picture::csv(answer).as_bytes(), options.overwrite)?;
    }
    if let Some(path) = &arguments.svg {
        let picture = picture::svg(answer, title)?;
        output::write(path, picture.as_bytes(), options.overwrite)?;
    }
    Ok(())
}

/// The type of that name, or what to do with a name that is none.
fn find<'a>(library: &'a Library, name: &str, options: &Options) -> Result<&'a ValveType, Failure> {
    library.find(name).map_err(|unknown| {
        let path = Path::new(name);
        if path.is_file() {
            let valves = amplifier::open(path, options).map(|opened| names(&opened));
            return match valves {
                Ok(names) => Failure::plain(
                    Id::CannotAsk,
                    format!("{name} is an amplifier file: which of its valves?"),
                    format!("add one of {}", names.join(", ")),
                ),
                Err(failure) => failure,
            };
        }
        library::unknown(&unknown)
    })
}

fn names(opened: &Opened) -> Vec<String> {
    let probes = ValveProbe::all(&opened.amplifier.circuit, &opened.system);
    probes.into_iter().map(|probe| probe.name).collect()
}

fn probe(opened: &Opened, part: &str) -> Result<ValveProbe, Failure> {
    let probes = ValveProbe::all(&opened.amplifier.circuit, &opened.system);
    let found = probes
        .into_iter()
        .find(|probe| probe.name.eq_ignore_ascii_case(part));
    found.ok_or_else(|| {
        Failure::plain(
            Id::UnknownPart,
            format!("there is no amplifying valve {part}"),
            format!("the valves are {}", names(opened).join(", ")),
        )
    })
}

fn answer(section: &Section<'_>, frame: Frame) -> Answer {
    let valve = section.valve;
    let ratio = |percent: f64| percent.is_finite().then_some(percent / 100.0);
    let (held, mutual_anode) = held(section, &frame);
    let (low, high) = frame
        .grid
        .iter()
        .fold((0.0_f64, f64::NEG_INFINITY), |(low, high), &v| {
            (low.min(v), high.max(v))
        });
    Answer {
        kind: valve.name.clone(),
        connection: match section.screen {
            None => "triode",
            Some(_) if section.is_strapped() => "strapped",
            Some(screen) if screen.share == 0.0 => "normal",
            Some(_) => "tapped",
        },
        screen: section.screen,
        data: valve.source.text.clone(),
        fit_current_worst: valve.fit_error.and_then(|e| ratio(e.current_worst_percent)),
        fit_current_median: valve
            .fit_error
            .and_then(|e| ratio(e.current_median_percent)),
        watts_limit: section.watts_limit(),
        volts_limit: section.volts_limit(),
        anode: section.anode_characteristics(&frame.grid, frame.anode_to),
        mutual: section.mutual_characteristics((low, high), &held, mutual_anode),
        load_line: None,
        pair: None,
        stage: None,
        frame,
        mutual_anode,
    }
}

/// What the mutual characteristics are held at, V, and the anode volts where that is the screen.
fn held(section: &Section<'_>, frame: &Frame) -> (Vec<f64>, f64) {
    let parts = [0.25, 0.5, 0.75, 1.0];
    match section.screen.filter(|_| section.has_fixed_screen()) {
        // The screen volts and three steps of about a sixth below.
        Some(screen) => {
            let step = round_step(screen.level / 6.0);
            let held = (0..4).map(|k| screen.level - step * f64::from(k));
            (held.filter(|&v| v > 0.0).collect(), 0.5 * frame.anode_to)
        }
        None => (
            parts.iter().map(|part| part * frame.anode_to).collect(),
            0.0,
        ),
    }
}

/// True for a type with a screen.
fn has_screen(valve: &ValveType) -> bool {
    matches!(valve.model, ValveModel::Pentode(_))
}
