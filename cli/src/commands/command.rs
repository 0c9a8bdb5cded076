//! The skeleton of a command.
//!
//! Most commands ask one question of one amplifier file. Such a command says what is its own, an [`OfAmplifier`]:
//! what it asks, and how the answer stands in words, sheets and pictures. All the rest, from opening the file to the
//! cautions, is [`Command::run`] below, the same for all. A command of another kind is a [`Command`] by itself.

use std::path::{Path, PathBuf};

use measure::at_rest::voltages::Voltages;
use measure::instruments::peak::Peak;
use measure::judged::study::Study;
use serde::Serialize;
use sim::amplifier::Amplifier;

use crate::amplifier::{self, Opened};
use crate::caution::{self, Beyond};
use crate::failure::Failure;
use crate::notes;
use crate::options::Options;
use crate::report::file_kind::FileKind;
use crate::report::plot::NotDrawn;
use crate::report::{self, json, output};

/// What can be called by its name.
pub(super) trait Command {
    /// The name.
    const NAME: &'static str;

    /// Answers and prints.
    fn run(&self, options: &Options) -> Result<(), Failure>;
}

/// A command that asks one question of one amplifier; the methods are called in their order here.
pub(super) trait OfAmplifier: Sized {
    /// As it is called, and as it stands in JSON.
    const NAME: &'static str;

    /// The question, its arguments read.
    type Question;

    /// The answer; as it is serialised, it is printed as JSON.
    type Answer: Serialize;

    /// The amplifier file.
    fn file(&self) -> &Path;

    /// What is asked. Everything that is wrong with the arguments is said here, before any work; `known` finds out
    /// about the amplifier at rest where the question depends on it.
    fn question(&self, opened: &Opened, known: &Study<'_>) -> Result<Self::Question, Failure>;

    /// Sheets and pictures that may be asked for; none unless there are any.
    fn files(&self) -> Vec<File<'_, Self>> {
        Vec::new()
    }

    /// The answer. What is found out about the amplifier on the way is remembered in `known`, its rest above all.
    fn answer(
        &self,
        opened: &Opened,
        known: &Study<'_>,
        question: &Self::Question,
    ) -> Result<Self::Answer, Failure>;

    /// When the volts of [`OfAmplifier::driven`] are there.
    const WHEN: &'static str = "with signal";

    /// The greatest volts anywhere other than at rest: with signal, mostly; none where rest is all.
    fn driven(_: &Told<'_, Self>) -> Option<Peak> {
        None
    }

    /// The report.
    fn words(told: &Told<'_, Self>) -> String;

    /// Whether what is printed is a sheet of values and nothing else; what is to be said beside it goes to stderr.
    fn prints_a_sheet(&self) -> bool {
        false
    }

    /// A failure where the answer, although it has been told, is not what was asked for.
    fn verdict(_: &Told<'_, Self>) -> Result<(), Failure> {
        Ok(())
    }
}

/// A question that has been answered: all there is to be told.
#[derive(Debug)]
pub(super) struct Told<'a, C: OfAmplifier> {
    pub(super) arguments: &'a C,
    pub(super) amplifier: &'a Amplifier,
    pub(super) question: &'a C::Question,
    pub(super) answer: &'a C::Answer,
    pub(super) rest: Option<&'a Voltages>,
}

/// A file that may be asked for, and what goes into it.
pub(super) struct File<'a, C: OfAmplifier> {
    path: Option<&'a PathBuf>,
    content: Content<C>,
}

/// What goes into a file.
enum Content<C: OfAmplifier> {
    Sheet(fn(&Told<'_, C>) -> String),
    Picture(fn(&Told<'_, C>) -> Result<String, NotDrawn>),
}

impl<C: OfAmplifier> Content<C> {
    fn kind(&self) -> FileKind {
        match self {
            Self::Sheet(_) => FileKind::Sheet,
            Self::Picture(_) => FileKind::Picture,
        }
    }
}

impl<'a, C: OfAmplifier> File<'a, C> {
    /// Values between commas.
    pub(super) fn csv(path: Option<&'a PathBuf>, content: fn(&Told<'_, C>) -> String) -> Self {
        Self {
            path,
            content: Content::Sheet(content),
        }
    }

    /// A picture.
    pub(super) fn svg(
        path: Option<&'a PathBuf>,
        content: fn(&Told<'_, C>) -> Result<String, NotDrawn>,
    ) -> Self {
        Self {
            path,
            content: Content::Picture(content),
        }
    }
}

impl<C: OfAmplifier> Command for C {
    const NAME: &'static str = <C as OfAmplifier>::NAME;

    fn run(&self, options: &Options) -> Result<(), Failure> {
        let opened = amplifier::open(self.file(), options)?;
        let known = Study::new(&opened.amplifier, &opened.system);
        let files = self.files();
        let may_be_written = || {
            let files = files.iter().map(|file| (file.content.kind(), file.path));
            output::may_be_written(files, options.overwrite)
        };
        // Before the work, and again when the question has opened what it reads.
        may_be_written()?;
        let question = self.question(&opened, &known)?;
        may_be_written()?;
        let answer = self.answer(&opened, &known, &question)?;
        let told = Told {
            arguments: self,
            amplifier: &opened.amplifier,
            question: &question,
            answer: &answer,
            // Without voltages the mains is warned of.
            rest: known.rest().ok(),
        };
        for file in &files {
            if let Some(path) = file.path {
                let content = match file.content {
                    Content::Sheet(content) => content(&told),
                    Content::Picture(content) => content(&told)?,
                };
                output::write(path, content.as_bytes(), options.overwrite)?;
            }
        }
        if options.json {
            report::print(&json::document(
                <C as OfAmplifier>::NAME,
                told.amplifier,
                &answer,
            ))?;
        } else {
            let cold = told.rest.map(notes::cold_cathodes);
            let warnings = notes::warnings(&told.amplifier.notes) + &cold.unwrap_or_default();
            if self.prints_a_sheet() {
                caution::print_text(&warnings);
                report::print(&C::words(&told))?;
            } else {
                report::print(&(warnings + &C::words(&told)))?;
            }
        }
        let driven = C::driven(&told);
        let beyond = driven.as_ref().map(|peak| Beyond {
            peak,
            when: C::WHEN,
        });
        caution::print(told.amplifier, told.rest, beyond);
        C::verdict(&told)
    }
}
