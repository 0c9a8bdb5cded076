//! The chart and what readings point at, in words.

use measure::at_rest::readings::{Compared, Explains, Readings, Standing, ValvePoints, Verdict};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use crate::notes;
use crate::report::table::{Sheet, volts};

pub(super) fn text(amplifier: &Amplifier, answer: &Readings, ranges: &[f64]) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    if let Some(verdict) = &answer.verdict {
        text += &headline(verdict);
    }
    text += &conditions(answer, ranges);
    if let Some(verdict) = &answer.verdict {
        text += &compared(verdict);
        text += &pointers(verdict);
        text += &unseen(verdict);
    }
    text += &chart(answer);
    text += &notes::text(amplifier);
    text
}

fn headline(verdict: &Verdict) -> String {
    let count = |place: Standing| verdict.readings.iter().filter(|r| r.place == place).count();
    let (all, outside, possible) = (
        verdict.readings.len(),
        count(Standing::Outside),
        count(Standing::Possible),
    );
    let mut text = if outside + possible == 0 {
        format!(
            "All {all} readings are within their bands: nothing that they can show is wrong. What they cannot show is\nlisted below.\n"
        )
    } else {
        format!(
            "{outside} of {all} readings outside what tolerances can do, {possible} more beyond what is likely.\n"
        )
    };
    if let Some(first) = verdict.explained_by.first() {
        let told = |of: &Explains| format!("{} {}", of.part, of.fault);
        let others = verdict.explained_by[1..].iter();
        let others = others.filter(|of| of.misfit - first.misfit < TIE);
        let others: Vec<String> = others.map(told).collect();
        text += &if others.is_empty() {
            format!("Best single explanation: {}.\n", told(first))
        } else {
            format!(
                "Best single explanations, which these readings do not tell apart: {}; or {}.\n",
                told(first),
                others.join("; or ")
            )
        };
    }
    text + "\n"
}

/// What is left over that is no better than what leaves so much more, in bands: half of what tolerances make.
const TIE: f64 = 0.5;

fn conditions(answer: &Readings, ranges: &[f64]) -> String {
    let names: Vec<String> = answer.meters.iter().map(|m| m.name.clone()).collect();
    let per_volt = answer.meters.iter().any(|m| m.ohms_per_volt.is_some());
    let ranges: Vec<String> = ranges.iter().map(f64::to_string).collect();
    let ranges = if per_volt {
        format!("; ranges {} V", ranges.join(", "))
    } else {
        String::new()
    };
    format!(
        "Volts to the chassis with no signal{}.\nMeters: {}{ranges}. Each is solved in the whole circuit, one reading at a time.\nBand: resistances ±{} where the file says nothing, valves ±{} in current, {} {:+.0} to {:+.0} %;\n  likely is the root of the sum of squares, worst all of it one way; first-order, capacitors not varied.\n\n",
        if answer.on_mains {
            ", means over a settled mains period"
        } else {
            ""
        },
        names.join(" and "),
        share(answer.tolerance),
        share(answer.valve_spread),
        if answer.on_mains { "mains" } else { "supplies" },
        100.0 * (answer.mains_low - 1.0),
        100.0 * (answer.mains_high - 1.0),
    )
}

/// Width of the lists, of a page.
const WIDTH: usize = 100;

fn unseen(verdict: &Verdict) -> String {
    let mut text =
        "What these readings cannot show: each leaves all of them within their bands.\n".to_owned();
    for unseen in &verdict.unseen {
        let mut line = format!("  {}:", unseen.fault);
        for (k, part) in unseen.parts.iter().enumerate() {
            let comma = if k + 1 < unseen.parts.len() { "," } else { "" };
            if line.chars().count() + part.len() + 2 > WIDTH {
                text += &format!("{line}\n");
                line.clear();
                line += "   ";
            }
            line += &format!(" {part}{comma}");
        }
        text += &format!("{line}\n");
    }
    text + "\n"
}

/// A tolerance as it is written on a part.
fn share(ratio: f64) -> String {
    format!("{} %", (1e4 * ratio).round() / 100.0)
}

