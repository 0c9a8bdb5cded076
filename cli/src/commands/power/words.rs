//! The answer of `power` in words and tables.
//!
//! Over 400 lines because it is one page, a table after another.

use measure::at_rest::voltages::Voltages;
use measure::driven::power::{Cause, Level, Limit, Output, Power, Role};
use measure::instruments::valve::AgainstLimit;
use sim::amplifier::Amplifier;
use sim::periodic::Approach;
use sim::quantity::{Unit, engineering};

use super::onset;
use crate::notes;
use crate::report::table::{Sheet, percent, share};

/// Valves that are over a limit before any signal comes.
pub(in crate::commands) fn over_at_rest(rest: Option<&Voltages>) -> String {
    let over: Vec<&str> = rest
        .into_iter()
        .flat_map(|rest| &rest.valves)
        .filter(|valve| {
            let figures = [
                Some(valve.v_ak),
                valve.v_sk,
                Some(valve.i_k),
                Some(valve.p_a),
                valve.p_s,
            ];
            figures.iter().flatten().any(AgainstLimit::is_over)
        })
        .map(|valve| valve.part.as_str())
        .collect();
    if over.is_empty() {
        return String::new();
    }
    format!(
        "OVER A LIMIT AT REST: {}; see `gridleak voltages`.\n",
        over.join(", ")
    )
}

pub(super) fn text(amplifier: &Amplifier, answer: &Power, rest: Option<&Voltages>) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &headline(answer);
    text += &over_at_rest(rest);
    text += &passed_over(answer);
    text += &onset::text(answer);
    text.push('\n');
    text += &format!(
        "Conditions: sine at {}, {} {}, generator volts open-circuit;\n  THD against the fundamental{}; every level settled until the cycle repeats.\n\n",
        engineering(answer.frequency, Unit::Hertz),
        if answer.in_volts {
            "volts across"
        } else {
            "power is rms volts squared over"
        },
        engineering(answer.load_ohms, Unit::Ohm),
        match answer.mains_period {
            Some(_) => ", hum left out; supplies fed from the mains as in the file",
            None => "; supplies as in the file",
        }
    );
    text += &stated(answer);
    text += &harmonics(answer);
    text += &limits(answer);
    text += &valves(answer);
    text += &sweep(answer);
    text += &notes::text(amplifier);
    text += &ended(answer);
    text += &settled(answer);
    text
}

/// How well the levels are settled, and how that was reached.
fn settled(answer: &Power) -> String {
    let ways = [
        (Approach::Collocation, "by collocation"),
        (Approach::Shooting, "by shooting"),
        (
            Approach::Waiting,
            "by waiting, so slow bias may be on its way still",
        ),
    ];
    let counted: Vec<String> = ways
        .iter()
        .map(|(way, words)| {
            let levels = answer.levels.iter().filter(|level| level.approach == *way);
            (levels.count(), words)
        })
        .filter(|(count, _)| *count > 0)
        .map(|(count, words)| format!("{count} {words}"))
        .collect();
    let settled = format!(
        "Settled to {:.1e} of the signal; of {} levels {}.\n",
        answer.residual,
        answer.levels.len(),
        counted.join(", ")
    );
    settled + &forced(answer)
}

/// Levels that rest on steps whose error is above its limit.
fn forced(answer: &Power) -> String {
    /// Share of the steps below which they say nothing: single steps at the corner of a clipped wave.
    const MANY: f64 = 0.01;
    let forced = answer.levels.iter().filter(|level| level.forced > MANY);
    let shares: Vec<f64> = forced.map(|level| level.forced).collect();
    if shares.is_empty() {
        return String::new();
    }
    format!(
        "In {} of the levels up to {} of the steps are as fine as is allowed and less exact than is asked for: read them as estimates.\n",
        shares.len(),
        percent(shares.iter().copied().fold(0.0, f64::max))
    )
}

pub(in crate::commands) fn headline(answer: &Power) -> String {
    /// Watts below which an amplifier gives none.
    const NONE: f64 = 1e-6;
    if answer.silent {
        let why = answer.ended_early.as_deref().unwrap_or_default();
        return format!("NEXT TO NOTHING REACHES THE LOAD: {why}.\nSee `gridleak check`.\n");
    }
    if !answer.in_volts && answer.greatest < NONE {
        return format!(
            "NEXT TO NO POWER: {} at most. The signal is lost on its way, or cancelled; see `gridleak check`.\n",
            onset::output(answer, answer.greatest)
        );
    }
    if let Some(rated) = &answer.rated {
        return format!(
            "{} at {} THD (the limit set), for {} rms of drive.\n",
            onset::output(answer, rated.power),
            percent(rated.thd),
            engineering(rated.drive_rms, Unit::Volt)
        );
    }
    let limit = percent(answer.distortion_limit);
    let power = |watts| onset::output(answer, watts);
    let greatest = power(answer.greatest);
    let what = if answer.in_volts { "output" } else { "power" };
    let distortions = answer.levels.iter().map(|level| level.thd);
    let least = distortions.fold(f64::INFINITY, f64::min);
    if least > answer.distortion_limit {
        return format!(
            "The distortion exceeds the limit of {limit} at every level: {} at least; greatest {what} {greatest}.\n",
            percent(least)
        );
    }
    answer.bursting.map_or_else(
        || {
            format!(
                "The distortion limit of {limit} is not met inside the sweep; greatest {what} {greatest}.\n"
            )
        },
        |bursting| {
            format!(
                "The distortion limit of {limit} is not met before the amplifier bursts into oscillation, from {} on.\n",
                power(bursting.power)
            )
        },
    )
}

