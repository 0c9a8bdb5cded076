//! Anode characteristics of the fitted law with the points they were fitted to.

use models::data::Connection;
use models::fit::{FigurePlace, Fit, Quantity};
use plotters::prelude::*;

use super::answer::kind;
use super::data::Data;
use super::number;
use crate::report::plot::{Area, COLORS, NotDrawn, SCALE, Sample, heading, shown};

/// Pixels shown.
const SIZE: (u32, u32) = (900, 560);
/// Points of a curve.
const STEPS: usize = 200;
/// Curves that can still be told apart; of more, as many are drawn.
const MOST_CURVES: usize = 14;
/// Pixels shown between two names at the ends of curves.
const NAME_HEIGHT: f64 = 14.0;

/// What is held while the anode volts change.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Held {
    v_sk: f64,
    v_gk: f64,
    strapped: bool,
}

/// A reading to be laid over the curves: volts, milliamperes, one width of them.
#[derive(Clone, Copy, Debug)]
struct Dot {
    held: Held,
    v_ak: f64,
    milliamps: f64,
    width: f64,
    contradicted: bool,
}

/// The picture as SVG.
pub(super) fn svg(data: &Data, fit: &Fit) -> Result<String, NotDrawn> {
    let dots = dots(data, fit);
    shown(SIZE, |area| draw(area, data, fit, &dots))
}

fn dots(data: &Data, fit: &Fit) -> Vec<Dot> {
    let currents = fit.residuals.iter();
    let currents =
        currents.filter(|r| matches!(r.quantity, Quantity::AnodeCurrent | Quantity::CutOff));
    currents
        .filter_map(|r| {
            let (v_ak, held) = match r.place {
                FigurePlace::Point(_) => {
                    let point = &data.points[number(r.place) - 1];
                    let strapped = point.connection == Connection::Strapped;
                    let held = Held {
                        v_sk: if strapped {
                            0.0
                        } else {
                            point.v_sk.unwrap_or(0.0)
                        },
                        v_gk: point.v_gk?,
                        strapped,
                    };
                    (point.v_ak?, held)
                }
                FigurePlace::Row(_) => {
                    let row = &data.traces.rows[number(r.place) - 1];
                    let held = Held {
                        v_sk: if row.strapped { 0.0 } else { row.v_sk },
                        v_gk: row.v_gk,
                        strapped: row.strapped,
                    };
                    (row.v_ak, held)
                }
            };
            Some(Dot {
                held,
                v_ak,
                milliamps: 1e3 * r.published,
                width: 1e3 * r.width,
                contradicted: r.contradicted(),
            })
        })
        .collect()
}

/// The families that are drawn, the least negative grid first, and whether some were left out.
fn families(dots: &[Dot]) -> (Vec<Held>, bool) {
    let mut all: Vec<Held> = Vec::new();
    for dot in dots {
        if !all.contains(&dot.held) {
            all.push(dot.held);
        }
    }
    all.sort_by(|a, b| {
        let order = a.strapped.cmp(&b.strapped).then(b.v_gk.total_cmp(&a.v_gk));
        order.then(b.v_sk.total_cmp(&a.v_sk))
    });
    let too_many = all.len() > MOST_CURVES;
    if too_many {
        let every = all.len().div_ceil(MOST_CURVES);
        all = all.into_iter().step_by(every).collect();
    }
    (all, too_many)
}