/// Ohms that a meter sees; of a supply without resistance there are none to speak of.
fn ohms(ohms: Option<f64>) -> String {
    const NOTHING: f64 = 0.1;
    match ohms {
        None => "-".to_owned(),
        Some(ohms) if ohms.abs() < NOTHING => "0 Ω".to_owned(),
        Some(ohms) => engineering(ohms, Unit::Ohm),
    }
}

fn chart(answer: &Readings) -> String {
    let mut header = vec!["point", "node", "volts", "likely ±", "worst ±", "source"];
    for meter in &answer.meters {
        header.push(&meter.name);
        if meter.ohms_per_volt.is_some() {
            header.push("range");
        }
    }
    let mut sheet = Sheet::new(&header);
    for point in &answer.points {
        let mut row = vec![
            point.point.clone(),
            point.node.clone(),
            volts(point.volts),
            volts(point.band.likely),
            volts(point.band.worst),
            ohms(point.source_ohms),
        ];
        for shown in &point.shown {
            let mark = if shown.upset { "≈ " } else { "" };
            row.push(format!("{mark}{}", volts(shown.volts)));
            row.extend(shown.range.map(|range| format!("{range} V")));
        }
        sheet.row(row);
    }
    let upset = answer.points.iter().flat_map(|point| &point.shown);
    let upset = if upset.into_iter().any(|shown| shown.upset) {
        "≈: with this meter there the amplifier finds no rest and swings slowly; the volts are estimated.\n\n"
    } else {
        ""
    };
    sheet.print("Voltage chart: true volts, and what each meter shows", 2) + upset
}

fn compared(verdict: &Verdict) -> String {
    let mut sheet = Sheet::new(&[
        "point",
        "verdict",
        "reading",
        "should be",
        "off",
        "likely ±",
        "worst ±",
        "meter",
        "range",
    ]);
    for reading in &verdict.readings {
        sheet.row(vec![
            reading.point.clone(),
            place(reading),
            volts(reading.reading),
            volts(reading.expected),
            volts(reading.difference),
            volts(reading.likely()),
            volts(reading.band.worst + reading.accuracy),
            reading
                .meter
                .as_ref()
                .map_or("-".to_owned(), |m| m.name.clone()),
            reading
                .range
                .map_or("-".to_owned(), |range| format!("{range} V")),
        ]);
    }
    sheet.print(
        "Readings (bands with the meter: ±3 % of full scale, or ±1 % of the reading)",
        2,
    )
}

fn place(reading: &Compared) -> String {
    match reading.place {
        Standing::Within => "within".to_owned(),
        Standing::Possible => format!("{}, just possible", reading.words()),
        Standing::Outside => reading.words().to_uppercase(),
    }
}

fn pointers(verdict: &Verdict) -> String {
    if !Verdict::any_outside(&verdict.readings) {
        return String::new();
    }
    let mut text = String::new();
    for valve in &verdict.valves {
        text += &of_valve(valve);
    }
    if verdict.explained_by.is_empty() {
        text += &format!(
            "None of {} single faults explains the readings: several at once, another reading point, or a drawing that differs.\n",
            verdict.tried
        );
    } else {
        text += &format!(
            "Single faults that explain the readings best, of {} solved (left over in bands; {:.1} with nothing wrong):\n",
            verdict.tried - verdict.unsolved,
            verdict.misfit
        );
        for (k, fault) in verdict.explained_by.iter().enumerate() {
            text += &format!(
                "  {}. {} {}: {:.1}\n",
                k + 1,
                fault.part,
                fault.fault,
                fault.misfit
            );
        }
        text += "Places to look first, not a diagnosis: other faults, and several at once, can read the same.\n";
    }
    text + "\n"
}

fn of_valve(valve: &ValvePoints) -> String {
    let signs = match valve.signs.as_slice() {
        [all @ .., last] if !all.is_empty() => format!("{} and {last}", all.join(", ")),
        signs => signs.join(""),
    };
    let current = match valve.current.as_deref() {
        Some(word) => format!("; all that fits means {word} current than it should draw"),
        None => String::new(),
    };
    if valve.faults.is_empty() {
        return format!(
            "{}: {signs}. No single fault tried has these signs.\n",
            valve.valve
        );
    }
    format!(
        "{}: {signs}{current}. These signs have: {}.\n",
        valve.valve,
        valve.faults.join(", ")
    )
}
