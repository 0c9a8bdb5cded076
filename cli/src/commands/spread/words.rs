//! How far figures spread, in words.

use measure::judged::spread::{Estimate, FigureSpread, Limits, Share, Spread, SpreadOf};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering, resolved};

use crate::notes;
use crate::report::table::{Sheet, percent};

/// Parts told by name; the rest is one line.
const TOLD: usize = 10;

/// Shares below this are told with the rest.
const LEAST: f64 = 0.001;

/// First order is told to fail where it is this far from the samples, a ratio, and beyond this many of their
/// standard errors.
const BENDS: (f64, f64) = (0.1, 3.0);

pub(super) fn text(amplifier: &Amplifier, question: &SpreadOf, answer: &Spread) -> String {
    let mut text = format!("{}\nSource: {}\n\n", amplifier.title, amplifier.source);
    let asked = question.asked.iter().map(|asked| asked.figure.unit());
    let figures: Vec<(Unit, &FigureSpread)> = asked.zip(&answer.figures).collect();
    for (unit, figure) in &figures {
        text += &headline(*unit, figure, answer.samples);
    }
    text += &format!("\n{}\n", conditions(answer));
    text += &distribution(&figures);
    text += &corners(&figures);
    text += &match &figures[..] {
        [(unit, figure)] => shares(*unit, figure),
        several => shares_of(several),
    };
    text += &notes::text(amplifier);
    text
}

/// A tolerance as it is written on a part.
fn tolerance(ratio: f64) -> String {
    format!("{} %", (1e4 * ratio).round() / 100.0)
}

/// What is drawn and how: also for a picture.
pub(super) fn draw(answer: &Spread) -> String {
    format!(
        "{} amplifiers drawn, seed {}; {} values, each anywhere within its tolerance alike",
        answer.samples, answer.seed, answer.varied
    )
}

/// How far things may lie off, in two lines: also for a picture.
pub(super) fn limits(answer: &Spread) -> [String; 2] {
    [
        format!(
            "resistances ±{}, capacitances ±{}, inductances ±{} where the file says nothing",
            tolerance(answer.tolerance),
            tolerance(answer.capacitors),
            tolerance(answer.inductors),
        ),
        format!(
            "valves ±{} in current and gm, ±{} in mu, each section by itself; {}; load as in the file",
            tolerance(answer.valve_spread),
            tolerance(answer.mu_spread),
            supplies(answer),
        ),
    ]
}

fn supplies(answer: &Spread) -> String {
    let what = if answer.on_mains { "mains" } else { "supplies" };
    let [low, high] = [answer.mains_low, answer.mains_high].map(|end| 100.0 * (end - 1.0));
    if answer.mains_low < answer.mains_high {
        format!("{what} {low:+.0} to {high:+.0} % together")
    } else {
        format!("{what} as in the file")
    }
}

fn conditions(answer: &Spread) -> String {
    let [parts, valves] = limits(answer);
    format!(
        "Conditions: {} (rectangular),\n  independent of the others; {parts};\n  {valves}.\n",
        draw(answer)
    )
}

/// Figures are shown to this share of their standard deviation.
const DIGIT: f64 = 0.1;

/// A figure; zero where it is nothing beside its spread, such as the balance of two halves alike.
pub(super) fn plain(value: f64, figure: &FigureSpread, unit: Unit) -> String {
    const NOTHING: f64 = 1e-3;
    let spread = figure
        .distribution
        .as_ref()
        .map_or(0.0, |of| of.deviation.value);
    let nothing = value.abs() < NOTHING * spread;
    resolved(if nothing { 0.0 } else { value }, DIGIT * spread, unit)
}

fn headline(unit: Unit, figure: &FigureSpread, samples: usize) -> String {
    let value = |value: f64| plain(value, figure, unit);
    let mut text = match figure.drawn {
        Some(drawn) => format!("{}: {} as drawn", figure.figure, value(drawn)),
        None => format!("{}: none as drawn", figure.figure),
    };
    if let Some(distribution) = &figure.distribution {
        let [low, high] = [1, 3].map(|k| distribution.quantiles[k]);
        // Too few samples tell no twentieth.
        text += &if low.error.is_some() && high.error.is_some() {
            let (low, high) = (value(low.value), value(high.value));
            let all = if figure.found < samples {
                " that have it"
            } else {
                ""
            };
            format!("; nine of ten amplifiers{all} between {low} and {high}")
        } else {
            let (least, greatest) = (value(distribution.least), value(distribution.greatest));
            format!(
                "; {} amplifiers drawn lie between {least} and {greatest}",
                figure.found
            )
        };
    }
    text += ".\n";
    if let Some(limits) = &figure.limit
        && figure.found > 0
    {
        text += &beyond(unit, limits, figure.found);
    }
    let missing = samples - figure.found;
    if missing > 0 {
        let why = [
            (figure.oscillating, "do not stay at rest"),
            (figure.unsolved, "could not be solved"),
            (figure.without, "have no such figure"),
        ];
        let why = why.iter().filter(|(count, _)| *count > 0);
        let why: Vec<String> = why.map(|(count, what)| format!("{count} {what}")).collect();
        text += &format!(
            "  MISSING in {missing} of {samples} samples: {}.\n",
            why.join(", ")
        );
    }
    text
}