/// What a single figure of rated power would pass over: bursts, a limit that is exceeded below it as well.
pub(in crate::commands) fn passed_over(answer: &Power) -> String {
    let mut text = String::new();
    let power = |watts| onset::output(answer, watts);
    if let Some(bursting) = &answer.bursting {
        text += &format!(
            "BURSTS INTO OSCILLATION at {} on part of every cycle from {} on ({} peak of drive): the sweep ends there, and no level at which it bursts is a figure of this amplifier.\n",
            engineering(bursting.frequency, Unit::Hertz),
            power(bursting.power),
            engineering(bursting.drive, Unit::Volt)
        );
    }
    if !answer.passages.is_empty() {
        let passages: Vec<String> = answer
            .passages
            .iter()
            .map(|at| {
                let way = if at.rising {
                    "rises through it"
                } else {
                    "falls below it"
                };
                format!("{way} at {}", power(at.power))
            })
            .collect();
        text += &format!(
            "The limit of {} is passed several times: the distortion {}.\n",
            percent(answer.distortion_limit),
            passages.join(", ")
        );
    }
    if let Some(crossover) = &answer.crossover {
        text += &format!(
            "Crossover distortion: {} at {}, falling to {} at {}; the pair is biased too near cut-off.\n",
            percent(crossover.distortion),
            power(crossover.power),
            percent(crossover.falls_to),
            power(crossover.at_power)
        );
    }
    text
}

/// Why the sweep ended before it was over, if it did.
pub(in crate::commands) fn ended(answer: &Power) -> String {
    // Of one that is silent the headline says it.
    let reason = answer.ended_early.as_ref().filter(|_| !answer.silent);
    reason.map_or_else(String::new, |reason| {
        format!("The sweep ended early: {reason}.\n")
    })
}

/// The levels that are stated: 1 W, outputs asked for, the limit, 1, 3, 5 and 10 %.
fn stated_levels(answer: &Power) -> Vec<(String, Option<&Level>)> {
    let one_watt = ("1 W".to_owned(), answer.one_watt.as_ref());
    let mut rows: Vec<_> = [one_watt]
        .into_iter()
        .filter(|_| !answer.in_volts)
        .collect();
    rows.extend(answer.at_output.iter().map(|at| {
        let output = match at.output {
            Output::Watts(watts) => engineering(watts, Unit::Watt),
            Output::Volts(volts) => engineering(volts, Unit::Volt),
        };
        (output, at.level.as_ref())
    }));
    rows.push((
        format!("limit {}", percent(answer.distortion_limit)),
        answer.rated.as_ref(),
    ));
    rows.extend(answer.at_distortion.iter().map(|at| {
        (
            format!("{:.0} % THD", 100.0 * at.distortion),
            at.level.as_ref(),
        )
    }));
    rows
}

fn stated(answer: &Power) -> String {
    let mut sheet = Sheet::new(&[
        "at",
        "drive, rms",
        "drive, peak",
        "output, rms",
        "power",
        "THD",
    ]);
    for (name, level) in stated_levels(answer) {
        let mut row = vec![name];
        if let Some(level) = level {
            row.extend([
                engineering(level.drive_rms, Unit::Volt),
                engineering(level.drive, Unit::Volt),
                engineering(level.output_rms, Unit::Volt),
                engineering(level.power, Unit::Watt),
                percent(level.thd),
            ]);
        } else {
            row.extend(["not reached", "-", "-", "-", "-"].map(str::to_owned));
        }
        sheet.row(row);
    }
    let (sheet, heading) = if answer.in_volts {
        (sheet.without(4), "Output and distortion")
    } else {
        (sheet, "Power and distortion")
    };
    sheet.print(heading, 1) + &passages(answer)
}

