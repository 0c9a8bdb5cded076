//! The curves as a picture and as figures.

use std::ops::Range;

use measure::driven::curves::{Curve, Pair, Point};
use sim::quantity::{Unit, engineering};

use super::Answer;
use super::text::{connection, load_words, round_volts};
use crate::report::csv;
use crate::report::family::{BLUE, DASHED, Family, GREEN, GREY, Group, INK, ORANGE, RED};
use crate::report::plot::NotDrawn;
use crate::report::stacked::stacked;
use crate::report::table::{percent, volts};

/// Points of a curve of constant watts.
const POINTS: u32 = 200;

/// Composite curves driven further down than that have their words on the left, of the whole drive.
const ASIDE: f64 = 0.25;

/// The pictures above each other: the pair, anode characteristics with what lies over them, and mutual
/// characteristics.
pub(super) fn svg(answer: &Answer, title: &str) -> Result<String, NotDrawn> {
    let mut pictures = Vec::new();
    if let Some(pair) = &answer.pair {
        pictures.push(composite(pair, answer, title)?);
    }
    pictures.push(anode(answer, title)?);
    if answer.stage.is_none() {
        pictures.push(mutual(answer, title)?);
        if answer.connection == "normal" {
            pictures.push(screen(answer, title)?);
        }
    }
    Ok(stacked(&pictures))
}

fn group(name: impl Into<String>, curves: Vec<(String, Vec<(f64, f64)>)>) -> Group {
    Group {
        name: name.into(),
        color: INK,
        dash: None,
        width: 1.0,
        curves,
        dots: false,
    }
}

fn family_of(
    curves: &[Curve],
    at: impl Fn(&Point) -> (f64, f64),
) -> Vec<(String, Vec<(f64, f64)>)> {
    let named = |curve: &Curve| {
        let points = curve.points.iter().map(&at).collect();
        (round_volts(curve.held), points)
    };
    curves.iter().map(named).collect()
}

fn without_words(curves: Vec<(String, Vec<(f64, f64)>)>) -> Vec<(String, Vec<(f64, f64)>)> {
    curves
        .into_iter()
        .map(|(_, points)| (String::new(), points))
        .collect()
}

/// Volts and milliamperes.
fn across(point: &Point) -> (f64, f64) {
    (point.v_a, 1e3 * point.i_a)
}

fn anode(answer: &Answer, title: &str) -> Result<String, NotDrawn> {
    let frame = &answer.frame;
    let mut groups = vec![group(
        format!(
            "{} at the grid volts named",
            current(answer).trim_end_matches(", mA")
        ),
        family_of(&answer.anode, across),
    )];
    // Under a cycle or a load line the screen currents would be clutter: the table has them.
    let plain = answer.stage.is_none() && answer.load_line.is_none() && answer.pair.is_none();
    if plain
        && answer
            .anode
            .iter()
            .any(|curve| curve.points.iter().any(|p| p.i_s > 0.0))
    {
        let screens = family_of(&answer.anode, |p| (p.v_a, 1e3 * p.i_s));
        groups.push(Group {
            color: GREEN,
            dash: DASHED,
            width: 0.6,
            ..group("Ig2", without_words(screens))
        });
    }
    groups.extend(limits(answer));
    if let Some(line) = &answer.load_line {
        groups.push(over(
            format!("load {}", load_words(line)),
            RED,
            &line.points,
        ));
        groups.push(dot("at rest", RED, &line.rest));
    }
    let mut conditions = connection(answer);
    if let Some(stage) = &answer.stage {
        let mut locus = stage.locus.clone();
        locus.extend(stage.locus.first());
        groups.push(over("one cycle", BLUE, &locus));
        if let (Some(ohms), Some(degrees)) = (stage.ohms, stage.phase_degrees) {
            let rest = across(&stage.rest);
            let to = |v: f64| (v, rest.1 - 1e3 * (v - rest.0) / ohms);
            groups.push(Group {
                color: ORANGE,
                dash: DASHED,
                ..group(
                    format!("load {} ({degrees:+.0}°)", engineering(ohms, Unit::Ohm)),
                    vec![(String::new(), vec![to(0.0), to(frame.anode_to)])],
                )
            });
        }
        groups.push(dot("at rest", RED, &stage.rest));
        conditions = format!(
            "{conditions}; cycle at {}, {}, THD {}, {} peak of drive",
            engineering(stage.frequency, Unit::Hertz),
            engineering(stage.power, Unit::Watt),
            percent(stage.thd),
            engineering(stage.drive, Unit::Volt)
        );
    }
    let picture = Family {
        title: &format!("{title}: anode characteristics"),
        conditions: &conditions,
        x_name: "Va to the cathode, V",
        y_name: current(answer),
        x: 0.0..frame.anode_to,
        y: 0.0..1e3 * frame.current_to,
        groups,
    };
    picture.svg()
}

