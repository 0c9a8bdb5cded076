//! `valves like TYPE`: the types most like one, and what would have to change.
//!
//! Over 400 lines because it is one comparison: its figures, its table, and a sentence for each change.

use models::alike::{Likeness, alike};
use models::data::{Connection, Heating, ValveModel, ValveType};
use models::working_point::{Class, Joined, WorkingPoint};
use serde::Serialize;
use sim::quantity::{Unit, engineering};

use super::{HeaterFigures, NOTHING, Point, WIDTH, factor, heater_in_short, plain, wrapped};
use crate::diagnostic::Id;
use crate::failure::Failure;
use crate::library;
use crate::options::Options;
use crate::report::table::Sheet;
use crate::report::{self, json};

/// Anode load of a single-ended output triode in anode resistances: between 2, where power is greatest
/// for a given swing, and 5, where distortion is least. Common practice, no source.
const TRIODE_LOAD: f64 = 3.0;

/// Ratios within this of 1 are no change: less than the tolerance of any resistor.
const AS_BEFORE: f64 = 0.02;

/// Types that are told in words: of those as they are, and of those strapped.
const IN_WORDS: usize = 2;

/// Which type, and how many to list.
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// Type of valve, e.g. 2A3; another name of it will do.
    #[arg(value_name = "TYPE")]
    valve: String,
    /// The pentode as a triode, its screen tied to the anode.
    #[arg(long)]
    strapped: bool,
    /// How many types to list.
    #[arg(long, value_name = "TYPES", default_value_t = 14)]
    most: usize,
}

/// The type that is to be replaced.
#[derive(Debug, Serialize)]
struct Target {
    #[serde(rename = "type")]
    name: String,
    strapped: bool,
    heater: Option<HeaterFigures>,
    base: Option<String>,
    anode_volts: Option<f64>,
    anode_watts: Option<f64>,
    point: Option<Point>,
    cathode_resistor: Option<f64>,
    load: Option<f64>,
    rectifier: Option<RectifierOf>,
    stabilised_volts: Option<f64>,
}

/// A rectifier's figures.
#[derive(Debug, Serialize)]
struct RectifierOf {
    drop: f64,
    at_amps: f64,
    dc_amps: Option<f64>,
    peak_inverse_volts: Option<f64>,
}

/// A type like it.
#[derive(Debug, Serialize)]
struct Candidate {
    distance: f64,
    less_current: bool,
    over_volts: bool,
    #[serde(flatten)]
    figures: Target,
}

/// The list.
#[derive(Debug, Serialize)]
struct Answer {
    target: Target,
    candidates: Vec<Candidate>,
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let valve = library::find(&arguments.valve)?;
    let target = if arguments.strapped {
        Joined::strapped(valve).ok_or_else(|| {
            Failure::plain(
                Id::CannotAsk,
                format!("the {} has no screen to tie to its anode", valve.name),
                "ask without --strapped",
            )
        })?
    } else {
        Joined::normal(valve)
    };
    let mut found = alike(target, models::library::valves());
    found.truncate(arguments.most);
    let at = target.typical();
    let answer = Answer {
        target: figures(&target, at.as_ref(), valve),
        candidates: found
            .iter()
            .map(|like| Candidate {
                distance: like.distance,
                less_current: like.less_current,
                over_volts: over_volts(like),
                figures: figures(&like.joined, like.point.as_ref(), valve),
            })
            .collect(),
    };
    if options.json {
        report::print(&json::bare("valves like", &answer))?;
    } else {
        report::print(&text(&target, at.as_ref(), &found))?;
    }
    Ok(())
}

fn over_volts(like: &Likeness) -> bool {
    let limit = like.joined.volts_limit();
    matches!((limit, &like.point), (Some(limit), Some(point)) if point.v_ak > limit)
}

fn figures(joined: &Joined, at: Option<&WorkingPoint>, target: &ValveType) -> Target {
    let valve = joined.valve;
    Target {
        name: valve.name.clone(),
        strapped: joined.connection == Connection::Strapped,
        heater: valve.heater.as_ref().map(HeaterFigures::from),
        base: valve.base.as_ref().map(|base| base.name.clone()),
        anode_volts: joined.volts_limit(),
        anode_watts: joined.watts_limit(),
        point: at.map(|at| Point::from(*at)),
        cathode_resistor: at.and_then(cathode_resistor),
        load: at.and_then(|at| load(joined, at)),
        rectifier: rectifier(valve, target),
        stabilised_volts: valve.discharge.as_ref().map(|d| d.voltage),
    }
}