fn one(volts: f64) -> String {
    let text = format!("{volts:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    text.replace('-', "−")
}

/// Name of a curve; the screen volts where they are not the same for all.
fn curve_name(held: &Held, one_screen: bool) -> String {
    let grid = format!("{} V", one(held.v_gk));
    if held.strapped {
        format!("{grid}, strapped")
    } else if one_screen {
        grid
    } else {
        format!("{grid}, screen {} V", one(held.v_sk))
    }
}

fn draw(
    area: &Area<'_>,
    data: &Data,
    fit: &Fit,
    dots: &[Dot],
) -> Result<(), Box<dyn std::error::Error>> {
    let size = |pixels: u32| pixels * SCALE;
    let text = |pixels: u32| ("sans-serif", size(pixels)).into_font();
    let (families, left_out) = families(dots);
    let normal = families.iter().filter(|held| !held.strapped);
    let one_screen = normal
        .clone()
        .all(|held| (held.v_sk - families[0].v_sk).abs() < 1e-9);
    let dots: Vec<&Dot> = dots
        .iter()
        .filter(|dot| families.contains(&dot.held))
        .collect();
    let most_volts = 1.05 * dots.iter().map(|dot| dot.v_ak).fold(1.0, f64::max);
    let most_milliamps = 1.15
        * dots
            .iter()
            .map(|dot| dot.milliamps + dot.width)
            .fold(1e-6, f64::max);

    let mut conditions = "anode current against anode volts, grid volts at the curves".to_owned();
    if one_screen && families[0].v_sk > 0.0 {
        conditions += &format!(", screen {} V", one(families[0].v_sk));
    }
    conditions += "; bars are one width of the data either way";
    if dots.iter().any(|dot| dot.contradicted) {
        conditions += ", rings contradicted by the others";
    }
    if left_out {
        conditions += "; not all curves are drawn";
    }
    let title = format!(
        "{}, {}: curves of the fitted law and its data",
        data.title,
        kind(data.kind)
    );
    let top = heading(area, &title, &conditions, &[] as &[Sample])?;
    let (_, field) = area.split_vertically(top);
    let names: Vec<String> = families
        .iter()
        .map(|held| curve_name(held, one_screen))
        .collect();
    let font = text(11).color(&BLACK);
    let mut room = 0;
    for name in &names {
        room = room.max(area.estimate_text_size(name, &font)?.0);
    }
    let mut chart = ChartBuilder::on(&field)
        .margin(size(6))
        .margin_right(room + size(16))
        .x_label_area_size(size(40))
        .y_label_area_size(size(64))
        .build_cartesian_2d(0.0..most_volts, 0.0..most_milliamps)?;
    chart
        .configure_mesh()
        .x_desc("anode volts, V")
        .y_desc("anode current, mA")
        .axis_desc_style(text(13))
        .label_style(text(12))
        .light_line_style(WHITE)
        .bold_line_style(RGBColor(210, 210, 210).stroke_width(SCALE / 2))
        .axis_style(BLACK.stroke_width(SCALE))
        .draw()?;
    // Where each curve leaves the frame, in pixels of the canvas
    let mut ends: Vec<(i32, i32, usize)> = Vec::new();
    for (k, held) in families.iter().enumerate() {
        let color = COLORS[k % COLORS.len()];
        let at = |j: usize| {
            let v_ak = most_volts * j as f64 / STEPS as f64;
            let current = fit
                .parameters
                .at(v_ak, held.v_sk, held.v_gk, held.strapped)
                .anode;
            (v_ak, 1e3 * current)
        };
        let inside: Vec<(f64, f64)> = (0..=STEPS)
            .map(at)
            .take_while(|(_, milliamps)| *milliamps <= most_milliamps)
            .collect();
        if let Some(last) = inside.last() {
            let (x, y) = chart.backend_coord(last);
            ends.push((x, y, k));
        }
        chart.draw_series(LineSeries::new(inside, color.stroke_width(SCALE * 3 / 2)))?;
        for dot in dots.iter().filter(|dot| dot.held == *held) {
            let bar = [
                (dot.v_ak, (dot.milliamps - dot.width).max(0.0)),
                (dot.v_ak, dot.milliamps + dot.width),
            ];
            chart.draw_series([PathElement::new(bar, color.stroke_width(SCALE))])?;
            let at = (dot.v_ak, dot.milliamps.max(0.0));
            chart.draw_series([Circle::new(at, size(2), color.filled())])?;
            if dot.contradicted {
                chart.draw_series([Circle::new(at, size(6), color.stroke_width(SCALE))])?;
            }
        }
    }
    name_ends(area, &names, &mut ends, &font)
}

/// Writes the names at the ends of the curves: those at the right pushed apart, those at the top as they are.
fn name_ends(
    area: &Area<'_>,
    names: &[String],
    ends: &mut [(i32, i32, usize)],
    font: &TextStyle<'_>,
) -> Result<(), Box<dyn std::error::Error>> {
    let right = ends.iter().map(|(x, _, _)| *x).max().unwrap_or(0);
    let scale = SCALE.cast_signed();
    let apart = (NAME_HEIGHT * f64::from(SCALE)) as i32;
    ends.sort_by_key(|(x, y, _)| (*x < right, *y));
    // From the lowest up, none below the frame
    let mut below = i32::MAX;
    for (x, y, k) in ends.iter().rev().filter(|(x, _, _)| *x == right) {
        let at = (*y).min(below);
        below = at - apart;
        let place = (x + 5 * scale, at - apart / 2);
        area.draw_text(
            &names[*k],
            &font.clone().color(&COLORS[k % COLORS.len()]),
            place,
        )?;
    }
    let mut taken = i32::MIN;
    let mut top: Vec<_> = ends
        .iter()
        .filter(|(x, _, _)| *x < right)
        .copied()
        .collect();
    top.sort_unstable();
    for (x, y, k) in top {
        let (wide, _) = area.estimate_text_size(&names[k], font)?;
        let start = (x - wide.cast_signed() / 2).max(taken);
        taken = start + wide.cast_signed() + 8 * scale;
        let place = (start, y - apart);
        area.draw_text(
            &names[k],
            &font.clone().color(&COLORS[k % COLORS.len()]),
            place,
        )?;
    }
    Ok(())
}
