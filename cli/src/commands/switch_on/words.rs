//! What happens at switch-on, for people.

use measure::at_rest::switch_on::{CapacitorAtSwitchOn, Phase, Stated, SwitchOn};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::Answer;
use crate::notes;
use crate::report::table::{Sheet, share, volts};

/// Times at which the HT is shown, s.
const TIMES: [f64; 12] = [
    0.02, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0,
];

/// Volts that form no film and do no harm the wrong way round, V (common practice, no source).
const REVERSED: f64 = 1.0;

pub(super) fn text(amplifier: &Amplifier, answer: &Answer) -> String {
    let drawn = &answer.as_drawn;
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &format!("{}.\n", conditions(answer));
    text += &settled("The HT", drawn);
    if let Some(silicon) = &answer.with_silicon {
        text += &settled("With silicon the HT", silicon);
    }
    text.push('\n');
    text += &over(answer);
    text += &against_time(answer);
    text += &capacitors(answer);
    text += &rectifiers(answer);
    text += &mains(answer);
    text += &cathodes(drawn);
    text += &notes::text(amplifier);
    text += "Not in it: the surge of the heaters themselves, which start at their hot resistance; remanence of the iron.\n";
    text
}

/// How it was switched on.
pub(super) fn conditions(answer: &Answer) -> String {
    let drawn = &answer.as_drawn;
    let mains = match answer.mains_volts {
        Some(volts) => format!("mains {}", engineering(volts, Unit::Volt)),
        None => "alternating supplies".to_owned(),
    };
    if drawn.hot {
        format!("Switched on again, {mains}, valves hot, capacitors empty, no signal")
    } else {
        format!("Switched on from cold, {mains}, capacitors empty, no signal")
    }
}

fn settled(which: &str, run: &SwitchOn) -> String {
    let Some(ht) = &run.ht else {
        return format!(
            "{which} has no capacitor; followed for {}.\n",
            seconds(run.duration)
        );
    };
    let ht = on(ht, run);
    match run.settled {
        Some(t) => format!(
            "{which}, on {ht}, stays within 1 % of its resting value from {} on.\n",
            seconds(t)
        ),
        None => format!(
            "{which}, on {ht}, is NOT within 1 % of its resting value after {}.\n",
            seconds(run.duration)
        ),
    }
}

/// The capacitor of the HT, with those in series with it.
fn on(ht: &str, run: &SwitchOn) -> String {
    if run.ht_with.is_empty() {
        ht.to_owned()
    } else {
        format!("{ht} and {} in series", run.ht_with.join(", "))
    }
}

fn seconds(t: f64) -> String {
    engineering(t, Unit::Second)
}

/// What is over its rating comes first.
fn over(answer: &Answer) -> String {
    let mut lines = Vec::new();
    let runs = [
        ("", Some(&answer.as_drawn)),
        (" with silicon", answer.with_silicon.as_ref()),
    ];
    for (which, run) in runs {
        for capacitor in run.iter().flat_map(|run| &run.capacitors) {
            let part = &capacitor.part;
            if let Some(limit) = capacitor.peak.limit.filter(|_| capacitor.peak.is_over()) {
                lines.push(format!(
                    "  {part}{which}: {} after {} is {} of {} allowed",
                    engineering(capacitor.peak.value, Unit::Volt),
                    seconds(capacitor.at),
                    share(&capacitor.peak),
                    engineering(limit, Unit::Volt)
                ));
            }
            if let Some(volts) = capacitor.reversed.filter(|volts| *volts > REVERSED) {
                lines.push(format!(
                    "  {part}{which}: an electrolytic charged the WRONG WAY ROUND to {}",
                    engineering(volts, Unit::Volt)
                ));
            }
        }
        for rectifier in run.iter().flat_map(|run| &run.rectifiers) {
            if let Some(limit) = rectifier
                .limit
                .filter(|limit| rectifier.surge.peak > *limit)
            {
                lines.push(format!(
                    "  {}{which}: a surge of {} after {}, where {} is allowed at every cycle's peak; what a single surge may\n    be is not known of the type",
                    rectifier.part,
                    engineering(rectifier.surge.peak, Unit::Ampere),
                    seconds(rectifier.surge.at),
                    engineering(limit, Unit::Ampere),
                ));
            }
        }
    }
    if lines.is_empty() {
        return "Nothing is over the ratings given.\n\n".to_owned();
    }
    format!("OVER THE RATING\n{}\n\n", lines.join("\n"))
}