/// Cathode resistor of one valve that makes the bias, Ω; None without bias.
fn cathode_resistor(at: &WorkingPoint) -> Option<f64> {
    (at.v_gk < 0.0).then(|| -at.v_gk / (at.i_a + at.i_s))
}

/// Load at the anode that suits one output valve in class A, Ω; None of others.
fn load(joined: &Joined, at: &WorkingPoint) -> Option<f64> {
    if Class::of(joined.valve) != Class::Output {
        return None;
    }
    Some(match at.knee {
        // The swing from rest to the knee, by the swing of current from rest to none
        Some(knee) => (at.v_ak - knee).max(0.0) / at.i_a,
        None => TRIODE_LOAD * at.ra,
    })
}

/// Drop at the direct current of the target.
fn rectifier(valve: &ValveType, target: &ValveType) -> Option<RectifierOf> {
    let ValveModel::Rectifier(law) = &valve.model else {
        return None;
    };
    let at_amps = target.limits.dc_amps?;
    Some(RectifierOf {
        drop: law.drop(at_amps),
        at_amps,
        dc_amps: valve.limits.dc_amps,
        peak_inverse_volts: valve.limits.peak_inverse_volts,
    })
}

fn name_of(joined: &Joined) -> String {
    if joined.connection == Connection::Strapped {
        format!("{} strapped", joined.valve.name)
    } else {
        joined.valve.name.clone()
    }
}

fn text(target: &Joined, at: Option<&WorkingPoint>, found: &[Likeness]) -> String {
    let mut text = format!(
        "{}: {}, {}, base {}\n",
        name_of(target),
        super::kind(target.valve.class),
        super::heater(target.valve.heater.as_ref()),
        base_of(target.valve)
    );
    if let Some(at) = at {
        text += &amplifying(target, at, found);
    } else if target.valve.model.is_rectifier() {
        text += &rectifiers(target, found);
    } else {
        text += &stabilisers(target, found);
    }
    if found.is_empty() {
        text += "Nothing of its class in the library compares with it.\n";
    }
    text
}

fn base_of(valve: &ValveType) -> String {
    valve
        .base
        .as_ref()
        .map_or_else(|| NOTHING.to_owned(), |base| base.name.clone())
}

fn limit(value: Option<f64>, unit: &str) -> String {
    value.map_or_else(|| NOTHING.to_owned(), |value| plain(value, unit))
}

fn amplifying(target: &Joined, at: &WorkingPoint, found: &[Likeness]) -> String {
    let screen = at.v_sk.map_or_else(String::new, |v| {
        format!(", {} on the screen", plain(v, "V"))
    });
    let output = Class::of(target.valve) == Class::Output;
    let mut text = wrapped(
        &format!(
            "Compared where it usually works: {} on the anode{screen}, {} ({}), bias {}",
            plain(at.v_ak, "V"),
            engineering(at.i_a, Unit::Ampere),
            engineering(at.v_ak * at.i_a, Unit::Watt),
            engineering(at.v_gk, Unit::Volt),
        ),
        0,
        WIDTH,
    );
    text.push('\n');
    let mut header = vec!["", "heater", "bias", "Ia", "gm mA/V", "mu", "ra"];
    if output {
        header.push("load");
    }
    header.extend(["Pa max", "Va max", "apart"]);
    let mut sheet = Sheet::new(&header);
    sheet.row(line(target, at, output, false, None));
    for like in found {
        if let Some(point) = &like.point {
            sheet.row(line(
                &like.joined,
                point,
                output,
                over_volts(like),
                Some(like),
            ));
        }
    }
    text += &sheet.print(
        "Biased for the same current at the same anode and screen volts, nearest first",
        2,
    );
    text.truncate(text.trim_end().len());
    text += "\n\n";
    let load_words = if output { load_words(target) } else { "" };
    text += &wrapped(
        &format!(
            "Apart: the root of the squared ln ratios of gm, mu, ra, current, dissipation{}, each over what samples of one type spread; below 1 a type differs as samples do. Drive to full output goes as the bias. d: directly heated.{load_words}",
            if at.knee.is_some() { ", knee" } else { "" },
        ),
        0,
        WIDTH,
    );
    if found.iter().any(|like| like.less_current) {
        text += "<: less current, for its dissipation or to stay free of grid current.\n";
    }
    if found.iter().any(over_volts) {
        text += "!: the anode volts above are more than the type is rated for; use less.\n";
    }
    text.push('\n');
    text += &changes(target, at, found, output);
    text
}

