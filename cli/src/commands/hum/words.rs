//! The hum in words and tables.

use measure::driven::hum::{ADDS_UP, CauseKind, CauseOfHum, Coupling, Hum, WithSignal};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::Answer;
use crate::notes;
use crate::report::table::Sheet;

/// A part that does this much of what the whole cause does is named instead of it, a ratio.
const NEARLY_ALL: f64 = 0.9;

/// A share of the hum below which there is nothing to change, a ratio.
const WORTH_IT: f64 = 0.01;

/// Lines below this share of the greatest are left out of the table, a ratio (-60 dB).
const FAINT: f64 = 1e-3;

pub(super) fn text(amplifier: &Amplifier, answer: &Answer) -> String {
    let hum = &answer.hum;
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    text += &format!("Hum at the load {}.\n", figures(answer));
    text += &first_to_change(hum);
    text += &format!(
        "\nConditions: no signal, {};\n  rms of every line of the settled mains period up to {}; A-weighting by IEC 61672-1.\n  Not in it: currents in chassis and wiring, stray fields not stated, microphony.\n\n",
        conditions(answer),
        engineering(hum.highest, Unit::Hertz),
    );
    text += &lines(hum);
    text += &causes(hum);
    text += &mismatch(hum);
    text += &rails(hum);
    text += &balanced(hum);
    text += &hum
        .with_signal
        .as_ref()
        .map_or_else(String::new, with_signal);
    for unsolved in &hum.unsolved {
        text += &format!("Not solved, {unsolved}.\n");
    }
    text += &notes::text(amplifier);
    text += &format!("Settled to {:.1e} of the swing.\n", hum.residual);
    text
}

/// The headline figures.
pub(super) fn figures(answer: &Answer) -> String {
    let hum = &answer.hum;
    let mut text = format!(
        "{} rms, {} A-weighted",
        engineering(hum.output_rms, Unit::Volt),
        engineering(hum.output_a_rms, Unit::Volt)
    );
    if let (Some(plain), Some(weighted)) = (answer.below_db, answer.below_a_db) {
        let (power, kind) = if answer.in_volts {
            let volts = (answer.reference_power * hum.load_ohms).sqrt();
            (engineering(volts, Unit::Volt), "output")
        } else {
            (engineering(answer.reference_power, Unit::Watt), "power")
        };
        let what = match answer.rated_power {
            Some(_) => format!("rated {power}"),
            None => format!("{power} (no rated {kind} given)"),
        };
        text += &format!(": {plain:.1} and {weighted:.1} dB below {what}");
    }
    text
}

/// Mains, generator and load.
pub(super) fn conditions(answer: &Answer) -> String {
    let hum = &answer.hum;
    let mains = match answer.mains_volts {
        Some(volts) => format!("mains {} ", engineering(volts, Unit::Volt)),
        None => "supplies alternating at ".to_owned(),
    };
    format!(
        "{mains}{}, generator replaced by {}, load {}",
        engineering(hum.mains_frequency, Unit::Hertz),
        engineering(hum.generator_ohms, Unit::Ohm),
        engineering(hum.load_ohms, Unit::Ohm)
    )
}

/// What to change first, in plain words; nothing where the causes are not what makes it.
fn first_to_change(hum: &Hum) -> String {
    if hum.output_rms < hum.own_noise_of_load() {
        return format!(
            "Nothing to change: the load's own thermal noise is more, {} rms in 20 kHz.\n",
            engineering(hum.own_noise_of_load(), Unit::Volt)
        );
    }
    if !hum.is_explained() {
        let without = if hum.causes.is_empty() {
            "No cause is listed".to_owned()
        } else {
            let left = engineering(hum.left_rms, Unit::Volt);
            format!("With all causes below off at once {left} rms is left")
        };
        return format!(
            "{without}: what makes most of it is not in this list.\n  Nothing is advised: look for a way from the mains or a heater into the signal that the drawing has.\n"
        );
    }
    let Some(mut first) = hum.causes.first().filter(|cause| cause.share > WORTH_IT) else {
        return if hum.causes.is_empty() {
            String::new()
        } else {
            "No single cause that goes leaves less hum: they cancel each other.\n".to_owned()
        };
    };
    // The rail, not the reservoir before it, where that is what does it.
    while let Some(part) = hum.causes.iter().find(|cause| {
        cause.within.as_deref() == Some(first.name.as_str())
            && cause.share >= NEARLY_ALL * first.share
    }) {
        first = part;
    }
    let name = &first.name;
    let advice = match first.kind {
        CauseKind::Rail => format!(
            "smooth the rail {name} better ({}): more capacitance there or more resistance or choke before it",
            first.parts.join(", ")
        ),
        CauseKind::Bias => format!(
            "smooth the bias at {name} better ({})",
            first.parts.join(", ")
        ),
        CauseKind::Filament => format!("the filament of {name}: {}", filament(hum, "it")),
        CauseKind::Filaments => format!("the filaments of {name}: {}", filament(hum, "them")),
        CauseKind::Heater => format!(
            "the cathode of {name}: what leaks to it from the heater, the middle of the heater's winding, or some volts between the two"
        ),
        CauseKind::Balance => {
            format!("set {name}, the hum pot: it stands off the middle of its track")
        }
        CauseKind::Stray => {
            format!("{name}: turn it, screen it or move it away from the mains transformer")
        }
    };
    format!(
        "First to change: {advice}.\n  Without that cause {} rms is left, {}.\n",
        engineering(first.off_rms, Unit::Volt),
        change(first.off_rms, hum.output_rms)
    )
}