/// Every passage of a stated distortion that is passed more than once.
fn passages(answer: &Power) -> String {
    let mut sheet = Sheet::new(&["distortion", "", "drive, peak", "output, rms", "power"]);
    for at in &answer.at_distortion {
        for passage in &at.passages {
            sheet.row(vec![
                percent(at.distortion),
                (if passage.rising { "rising" } else { "falling" }).to_owned(),
                engineering(passage.drive, Unit::Volt),
                engineering(passage.output_rms, Unit::Volt),
                engineering(passage.power, Unit::Watt),
            ]);
        }
    }
    let sheet = if answer.in_volts {
        sheet.without(4)
    } else {
        sheet
    };
    sheet.print("Distortions passed more than once, in rising drive", 2)
}

fn harmonics(answer: &Power) -> String {
    let mut sheet = Sheet::new(&["at", "H2", "H3", "H4", "H5", "H6", "H7", "H8", "H9"]);
    for (name, level) in stated_levels(answer) {
        if let Some(level) = level {
            let mut row = vec![name];
            row.extend(level.harmonics.iter().map(|ratio| percent(*ratio)));
            sheet.row(row);
        }
    }
    sheet.print("Harmonics, of the fundamental", 1)
}

fn limits(answer: &Power) -> String {
    let from = if answer.in_volts {
        "from output"
    } else {
        "from power"
    };
    let mut sheet = Sheet::new(&["part", "what happens", "from drive, peak", from]);
    for limit in &answer.limits {
        sheet.row(vec![
            limit.part.clone(),
            what_happens(limit, answer.in_volts),
            engineering(limit.drive, Unit::Volt),
            onset::output(answer, limit.power),
        ]);
    }
    if let Some(bursting) = &answer.bursting {
        sheet.row(vec![
            "amplifier".to_owned(),
            format!(
                "bursts into oscillation at {}",
                engineering(bursting.frequency, Unit::Hertz)
            ),
            engineering(bursting.drive, Unit::Volt),
            onset::output(answer, bursting.power),
        ]);
    }
    sheet.print("What gives up, in the order of rising drive", 2)
}

fn what_happens(limit: &Limit, in_volts: bool) -> String {
    let cause = match limit.cause {
        Cause::GridCurrent => "draws grid current",
        Cause::CutOff => "cuts off",
        Cause::ClassAb => "cuts off: class A becomes AB",
        Cause::Knee => "anode runs into the knee",
        Cause::Saturation => "core saturates",
    };
    let role = match limit.role {
        Role::Output => "output valve",
        Role::Driver if in_volts => "valve",
        Role::Driver => "driver",
        Role::Iron => return cause.to_owned(),
    };
    format!("{role} {cause}")
}

fn valves(answer: &Power) -> String {
    let (name, level) = match (&answer.rated, answer.levels.last()) {
        (Some(rated), _) => ("at the distortion limit", rated),
        (None, Some(last)) => ("at the greatest drive of the sweep", last),
        (None, None) => return String::new(),
    };
    let mut sheet = Sheet::new(&[
        "valve",
        "Ia at rest",
        "Ia mean",
        "Ia least",
        "Ia most",
        "Ig2 mean",
        "Ig most",
        "Pa",
        "of limit",
        "Pg2",
        "of limit",
    ]);
    for valve in &level.valves {
        let amps = |amps: f64| {
            if amps.abs() < 1e-9 {
                "0 A".to_owned()
            } else {
                engineering(amps, Unit::Ampere)
            }
        };
        let screen = valve.has_screen;
        let dash = || "-".to_owned();
        sheet.row(vec![
            valve.part.clone(),
            amps(valve.i_a_rest),
            amps(valve.i_a),
            amps(valve.i_a_least),
            amps(valve.i_a_most),
            if screen { amps(valve.i_s) } else { dash() },
            amps(valve.i_g_most),
            engineering(valve.p_a, Unit::Watt),
            share(&AgainstLimit {
                value: valve.p_a,
                limit: valve.p_a_limit,
            }),
            if screen {
                engineering(valve.p_s, Unit::Watt)
            } else {
                dash()
            },
            if screen {
                share(&AgainstLimit {
                    value: valve.p_s,
                    limit: valve.p_s_limit,
                })
            } else {
                dash()
            },
        ]);
    }
    sheet.print(&format!("Valves {name}"), 1)
}

fn sweep(answer: &Power) -> String {
    let mut sheet = Sheet::new(&["drive, rms", "output, rms", "power", "THD", "H2", "H3"]);
    for level in &answer.levels {
        let harmonic = |k: usize| {
            level
                .harmonics
                .get(k)
                .map_or_else(|| "-".to_owned(), |ratio| percent(*ratio))
        };
        sheet.row(vec![
            engineering(level.drive_rms, Unit::Volt),
            engineering(level.output_rms, Unit::Volt),
            engineering(level.power, Unit::Watt),
            percent(level.thd),
            harmonic(0),
            harmonic(1),
        ]);
    }
    let sheet = if answer.in_volts {
        sheet.without(2)
    } else {
        sheet
    };
    sheet.print("Sweep", 0)
}
