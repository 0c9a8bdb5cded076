//! Curves against one axis, as SVG with real text.
//!
//! The plotting library rounds every point to whole pixels, which turns smooth curves into steps; so
//! everything is drawn on a canvas four times as large and shown at its own size by the view box.

use std::ops::Range;
use std::sync::Once;

use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::{FontStyle, register_font};

use crate::diagnostic::Id;
use crate::failure::Failure;

/// Canvas pixels for one pixel shown.
pub(crate) const SCALE: u32 = 4;
/// Left and right of title and legend, pixels shown.
const LEFT: u32 = 70;
const RIGHT: u32 = 28;
/// Pixels shown.
const SIZE: (u32, u32) = (800, 480);

/// Colours of the curves; dark enough for thin lines on white.
pub(crate) const COLORS: &[RGBColor] = &[
    BLACK,
    RGBColor(0, 100, 200),
    RGBColor(0, 135, 60),
    RGBColor(215, 110, 0),
    RGBColor(140, 60, 160),
    RGBColor(190, 30, 30),
];

/// Curves that share their axes.
#[derive(Debug)]
pub(crate) struct Plot<'a> {
    pub(crate) title: &'a str,
    pub(crate) conditions: &'a str,
    pub(crate) x_name: &'a str,
    pub(crate) y_name: &'a str,
    pub(crate) x: &'a [f64],
    pub(crate) curves: Vec<(String, &'a [f64])>,
    /// A curve and a value it is to be compared with: drawn dashed across, in its colour.
    pub(crate) levels: Vec<(usize, f64)>,
}

/// What kept a plot from being drawn.
#[derive(Debug)]
pub(crate) struct NotDrawn(String);

impl std::fmt::Display for NotDrawn {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "the plot cannot be drawn: {}", self.0)
    }
}

impl From<NotDrawn> for Failure {
    fn from(error: NotDrawn) -> Self {
        Self::plain(
            Id::CannotWrite,
            error.to_string(),
            "report this: the font is built in",
        )
    }
}

/// Hands the embedded font to the plotting library, once.
fn register() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        // A font that does not load shows as an error at the first text drawn.
        let _ = register_font("sans-serif", FontStyle::Normal, dejavu::sans::regular());
    });
}

/// A canvas.
pub(crate) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// An entry of the legend.
#[derive(Debug)]
pub(crate) struct Sample {
    pub(super) name: String,
    pub(super) color: RGBAColor,
    /// Stroke and gap, pixels shown; none is drawn through.
    pub(super) dash: Option<(u32, u32)>,
}