fn load_words(target: &Joined) -> &'static str {
    if target.has_screen() {
        " Load: from rest to the knee, for one valve in class A."
    } else {
        " Load: 3 ra, for one valve in class A."
    }
}

fn line(
    joined: &Joined,
    at: &WorkingPoint,
    output: bool,
    over: bool,
    like: Option<&Likeness>,
) -> Vec<String> {
    let less = like.is_some_and(|like| like.less_current);
    let mut cells = vec![
        name_of(joined),
        heater_in_short(joined.valve.heater.as_ref()),
        engineering(at.v_gk, Unit::Volt),
        format!(
            "{}{}",
            if less { "< " } else { "" },
            engineering(at.i_a, Unit::Ampere)
        ),
        format!("{:.2}", 1e3 * at.gm),
        factor(at.mu),
        engineering(at.ra, Unit::Ohm),
    ];
    if output {
        cells.push(
            load(joined, at).map_or_else(|| NOTHING.to_owned(), |r| engineering(r, Unit::Ohm)),
        );
    }
    cells.push(limit(joined.watts_limit(), "W"));
    cells.push(format!(
        "{}{}",
        if over { "! " } else { "" },
        limit(joined.volts_limit(), "V")
    ));
    cells.push(like.map_or_else(
        || NOTHING.to_owned(),
        |like| format!("{:.1}", like.distance),
    ));
    cells
}

/// The nearest in words: what has to be rewired.
fn changes(target: &Joined, at: &WorkingPoint, found: &[Likeness], output: bool) -> String {
    let of = |connection: Connection| {
        let list = found.iter();
        list.filter(move |like| like.joined.connection == connection)
            .take(IN_WORDS)
    };
    let mut text = String::new();
    for like in of(Connection::Normal).chain(of(Connection::Strapped)) {
        let Some(point) = &like.point else { continue };
        text += "  ";
        text += &wrapped(&change(target, at, like, point, output), 4, WIDTH - 2);
    }
    if text.is_empty() {
        return text;
    }
    format!("What changes with the nearest in its place\n{text}")
}

fn change(
    target: &Joined,
    at: &WorkingPoint,
    like: &Likeness,
    point: &WorkingPoint,
    output: bool,
) -> String {
    let mut words = Vec::new();
    let (old, new) = (target.valve, like.joined.valve);
    if let (Some(before), Some(after)) = (&old.heater, &new.heater) {
        if super::heater(Some(before)) == super::heater(Some(after)) {
            words.push("the same heater".to_owned());
        } else {
            words.push(format!(
                "heater {} instead of {}",
                super::heater(Some(after)),
                super::heater(Some(before))
            ));
        }
        if before.heating == Heating::Direct && after.heating == Heating::Indirect {
            let limit = new.limits.heater_cathode_volts.map_or_else(
                || "tie the heater winding to the chassis or cathode".to_owned(),
                |v| format!("heater to cathode at most {}", plain(v, "V")),
            );
            words.push(format!(
                "the cathode apart from the heater (no hum pot; {limit})"
            ));
        } else if before.heating == Heating::Indirect && after.heating == Heating::Direct {
            words.push(
                "the filament is the cathode: a winding of its own, and a hum pot".to_owned(),
            );
        }
    }
    match (&old.base, &new.base) {
        (Some(before), Some(after)) if before.name == after.name && before.pins == after.pins => {
            words.push("the same socket and pins".to_owned());
        }
        (Some(before), Some(after)) if before.name == after.name => {
            words.push(format!("{} socket as before, other pins", after.name));
        }
        (Some(before), Some(after)) => {
            words.push(format!("base {} instead of {}", after.name, before.name));
        }
        _ => words.push("bases not in the library".to_owned()),
    }
    if new.sections != old.sections {
        words.push(format!(
            "{} in an envelope instead of {}",
            new.sections, old.sections
        ));
    }
    let volts = |v: f64| engineering(v, Unit::Volt);
    let current = if like.less_current {
        format!(" at {}", engineering(point.i_a, Unit::Ampere))
    } else {
        String::new()
    };
    let ratios = [
        ("bias and drive", point.v_gk / at.v_gk),
        ("gm", point.gm / at.gm),
        ("mu", point.mu / at.mu),
        ("ra", point.ra / at.ra),
    ];
    if !like.less_current
        && ratios
            .iter()
            .all(|(_, ratio)| (ratio - 1.0).abs() < AS_BEFORE)
    {
        words.push("the same bias, drive and load".to_owned());
    } else {
        words.push(format!(
            "bias {} instead of {}{current}",
            volts(point.v_gk),
            volts(at.v_gk)
        ));
        let mut instead = |what: &str, before: Option<f64>, after: Option<f64>| {
            if let (Some(before), Some(after)) = (before, after) {
                words.push(format!(
                    "{what} {} instead of {}",
                    engineering(after, Unit::Ohm),
                    engineering(before, Unit::Ohm)
                ));
            }
        };
        instead(
            "cathode resistor",
            cathode_resistor(at),
            cathode_resistor(point),
        );
        if output {
            instead("load", load(target, at), load(&like.joined, point));
        }
        let list: Vec<String> = ratios
            .iter()
            .map(|(of, ratio)| format!("{of} × {ratio:.2}"))
            .collect();
        words.push(list.join(", "));
    }
    if like.joined.connection == Connection::Strapped {
        let how = if output {
            "screen to anode through 100 Ω at the socket, grid stopper"
        } else {
            "screen to anode"
        };
        words.push(how.to_owned());
        if let (None, Some(screen)) = (new.limits.strapped_volts, new.limits.screen_volts) {
            words.push(format!(
                "strapped limit not in the library, its screen alone is rated {}",
                plain(screen, "V")
            ));
        }
    }
    let leaks = (old.limits.grid_leak_fixed, new.limits.grid_leak_fixed);
    match leaks {
        (before, Some(leak)) if output && before.is_none_or(|before| leak < before) => {
            words.push(format!(
                "grid leak at most {} with fixed bias",
                engineering(leak, Unit::Ohm)
            ));
        }
        _ => {}
    }
    format!("{}: {}.", name_of(&like.joined), words.join("; "))
}

