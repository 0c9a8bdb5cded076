//! `fit DATA...` and `fit --library`.
//!
//! A command by itself: it asks valve files and sheets, and no amplifier.

use std::path::{Path, PathBuf};

use clap::ValueEnum;
use models::data::ValveKind;
use models::fit::{FigurePlace, model_table, with_model};
use models::library;
use sim::quantity::Unit;

use super::command::Command;
use crate::argument::given;
use crate::diagnostic::{Diagnostic, Id};
use crate::failure::Failure;
use crate::options::Options;
use crate::progress;
use crate::report::file_kind::FileKind;
use crate::report::{self, json, output};

mod answer;
mod data;
mod faults;
mod picture;
mod words;

use answer::{Answer, Fitted};

/// Parameters of a valve from its published points and traced curves, with their spread.
#[derive(Debug, clap::Args)]
pub(crate) struct Arguments {
    /// A valve file with its points, CSV sheets of traced curves, or both.
    #[arg(required_unless_present = "library", conflicts_with = "library")]
    data: Vec<PathBuf>,
    /// What the valve of a sheet without a valve file is; else its columns say.
    #[arg(long)]
    kind: Option<Kind>,
    /// What the meters of traced curves resolve; without it 0.5 % of the greatest current.
    #[arg(long, value_name = "AMPERES")]
    resolution: Option<String>,
    /// Write the valve file with its new `[model]` table to this file.
    #[arg(long, value_name = "FILE", conflicts_with = "library")]
    output: Option<PathBuf>,
    /// Write a picture to this file: anode characteristics with the points on them.
    #[arg(long, value_name = "FILE", conflicts_with = "library")]
    svg: Option<PathBuf>,
    /// Fit every valve that comes with the program to its own points.
    #[arg(long)]
    library: bool,
    /// Put the new `[model]` tables into the valve files of this folder (for maintainers).
    #[arg(long, value_name = "FOLDER", requires = "library")]
    write: Option<PathBuf>,
}

/// Kinds of valve that have curves to fit.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum Kind {
    Triode,
    Pentode,
    #[value(name = "beam tetrode")]
    BeamTetrode,
}

impl From<Kind> for ValveKind {
    fn from(kind: Kind) -> Self {
        match kind {
            Kind::Triode => Self::Triode,
            Kind::Pentode => Self::Pentode,
            Kind::BeamTetrode => Self::BeamTetrode,
        }
    }
}

impl Command for Arguments {
    const NAME: &'static str = "fit";

    fn run(&self, options: &Options) -> Result<(), Failure> {
        if self.library {
            return run_library(self, options);
        }
        let resolution = given("--resolution", self.resolution.as_ref(), Unit::Ampere)?;
        let kind = self.kind.map(ValveKind::from);
        let data = data::open(&self.data, kind, resolution)?;
        let files = [
            (FileKind::ValveFile, self.output.as_ref()),
            (FileKind::Picture, self.svg.as_ref()),
        ];
        output::may_be_written(files, options.overwrite)?;
        if data.points.is_empty() && data.traces.rows.is_empty() && data.drops.is_empty() {
            return Err(nothing_to_fit(&self.data[0]));
        }
        let Some(fitted) = Fitted::of(&data) else {
            if data.drops.is_empty() {
                return Err(nothing_to_fit(&self.data[0]));
            }
            return rectifier(&data, options, self);
        };
        let table = model_table(&fitted.fit, &data.from());
        if let Some(path) = &self.output {
            let Some(file) = &data.file else {
                return Err(Failure::plain(
                    Id::CannotAsk,
                    "--output: there is no valve file to put the parameters into",
                    "a valve file also holds heater, limits and capacitances: give one beside the sheet",
                ));
            };
            let whole = with_model(file, &table);
            output::write(path, whole.as_bytes(), options.overwrite)?;
        }
        if let Some(path) = &self.svg {
            let picture = picture::svg(&data, &fitted.fit)?;
            output::write(path, picture.as_bytes(), options.overwrite)?;
        }
        if options.json {
            let answer = Answer {
                fits: vec![fitted.json(&data)],
            };
            report::print(&json::plain("fit", &data.title, &data.source, &answer))?;
        } else {
            report::print(&words::text(&data, &fitted, &table))?;
        }
        Ok(())
    }
}

fn nothing_to_fit(path: &Path) -> Failure {
    Failure::NoAnswer(Diagnostic::plain(
        Id::CannotAsk,
        format!("{} holds nothing to fit", path.display()),
        "a triode or pentode wants `[[point]]` tables or traced curves",
    ))
}

/// A rectifier's perveance follows from one drop; the others tell how well.
fn rectifier(data: &data::Data, options: &Options, arguments: &Arguments) -> Result<(), Failure> {
    if options.json || arguments.output.is_some() || arguments.svg.is_some() {
        return Err(Failure::plain(
            Id::CannotAsk,
            "a rectifier has one constant, which follows from its first drop in use",
            "leave --json, --output and --svg out: there is nothing to store",
        ));
    }
    report::print(&words::drops(data))?;
    Ok(())
}

fn run_library(arguments: &Arguments, options: &Options) -> Result<(), Failure> {
    let valves: Vec<_> = library::valves()
        .iter()
        .map(data::Data::of_library)
        .collect();
    let place = |folder: &Path, data: &data::Data| folder.join(format!("{}.toml", data.title));
    if let Some(folder) = &arguments.write {
        for data in &valves {
            data::text_of(&place(folder, data))?;
        }
    }
    let bar = progress::bar(valves.len() as u64, "valve types");
    let mut fits = Vec::new();
    for data in &valves {
        if let Some(fitted) = Fitted::of(data) {
            fits.push((data, fitted));
        }
        bar.inc(1);
    }
    bar.finish_and_clear();
    if let Some(folder) = &arguments.write {
        for (data, fitted) in &fits {
            let path = place(folder, data);
            let file = data::text_of(&path)?;
            let whole = with_model(&file, &model_table(&fitted.fit, &data.from()));
            output::revise(&path, whole.as_bytes())?;
        }
    }
    if options.json {
        let answer = Answer {
            fits: fits
                .iter()
                .map(|(data, fitted)| fitted.json(data))
                .collect(),
        };
        let source = "each type's own, see its file";
        report::print(&json::plain("fit", "The valve library", source, &answer))?;
    } else {
        report::print(&words::library(&fits))?;
    }
    Ok(())
}

/// Number from 1 on of a point or row, as people count.
fn number(place: FigurePlace) -> usize {
    match place {
        FigurePlace::Point(index) | FigurePlace::Row(index) => index + 1,
    }
}
