//! `valves`: the types there are, a line each.

use std::fmt::Write;
use std::path::PathBuf;

use models::data::{ValveKind, ValveType};
use models::library;
use models::working_point::{Class, Joined, WorkingPoint};
use serde::Serialize;
use sim::quantity::Unit;

use super::{HeaterFigures, NOTHING, Point, factor, heater_in_short, plain};
use crate::argument::quantity;
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::options::Options;
use crate::report::file_kind::FileKind;
use crate::report::table::Sheet;
use crate::report::{self, json, output};

/// Heaters within this of the volts asked for can share a winding: the tolerance of a heater.
const HEATER_TOLERANCE: f64 = 0.05;

/// Which types to list.
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// Part of a type or of another name of it, e.g. 6L6 or ECC.
    text: Option<String>,
    /// Heater volts, to 5 %.
    #[arg(long, value_name = "VOLTS")]
    heater: Option<String>,
    /// Kind of valve.
    #[arg(long, value_enum)]
    kind: Option<Kind>,
    /// Anode dissipation of a section, from and to, e.g. 10..30.
    #[arg(long, value_name = "FROM..TO")]
    watts: Option<String>,
    /// Least anode dissipation of a section.
    #[arg(long, value_name = "WATTS")]
    least_watts: Option<String>,
    /// Part of the name of the base, e.g. octal.
    #[arg(long)]
    base: Option<String>,
    /// What it is for; output: a triode, pentode or beam tetrode of more than 5 W at the anode,
    /// voltage: of less.
    #[arg(long = "class", value_enum)]
    class: Option<ClassWord>,
    /// Write the list to this file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
}

/// Kinds of valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Kind {
    Triode,
    Pentode,
    BeamTetrode,
    Rectifier,
    Stabiliser,
}

impl Kind {
    fn of(kind: ValveKind) -> Self {
        match kind {
            ValveKind::Triode => Self::Triode,
            ValveKind::Pentode => Self::Pentode,
            ValveKind::BeamTetrode => Self::BeamTetrode,
            ValveKind::Rectifier => Self::Rectifier,
            ValveKind::Stabiliser => Self::Stabiliser,
        }
    }
}

/// What a valve is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum ClassWord {
    Output,
    Voltage,
    Rectifier,
    Stabiliser,
}

impl ClassWord {
    fn of(class: Class) -> Self {
        match class {
            Class::Output => Self::Output,
            Class::Voltage => Self::Voltage,
            Class::Rectifier => Self::Rectifier,
            Class::Stabiliser => Self::Stabiliser,
        }
    }
}

/// The filters with their units read.
struct Filter<'a> {
    arguments: &'a Arguments,
    heater: Option<f64>,
    watts: Option<(f64, f64)>,
}

impl<'a> Filter<'a> {
    fn of(arguments: &'a Arguments) -> Result<Self, Failure> {
        let heater = match &arguments.heater {
            Some(text) => Some(figure("--heater", text, Unit::Volt, 0.0)?),
            None => None,
        };
        let range = match &arguments.watts {
            Some(text) => Some(range(text)?),
            None => None,
        };
        let least = match &arguments.least_watts {
            Some(text) => Some(figure("--least-watts", text, Unit::Watt, 0.0)?),
            None => None,
        };
        let watts = match (range, least) {
            (Some((from, to)), least) => Some((from.max(least.unwrap_or(0.0)), to)),
            (None, Some(least)) => Some((least, f64::INFINITY)),
            (None, None) => None,
        };
        Ok(Self {
            arguments,
            heater,
            watts,
        })
    }