/// Draws on a canvas of that many pixels shown; SVG text.
pub(crate) fn shown(
    (width, height): (u32, u32),
    draw: impl FnOnce(&Area<'_>) -> Result<(), Box<dyn std::error::Error>>,
) -> Result<String, NotDrawn> {
    register();
    let mut svg = String::new();
    {
        let area =
            SVGBackend::with_string(&mut svg, (width * SCALE, height * SCALE)).into_drawing_area();
        area.fill(&WHITE)
            .map_err(|error| NotDrawn(error.to_string()))?;
        draw(&area).map_err(|error| NotDrawn(error.to_string()))?;
        area.present()
            .map_err(|error| NotDrawn(error.to_string()))?;
    }
    let canvas = format!("width=\"{}\" height=\"{}\"", width * SCALE, height * SCALE);
    let shown = format!("width=\"{width}\" height=\"{height}\"");
    Ok(svg.replacen(&canvas, &shown, 1))
}

/// Title, conditions and legend in rows above the curves, where they cover none; their height in
/// pixels of the canvas.
pub(crate) fn heading(
    area: &Area<'_>,
    title: &str,
    conditions: &str,
    samples: &[Sample],
) -> Result<u32, Box<dyn std::error::Error>> {
    heading_of(area, title, &[conditions], samples)
}

/// The same with several lines of conditions.
pub(crate) fn heading_of(
    area: &Area<'_>,
    title: &str,
    conditions: &[impl AsRef<str>],
    samples: &[Sample],
) -> Result<u32, Box<dyn std::error::Error>> {
    let size = |pixels: u32| pixels * SCALE;
    let at = |pixels: u32| size(pixels).cast_signed();
    let (width, _) = area.dim_in_pixel();
    let room = width - size(LEFT + RIGHT);
    let mut y = at(12);
    let conditions = conditions.iter().map(|line| (line.as_ref(), 12, 20));
    for (text, pixels, line) in std::iter::once((title, 16, 24)).chain(conditions) {
        // A line that is too long is set smaller.
        let font = |pixels: u32| ("sans-serif", size(pixels)).into_font().color(&BLACK);
        let (wide, _) = area.estimate_text_size(text, &font(pixels))?;
        let pixels = if wide > room {
            (pixels * room / wide).max(6)
        } else {
            pixels
        };
        area.draw_text(text, &font(pixels), (at(LEFT), y))?;
        y += at(line);
    }
    let font = ("sans-serif", size(12)).into_font().color(&BLACK);
    let (stroke, gap) = (at(22), at(6));
    let widths = samples
        .iter()
        .map(|sample| {
            let (wide, _) = area.estimate_text_size(&sample.name, &font)?;
            Ok(stroke + gap + wide.cast_signed())
        })
        .collect::<Result<Vec<i32>, Box<dyn std::error::Error>>>()?;
    // What does not fit one row stands in columns.
    let total: i32 = widths.iter().map(|wide| wide + at(18)).sum();
    let columns = total - at(18) > room.cast_signed();
    let widest = widths.iter().copied().max().unwrap_or(0);
    let mut x = at(LEFT);
    for (sample, wide) in samples.iter().zip(widths) {
        let wide = if columns { widest } else { wide };
        if x > at(LEFT) && x + wide > (width - size(RIGHT)).cast_signed() {
            x = at(LEFT);
            y += at(18);
        }
        let middle = y + at(7);
        let (piece, space) = sample
            .dash
            .map_or((stroke, gap), |(on, off)| (at(on), at(off)));
        let mut start = 0;
        while start < stroke {
            let end = (start + piece).min(stroke);
            area.draw(&PathElement::new(
                [(x + start, middle), (x + end, middle)],
                sample.color.stroke_width(SCALE * 3 / 2),
            ))?;
            start = end + space;
        }
        area.draw_text(&sample.name, &font, (x + stroke + gap, y))?;
        x += wide + at(18);
    }
    Ok((y + at(20)).cast_unsigned())
}

/// Two linear axes, with lines at their numbers.
pub(super) struct Axes<'a> {
    pub(super) x_name: &'a str,
    pub(super) y_name: &'a str,
    pub(super) x: Range<f64>,
    pub(super) y: Range<f64>,
    /// Margins above the field and right of it, pixels shown.
    pub(super) above: u32,
    pub(super) right: u32,
    pub(super) lines: RGBColor,
    /// How a number is written; without it as the library does.
    pub(super) number: Option<fn(f64) -> String>,
}

/// A field to draw curves in.
type Field<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// Draws axes.
pub(super) fn ruled<'a, 'b>(
    area: &'a Area<'b>,
    axes: &Axes<'_>,
) -> Result<Field<'a, 'b>, Box<dyn std::error::Error>> {
    let size = |pixels: u32| pixels * SCALE;
    let text = |pixels: u32| ("sans-serif", size(pixels)).into_font();
    let mut field = ChartBuilder::on(area)
        .margin(size(6))
        .margin_top(size(axes.above))
        .margin_right(size(axes.right))
        .x_label_area_size(size(40))
        .y_label_area_size(size(64))
        .build_cartesian_2d(axes.x.clone(), axes.y.clone())?;
    let number = |value: &f64| {
        axes.number
            .map_or_else(String::new, |number| number(*value))
    };
    let mut mesh = field.configure_mesh();
    mesh.x_desc(axes.x_name)
        .y_desc(axes.y_name)
        .axis_desc_style(text(13))
        .label_style(text(12))
        .light_line_style(WHITE)
        .bold_line_style(axes.lines.stroke_width(SCALE / 2))
        .axis_style(BLACK.stroke_width(SCALE));
    if axes.number.is_some() {
        mesh.x_label_formatter(&number).y_label_formatter(&number);
    }
    mesh.draw()?;
    Ok(field)
}