/// What helps against the hum of a filament: a pot balances its own frequency alone.
fn filament(hum: &Hum, it: &str) -> String {
    let line = hum.lines.iter().find(|line| line.number == 1);
    let balanced = line.map_or(0.0, |line| (line.rms / hum.output_rms).powi(2));
    if balanced < 0.5 {
        let hertz = engineering(hum.mains_frequency, Unit::Hertz);
        format!(
            "heat {it} with direct current; a hum pot balances {hertz} alone, {} of this hum",
            share(balanced)
        )
    } else {
        format!("set the hum pot, or heat {it} with direct current")
    }
}

/// Decibels more or less.
fn change(now: f64, before: f64) -> String {
    if now > 0.0 && before > 0.0 {
        let db = 20.0 * (now / before).log10();
        if db.abs() < 0.05 {
            "0.0 dB".to_owned()
        } else {
            format!("{db:+.1} dB")
        }
    } else {
        "nothing".to_owned()
    }
}

fn lines(hum: &Hum) -> String {
    let most = hum.lines.iter().map(|line| line.rms).fold(0.0, f64::max);
    let mut sheet = Sheet::new(&["line", "rms", "A-weighted", "of the hum"]);
    for line in hum.lines.iter().filter(|line| line.rms > FAINT * most) {
        sheet.row(vec![
            engineering(line.frequency, Unit::Hertz),
            engineering(line.rms, Unit::Volt),
            engineering(line.a_rms, Unit::Volt),
            share((line.rms / hum.output_rms).powi(2)),
        ]);
    }
    sheet.print(
        "Spectrum, lines within 60 dB of the greatest; shares of the power",
        0,
    )
}

/// A share of the power; negative where there is more without the cause.
fn share(ratio: f64) -> String {
    let percent = 100.0 * ratio;
    if percent.abs() < 0.05 {
        "0 %".to_owned()
    } else if percent.abs() < 1e4 {
        format!("{percent:.1} %")
    } else {
        format!("{percent:.0e} %")
    }
}

fn causes(hum: &Hum) -> String {
    let mut sheet = Sheet::new(&[
        "cause",
        "within",
        "hum without it",
        "change",
        "share",
        "A-weighted",
        "it alone",
    ]);
    for cause in &hum.causes {
        sheet.row(vec![
            name(cause),
            cause.within.clone().unwrap_or_default(),
            engineering(cause.off_rms, Unit::Volt),
            change(cause.off_rms, hum.output_rms),
            share(cause.share),
            share(cause.share_a),
            cause.alone_rms.map_or_else(|| "-".to_owned(), told),
        ]);
    }
    let mut text = sheet.print(
        "Causes, each switched off in a full solve; share of the hum's power that goes with it",
        2,
    );
    if let Some(db) = hum.sum_db {
        text.truncate(text.trim_end().len());
        let sum = engineering(hum.sum_rms, Unit::Volt);
        let left = if hum.left_rms < LEAST {
            "nothing".to_owned()
        } else {
            engineering(hum.left_rms, Unit::Volt)
        };
        text += &if db.abs() <= ADDS_UP {
            format!("\n  One at a time they add up to {sum} rms, {db:+.2} dB against the whole")
        } else {
            format!(
                "\n  One at a time they add up to {sum} rms, {db:+.1} dB against the whole: they do not add, the circuit\n  is not linear for them"
            )
        };
        text += &format!(
            "; all off leave {left}.\n  A share is negative where a cause cancels another. A rail that is off holds the rails it feeds.\n\n",
        );
    }
    text
}