    fn passes(&self, valve: &ValveType) -> bool {
        let arguments = self.arguments;
        let holds = |name: &str, part: &str| name.to_uppercase().contains(&part.to_uppercase());
        let named = arguments.text.as_ref().is_none_or(|part| {
            std::iter::once(&valve.name)
                .chain(&valve.aliases)
                .any(|name| holds(name, part.trim()))
        });
        let heated = self.heater.is_none_or(|volts| {
            let own = valve.heater.as_ref().map_or(0.0, |h| h.voltage);
            (own - volts).abs() <= HEATER_TOLERANCE * volts
        });
        let watts = self.watts.is_none_or(|(from, to)| {
            let own = valve.limits.anode_watts;
            own.is_some_and(|watts| watts >= from && watts <= to)
        });
        let based = arguments.base.as_ref().is_none_or(|part| {
            let base = valve.base.as_ref();
            base.is_some_and(|base| holds(&base.name, part.trim()))
        });
        named
            && heated
            && watts
            && based
            && arguments
                .kind
                .is_none_or(|kind| kind == Kind::of(valve.class))
            && arguments
                .class
                .is_none_or(|class| class == ClassWord::of(Class::of(valve)))
    }
}

/// A figure with its unit, or without: the argument says what it is.
fn figure(argument: &str, text: &str, unit: Unit, least: f64) -> Result<f64, Failure> {
    let bare = text.trim().parse::<f64>().is_ok();
    let whole = format!("{text}{}", if bare { unit.symbol() } else { "" });
    quantity(argument, &whole, unit, least)
}

/// "10..30" in watts.
fn range(text: &str) -> Result<(f64, f64), Failure> {
    let Some((from, to)) = text.split_once("..") else {
        return Err(Failure::plain(
            Id::BadValue,
            format!("--watts {text} is no range"),
            "write e.g. --watts 10..30, or --least-watts 10",
        ));
    };
    let from = figure("--watts", from.trim(), Unit::Watt, 0.0)?;
    let to = figure("--watts", to.trim(), Unit::Watt, from)?;
    Ok((from, to))
}

/// One type of the list.
#[derive(Debug, Serialize)]
struct Row {
    #[serde(rename = "type")]
    name: String,
    aliases: Vec<String>,
    kind: &'static str,
    class: &'static str,
    sections: u32,
    heater: Option<HeaterFigures>,
    base: Option<String>,
    anode_watts: Option<f64>,
    point: Option<Point>,
    fit_current_median: Option<f64>,
    fit_current_worst: Option<f64>,
    #[serde(skip)]
    valve: &'static ValveType,
    #[serde(skip)]
    at: Option<WorkingPoint>,
}

/// The types asked for.
#[derive(Debug, Serialize)]
struct Answer {
    valves: Vec<Row>,
}

impl Row {
    fn of(valve: &'static ValveType) -> Self {
        let at = Joined::normal(valve).typical();
        let ratio = |percent: f64| percent.is_finite().then_some(percent / 100.0);
        let error = valve.fit_error;
        Self {
            name: valve.name.clone(),
            aliases: valve.aliases.clone(),
            kind: super::kind(valve.class),
            class: super::class(Class::of(valve)),
            sections: valve.sections,
            heater: valve.heater.as_ref().map(HeaterFigures::from),
            base: valve.base.as_ref().map(|base| base.name.clone()),
            anode_watts: valve.limits.anode_watts,
            point: at.map(Point::from),
            fit_current_median: error.and_then(|e| ratio(e.current_median_percent)),
            fit_current_worst: error.and_then(|e| ratio(e.current_worst_percent)),
            valve,
            at,
        }
    }
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let filter = Filter::of(arguments)?;
    output::may_be_written(
        [(FileKind::Sheet, arguments.csv.as_ref())],
        options.overwrite,
    )?;
    let valves = library::valves().iter();
    let answer = Answer {
        valves: valves
            .filter(|valve| filter.passes(valve))
            .map(Row::of)
            .collect(),
    };
    if let Some(path) = &arguments.csv {
        output::write(path, csv(&answer).as_bytes(), options.overwrite)?;
    }
    if options.json {
        report::print(&json::bare("valves", &answer))?;
    } else {
        report::print(&text(&answer))?;
    }
    Ok(())
}

