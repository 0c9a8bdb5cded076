//! From any error of the libraries to a message in the words of the trade, with place and remedy.

use std::io::{IsTerminal, Write};
use std::ops::Range;

use ariadne::{CharSet, Color, Config, IndexType, Label, Report, ReportKind, Source};
use models::valve_file::DataError;
use sheet::FileError;

mod circuit;
mod file;
mod ids;
mod run;
mod values;
mod valve;
mod words;

pub(crate) use ids::Id;
pub(crate) use run::of_sim;

/// A message with places and a remedy.
#[derive(Clone, Debug)]
pub(crate) struct Diagnostic {
    pub(crate) id: Id,
    pub(crate) message: String,
    /// Places in the amplifier file and what is to be said there; the first is the main one.
    pub(crate) labels: Vec<(Range<usize>, String)>,
    pub(crate) help: Option<String>,
}

impl Diagnostic {
    /// A message without a place in the file.
    pub(crate) fn plain(id: Id, message: impl Into<String>, help: impl Into<String>) -> Self {
        Self {
            id,
            message: message.into(),
            labels: Vec::new(),
            help: Some(help.into()),
        }
    }
}

/// A fault of the file in words.
pub(crate) fn of_file(error: &FileError) -> Diagnostic {
    file::diagnostic(error)
}

/// A fault of a valve file in words.
pub(crate) fn of_valve_file(error: &DataError) -> Diagnostic {
    valve::diagnostic(error)
}

/// The text a message is about.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Text<'a> {
    pub(crate) name: &'a str,
    pub(crate) text: &'a str,
}

/// Messages about one text that are printed; behind them a count. Whoever has more mends a habit and not a slip, and
/// nobody reads further; each message looks for its lines in the whole text, so all of them would take the square of
/// their number.
const MOST: usize = 50;

/// Prints messages to stderr: with the lines they are about where there are any.
pub(crate) fn print(diagnostics: &[Diagnostic], text: Option<Text<'_>>) {
    let mut stderr = std::io::stderr().lock();
    let color = stderr.is_terminal();
    let printed = diagnostics.len().min(MOST);
    for diagnostic in &diagnostics[..printed] {
        let rendered = render(diagnostic, text, color) + "\n";
        // Where stderr is gone there is nobody left to tell.
        let _ = stderr.write_all(rendered.as_bytes());
    }
    let left = diagnostics.len() - printed;
    if left > 0 {
        let faults = if left == 1 { "fault" } else { "faults" };
        let place = text.map_or_else(String::new, |text| format!(" in {}", text.name));
        let words = format!("and {left} more {faults}{place}: mend these first\n");
        let _ = stderr.write_all(words.as_bytes());
    }
}

/// A message as it is printed.
pub(crate) fn render(diagnostic: &Diagnostic, text: Option<Text<'_>>, color: bool) -> String {
    let with_place = text.filter(|text| {
        !diagnostic.labels.is_empty()
            && diagnostic
                .labels
                .iter()
                .all(|(span, _)| span.end <= text.text.len())
    });
    // What is about the whole file points at none of its lines.
    let at_a_line = diagnostic.labels.iter().any(|(span, _)| span.end > 0);
    let Some(text) = with_place.filter(|_| at_a_line) else {
        let place = with_place
            .map(|text| format!("  --> {}\n", text.name))
            .unwrap_or_default();
        let help = diagnostic
            .help
            .as_ref()
            .map(|help| format!("  help: {help}\n"))
            .unwrap_or_default();
        return format!(
            "error[{}]: {}\n{place}{help}",
            diagnostic.id.text(),
            diagnostic.message
        );
    };
    let config = Config::default()
        .with_color(color)
        .with_compact(true)
        .with_char_set(CharSet::Ascii)
        .with_index_type(IndexType::Byte);
    let main = diagnostic.labels[0].0.clone();
    // The first line is ours, the same with a place and without one; the frame is the library's.
    let mut labels = diagnostic.labels.clone();
    labels.sort_by_key(|(span, _)| span.start);
    let mut report = Report::build(ReportKind::Error, (text.name, main)).with_config(config);
    for (span, words) in &labels {
        let mut label = Label::new((text.name, span.clone())).with_color(Color::Red);
        if !words.is_empty() {
            label = label.with_message(words);
        }
        report = report.with_label(label);
    }
    if let Some(help) = &diagnostic.help {
        report = report.with_help(help);
    }
    let mut out = Vec::new();
    let source = (text.name, Source::from(text.text));
    let (red, plain) = if color {
        ("\u{1b}[1;31m", "\u{1b}[0m")
    } else {
        ("", "")
    };
    let mut tidy = format!(
        "{red}error[{}]{plain}: {}\n",
        diagnostic.id.text(),
        diagnostic.message
    );
    if report.finish().write(source, &mut out).is_err() {
        return tidy;
    }
    // The frame ends lines in blanks; a message that is copied should not.
    for line in String::from_utf8_lossy(&out).lines().skip(1) {
        let line = line.trim_end();
        match line.split_once("|Help: ") {
            Some((margin, help)) if margin.trim().is_empty() => {
                tidy += &format!("{margin}= help: {help}\n");
            }
            _ => tidy += &format!("{line}\n"),
        }
    }
    tidy
}