/// The HT at a few times.
fn against_time(answer: &Answer) -> String {
    let Some(ht) = &answer.as_drawn.ht else {
        return String::new();
    };
    let mut header = vec!["after".to_owned(), "volts".to_owned()];
    if answer.with_silicon.is_some() {
        header.push("with silicon".to_owned());
    }
    let mut sheet = Sheet::new(&header.iter().map(String::as_str).collect::<Vec<_>>());
    let longest = answer
        .with_silicon
        .iter()
        .map(|run| run.duration)
        .fold(answer.as_drawn.duration, f64::max);
    // Half a cycle of grace for the rounding of the last.
    let period = answer.as_drawn.period;
    for t in TIMES.into_iter().filter(|t| *t <= longest + 0.5 * period) {
        let mut row = vec![seconds(t), at(&answer.as_drawn, ht, t)];
        row.extend(answer.with_silicon.iter().map(|run| at(run, ht, t)));
        sheet.row(row);
    }
    let ht = on(ht, &answer.as_drawn);
    sheet.print(&format!("HT on {ht}, greatest of the mains cycle"), 0)
}

/// Greatest volts of a capacitor in the cycle that ends at `t`.
fn at(run: &SwitchOn, part: &str, t: f64) -> String {
    let time = &run.envelope.time;
    let cycle = time.iter().position(|end| *end >= t - 0.5 * run.period);
    let Some(cycle) = cycle else {
        return "settled".to_owned();
    };
    let whole = run.envelope.capacitors.iter();
    let whole = whole.filter(|c| c.part == part || run.ht_with.contains(&c.part));
    let greatest = whole.map(|found| {
        let (least, most) = (found.least[cycle], found.greatest[cycle]);
        if -least > most { least } else { most }
    });
    volts(greatest.sum())
}

fn capacitors(answer: &Answer) -> String {
    let mut header = vec![
        "capacitor",
        "value",
        "at rest",
        "peak",
        "after",
        "of rating",
    ];
    if answer.with_silicon.is_some() {
        header.extend(["silicon: peak", "after", "of rating"]);
    }
    let mut sheet = Sheet::new(&header);
    let figures = |c: &CapacitorAtSwitchOn| [volts(c.peak.value), seconds(c.at), share(&c.peak)];
    for (k, capacitor) in answer.as_drawn.capacitors.iter().enumerate() {
        let mut row = vec![
            capacitor.part.clone(),
            engineering(capacitor.capacitance, Unit::Farad),
            volts(capacitor.at_rest),
        ];
        row.extend(figures(capacitor));
        row.extend(
            answer
                .with_silicon
                .iter()
                .flat_map(|run| figures(&run.capacitors[k])),
        );
        sheet.row(row);
    }
    sheet.print("Capacitors", 1)
}

/// Where on its cycle the mains was switched on.
fn phase(phase: Phase) -> &'static str {
    match phase {
        Phase::Zero => "zero crossing",
        Phase::Peak => "peak",
    }
}

fn rectifiers(answer: &Answer) -> String {
    let mut sheet = Sheet::new(&[
        "rectifier",
        "type",
        "surge",
        "after",
        "mains on at",
        "each cycle at rest",
        "allowed each cycle",
    ]);
    let runs = std::iter::once(&answer.as_drawn).chain(&answer.with_silicon);
    for (k, run) in runs.enumerate() {
        for (j, rectifier) in run.rectifiers.iter().enumerate() {
            // With silicon in its place only what changed stands there again.
            if k > 0 && rectifier.kind == answer.as_drawn.rectifiers[j].kind {
                continue;
            }
            sheet.row(vec![
                rectifier.part.clone(),
                rectifier.kind.clone(),
                engineering(rectifier.surge.peak, Unit::Ampere),
                seconds(rectifier.surge.at),
                phase(rectifier.surge.phase).to_owned(),
                engineering(rectifier.surge.at_rest, Unit::Ampere),
                rectifier
                    .limit
                    .map_or_else(|| "-".to_owned(), |limit| engineering(limit, Unit::Ampere)),
            ]);
        }
    }
    sheet.print("Rectifiers, greatest current of an anode", 2)
}

fn mains(answer: &Answer) -> String {
    let line = |which: &str, run: &SwitchOn| {
        run.mains.map_or_else(String::new, |surge| {
            format!(
                "{which} {} at its greatest, {} after switching on at the {} of the mains; {} at rest.\n",
                engineering(surge.peak, Unit::Ampere),
                seconds(surge.at),
                phase(surge.phase),
                engineering(surge.at_rest, Unit::Ampere)
            )
        })
    };
    let mut text = line("Mains current", &answer.as_drawn);
    if let Some(run) = &answer.with_silicon {
        text += &line("With silicon", run);
    }
    if !text.is_empty() {
        text.push('\n');
    }
    text
}

fn cathodes(run: &SwitchOn) -> String {
    if run.hot {
        return String::new();
    }
    let mut sheet = Sheet::new(&["valve", "type", "half emission after", "from"]);
    for cathode in &run.cathodes {
        sheet.row(vec![
            cathode.part.clone(),
            cathode.kind.clone(),
            seconds(cathode.half_emission),
            match cathode.stated {
                Stated::Line => "the file",
                Stated::ValveFile => "the type",
                Stated::Assumed => "assumed",
            }
            .to_owned(),
        ]);
    }
    let heading =
        "Cathodes; assumed from engineering figures for the kind of heating, valves differ by half";
    sheet.print(heading, 2)
}
