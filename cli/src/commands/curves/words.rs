//! The curves as a table at round volts, with the line or the cycle laid over them, in words.

use measure::driven::curves::{Asked, Curve, LoadLine, Pair, Point, Section, Stage, Swing};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::{Answer, has_screen};
use crate::notes;
use crate::report::table::{Sheet, amps, percent, volts, watts};

/// Rows of a table of characteristics, about.
const ROWS: f64 = 8.0;

/// Columns of grid volts: more do not fit a page.
const COLUMNS: usize = 11;

/// Current below which a table of milliamperes shows two more places, A.
const SMALL: f64 = 20e-3;

pub(super) fn of_type(section: &Section<'_>, answer: &Answer) -> String {
    let mut text = format!("{}, {}\n\n", answer.kind, connection(answer));
    if let Some(line) = &answer.load_line {
        text += &load_line(line, answer);
    }
    if let Some(pair) = &answer.pair {
        text += &composite(pair, answer);
    }
    text += &format!(
        "Conditions: one section, direct volts against the cathode, by the law of the type; no secondary emission.\n  {}.\n\n",
        law(answer)
    );
    text += &tables(section, answer);
    text
}

pub(super) fn of_file(
    section: &Section<'_>,
    amplifier: &Amplifier,
    answer: &Answer,
    asked: Asked,
) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    let Some(stage) = &answer.stage else {
        return text;
    };
    text += &headline(stage, answer, amplifier, asked);
    text += &format!(
        "\nConditions: sine at {}, one settled cycle of the whole circuit{}; volts against the cathode{}.\n  Curves: {}, by the law of the type.\n  {}.\n\n",
        engineering(stage.frequency, Unit::Hertz),
        if amplifier.mains.is_some() {
            ", the mean of those in a period of the mains, hum left out"
        } else {
            ""
        },
        if amplifier
            .circuit
            .find_part(&stage.part)
            .is_some_and(|part| is_filament(amplifier, part))
        {
            ", the middle of the filament"
        } else {
            ""
        },
        connection(answer),
        law(answer)
    );
    text += &cycle(stage);
    text += &tables(section, answer);
    text += &notes::text(amplifier);
    text
}

fn is_filament(amplifier: &Amplifier, part: sim::PartId) -> bool {
    matches!(&amplifier.circuit.part(part).part, sim::parts::Part::Valve(valve) if valve.filament)
}

/// What the screen does, in words.
pub(super) fn connection(answer: &Answer) -> String {
    match (answer.connection, answer.screen) {
        ("strapped", _) => "screen tied to the anode, both currents together".to_owned(),
        ("tapped", Some(screen)) => format!(
            "screen at {} + {} of Va",
            volts(screen.level),
            percent(screen.share)
        ),
        ("normal", Some(screen)) => format!("screen at {}", volts(screen.level)),
        _ => "triode".to_owned(),
    }
}

/// Where the law comes from and how well it meets its points.
pub(super) fn law(answer: &Answer) -> String {
    let fit = match (answer.fit_current_median, answer.fit_current_worst) {
        (Some(median), Some(worst)) => format!(
            "law within {} of the anode currents of its points, median {}",
            percent(worst),
            percent(median)
        ),
        _ => "law of unknown fit".to_owned(),
    };
    format!(
        "Data: {}.\n  The {fit}; valves of a type spread by 10 to 20 %",
        answer.data.trim_end_matches('.')
    )
}

fn tables(section: &Section<'_>, answer: &Answer) -> String {
    let mut text = table("Anode current, mA", section, answer, |point| point.i_a);
    if has_screen(section.valve) && !section.is_strapped() {
        text += &table("Screen current, mA", section, answer, |point| point.i_s);
    }
    text += &limits(answer);
    text
}