/// How many are beyond the limits.
fn beyond(unit: Unit, limits: &Limits, found: usize) -> String {
    let value = |value: f64| engineering(value, unit);
    let of = match (limits.least, limits.greatest) {
        (Some(least), Some(greatest)) => format!("outside {} to {}", value(least), value(greatest)),
        (Some(least), None) => format!("below {}", value(least)),
        (None, Some(greatest)) if limits.asked => format!("above {}", value(greatest)),
        (None, greatest) => format!(
            "over the limit of {}",
            greatest.map_or_else(String::new, value)
        ),
    };
    if limits.beyond == 0 {
        // None of n: 95 % sure of less than 3/n, the rule of three.
        let most = (3.0 / found.max(1) as f64).min(1.0);
        return format!(
            "  None {of}: fewer than {} with 95 % confidence.\n",
            percent(most)
        );
    }
    let share = limits.beyond as f64 / found as f64;
    let error = (share * (1.0 - share) / found as f64).sqrt();
    format!(
        "  {:.1} ± {:.1} % of them {of}.\n",
        100.0 * share,
        100.0 * error
    )
}

fn distribution(figures: &[(Unit, &FigureSpread)]) -> String {
    let mut sheet = Sheet::new(&[
        "figure", "drawn", "mean", "sd", "2.5 %", "5 %", "50 %", "95 %", "97.5 %", "least",
        "greatest",
    ]);
    for (unit, figure) in figures {
        let Some(of) = &figure.distribution else {
            continue;
        };
        let value = |value: f64| plain(value, figure, *unit);
        let error = |error: f64| engineering(error, *unit);
        let quantiles = of.quantiles.iter().map(|quantile| Estimate {
            value: quantile.value,
            error: quantile.error,
        });
        let estimates: Vec<Estimate> = [of.mean, of.deviation]
            .into_iter()
            .chain(quantiles)
            .collect();
        let mut row = vec![
            figure.figure.clone(),
            figure
                .drawn
                .map_or_else(|| "-".to_owned(), |drawn| plain(drawn, figure, *unit)),
        ];
        row.extend(estimates.iter().map(|estimate| value(estimate.value)));
        row.extend([value(of.least), value(of.greatest)]);
        sheet.row(row);
        let mut row = vec!["  ±".to_owned(), String::new()];
        let errors = estimates.iter().map(|estimate| estimate.error);
        row.extend(errors.map(|of| of.map_or_else(|| "-".to_owned(), error)));
        row.extend([String::new(), String::new()]);
        sheet.row(row);
    }
    sheet.print(
        "Distribution, and the standard error that so many samples leave (-: too few to tell)",
        1,
    )
}

fn corners(figures: &[(Unit, &FigureSpread)]) -> String {
    let mut sheet = Sheet::new(&[
        "figure",
        "lowest",
        "first order",
        "highest",
        "first order",
        "samples beyond",
    ]);
    let mut bends = String::new();
    for (unit, figure) in figures {
        let value = |value: Option<f64>| {
            value.map_or_else(|| "none".to_owned(), |value| plain(value, figure, *unit))
        };
        sheet.row(vec![
            figure.figure.clone(),
            value(figure.lowest.value),
            value(figure.lowest.first_order),
            value(figure.highest.value),
            value(figure.highest.first_order),
            figure.beyond_corners.to_string(),
        ]);
        bends += &bend(*unit, figure);
    }
    let mut text = sheet.print("Worst case, every value at the end of its tolerance", 1);
    // What follows belongs to the table.
    text.pop();
    let swept = figures
        .iter()
        .any(|(_, figure)| figure.lowest.swept || figure.highest.swept);
    text += if swept {
        "  Corners of first order, solved in full, each value then tried elsewhere from there; the worst where the\n  figure goes one way in every value.\n"
    } else {
        "  Corners of first order, solved in full; the worst where the figure goes one way in every value.\n"
    };
    text + &bends + "\n"
}

