//! `valves`, `valves show TYPE` and `valves like TYPE`.
//!
//! A command by itself: it asks the library, and no amplifier.

use models::data::{Heater, Heating, ValveKind, ValveModel};
use models::fit::Parameters;
use models::pentode::PentodeLaw;
use models::working_point::{Class, WorkingPoint};
use serde::Serialize;
use sim::quantity::{Unit, engineering};

use super::command::Command;
use crate::failure::Failure;
use crate::options::Options;

mod like;
mod list;
mod show;

/// What stands where nothing is known.
const NOTHING: &str = "–";

/// The valve library: which types there are, the data sheet of one, and what is like it.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(crate) struct Arguments {
    #[command(flatten)]
    list: list::Arguments,
    #[command(subcommand)]
    one: Option<One>,
}

/// Questions about one type.
#[derive(Debug, clap::Subcommand)]
enum One {
    /// The data sheet of a type: ratings, published points beside what the law gives, and their sources.
    Show(show::Arguments),
    /// The types most like it, and what would change with each in its place.
    Like(like::Arguments),
}

impl Command for Arguments {
    const NAME: &'static str = "valves";

    fn run(&self, options: &Options) -> Result<(), Failure> {
        match &self.one {
            None => list::run(&self.list, options),
            Some(One::Show(arguments)) => show::run(arguments, options),
            Some(One::Like(arguments)) => like::run(arguments, options),
        }
    }
}

/// The fitted parameters; None of a rectifier or stabiliser.
fn parameters(model: &ValveModel) -> Option<Parameters> {
    match model {
        ValveModel::Triode(triode) => Some(Parameters::Triode(*triode.parameters())),
        ValveModel::Pentode(pentode) => Some(match pentode.law {
            PentodeLaw::CurrentSharing(law) => Parameters::Pentode(law),
            PentodeLaw::FallingScreen(law) => Parameters::FallingScreen(law),
        }),
        ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => None,
    }
}

fn kind(kind: ValveKind) -> &'static str {
    match kind {
        ValveKind::Triode => "triode",
        ValveKind::Pentode => "pentode",
        ValveKind::BeamTetrode => "beam tetrode",
        ValveKind::Rectifier => "rectifier",
        ValveKind::Stabiliser => "stabiliser",
    }
}

fn class(class: Class) -> &'static str {
    match class {
        Class::Output => "output",
        Class::Voltage => "voltage",
        Class::Rectifier => "rectifier",
        Class::Stabiliser => "stabiliser",
    }
}

/// "6.3 V 0.9 A indirect".
fn heater(heater: Option<&Heater>) -> String {
    heater.map_or_else(
        || "cold cathode".to_owned(),
        |h| format!("{} {}", plain(h.voltage, "V"), supply_of(h)),
    )
}

fn supply_of(heater: &Heater) -> String {
    let how = match heater.heating {
        Heating::Direct => "direct",
        Heating::Indirect => "indirect",
    };
    format!("{} {how}", plain(heater.current, "A"))
}

/// A rating as it is printed: no more digits than it has, and no prefix.
fn plain(value: f64, unit: &str) -> String {
    // Ratings have no more than four digits; the rest is what the prefixes left
    let rounded = format!("{value:.4}");
    let digits = rounded.trim_end_matches('0').trim_end_matches('.');
    format!("{digits} {unit}")
}

/// A figure with its unit, or what stands for none.
fn or_nothing(value: Option<f64>, unit: Unit) -> String {
    value.map_or_else(|| NOTHING.to_owned(), |value| engineering(value, unit))
}

fn conductance(siemens: f64) -> String {
    format!("{:.2} mA/V", 1e3 * siemens)
}

fn factor(mu: f64) -> String {
    if mu < 10.0 {
        format!("{mu:.2}")
    } else {
        format!("{mu:.1}")
    }
}

/// A heater in short: "6.3 V 0.9 A", with a "d" behind when it is directly heated.
fn heater_in_short(heater: Option<&Heater>) -> String {
    heater.map_or_else(
        || NOTHING.to_owned(),
        |h| {
            let direct = if h.heating == Heating::Direct {
                " d"
            } else {
                ""
            };
            format!(
                "{} {}{direct}",
                plain(h.voltage, "V"),
                plain(h.current, "A")
            )
        },
    )
}

/// Words of a paragraph in lines of at most `width` letters, all but the first indented by `indent`.
/// A figure keeps its unit, and a factor its sign.
fn wrapped(text: &str, indent: usize, width: usize) -> String {
    const UNITS: [&str; 9] = ["V", "mV", "A", "mA", "W", "Ω", "kΩ", "MΩ", "mA/V"];
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let bare = word.trim_end_matches([',', ';', '.', ':', ')']);
        match words.last_mut() {
            Some(last) if UNITS.contains(&bare) || bare == "×" || last.ends_with('×') => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    let mut lines = String::new();
    let mut length = 0;
    for word in words {
        let letters = word.chars().count();
        if length > 0 && length + 1 + letters > width {
            lines += "\n";
            lines += &" ".repeat(indent);
            length = indent;
        } else if length > 0 {
            lines += " ";
            length += 1;
        }
        lines += &word;
        length += letters;
    }
    lines + "\n"
}

/// Most letters of a line of a report.
const WIDTH: usize = 110;

/// A working point in JSON.
#[derive(Debug, Serialize)]
struct Point {
    v_ak: f64,
    v_sk: Option<f64>,
    v_gk: f64,
    i_a: f64,
    i_s: f64,
    gm: f64,
    ra: f64,
    mu: f64,
    knee: Option<f64>,
}

impl From<WorkingPoint> for Point {
    fn from(point: WorkingPoint) -> Self {
        Self {
            v_ak: point.v_ak,
            v_sk: point.v_sk,
            v_gk: point.v_gk,
            i_a: point.i_a,
            i_s: point.i_s,
            gm: point.gm,
            ra: point.ra,
            mu: point.mu,
            knee: point.knee,
        }
    }
}

/// A heater or filament in JSON.
#[derive(Debug, Serialize)]
struct HeaterFigures {
    volts: f64,
    amps: f64,
    direct: bool,
}

impl From<&Heater> for HeaterFigures {
    fn from(heater: &Heater) -> Self {
        Self {
            volts: heater.voltage,
            amps: heater.current,
            direct: heater.heating == Heating::Direct,
        }
    }
}
