//! `--target`: a standard curve by its name, or a table from a file.

use std::path::Path;

use measure::small_signal::response::equalisation::Target;

use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::input;

/// The standard curves, by the names they are asked for with.
const CURVES: [(&str, Target); 2] = [("riaa", Target::Riaa), ("riaa-iec", Target::RiaaIec)];

/// The target an argument means.
pub(super) fn read(argument: &str) -> Result<Target, Failure> {
    if let Some((_, target)) = CURVES.into_iter().find(|(name, _)| *name == argument) {
        return Ok(target);
    }
    let names = CURVES.map(|(name, _)| name).join(", ");
    let bytes = input::bytes(Path::new(argument)).map_err(|error| {
        Failure::plain(
            Id::CannotRead,
            format!(
                "--target {argument} is no curve that is known and no file: {}",
                input::plain_words(&error)
            ),
            format!("the curves are {names}; or give a CSV file of hertz and decibels"),
        )
    })?;
    let form = "a target is a CSV file: a line a point, hertz and decibels with a comma between";
    let text = input::as_text(bytes, argument, form)?;
    Target::table(&text).map_err(|faults| Failure::Input {
        diagnostics: faults
            .into_iter()
            .map(|fault| Diagnostic {
                id: Id::TargetCurve,
                message: fault.kind.to_string(),
                labels: vec![(fault.span, String::new())],
                help: Some("write a line a point, rising: 1000,0".to_owned()),
            })
            .collect(),
        text: Some((argument.to_owned(), text)),
    })
}

/// What a target is called in reports.
pub(super) fn name(target: &Target) -> &'static str {
    match target {
        Target::Riaa => "RIAA playback (IEC 60098)",
        Target::RiaaIec => "RIAA playback with the 7950 µs of IEC 60098",
        Target::Table(_) => "the curve given",
    }
}