fn table(
    heading: &str,
    section: &Section<'_>,
    answer: &Answer,
    figure: fn(&Point) -> f64,
) -> String {
    let shown = |curves: &[Curve]| -> Vec<f64> {
        let every = curves.len().div_ceil(COLUMNS).max(1);
        curves
            .iter()
            .step_by(every)
            .map(|curve| curve.held)
            .collect()
    };
    let grid = shown(&answer.anode);
    let mut header = vec!["Va \\ Vg".to_owned()];
    header.extend(grid.iter().map(|&v_g| round_volts(v_g)));
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    let mut sheet = Sheet::new(&header);
    let places = if answer.frame.current_to < SMALL {
        3
    } else {
        1
    };
    let to = answer.frame.anode_to;
    let step = [1.0, 2.0, 2.5, 5.0, 10.0]
        .map(|k| k * 10.0_f64.powf((to / ROWS).log10().floor()))
        .into_iter()
        .find(|&step| to / step <= ROWS + 2.0)
        .unwrap_or(to);
    for k in 1..=(to / step).floor() as u32 {
        let v_a = step * f64::from(k);
        let mut row = vec![round_volts(v_a)];
        row.extend(
            grid.iter()
                .map(|&v_g| format!("{:.places$}", 1e3 * figure(&section.at(v_a, v_g)))),
        );
        sheet.row(row);
    }
    sheet.print(heading, 0)
}

fn limits(answer: &Answer) -> String {
    let limit = |value: Option<f64>, unit: Unit| {
        value.map_or_else(|| "not known".to_owned(), |value| engineering(value, unit))
    };
    format!(
        "Limits in this connection: anode dissipation {}, anode volts {}.\n",
        limit(answer.watts_limit, Unit::Watt),
        limit(answer.volts_limit, Unit::Volt)
    )
}

/// Volts of a curve: no more digits than they have.
pub(super) fn round_volts(v: f64) -> String {
    let rounded = format!("{v:.2}");
    let digits = rounded.trim_end_matches('0').trim_end_matches('.');
    format!("{} V", if digits == "-0" { "0" } else { digits })
}

fn of_limit(value: f64, limit: Option<f64>) -> String {
    match limit {
        Some(limit) if value > limit => format!(
            "{} (OVER the limit of {})",
            watts(value),
            engineering(limit, Unit::Watt)
        ),
        Some(limit) => format!("{} of {}", watts(value), engineering(limit, Unit::Watt)),
        None => watts(value),
    }
}

/// "Va 250 V, Ia 48.0 mA, Ig2 5.50 mA at Vg -7.30 V".
fn at(point: &Point) -> String {
    let screen = if point.i_s > 0.0 {
        format!(", Ig2 {}", amps(point.i_s))
    } else {
        String::new()
    };
    format!(
        "Va {}, Vg {}, Ia {}{screen}",
        volts(point.v_a),
        volts(point.v_g),
        amps(point.i_a)
    )
}

fn load_line(line: &LoadLine, answer: &Answer) -> String {
    let mut text = format!(
        "At rest on {}{}: {}; Pa {}.\n  There gm {}, ra {}.\n",
        load_words(line),
        line.v_k.map_or_else(String::new, |v_k| format!(
            ", {} across the cathode resistor",
            volts(v_k)
        )),
        at(&line.rest),
        of_limit(line.p_a, answer.watts_limit),
        milliamperes_a_volt(line.gm),
        engineering(line.ra, Unit::Ohm)
    );
    if let Some(swing) = &line.swing {
        text += &swing_words(swing, "on the grid", "across the load");
    }
    let mut sheet = Sheet::new(&["Vg", "Va", "Ia"]);
    for point in &line.points {
        sheet.row(vec![
            round_volts(point.v_g),
            volts(point.v_a),
            amps(point.i_a),
        ]);
    }
    text + "\n" + &sheet.print("Along the load line", 0)
}

/// The load of a line.
pub(super) fn load_words(line: &LoadLine) -> String {
    format!(
        "{} {} {}",
        engineering(line.ohms, Unit::Ohm),
        if line.transformer {
            "by a transformer, anode at rest at"
        } else {
            "from"
        },
        volts(line.supply)
    )
}

fn milliamperes_a_volt(siemens: f64) -> String {
    format!("{:.2} mA/V", 1e3 * siemens)
}

fn swing_words(swing: &Swing, grid: &str, load: &str) -> String {
    let harmonics: Vec<String> = swing
        .harmonics
        .iter()
        .zip(2..)
        .take(2)
        .map(|(ratio, k)| format!("H{k} {}", percent(*ratio)))
        .collect();
    format!(
        "A sine of {} peak {grid}: {} peak {load}, gain {}, {} in it, {}, THD {};\n  Va {} to {}, mean Ia {}.\n",
        volts(swing.drive),
        volts(swing.fundamental),
        engineering(swing.gain, Unit::Number),
        watts(swing.power),
        harmonics.join(", "),
        percent(swing.thd),
        volts(swing.v_a_least),
        volts(swing.v_a_most),
        amps(swing.i_mean)
    )
}

