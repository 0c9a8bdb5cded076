//! What there is to fit to: a valve file, traced curves, or both.

use std::path::{Path, PathBuf};

use models::data::{Drop, Point, ValveKind, ValveType};
use models::fit::{Row, Traces};
use models::valve_file::{Traced, read, read_beside_curves, read_traced};

use super::faults;
use crate::diagnostic::{self, Id};
use crate::failure::Failure;
use crate::input;

/// Points and curves of one type.
#[derive(Debug)]
pub(super) struct Data {
    pub(super) title: String,
    pub(super) source: String,
    pub(super) kind: ValveKind,
    /// How the kind is known, where no valve file says it.
    pub(super) guess: Option<String>,
    pub(super) points: Vec<Point>,
    pub(super) drops: Vec<Drop>,
    pub(super) traces: Traces,
    /// Names of the sheets of curves.
    pub(super) sheets: Vec<String>,
    /// Text of the valve file, whole.
    pub(super) file: Option<String>,
}

impl Data {
    /// A type of the library.
    pub(super) fn of_library(valve: &ValveType) -> Self {
        Self::of_valve(valve.clone(), None)
    }

    fn of_valve(valve: ValveType, file: Option<String>) -> Self {
        Self {
            title: valve.name,
            source: valve.source.text,
            kind: valve.class,
            guess: None,
            points: valve.points,
            drops: valve.drops,
            traces: Traces::default(),
            sheets: Vec::new(),
            file,
        }
    }

    /// What the parameters were fitted to, in words.
    pub(super) fn from(&self) -> String {
        let mut from = Vec::new();
        if self.points.iter().any(|point| point.unused.is_none()) {
            from.push("the points above that are in use".to_owned());
        }
        if !self.sheets.is_empty() {
            let rows = self.traces.rows.len();
            from.push(format!("{rows} traced rows of {}", self.sheets.join(", ")));
        }
        from.join(" and ")
    }
}

/// Reads files: `.toml` is a valve file, anything else a sheet of curves.
pub(super) fn open(
    paths: &[PathBuf],
    kind: Option<ValveKind>,
    resolution: Option<f64>,
) -> Result<Data, Failure> {
    let is_valve = |path: &&PathBuf| path.extension().is_some_and(|ending| ending == "toml");
    let mut valves = paths.iter().filter(is_valve);
    let valve = valves.next();
    if let Some(second) = valves.next() {
        return Err(Failure::plain(
            Id::CannotAsk,
            format!("{} is a second valve file", second.display()),
            "a fit is of one type: give one valve file and any sheets of curves",
        ));
    }
    let valve = match valve {
        Some(path) => Some(open_valve(path, paths.len() > 1)?),
        None => None,
    };
    if let (Some(valve), Some(_)) = (&valve, kind) {
        return Err(Failure::plain(
            Id::CannotAsk,
            format!("--kind: the valve file says what the {} is", valve.title),
            "leave --kind out",
        ));
    }
    let known = valve.as_ref().map(|valve| valve.kind).or(kind);
    let mut rows: Vec<Row> = Vec::new();
    let mut found: Option<ValveKind> = None;
    let mut sheets = Vec::new();
    for path in paths.iter().filter(|path| !is_valve(path)) {
        let text = text_of(path)?;
        let sheet: Traced = read_traced(&text, known.or(found)).map_err(|errors| {
            let diagnostics = errors.iter().map(faults::of_traced).collect();
            Failure::Input {
                diagnostics,
                text: Some((path.display().to_string(), text.clone())),
            }
        })?;
        found = Some(sheet.kind);
        rows.extend(sheet.rows);
        let name = path
            .file_name()
            .map(|name| name.to_string_lossy().into_owned());
        sheets.push(name.unwrap_or_default());
    }
    let traces = Traces::new(rows, resolution);
    if let Some(valve) = valve {
        return Ok(Data {
            traces,
            sheets,
            ..valve
        });
    }
    let guess = match (kind, found) {
        (None, Some(ValveKind::Triode)) => {
            Some("taken for a triode, as there are no screen volts; --kind says otherwise")
        }
        (None, _) => Some("taken for a pentode, as there are screen volts; --kind says otherwise"),
        _ => None,
    };
    Ok(Data {
        title: sheets.join(", "),
        source: "traced curves".to_owned(),
        kind: known.or(found).unwrap_or(ValveKind::Triode),
        guess: guess.map(str::to_owned),
        points: Vec::new(),
        drops: Vec::new(),
        traces,
        sheets,
        file: None,
    })
}

fn open_valve(path: &Path, curves: bool) -> Result<Data, Failure> {
    let text = text_of(path)?;
    let valve = if curves {
        read_beside_curves(&text)
    } else {
        read(&text)
    };
    match valve {
        Ok(valve) => Ok(Data::of_valve(valve, Some(text))),
        Err(errors) => Err(Failure::Input {
            diagnostics: errors.iter().map(diagnostic::of_valve_file).collect(),
            text: Some((path.display().to_string(), text)),
        }),
    }
}

/// A file as text.
pub(super) fn text_of(path: &Path) -> Result<String, Failure> {
    input::text(
        path,
        "valve files and sheets of curves are plain UTF-8 text",
    )
}