fn name(cause: &CauseOfHum) -> String {
    let name = &cause.name;
    let parts = if cause.parts.is_empty() {
        String::new()
    } else {
        format!(" ({})", cause.parts.join(", "))
    };
    match cause.kind {
        CauseKind::Rail => format!("ripple of {name}{parts}"),
        CauseKind::Bias => format!("bias ripple of {name}{parts}"),
        CauseKind::Filament => format!("filament of {name}"),
        CauseKind::Filaments => format!("filaments of {name}"),
        CauseKind::Heater => format!("heater to cathode of {name}"),
        CauseKind::Balance => format!("hum pot {name} off its middle"),
        CauseKind::Stray => format!("stray field in {name}"),
    }
}

/// V below which there is nothing at a load: a thousandth of what its own thermal noise is.
const LEAST: f64 = 1e-9;

/// Volts at the load.
fn told(volts: f64) -> String {
    if volts < LEAST {
        "-".to_owned()
    } else {
        engineering(volts, Unit::Volt)
    }
}

fn mismatch(hum: &Hum) -> String {
    let mut sheet = Sheet::new(&["output pair", "hum", "change", "A-weighted"]);
    for off in &hum.mismatch {
        let percent = format!("{:+.0} %", 100.0 * (off.ratio - 1.0));
        sheet.row(vec![
            format!("{} {percent} current", off.valve),
            engineering(off.output_rms, Unit::Volt),
            change(off.output_rms, hum.output_rms),
            engineering(off.output_a_rms, Unit::Volt),
        ]);
    }
    sheet.print("With an output pair that does not match", 1)
}

fn rails(hum: &Hum) -> String {
    let mut sheet = Sheet::new(&[
        "rail",
        "mean",
        "ripple",
        "at the line",
        "makes at the load",
        "rejection",
    ]);
    for rail in &hum.rails {
        sheet.row(vec![
            format!("{} ({})", rail.node, rail.capacitors.join(", ")),
            engineering(rail.volts, Unit::Volt),
            engineering(rail.ripple, Unit::Volt),
            engineering(rail.ripple_there, Unit::Volt),
            told(rail.output_there),
            if rail.output_there < LEAST {
                "-".to_owned()
            } else {
                rail.rejection_db
                    .map_or_else(|| "all of it".to_owned(), |db| format!("{db:.1} dB"))
            },
        ]);
    }
    let at = engineering(2.0 * hum.mains_frequency, Unit::Hertz);
    sheet.print(
        &format!("Rejection of each rail at {at}, the others held still"),
        1,
    )
}

fn balanced(hum: &Hum) -> String {
    let mut sheet = Sheet::new(&["stage", "balanced by", "common-mode rejection"]);
    for stage in &hum.balanced {
        sheet.row(vec![
            stage.valves.join(", "),
            match stage.by {
                Coupling::Cathode => "a cathode in common",
                Coupling::Transformer => "its transformer",
            }
            .to_owned(),
            stage
                .rejection_db
                .map_or_else(|| "complete".to_owned(), |db| format!("{db:.1} dB")),
        ]);
    }
    let at = engineering(2.0 * hum.mains_frequency, Unit::Hertz);
    sheet.print(
        &format!("Balanced stages at {at}, valves of a pair alike"),
        2,
    )
}

fn with_signal(tone: &WithSignal) -> String {
    let mut sheet = Sheet::new(&["sideband", "from the tone", "rms", "against the tone"]);
    for sideband in &tone.sidebands {
        sheet.row(vec![
            format!("{:.0} Hz", sideband.frequency),
            format!("{:+} × mains", sideband.number),
            engineering(sideband.rms, Unit::Volt),
            sideband
                .db
                .map_or_else(|| "-".to_owned(), |db| format!("{db:.1} dB")),
        ]);
    }
    let all = tone
        .all_db
        .map_or_else(String::new, |db| format!("; all {db:.1} dB"));
    sheet.print(
        &format!(
            "Hum with a tone of {:.0} Hz at {} ({} peak of drive){all}",
            tone.frequency,
            engineering(tone.power, Unit::Watt),
            engineering(tone.drive, Unit::Volt)
        ),
        0,
    )
}
