//! Faults of sheets of curves in words.

use models::valve_file::{TracedError, TracedErrorKind};

use crate::diagnostic::{Diagnostic, Id};

const COLUMNS: &str = "the columns are Va, Vg (or Vg1), Vg2, Ia and Ig2";

/// A fault of a sheet of curves.
pub(super) fn of_traced(error: &TracedError) -> Diagnostic {
    use TracedErrorKind as K;
    let label = match &error.kind {
        K::NoHeader | K::NoRows => "here",
        K::UnknownColumn(_) => "not known",
        K::UnknownUnit(_) => "no unit of it",
        K::Twice(_) => "the second",
        K::MissingColumn(_) => "these are there",
        K::Cells { .. } => "this row",
        K::NotANumber(_) => "no number",
        K::EmptyVolts => "volts are missing",
    };
    let (id, help) = match &error.kind {
        K::NoHeader => (Id::MissingKey, format!("name the columns in the first line; {COLUMNS}")),
        K::UnknownColumn(_) => (Id::UnknownKey, COLUMNS.to_owned()),
        K::UnknownUnit(_) => (
            Id::WrongUnit,
            "write V, mV or kV for volts, A, mA or uA for currents, e.g. Ia [uA]".to_owned(),
        ),
        K::Twice(_) => (Id::ListedTwice, "leave one of the two out".to_owned()),
        K::MissingColumn("Vg2") => (
            Id::MissingKey,
            "a pentode wants its screen volts; of a strapped one they are those of the anode".to_owned(),
        ),
        K::MissingColumn(name) => (Id::MissingKey, format!("add the column {name}; {COLUMNS}")),
        K::Cells { .. } => (
            Id::WrongForm,
            "every row has the cells of the header; an empty cell is a current not read".to_owned(),
        ),
        K::NotANumber(_) => (
            Id::BadValue,
            "write e.g. 12.5; units stand in the header, and a decimal comma wants semicolons between cells"
                .to_owned(),
        ),
        K::EmptyVolts => (Id::MissingKey, "only currents may be left out".to_owned()),
        K::NoRows => (Id::WrongForm, "a row for each reading follows the header".to_owned()),
    };
    Diagnostic {
        id,
        message: error.to_string(),
        labels: vec![(error.span.clone(), label.to_owned())],
        help: Some(help),
    }
}
