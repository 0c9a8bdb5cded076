//! `switch-on FILE`.

use std::f64::consts::FRAC_1_SQRT_2;
use std::path::PathBuf;

use measure::at_rest::switch_on::{SwitchOn, SwitchOnOf, with_silicon};
use measure::at_rest::voltages::{Voltages, chart};
use serde::Serialize;
use sim::Tolerances;
use sim::amplifier::Amplifier;
use sim::parts::{Part, Source, Waveform};
use sim::rest::{Rest, frequencies};
use sim::{Circuit, System};

use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::report::{self, json, output};
use crate::{Options, amplifier, caution, progress};

mod picture;
mod text;

/// Arguments of `switch-on`.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Valves hot, capacitors empty: off and on again after they were discharged.
    #[arg(long)]
    hot: bool,
    /// The same with silicon in the place of each rectifier valve, side by side.
    #[arg(long)]
    silicon: bool,
    /// Write the volts of every capacitor, least and greatest of each mains cycle, to this file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

/// Steps of the progress bar.
const BAR: u64 = 1000;

/// What happens, as drawn and with silicon.
#[derive(Debug, Serialize)]
struct Answer {
    /// Volts of the mains, rms; none when no part is the mains.
    mains_volts: Option<f64>,
    as_drawn: SwitchOn,
    with_silicon: Option<SwitchOn>,
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let opened = amplifier::open(&arguments.file, options)?;
    let (amplifier, system) = (&opened.amplifier, &opened.system);
    if frequencies(&system.workspace().waveforms).is_empty() {
        return Err(Failure::NoAnswer(Diagnostic::plain(
            Id::NoMains,
            "there is no mains to switch on",
            "draw the supply: a line `mains`, a `mains_transformer` and a rectifier; `gridleak explain file` shows each",
        )));
    }
    for path in [&arguments.csv, &arguments.svg].into_iter().flatten() {
        output::free(path, options.overwrite)?;
    }
    let replaced = if arguments.silicon {
        Some(silicon(&amplifier.circuit)?)
    } else {
        None
    };
    let (as_drawn, rest) = follow(
        arguments,
        amplifier,
        &amplifier.circuit,
        system,
        "from switch-on",
    )?;
    let with_silicon = match &replaced {
        Some((circuit, system)) => {
            Some(follow(arguments, amplifier, circuit, system, "with silicon")?.0)
        }
        None => None,
    };
    let answer = Answer {
        mains_volts: amplifier
            .mains
            .map(|mains| match &amplifier.circuit.part(mains.part).part {
                Part::Source(Source {
                    waveform: Waveform::Sine { amplitude, .. },
                    ..
                }) => amplitude * FRAC_1_SQRT_2,
                _ => mains.nominal,
            }),
        as_drawn,
        with_silicon,
    };
    if let Some(path) = &arguments.csv {
        output::write(path, picture::csv(&answer).as_bytes(), options.overwrite)?;
    }
    if let Some(path) = &arguments.svg {
        let svg = picture::svg(amplifier, &answer)?;
        output::write(path, svg.as_bytes(), options.overwrite)?;
    }
    if options.json {
        report::print(&json::document("switch-on", amplifier, &answer))?;
    } else {
        report::print(&text::text(amplifier, &answer))?;
    }
    caution::print(&rest);
    Ok(())
}

/// The circuit with silicon rectifiers.
fn silicon(circuit: &Circuit) -> Result<(Circuit, System), Failure> {
    let no = |message: &str, help: &str| {
        Failure::NoAnswer(Diagnostic::plain(Id::NoRectifierValve, message, help))
    };
    let changed = with_silicon(circuit).ok_or_else(|| {
        no(
            "there is no rectifier valve to replace by silicon",
            "ask without --silicon",
        )
    })?;
    let system = changed.compile().map_err(|faults| {
        let words: Vec<String> = faults.iter().map(ToString::to_string).collect();
        no(
            &format!("silicon does not fit here: {}", words.join("; ")),
            "draw it with a `diode` line instead",
        )
    })?;
    Ok((changed, system))
}

/// Rest first, then everything up to it.
#[allow(clippy::cast_sign_loss, reason = "a share of a bar is not negative")]
fn follow(
    arguments: &Arguments,
    amplifier: &Amplifier,
    circuit: &Circuit,
    system: &System,
    what: &'static str,
) -> Result<(SwitchOn, Voltages), Failure> {
    let mut ws = system.workspace();
    let rest = Rest::find(system, &Tolerances::default(), &mut ws)?;
    let voltages = chart(circuit, system, &rest, &mut ws)?;
    let question = SwitchOnOf {
        hot: arguments.hot,
        mains: amplifier.mains.map(|mains| mains.part),
    };
    let bar = progress::long_bar(BAR, what);
    let answer = question.run(circuit, system, &rest, |share| {
        bar.set_position((BAR as f64 * share.clamp(0.0, 1.0)).round() as u64);
    })?;
    bar.finish_and_clear();
    Ok((answer, voltages))
}
