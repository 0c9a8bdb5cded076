//! A fit in words and tables.

use models::data::Connection;
use models::fit::{FigurePlace, Fit, Quantity, Residual};
use sim::quantity::{Unit, engineering};

use super::answer::{Fitted, kind, name};
use super::data::Data;
use super::number;
use crate::report::table::Sheet;

/// Traced rows that are listed one by one: the worst.
const LISTED_ROWS: usize = 10;

pub(super) fn text(data: &Data, fitted: &Fitted, table: &str) -> String {
    let mut text = format!(
        "{}, {}\nSource: {}\n",
        data.title,
        kind(data.kind),
        data.source
    );
    if let Some(guess) = &data.guess {
        text += &format!("Kind: {guess}\n");
    }
    text += &format!("\n{}\n", headline(data, fitted));
    text += &parameters(&fitted.fit);
    text += &errors(fitted);
    text += &points(data, fitted);
    text += &rows(data, &fitted.fit);
    text + table
}

/// "1 row", "2 rows".
fn count(number: usize, what: &str) -> String {
    let ending = if number == 1 { "" } else { "s" };
    format!("{number} {what}{ending}")
}

/// What it was fitted to and how well, in a sentence.
fn headline(data: &Data, fitted: &Fitted) -> String {
    let points = data
        .points
        .iter()
        .filter(|point| point.unused.is_none())
        .count();
    let rows = data.traces.rows.len();
    let mut to = Vec::new();
    if points > 0 {
        to.push(count(points, "published point"));
    }
    if rows > 0 {
        to.push(count(rows, "traced row"));
    }
    let current = fitted.fit.errors(&[Quantity::AnodeCurrent]);
    let contradicted = fitted.fit.contradicted().count();
    let mut text = format!(
        "Fitted to {}: anode currents within {:.2} % in the middle and {:.1} % at worst",
        to.join(" and "),
        models::fit::median(&current),
        current.last().copied().unwrap_or(0.0),
    );
    text += &match contradicted {
        0 => "; no figure contradicts the others.\n".to_owned(),
        1 => "; one figure contradicts the others.\n".to_owned(),
        n => format!("; {n} figures contradict the others.\n"),
    };
    text
}

fn parameters(fit: &Fit) -> String {
    let mut sheet = Sheet::new(&["", "value", "spread", "prior alone", "rests on"]);
    let values = fit.parameters.names().iter().zip(fit.parameters.values());
    for ((name, value), spread) in values.zip(&fit.spread) {
        let rests_on = if spread.rests_on_prior() {
            "the prior alone"
        } else {
            "the data"
        };
        sheet.row(vec![
            (*name).to_owned(),
            format!("{value:.5}"),
            format!("±{:.2} %", 100.0 * spread.relative),
            format!("±{:.0} %", 100.0 * spread.prior),
            rests_on.to_owned(),
        ]);
    }
    sheet.print("Parameters, SI, with one standard deviation", 1)
}

fn errors(fitted: &Fitted) -> String {
    let mut sheet = Sheet::new(&["", "figures", "rms", "median", "worst"]);
    let percent = |ratio: f64| format!("{:.2} %", 100.0 * ratio);
    for errors in fitted.errors() {
        sheet.row(vec![
            errors.quantity.to_owned(),
            errors.count.to_string(),
            percent(errors.rms),
            percent(errors.median),
            percent(errors.worst),
        ]);
    }
    sheet.print(
        "Errors of the law; traced currents near zero are left out",
        1,
    )
}

/// A figure with its unit.
fn figure(quantity: Quantity, value: f64) -> String {
    match quantity {
        Quantity::AnodeCurrent | Quantity::CutOff | Quantity::ScreenCurrent => {
            engineering(value, Unit::Ampere)
        }
        Quantity::MutualConductance => format!("{:.3} mA/V", 1e3 * value),
        Quantity::AnodeResistance => engineering(value, Unit::Ohm),
        Quantity::Mu | Quantity::MuScreen => format!("{value:.2}"),
    }
}

fn cells(place: String, at: String, r: &Residual, remark: &str) -> Vec<String> {
    let percent = if r.counts() {
        format!("{:+.1} %", r.percent())
    } else {
        "-".to_owned()
    };
    vec![
        place,
        at,
        name(r.quantity).to_owned(),
        remark.to_owned(),
        figure(r.quantity, r.published),
        figure(r.quantity, r.fitted),
        percent,
        format!("{:+.1}", r.weighted),
    ]
}

/// Why a figure is marked.
fn remark(r: &Residual) -> &'static str {
    if r.contradicted() {
        "CONTRADICTED by the others"
    } else {
        ""
    }
}

/// Volts of a point.
fn volts(v_ak: Option<f64>, v_sk: Option<f64>, v_gk: Option<f64>, strapped: bool) -> String {
    let one = |volts: Option<f64>| {
        volts.map_or_else(
            || "?".to_owned(),
            |v| {
                format!("{v:.4}")
                    .trim_end_matches('0')
                    .trim_end_matches('.')
                    .to_owned()
            },
        )
    };
    let screen = match (strapped, v_sk) {
        (true, _) => " strapped".to_owned(),
        (false, Some(v_sk)) => format!(", {}", one(Some(v_sk))),
        (false, None) => String::new(),
    };
    format!("{}{screen}, {}", one(v_ak), one(v_gk))
}

