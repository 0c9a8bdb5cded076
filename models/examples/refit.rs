//! Refits every valve file to its points and prints how well the law meets them.
//!
//! For maintainers, after a point in `models/valves` was added or corrected:
//!
//! ```text
//! cargo run -p models --example refit              # print only
//! cargo run -p models --example refit -- --write   # also rewrite the [model] tables
//! ```
//!
//! Run it from the root of the workspace. It is an example program, so it may read and write files;
//! the library does neither.

#![allow(clippy::print_stdout, clippy::disallowed_methods)] // an example program reads, writes and reports

use std::fmt::Write as _;
use std::{env, fs};

use models::data::{ValveKind, ValveType};
use models::fit::{self, Fit, Quantity};
use models::library;

fn main() {
    let write = env::args().any(|argument| argument == "--write");
    println!("type       I median  I worst  gm,mu worst  screen worst   (percent)");
    for valve in library::valves() {
        let Some(fitted) = fit::fit(&valve.points, valve.kind, None) else {
            continue;
        };
        report(valve, &fitted);
        if write {
            let path = format!("models/valves/{}.toml", valve.name);
            let text = fs::read_to_string(&path).expect("run from the root of the workspace");
            let start = text.find("[model]").expect("every valve file has a model");
            fs::write(
                &path,
                format!("{}{}", &text[..start], table(valve, &fitted)),
            )
            .expect("models/valves is writable");
        }
    }
}

fn report(valve: &ValveType, fitted: &Fit) {
    let worst = |of: &[Quantity]| fitted.errors(of).last().copied().unwrap_or(0.0);
    let current = fitted.errors(&[Quantity::AnodeCurrent]);
    println!(
        "{:10} {:8.2} {:8.2} {:12.2} {:13.2}   {} iterations",
        valve.name,
        fit::median(&current),
        worst(&[Quantity::AnodeCurrent]),
        worst(&[Quantity::MutualConductance, Quantity::Mu]),
        worst(&[Quantity::ScreenCurrent]),
        fitted.iterations,
    );
    for r in fitted.contradicted() {
        println!(
            "    contradicted: point {} {:?} {:+.1} %",
            r.point + 1,
            r.quantity,
            r.percent()
        );
    }
    let held_out = valve
        .points
        .iter()
        .enumerate()
        .filter(|(_, p)| p.unused.is_some());
    for (index, point) in held_out {
        for r in fit::compare(&fitted.parameters, index, point) {
            println!(
                "    held out:     point {} {:?} {:+.1} %",
                r.point + 1,
                r.quantity,
                r.percent()
            );
        }
    }
}

/// The [model] table, which ends a valve file.
fn table(valve: &ValveType, fitted: &Fit) -> String {
    let law = match valve.kind {
        ValveKind::Triode => "control voltage",
        _ => "current sharing",
    };
    let mut text = format!("[model]\nlaw = \"{law}\"\n");
    let names = fitted.parameters.names();
    for (name, value) in names.iter().zip(fitted.parameters.values()) {
        writeln!(text, "{name} = {}", six_digits(value)).expect("a String takes text");
    }
    let current = fitted.errors(&[Quantity::AnodeCurrent]);
    let slope = fitted.errors(&[Quantity::MutualConductance, Quantity::Mu]);
    for (key, value) in [
        ("current_error_median_percent", fit::median(&current)),
        (
            "current_error_worst_percent",
            current.last().copied().unwrap_or(0.0),
        ),
        (
            "slope_error_worst_percent",
            slope.last().copied().unwrap_or(0.0),
        ),
    ] {
        writeln!(text, "{key} = {value:.2}").expect("a String takes text");
    }
    text + "fitted_by = \"models/examples/refit.rs, from the points above that are in use\"\n"
}

/// Six significant digits, far inside what the points fix.
fn six_digits(value: f64) -> String {
    let rounded: f64 = format!("{value:.5e}")
        .parse()
        .expect("a number was printed");
    format!("{rounded}")
}
