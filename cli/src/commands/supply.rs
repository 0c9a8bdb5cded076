//! `supply FILE`.

use std::path::PathBuf;

use measure::at_rest::supply::SupplyOf;
use sim::Tolerances;
use sim::quantity::Unit;

use super::waveform::quantity;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::report::{self, json, output};
use crate::{Options, amplifier, caution, progress};

mod picture;
mod text;

/// Arguments of `supply`.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// Peak volts of the generator at full drive; without it full drive is left out.
    #[arg(long, value_name = "VOLTS")]
    drive: Option<String>,
    /// Write the figures to this file, a condition a line.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a picture to this file: ripple and rectifier current over a mains period.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let opened = amplifier::open(&arguments.file, options)?;
    let drive = match &arguments.drive {
        Some(text) => Some(quantity("--drive", text, Unit::Volt, f64::MIN_POSITIVE)?),
        None => None,
    };
    for path in [&arguments.csv, &arguments.svg].into_iter().flatten() {
        output::free(path, options.overwrite)?;
    }
    let amplifier = &opened.amplifier;
    let Some(mut question) = SupplyOf::of(amplifier) else {
        return Err(Failure::NoAnswer(Diagnostic::plain(
            Id::NoMains,
            "the amplifier is not on its mains: the file has no `mains` part",
            "draw the mains, its transformer and the rectifier in place of the supply; see `gridleak explain no-mains`",
        )));
    };
    question.drive = drive;
    let bar = progress::bar(question.conditions() as u64, "conditions of the mains");
    let answer = question.run(&amplifier.circuit, &Tolerances::default(), &|solved| {
        bar.set_position(solved as u64);
    });
    bar.finish_and_clear();
    let answer = answer?;
    if let Some(path) = &arguments.csv {
        let sheet = picture::csv(&answer);
        output::write(path, sheet.as_bytes(), options.overwrite)?;
    }
    if let Some(path) = &arguments.svg {
        let picture = picture::svg(amplifier, &answer)?;
        output::write(path, picture.as_bytes(), options.overwrite)?;
    }
    if options.json {
        report::print(&json::document("supply", amplifier, &answer))?;
    } else {
        report::print(&text::text(amplifier, &answer))?;
    }
    caution::print_always();
    Ok(())
}