impl Plot<'_> {
    /// The picture as SVG text.
    pub(crate) fn svg(&self) -> Result<String, NotDrawn> {
        shown(SIZE, |area| self.draw(area))
    }

    fn draw(&self, area: &Area<'_>) -> Result<(), Box<dyn std::error::Error>> {
        let size = |pixels: u32| pixels * SCALE;
        let samples: Vec<Sample> = self
            .curves
            .iter()
            .enumerate()
            .map(|(k, (name, _))| Sample {
                name: name.clone(),
                color: COLORS[k % COLORS.len()].to_rgba(),
                dash: None,
            })
            .collect();
        let top = heading(area, self.title, self.conditions, &samples)?;
        let (_, below) = area.split_vertically(top);
        let axes = Axes {
            x_name: self.x_name,
            y_name: self.y_name,
            x: span(self.x.iter().copied()),
            y: span(self.values()),
            above: 6,
            right: RIGHT,
            lines: RGBColor(210, 210, 210),
            number: None,
        };
        let mut chart = ruled(&below, &axes)?;
        for (sample, (_, y)) in samples.iter().zip(&self.curves) {
            let points = self.x.iter().copied().zip(y.iter().copied());
            chart.draw_series(LineSeries::new(
                points,
                sample.color.stroke_width(SCALE * 3 / 2),
            ))?;
        }
        let ends = span(self.x.iter().copied());
        for &(curve, level) in &self.levels {
            chart.draw_series(DashedLineSeries::new(
                [(ends.start, level), (ends.end, level)],
                size(8),
                size(5),
                samples[curve].color.stroke_width(SCALE),
            ))?;
        }
        Ok(())
    }

    /// Everything the vertical axis must hold.
    fn values(&self) -> impl Iterator<Item = f64> {
        let curves = self.curves.iter().flat_map(|(_, y)| y.iter().copied());
        curves.chain(self.levels.iter().map(|(_, level)| *level))
    }
}

/// The extent of the values, widened so that no curve lies on the frame.
fn span(values: impl Iterator<Item = f64>) -> Range<f64> {
    let (least, most) = values.filter(|value| value.is_finite()).fold(
        (f64::INFINITY, f64::NEG_INFINITY),
        |(least, most), value| (least.min(value), most.max(value)),
    );
    if least > most {
        return -1.0..1.0;
    }
    let margin = 0.05 * (most - least);
    let margin = if margin > 0.0 {
        margin
    } else {
        0.5 * most.abs().max(1.0)
    };
    least - margin..most + margin
}

#[cfg(test)]
mod tests {
    use super::Plot;

    #[test]
    fn a_plot_has_real_text_and_fine_points() {
        let x: Vec<f64> = (0..200).map(|k| f64::from(k) / 200.0).collect();
        let y: Vec<f64> = x.iter().map(|x| (6.0 * x).sin()).collect();
        let plot = Plot {
            title: "Ω and µ",
            conditions: "1 kHz & more",
            x_name: "ms",
            y_name: "V",
            x: &x,
            curves: vec![("out".to_owned(), &y), ("in".to_owned(), &x)],
            levels: vec![(1, 0.5)],
        };
        let svg = plot.svg().expect("the font is embedded");
        assert!(
            svg.contains("width=\"800\" height=\"480\" viewBox=\"0 0 3200 1920\""),
            "{}",
            &svg[..200]
        );
        assert!(svg.contains("Ω and µ") && svg.contains("<polyline"));
    }
}