fn points(data: &Data, fitted: &Fitted) -> String {
    let mut sheet = Sheet::new(&[
        "point",
        "Va, Vg2, Vg",
        "",
        "",
        "published",
        "fitted",
        "error",
        "widths",
    ]);
    let at = |place: FigurePlace| {
        let point = &data.points[number(place) - 1];
        let strapped = point.connection == Connection::Strapped;
        volts(point.v_ak, point.v_sk, point.v_gk, strapped)
    };
    let mut all: Vec<(&Residual, &str)> = fitted
        .fit
        .residuals
        .iter()
        .filter(|r| matches!(r.place, FigurePlace::Point(_)))
        .map(|r| (r, remark(r)))
        .collect();
    all.extend(fitted.held_out.iter().map(|(r, _)| (r, "not used")));
    all.sort_by_key(|(r, _)| number(r.place));
    for (r, remark) in all {
        sheet.row(cells(number(r.place).to_string(), at(r.place), r, remark));
    }
    let mut text = sheet.print(
        "Published figures; more than 4 widths off contradicts the others",
        4,
    );
    for (index, point) in data.points.iter().enumerate() {
        if let Some(why) = &point.unused {
            text += &format!("  point {} is not used: {why}\n", index + 1);
        }
    }
    if data.points.iter().any(|point| point.unused.is_some()) {
        text.push('\n');
    }
    text
}

fn rows(data: &Data, fit: &Fit) -> String {
    let mut worst: Vec<&Residual> = fit
        .residuals
        .iter()
        .filter(|r| matches!(r.place, FigurePlace::Row(_)))
        .collect();
    worst.sort_by(|a, b| b.weighted.abs().total_cmp(&a.weighted.abs()));
    let mut sheet = Sheet::new(&[
        "row",
        "Va, Vg2, Vg",
        "",
        "",
        "traced",
        "fitted",
        "error",
        "widths",
    ]);
    for r in worst.iter().take(LISTED_ROWS) {
        let row = &data.traces.rows[number(r.place) - 1];
        let pentode = row.v_sk != 0.0;
        let at = volts(
            Some(row.v_ak),
            pentode.then_some(row.v_sk),
            Some(row.v_gk),
            row.strapped,
        );
        sheet.row(cells(number(r.place).to_string(), at, r, remark(r)));
    }
    let heading = format!(
        "The traced currents furthest off; a width is 2 % and {} of meter",
        engineering(data.traces.anode_floor, Unit::Ampere)
    );
    sheet.print(&heading, 4)
}

/// Every type of the library, a line each.
pub(super) fn library(fits: &[(&Data, Fitted)]) -> String {
    let mut sheet = Sheet::new(&[
        "type",
        "kind",
        "points",
        "Ia median",
        "Ia worst",
        "gm, mu worst",
        "Ig2 median",
        "contradicted",
    ]);
    for (data, fitted) in fits {
        let error = fitted.fit.error();
        let percent = |percent: f64| format!("{percent:.2} %");
        let used = data
            .points
            .iter()
            .filter(|point| point.unused.is_none())
            .count();
        sheet.row(vec![
            data.title.clone(),
            kind(data.kind).to_owned(),
            used.to_string(),
            percent(error.current_median_percent),
            percent(error.current_worst_percent),
            percent(error.slope_worst_percent),
            error
                .screen_median_percent
                .map_or_else(|| "-".to_owned(), percent),
            fitted.fit.contradicted().count().to_string(),
        ]);
    }
    let mut text = sheet.print("Every type against the points it is fitted to", 2);
    for (data, fitted) in fits {
        for r in fitted.fit.contradicted() {
            text += &format!(
                "  {} point {}: {} of {} is {:+.1} % off, contradicted by the others\n",
                data.title,
                number(r.place),
                name(r.quantity),
                figure(r.quantity, r.published),
                r.percent()
            );
        }
    }
    text
}

/// A rectifier: its perveance and what it makes of the other drops.
pub(super) fn drops(data: &Data) -> String {
    const LAW: f64 = 1.5;
    let mut text = format!(
        "{}, {}\nSource: {}\n\n",
        data.title,
        kind(data.kind),
        data.source
    );
    let Some(first) = data.drops.iter().find(|drop| drop.unused.is_none()) else {
        return text;
    };
    let perveance = first.current / first.voltage.powf(LAW);
    text += &format!(
        "i = K v^1.5 with K = {:.4} mA/V^1.5, from the first drop in use.\n\n",
        1e3 * perveance
    );
    let mut sheet = Sheet::new(&["current", "drop, published", "by the law", "error"]);
    for drop in &data.drops {
        let law = (drop.current / perveance).powf(LAW.recip());
        sheet.row(vec![
            engineering(drop.current, Unit::Ampere),
            engineering(drop.voltage, Unit::Volt),
            engineering(law, Unit::Volt),
            format!("{:+.1} %", 100.0 * (law / drop.voltage - 1.0)),
        ]);
    }
    text + &sheet.print("Published drops of one anode", 0)
}
