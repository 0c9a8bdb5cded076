//! Curves on two logarithmic axes, with a level to keep and marks along the axis.

use plotters::prelude::*;

use super::plot::{self, NotDrawn, SCALE, Sample, shown};

/// Pixels shown, without the list of marks.
const SIZE: (u32, u32) = (800, 500);
/// Height of a line of the list of marks, pixels shown.
const LINE: u32 = 17;
/// Least value of the vertical axis: below it nothing can be heard or measured.
const FLOOR: f64 = 1e-3;
/// Colours of marks and of the level.
const GREY: RGBColor = RGBColor(110, 110, 110);
const RED: RGBColor = RGBColor(190, 30, 30);

/// Colours of the curves after the first, which is black; dark enough for thin lines on white.
const HUES: [RGBColor; 4] = [
    RGBColor(0, 100, 200),
    RGBColor(0, 135, 60),
    RGBColor(215, 110, 0),
    RGBColor(140, 60, 160),
];

/// Something that sets in at a place of the horizontal axis.
#[derive(Debug)]
pub(crate) struct Mark {
    pub(crate) x: f64,
    pub(crate) words: String,
}

/// Curves of positive values.
#[derive(Debug)]
pub(crate) struct LogPlot<'a> {
    pub(crate) title: &'a str,
    pub(crate) conditions: &'a str,
    pub(crate) x_name: &'a str,
    pub(crate) y_name: &'a str,
    pub(crate) curves: Vec<(String, Vec<(f64, f64)>)>,
    /// A level of the vertical axis, with its name.
    pub(crate) level: (String, f64),
    pub(crate) marks: Vec<Mark>,
}

impl LogPlot<'_> {
    /// The picture as SVG text.
    pub(crate) fn svg(&self) -> Result<String, NotDrawn> {
        let lines = u32::try_from(self.marks.len()).unwrap_or(0);
        let height = SIZE.1 + lines * LINE + if lines > 0 { LINE / 2 } else { 0 };
        shown((SIZE.0, height), |area| self.draw(area))
    }

    fn draw(&self, area: &plot::Area<'_>) -> Result<(), Box<dyn std::error::Error>> {
        let size = |pixels: u32| pixels * SCALE;
        let text = |pixels: u32| ("sans-serif", size(pixels)).into_font();
        let colors: Vec<RGBAColor> = (0..self.curves.len())
            .map(|k| match k {
                0 => BLACK.to_rgba(),
                k => HUES[(k - 1) % HUES.len()].to_rgba(),
            })
            .collect();
        let mut samples: Vec<Sample> = self
            .curves
            .iter()
            .zip(&colors)
            .map(|((name, _), &color)| Sample {
                name: name.clone(),
                color,
                dashed: false,
            })
            .collect();
        samples.push(Sample {
            name: self.level.0.clone(),
            color: RED.to_rgba(),
            dashed: true,
        });
        let top = plot::heading(area, self.title, self.conditions, &samples)?;
        let (_, rest) = area.split_vertically(top);
        let (field, list) = rest.split_vertically(size(SIZE.1) - top);

        let positive = |value: &f64| value.is_finite() && *value > 0.0;
        let all = || self.curves.iter().flat_map(|(_, points)| points.iter());
        let most = |values: &mut dyn Iterator<Item = f64>| values.fold(0.0, f64::max);
        let x_most = most(&mut all().map(|(x, _)| *x).filter(positive));
        let x_least = all()
            .map(|(x, _)| *x)
            .filter(positive)
            .fold(x_most, f64::min);
        let y_most = most(&mut all().map(|(_, y)| *y).filter(positive)).max(self.level.1);
        let y_least = all()
            .map(|(_, y)| *y)
            .filter(positive)
            .fold(y_most, f64::min)
            .max(FLOOR);
        if x_most <= 0.0 {
            return Err("there is no level to draw".into());
        }
        // Room above the curves for the numbers of the marks.
        let y = 0.8 * y_least..3.0 * y_most;
        let x = x_least / 1.15..x_most * 1.3;
        let bottom = y.start;
        let mut chart = ChartBuilder::on(&field)
            .margin(size(6))
            .margin_right(size(28))
            .x_label_area_size(size(40))
            .y_label_area_size(size(64))
            .build_cartesian_2d(x.log_scale(), y.clone().log_scale())?;
        chart
            .configure_mesh()
            .x_desc(self.x_name)
            .y_desc(self.y_name)
            .x_label_formatter(&|value| short(*value))
            .y_label_formatter(&|value| short(*value))
            .axis_desc_style(text(13))
            .label_style(text(12))
            .light_line_style(RGBColor(232, 232, 232).stroke_width(SCALE / 2))
            .bold_line_style(RGBColor(200, 200, 200).stroke_width(SCALE / 2))
            .axis_style(BLACK.stroke_width(SCALE))
            .draw()?;
        for mark in &self.marks {
            let line = [(mark.x, bottom), (mark.x, y.end)];
            chart.draw_series(LineSeries::new(line, GREY.stroke_width(SCALE)))?;
        }
        let ends = [(x_least / 1.15, self.level.1), (x_most * 1.3, self.level.1)];
        chart.draw_series(DashedLineSeries::new(
            ends,
            size(6),
            size(4),
            RED.stroke_width(SCALE),
        ))?;
        // THD, the first, is drawn last: it lies over the harmonic it consists of.
        for ((_, points), &color) in self.curves.iter().zip(&colors).rev() {
            for piece in above(points, bottom) {
                chart.draw_series(LineSeries::new(piece, color.stroke_width(SCALE * 3 / 2)))?;
            }
        }
        // Numbers stand right of their marks, lower where the marks crowd.
        let style = text(12).color(&GREY);
        let (mut row, mut last) = (0, i32::MIN / 2);
        for (k, mark) in self.marks.iter().enumerate() {
            let (x, y) = chart.backend_coord(&(mark.x, y.end));
            let (left, line) = (size(4).cast_signed(), size(13).cast_signed());
            row = if x - last < size(16).cast_signed() {
                row + 1
            } else {
                0
            };
            last = x;
            let place = (x + left / 2, y + left + row * line);
            // The line of the next mark may run through the number: a white ground keeps it legible.
            let (wide, high) = area.estimate_text_size(&(k + 1).to_string(), &style)?;
            let far = (
                place.0 + wide.cast_signed(),
                place.1 + high.cast_signed() - left / 2,
            );
            area.draw(&Rectangle::new([place, far], WHITE.filled()))?;
            area.draw_text(&(k + 1).to_string(), &style, place)?;
            let below = size(LINE).cast_signed() * i32::try_from(k)?;
            let words = format!("{}  {}", k + 1, mark.words);
            list.draw_text(
                &words,
                &text(12).color(&BLACK),
                (size(70).cast_signed(), below),
            )?;
        }
        Ok(())
    }
}