/// Where first order misleads.
fn bend(unit: Unit, figure: &FigureSpread) -> String {
    let mut text = String::new();
    if let (Some(first), Some(of)) = (figure.first_order, &figure.distribution) {
        let (found, error) = (of.deviation.value, of.deviation.error.unwrap_or(0.0));
        let off = (first - found).abs();
        if off > BENDS.0 * found && off > BENDS.1 * error {
            text += &format!(
                "  {}: first order makes the standard deviation {}, samples {}; shares are rough.\n",
                figure.figure,
                engineering(first, unit),
                engineering(found, unit)
            );
        }
    }
    let exceeds = |corner: &measure::judged::spread::Corner| {
        let drawn = figure.drawn?;
        let (solved, first) = (
            (corner.value? - drawn).abs(),
            (corner.first_order? - drawn).abs(),
        );
        Some(solved > (1.0 + BENDS.0) * first)
    };
    for (corner, name) in [(&figure.lowest, "lowest"), (&figure.highest, "highest")] {
        if exceeds(corner) == Some(true) {
            text += &format!(
                "  {}: the {name} corner lies beyond the sum of first order.\n",
                figure.figure
            );
        }
    }
    text
}

fn shares(unit: Unit, figure: &FigureSpread) -> String {
    let mut sheet = Sheet::new(&["part", "value", "low", "high", "share", "by one u"]);
    let told = |share: &&Share| share.share.is_some_and(|share| share >= LEAST);
    let named: Vec<&Share> = figure.shares.iter().filter(told).take(TOLD).collect();
    if named.is_empty() {
        return String::new();
    }
    for share in &named {
        sheet.row(vec![
            share.part.clone(),
            share.quantity.to_owned(),
            format!("{:+.1} %", 100.0 * (share.low - 1.0)),
            format!("{:+.1} %", 100.0 * (share.high - 1.0)),
            format!("{:.1} %", 100.0 * share.share.unwrap_or(0.0)),
            share
                .change
                .map_or_else(|| "-".to_owned(), |change| signed(change, unit)),
        ]);
    }
    let rest = figure.shares.len() - named.len();
    if rest > 0 {
        let told: f64 = named.iter().filter_map(|share| share.share).sum();
        sheet.row(vec![
            format!("{rest} more"),
            String::new(),
            String::new(),
            String::new(),
            format!("{:.1} %", 100.0 * (1.0 - told).max(0.0)),
            String::new(),
        ]);
    }
    let unknown = figure
        .shares
        .iter()
        .filter(|share| share.change.is_none())
        .count();
    let mut text = sheet.print(
        &format!(
            "What spreads {}: shares of the variance, first-order; u is half the tolerance band over √3",
            figure.figure
        ),
        2,
    );
    if unknown > 0 {
        text.pop();
        text += &format!(
            "  {unknown} values moved by themselves leave no such figure; they have no share.\n\n"
        );
    }
    text
}

/// Shares of several figures side by side, without the changes.
fn shares_of(figures: &[(Unit, &FigureSpread)]) -> String {
    type Value<'a> = (&'a str, &'a str);
    let of = |figure: &FigureSpread, value: Value<'_>| {
        let mut shares = figure.shares.iter();
        let share = shares.find(|share| (share.part.as_str(), share.quantity) == value);
        share.and_then(|share| share.share).unwrap_or(0.0)
    };
    // The greatest share a value has in any figure.
    let mut values: Vec<(f64, Value<'_>)> = figures[0]
        .1
        .shares
        .iter()
        .map(|share| {
            let value = (share.part.as_str(), share.quantity);
            let greatest = figures.iter().map(|(_, figure)| of(figure, value));
            (greatest.fold(0.0, f64::max), value)
        })
        .collect();
    values.sort_by(|a, b| b.0.total_cmp(&a.0));
    let told = values
        .iter()
        .filter(|(share, _)| *share >= LEAST)
        .take(TOLD);
    let told: Vec<Value<'_>> = told.map(|(_, value)| *value).collect();
    let mut header = vec!["part", "value"];
    header.extend(figures.iter().map(|(_, figure)| figure.figure.as_str()));
    let mut sheet = Sheet::new(&header);
    let cell = |share: f64| format!("{:.1} %", 100.0 * share);
    for &value in &told {
        let mut row = vec![value.0.to_owned(), value.1.to_owned()];
        row.extend(figures.iter().map(|(_, figure)| cell(of(figure, value))));
        sheet.row(row);
    }
    if values.len() > told.len() {
        let mut row = vec![format!("{} more", values.len() - told.len()), String::new()];
        row.extend(figures.iter().map(|(_, figure)| {
            let named: f64 = told.iter().map(|&value| of(figure, value)).sum();
            cell((1.0 - named).max(0.0))
        }));
        sheet.row(row);
    }
    sheet.print(
        "What makes the spread: shares of the variance, first-order",
        2,
    )
}

/// A change with its sign.
fn signed(change: f64, unit: Unit) -> String {
    let sign = if change < 0.0 { '-' } else { '+' };
    format!("{sign}{}", engineering(change.abs(), unit))
}