/// The current of anode characteristics.
fn current(answer: &Answer) -> &'static str {
    if answer.connection == "strapped" {
        "Ia + Ig2, mA"
    } else {
        "Ia, mA"
    }
}

/// Points of a line or a cycle.
fn over(name: impl Into<String>, color: plotters::style::RGBColor, points: &[Point]) -> Group {
    Group {
        color,
        width: 1.3,
        ..group(
            name,
            vec![(String::new(), points.iter().map(across).collect())],
        )
    }
}

fn dot(name: &str, color: plotters::style::RGBColor, point: &Point) -> Group {
    Group {
        color,
        dots: true,
        ..group("", vec![(name.to_owned(), vec![across(point)])])
    }
}

/// The curve of the greatest dissipation and the line of the greatest volts.
fn limits(answer: &Answer) -> Vec<Group> {
    let frame = &answer.frame;
    let mut groups = Vec::new();
    if let Some(watts) = answer.watts_limit {
        let least = watts / frame.current_to;
        let points = (0..=POINTS)
            .map(|k| least + (frame.anode_to - least) * f64::from(k) / f64::from(POINTS))
            .map(|v| (v, 1e3 * watts / v))
            .collect();
        groups.push(Group {
            color: GREY,
            dash: DASHED,
            ..group(
                format!("Pa limit {}", engineering(watts, Unit::Watt)),
                vec![(String::new(), points)],
            )
        });
    }
    if let Some(limit) = answer.volts_limit.filter(|&limit| limit < frame.anode_to) {
        groups.push(Group {
            color: GREY,
            dash: Some((2, 3)),
            ..group(
                format!("Va limit {}", volts(limit)),
                vec![(
                    String::new(),
                    vec![(limit, 0.0), (limit, 1e3 * frame.current_to)],
                )],
            )
        });
    }
    groups
}

fn mutual(answer: &Answer, title: &str) -> Result<String, NotDrawn> {
    against_grid(
        answer,
        title,
        "mutual characteristics",
        (current(answer), |point| point.i_a),
    )
}

fn screen(answer: &Answer, title: &str) -> Result<String, NotDrawn> {
    against_grid(
        answer,
        title,
        "screen characteristics",
        ("Ig2, mA", |point| point.i_s),
    )
}

fn against_grid(
    answer: &Answer,
    title: &str,
    what: &str,
    (y_name, figure): (&str, fn(&Point) -> f64),
) -> Result<String, NotDrawn> {
    let at = |point: &Point| (point.v_g, 1e3 * figure(point));
    let held = if answer.connection == "normal" {
        format!(
            "screen volts named, anode at {}",
            volts(answer.mutual_anode)
        )
    } else if answer.connection == "tapped" {
        format!("anode volts named, {}", connection(answer))
    } else {
        "anode volts named".to_owned()
    };
    let grid = || answer.frame.grid.iter().copied();
    let least = grid().fold(0.0, f64::min);
    let most = grid()
        .fold(f64::NEG_INFINITY, f64::max)
        .max(least + f64::MIN_POSITIVE);
    let picture = Family {
        title: &format!("{title}: {what}"),
        conditions: &held,
        x_name: "Vg to the cathode, V",
        y_name,
        x: least..most,
        y: span(&answer.mutual, answer, figure),
        groups: vec![group(
            y_name.trim_end_matches(", mA"),
            family_of(&answer.mutual, at),
        )],
    };
    picture.svg()
}