/// A value of the axis without needless noughts.
fn short(value: f64) -> String {
    let digits = (-value.log10().floor()).clamp(0.0, 9.0);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "from 0 to 9"
    )]
    let digits = digits as usize;
    format!("{value:.digits$}")
}

/// The pieces of a curve above the bottom of the picture, cut where they cross it.
fn above(points: &[(f64, f64)], bottom: f64) -> Vec<Vec<(f64, f64)>> {
    let crossing = |a: (f64, f64), b: (f64, f64)| {
        let y = |point: (f64, f64)| point.1.max(f64::MIN_POSITIVE).ln();
        let share = (bottom.ln() - y(a)) / (y(b) - y(a));
        ((a.0.ln() + share * (b.0.ln() - a.0.ln())).exp(), bottom)
    };
    let mut pieces: Vec<Vec<(f64, f64)>> = Vec::new();
    let mut before: Option<(f64, f64)> = None;
    for &point in points.iter().filter(|(x, _)| *x > 0.0) {
        let inside = point.1 >= bottom;
        match before {
            Some(last) if (last.1 >= bottom) != inside => {
                if inside {
                    pieces.push(vec![crossing(last, point), point]);
                } else if let Some(piece) = pieces.last_mut() {
                    piece.push(crossing(last, point));
                }
            }
            Some(_) if inside => {
                if let Some(piece) = pieces.last_mut() {
                    piece.push(point);
                }
            }
            None if inside => pieces.push(vec![point]),
            _ => {}
        }
        before = Some(point);
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::{above, short};

    #[test]
    fn a_curve_is_cut_where_it_leaves_the_picture() {
        let points = [(1.0, 1.0), (10.0, 100.0), (100.0, 1.0), (1000.0, 1.0)];
        let pieces = above(&points, 10.0);
        assert_eq!(pieces.len(), 1);
        let ends = [pieces[0][0], pieces[0][1], pieces[0][2]];
        let wanted = [(10f64.sqrt(), 10.0), (10.0, 100.0), (1000f64.sqrt(), 10.0)];
        for (end, wanted) in ends.iter().zip(wanted) {
            assert!((end.0 / wanted.0 - 1.0).abs() < 1e-12, "{end:?}");
            assert!((end.1 / wanted.1 - 1.0).abs() < 1e-12, "{end:?}");
        }
        assert_eq!(above(&points, 0.5), [points.to_vec()]);
        assert!(above(&points, 1e3).is_empty());
    }

    #[test]
    fn labels_have_no_needless_noughts() {
        let labels = [0.001, 0.02, 0.1, 1.0, 20.0].map(short);
        assert_eq!(labels, ["0.001", "0.02", "0.1", "1", "20"]);
    }
}
