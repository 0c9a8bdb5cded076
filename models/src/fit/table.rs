//! A fit as the `[model]` table of a valve file.

use std::fmt::Write as _;

use super::{Fit, Parameters};

/// The `[model]` table; `from` says what it was fitted to.
pub fn model_table(fit: &Fit, from: &str) -> String {
    let law = match fit.parameters {
        Parameters::Triode(_) => "control voltage",
        Parameters::Pentode(_) => "current sharing",
        Parameters::FallingScreen(_) => "falling screen",
    };
    let mut text = format!("[model]\nlaw = \"{law}\"\n");
    let mut line = |key: &str, value: String| {
        writeln!(text, "{key} = {value}").expect("a String takes text");
    };
    for (name, value) in fit.parameters.names().iter().zip(fit.parameters.values()) {
        line(name, six_digits(value));
    }
    let error = fit.error();
    for (key, percent) in [
        (
            "current_error_median_percent",
            Some(error.current_median_percent),
        ),
        (
            "current_error_worst_percent",
            Some(error.current_worst_percent),
        ),
        (
            "slope_error_median_percent",
            Some(error.slope_median_percent),
        ),
        ("slope_error_worst_percent", Some(error.slope_worst_percent)),
        ("screen_error_median_percent", error.screen_median_percent),
    ] {
        if let Some(percent) = percent {
            line(key, format!("{percent:.2}"));
        }
    }
    // A basic string of TOML, whatever stands in it.
    line(
        "fitted_by",
        format!("{:?}", format!("gridleak fit, from {from}")),
    );
    text
}

/// The text of a valve file with this `[model]` table in place of its own, or at its end.
pub fn with_model(file: &str, table: &str) -> String {
    let line_at = |text: &str, wanted: &dyn Fn(&str) -> bool| {
        let mut at = 0;
        text.split_inclusive('\n').find_map(|line| {
            let start = at;
            at += line.len();
            wanted(line.trim()).then_some(start)
        })
    };
    let Some(start) = line_at(file, &|line| line.starts_with("[model]")) else {
        return format!("{}\n\n{table}", file.trim_end());
    };
    let after = start + "[model]".len();
    let rest = line_at(&file[after..], &|line| line.starts_with('['))
        .map_or(String::new(), |end| format!("\n{}", &file[after + end..]));
    format!("{}{table}{rest}", &file[..start])
}

/// Six significant digits, far inside what the points fix.
fn six_digits(value: f64) -> String {
    let rounded: f64 = format!("{value:.5e}")
        .parse()
        .expect("a number was printed");
    format!("{rounded}")
}