fn rectifiers(target: &Joined, found: &[Likeness]) -> String {
    let mut sheet = Sheet::new(&[
        "",
        "heater",
        "base",
        "drop",
        "direct current",
        "peak inverse",
        "apart",
    ]);
    let mut row = |joined: &Joined, distance: Option<f64>| {
        let of = rectifier(joined.valve, target.valve);
        let limits = &joined.valve.limits;
        sheet.row(vec![
            joined.valve.name.clone(),
            super::heater(joined.valve.heater.as_ref()),
            base_of(joined.valve),
            of.map_or_else(|| NOTHING.to_owned(), |of| engineering(of.drop, Unit::Volt)),
            super::or_nothing(limits.dc_amps, Unit::Ampere),
            limit(limits.peak_inverse_volts, "V"),
            distance.map_or_else(|| NOTHING.to_owned(), |d| format!("{d:.1}")),
        ]);
    };
    row(target, None);
    for like in found {
        row(&like.joined, Some(like.distance));
    }
    let at = target
        .valve
        .limits
        .dc_amps
        .map_or_else(String::new, |amps| {
            format!(" with {} in the anode", engineering(amps, Unit::Ampere))
        });
    let mut text = sheet.print(&format!("\nDrop{at}, and limits; nearest first"), 3);
    text += "A lower drop raises the HT, an indirectly heated rectifier brings it up with the valves; check the heater\n";
    text += "winding, the resistance in each anode and the reservoir: `gridleak supply`, `gridleak switch-on`.\n";
    text
}

fn stabilisers(target: &Joined, found: &[Likeness]) -> String {
    let mut sheet = Sheet::new(&["", "base", "keeps", "least", "greatest", "apart"]);
    let mut row = |joined: &Joined, distance: Option<f64>| {
        let limits = &joined.valve.limits;
        sheet.row(vec![
            joined.valve.name.clone(),
            base_of(joined.valve),
            limit(joined.valve.discharge.as_ref().map(|d| d.voltage), "V"),
            super::or_nothing(limits.least_amps, Unit::Ampere),
            super::or_nothing(limits.most_amps, Unit::Ampere),
            distance.map_or_else(|| NOTHING.to_owned(), |d| format!("{d:.1}")),
        ]);
    };
    row(target, None);
    for like in found {
        row(&like.joined, Some(like.distance));
    }
    sheet.print("\nMaintaining volts and currents; nearest first", 2)
}