fn composite(pair: &Pair, answer: &Answer) -> String {
    let mut text = format!(
        "A pair on {} anode to anode from {}, each at rest: {}; Pa {}.\n  Composite anode resistance there {}; composite load {}, a quarter.\n",
        engineering(pair.ohms, Unit::Ohm),
        volts(pair.supply),
        at(&pair.rest),
        of_limit(pair.p_a, answer.watts_limit),
        engineering(pair.ra, Unit::Ohm),
        engineering(0.25 * pair.ohms, Unit::Ohm)
    );
    if let Some(swing) = &pair.swing {
        text += &swing_words(
            swing,
            "on each grid in opposition",
            "across half of the primary",
        );
    }
    let mut sheet = Sheet::new(&[
        "drive",
        "composite",
        "Vg",
        "Va",
        "Ia",
        "other Vg",
        "Va",
        "Ia",
    ]);
    for point in &pair.points {
        let mut row = vec![round_volts(point.drive), amps(point.current)];
        for valve in [&point.first, &point.second] {
            row.extend([round_volts(valve.v_g), volts(valve.v_a), amps(valve.i_a)]);
        }
        sheet.row(row);
    }
    text + "\n" + &sheet.print("Along the composite load line", 0)
}

fn headline(stage: &Stage, answer: &Answer, amplifier: &Amplifier, asked: Asked) -> String {
    let mut text = format!(
        "{} ({}) at {} into {}, {} THD, for {} peak of drive{}.\n",
        stage.part,
        answer.kind,
        engineering(stage.power, Unit::Watt),
        engineering(amplifier.bench.load_ohms, Unit::Ohm),
        percent(stage.thd),
        engineering(stage.drive, Unit::Volt),
        match (asked, stage.met) {
            (Asked::Limit, true) => " (the distortion limit)",
            (Asked::Limit, false) => " (the greatest power; the distortion limit is not met)",
            (_, true) => "",
            (_, false) => " (the nearest: what was asked is NOT reached)",
        }
    );
    text += &format!(
        "At rest {}; Pa {}, and {} at this level.\n",
        at(&stage.rest),
        of_limit(stage.rest.v_a * stage.rest.i_a, answer.watts_limit),
        of_limit(stage.p_a, answer.watts_limit)
    );
    if let Some(reason) = &stage.unsolved {
        text += &format!("Not solved, the level asked for: {reason}.\n");
    }
    text += &match (stage.ohms, stage.phase_degrees) {
        (Some(ohms), Some(degrees)) => format!(
            "Its anode sees {} at {degrees:+.0}° ({} over {}, peaks of the fundamental).\n",
            engineering(ohms, Unit::Ohm),
            volts(stage.v_1),
            amps(stage.i_1)
        ),
        _ => "No current swings in it.\n".to_owned(),
    };
    match (answer.connection, stage.screen_left) {
        ("tapped", Some(left)) => {
            text += &format!(
                "Its screen follows the anode by {} (least squares over the cycle, {} rms left).\n",
                percent(stage.screen.map_or(0.0, |screen| screen.share)),
                volts(left)
            );
        }
        ("normal", Some(left)) => {
            text += &format!(
                "Its screen moves by {} rms about its volts of rest.\n",
                volts(left)
            );
        }
        _ => {}
    }
    text
}

fn cycle(stage: &Stage) -> String {
    let mut sheet = Sheet::new(&["", "at rest", "least", "mean", "most"]);
    let mut row = |name: &str, figure: fn(&Point) -> f64, words: fn(f64) -> String| {
        let values = stage.locus.iter().map(figure);
        let mean = values.clone().sum::<f64>() / stage.locus.len() as f64;
        let least = values.clone().fold(f64::INFINITY, f64::min);
        let most = values.fold(f64::NEG_INFINITY, f64::max);
        let mut row = vec![name.to_owned()];
        row.extend([figure(&stage.rest), least, mean, most].map(words));
        sheet.row(row);
    };
    row("Va", |point| point.v_a, volts);
    row("Vg", |point| point.v_g, volts);
    row("Ia", |point| point.i_a, amps);
    if stage.locus.iter().any(|point| point.i_s > 0.0) {
        row("Vg2", |point| point.v_s.unwrap_or(0.0), volts);
        row("Ig2", |point| point.i_s, amps);
    }
    sheet.print("One cycle", 1)
}