/// From nothing to the greatest figure, but no further than the anode characteristics show, mA.
fn span(curves: &[Curve], answer: &Answer, figure: fn(&Point) -> f64) -> Range<f64> {
    let all = curves.iter().flat_map(|curve| &curve.points).map(figure);
    let most = all.fold(0.0, f64::max).min(answer.frame.current_to);
    0.0..1e3 * 1.05 * most.max(f64::MIN_POSITIVE)
}

fn composite(pair: &Pair, answer: &Answer, title: &str) -> Result<String, NotDrawn> {
    let whole = pair
        .curves
        .iter()
        .map(|curve| curve.drive)
        .fold(0.0, f64::max);
    let aside = ASIDE * whole;
    let curves = pair.curves.iter().map(|curve| {
        let volts = curve.v_a.iter().copied();
        let mut points: Vec<(f64, f64)> =
            volts.zip(curve.current.iter().map(|i| 1e3 * i)).collect();
        let mut words = round_volts(curve.drive);
        if curve.drive > 0.0 {
            words.insert(0, '+');
        } else if curve.drive < -aside {
            // On the right they run together; on the left the others do.
            points.reverse();
        }
        (words, points)
    });
    let half = 0.25 * pair.ohms;
    let greatest = pair
        .points
        .iter()
        .map(|point| point.current.abs())
        .fold(0.0, f64::max);
    // Half as much again as the load line reaches, so that the curves are seen beyond it.
    let most = 1.5e3 * greatest.max(pair.rest.i_a);
    let line = [0.0, 2.0 * pair.supply].map(|v| (v, 1e3 * (pair.supply - v) / half));
    let dots = pair
        .points
        .iter()
        .map(|point| (point.first.v_a, 1e3 * point.current))
        .collect();
    let load = engineering(pair.ohms, Unit::Ohm);
    let groups = vec![
        group(
            "Ia1 - Ia2 at the drive named, of each grid in opposition",
            curves.collect(),
        ),
        Group {
            color: RED,
            width: 1.3,
            ..group(
                format!(
                    "load {load} anode to anode, {} composite",
                    engineering(half, Unit::Ohm)
                ),
                vec![(String::new(), line.to_vec())],
            )
        },
        Group {
            color: RED,
            dots: true,
            ..group("", vec![(String::new(), dots)])
        },
    ];
    let picture = Family {
        title: &format!("{title}: two in push-pull, composite characteristics"),
        conditions: &format!(
            "{}, supply {}, bias {}, at rest {:.1} mA each",
            connection(answer),
            volts(pair.supply),
            volts(pair.rest.v_g),
            1e3 * pair.rest.i_a
        ),
        x_name: "Va of the first valve, V",
        y_name: "composite current, mA",
        x: 0.0..2.0 * pair.supply,
        y: -most..most,
        groups,
    };
    picture.svg()
}

/// One point a line.
pub(super) fn csv(answer: &Answer) -> String {
    let header = [
        "curve",
        "grid [V]",
        "anode [V]",
        "screen [V]",
        "anode current [A]",
        "screen current [A]",
    ]
    .map(str::to_owned);
    let mut rows: Vec<(f64, &Point)> = Vec::new();
    let laid = match (&answer.stage, &answer.load_line) {
        (Some(stage), _) => stage.locus.as_slice(),
        (None, Some(line)) => line.points.as_slice(),
        (None, None) => &[],
    };
    rows.extend(laid.iter().map(|point| (0.0, point)));
    for (k, curve) in answer.anode.iter().chain(&answer.mutual).enumerate() {
        rows.extend(curve.points.iter().map(|point| ((k + 1) as f64, point)));
    }
    let column = |of: &dyn Fn(&Point) -> f64| -> Vec<f64> {
        rows.iter().map(|(_, point)| of(point)).collect()
    };
    let columns = [
        rows.iter().map(|(number, _)| *number).collect(),
        column(&|p| p.v_g),
        column(&|p| p.v_a),
        column(&|p| p.v_s.unwrap_or(f64::NAN)),
        column(&|p| p.i_a),
        column(&|p| p.i_s),
    ];
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    csv::columns(&header, &columns)
}
