//! `choose FILE --part R20 --so-that "V5 anode current = 60mA"`.

use std::path::PathBuf;

use measure::at_rest::voltages::voltages;
use measure::judged::choose::{ChooseError, ChooseOf};
use sim::Tolerances;
use sim::quantity::engineering;

use crate::amplifier::Again;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::report::{self, json, output};
use crate::{Options, amplifier, caution, progress};

mod picture;
mod words;

/// Arguments of `choose`.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// The amplifier file.
    file: PathBuf,
    /// The part whose value is wanted: a resistor, capacitor, choke, pot (its setting) or supply (its volts).
    /// Several with commas all get the same: R20,R21.
    #[arg(long, value_name = "PART,…")]
    part: String,
    /// What the value is for, e.g. "V5 anode current = 60mA", "power = 15W", "THD at 1 W = 0.5%".
    #[arg(long, value_name = "FIGURE = VALUE")]
    so_that: String,
    /// Where to look; without it a decade either side of the present value, then three.
    #[arg(long, value_name = "LOW..HIGH")]
    between: Option<String>,
    /// Write a picture to this file: the figure against the value.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

pub(super) fn run(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let opened = amplifier::open(&arguments.file, options)?;
    let (circuit, system) = (&opened.amplifier.circuit, &opened.system);
    let question = ChooseOf::parse(
        &arguments.part,
        &arguments.so_that,
        arguments.between.as_deref(),
        circuit,
    )
    .map_err(|error| refused(&error))?;
    if let Some(path) = &arguments.svg {
        output::free(path, options.overwrite)?;
    }
    // The question must fit the circuit as it is, before it is asked of a hundred others.
    let again = Again::of(&arguments.file, options)?;
    let rest = voltages(
        circuit,
        system,
        &Tolerances::default(),
        &mut system.workspace(),
    )?;
    let bar = progress::counter("values measured");
    let answer = question.run(&|over| again.read(over).ok(), &|done| {
        bar.set_position(done as u64);
    });
    bar.finish_and_clear();
    if let Some(path) = &arguments.svg {
        let picture = picture::svg(&opened.amplifier, &question, &answer)?;
        output::write(path, picture.as_bytes(), options.overwrite)?;
    }
    if options.json {
        report::print(&json::document("choose", &opened.amplifier, &answer))?;
    } else {
        report::print(&words::text(&opened.amplifier, &question, &answer))?;
    }
    caution::print(&rest);
    if answer.solutions.is_empty() {
        let target = engineering(question.target, question.figure.unit());
        return Err(Failure::NoAnswer(Diagnostic::plain(
            Id::NotReached,
            format!(
                "no value of {} gives {} = {target}",
                arguments.part, question.figure
            ),
            "look at what the figure reaches; another part, or --between for another stretch",
        )));
    }
    Ok(())
}

fn refused(error: &ChooseError) -> Failure {
    let id = match error {
        ChooseError::NoPart { .. } => Id::UnknownPart,
        ChooseError::NoValue { .. } | ChooseError::Unlike { .. } | ChooseError::NoPresent(_) => {
            Id::CannotAsk
        }
        _ => Id::BadValue,
    };
    Failure::plain(id, error.to_string(), error.help())
}