fn text(answer: &Answer) -> String {
    if answer.valves.is_empty() {
        return "No type of the library is like that; `gridleak valves` lists them all.\n"
            .to_owned();
    }
    let mut sheet = Sheet::new(&[
        "type", "kind", "heater", "base", "Pa W", "Va V", "Vg V", "Ia mA", "gm mA/V", "mu",
        "ra kΩ", "error",
    ]);
    for row in &answer.valves {
        let valve = row.valve;
        let sections = if row.sections > 1 {
            format!(" × {}", row.sections)
        } else {
            String::new()
        };
        let of = |figure: fn(&WorkingPoint) -> f64| {
            let figure = row.at.as_ref().map(figure);
            figure.map_or_else(|| NOTHING.to_owned(), digits)
        };
        let nothing = || NOTHING.to_owned();
        sheet.row(vec![
            row.name.clone(),
            format!("{}{sections}", row.kind),
            heater_in_short(valve.heater.as_ref()),
            row.base.as_deref().map_or_else(nothing, short_base),
            row.anode_watts
                .map_or_else(nothing, |watts| plain(watts, "").trim().to_owned()),
            of(|at| at.v_ak),
            of(|at| at.v_gk),
            of(|at| 1e3 * at.i_a),
            of(|at| 1e3 * at.gm),
            row.at.map_or_else(nothing, |at| factor(at.mu)),
            of(|at| 1e-3 * at.ra),
            row.fit_current_median
                .map_or_else(nothing, |error| format!("{:.1} %", 100.0 * error)),
        ]);
    }
    let count = answer.valves.len();
    let types = if count == 1 { "type" } else { "types" };
    let mut text = sheet.print(&format!("{count} {types}"), 4);
    text += "d: directly heated. Pa: limit of a section. Figures: one section, at the volts of its published point\n";
    text += "nearest to 250 V, biased by our law for the current there; mu of a pentode is that of grid against screen.\n";
    text += "Error: median of the anode currents against the published points. More: `gridleak valves show TYPE`.\n";
    text
}

/// Three figures.
fn digits(value: f64) -> String {
    match value.abs() {
        size if size < 10.0 => format!("{value:.2}"),
        size if size < 100.0 => format!("{value:.1}"),
        _ => format!("{value:.0}"),
    }
}

/// A base in a narrow column: its name, or where that is long the short one in brackets behind it.
fn short_base(base: &str) -> String {
    /// Letters of the longest plain name, "octal" and "noval" among them.
    const SHORT: usize = 11;
    let (name, code) = base.split_once(" (").unwrap_or((base, ""));
    let code = code.trim_end_matches(')');
    let short = name.chars().count() > SHORT && !code.is_empty();
    let text = if short { code } else { name };
    if text.chars().count() > SHORT {
        text.chars().take(SHORT - 1).chain(['…']).collect()
    } else {
        text.to_owned()
    }
}

fn csv(answer: &Answer) -> String {
    let mut text = "type,kind,class,sections,heater V,heater A,directly heated,base,anode W,Va-k V,Vg2-k V,Vg-k V,Ia A,gm S,mu,ra ohm,median current error\n".to_owned();
    for row in &answer.valves {
        let cell = |value: Option<f64>| value.map_or_else(String::new, |v| v.to_string());
        let heater = row.heater.as_ref();
        let at = row.at;
        writeln!(
            text,
            "{},{},{},{},{},{},{},\"{}\",{},{},{},{},{},{},{},{},{}",
            row.name,
            row.kind,
            row.class,
            row.sections,
            cell(heater.map(|h| h.volts)),
            cell(heater.map(|h| h.amps)),
            heater.map_or("", |h| if h.direct { "yes" } else { "no" }),
            row.base.as_deref().unwrap_or(""),
            cell(row.anode_watts),
            cell(at.map(|at| at.v_ak)),
            cell(at.and_then(|at| at.v_sk)),
            cell(at.map(|at| at.v_gk)),
            cell(at.map(|at| at.i_a)),
            cell(at.map(|at| at.gm)),
            cell(at.map(|at| at.mu)),
            cell(at.map(|at| at.ra)),
            cell(row.fit_current_median),
        )
        .expect("a String takes all");
    }
    text
}
