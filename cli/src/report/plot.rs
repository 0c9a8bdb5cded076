//! Curves against one axis, as SVG with real text.
//!
//! The plotting library rounds every point to whole pixels, which turns smooth curves into steps; so
//! everything is drawn on a canvas four times as large and shown at its own size by the view box.

use std::ops::Range;
use std::sync::Once;

use plotters::prelude::*;
use plotters::style::{FontStyle, register_font};

/// Canvas pixels for one pixel shown.
const SCALE: u32 = 4;
/// Length of a legend's sample of the curve, canvas pixels.
const LEGEND_STROKE: i32 = 80;
/// Pixels shown.
const SIZE: (u32, u32) = (800, 450);

/// Curves that share their axes.
#[derive(Debug)]
pub(crate) struct Plot<'a> {
    pub(crate) title: &'a str,
    pub(crate) x_name: &'a str,
    pub(crate) y_name: &'a str,
    pub(crate) x: &'a [f64],
    pub(crate) curves: Vec<(String, &'a [f64])>,
}

/// What kept a plot from being drawn.
#[derive(Debug)]
pub(crate) struct NotDrawn(String);

impl std::fmt::Display for NotDrawn {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "the plot cannot be drawn: {}", self.0)
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

impl Plot<'_> {
    /// The picture as SVG text.
    pub(crate) fn svg(&self) -> Result<String, NotDrawn> {
        register();
        let mut svg = String::new();
        self.draw(&mut svg)
            .map_err(|error| NotDrawn(error.to_string()))?;
        let (width, height) = SIZE;
        let canvas = format!("width=\"{}\" height=\"{}\"", width * SCALE, height * SCALE);
        let shown = format!("width=\"{width}\" height=\"{height}\"");
        Ok(svg.replacen(&canvas, &shown, 1))
    }

    fn draw(&self, svg: &mut String) -> Result<(), Box<dyn std::error::Error>> {
        let area =
            SVGBackend::with_string(svg, (SIZE.0 * SCALE, SIZE.1 * SCALE)).into_drawing_area();
        area.fill(&WHITE)?;
        let size = |pixels: u32| pixels * SCALE;
        let text = |pixels: u32| ("sans-serif", size(pixels)).into_font();
        let mut chart = ChartBuilder::on(&area)
            .caption(self.title, text(16))
            .margin(size(12))
            .margin_right(size(28))
            .x_label_area_size(size(40))
            .y_label_area_size(size(64))
            .build_cartesian_2d(
                span(self.x.iter().copied()),
                span(self.curves.iter().flat_map(|(_, y)| y.iter().copied())),
            )?;
        chart
            .configure_mesh()
            .x_desc(self.x_name)
            .y_desc(self.y_name)
            .axis_desc_style(text(13))
            .label_style(text(12))
            .light_line_style(WHITE)
            .bold_line_style(RGBColor(210, 210, 210).stroke_width(SCALE / 2))
            .axis_style(BLACK.stroke_width(SCALE))
            .draw()?;
        for (k, (name, y)) in self.curves.iter().enumerate() {
            let color = Palette99::pick(k).to_rgba();
            let points = self.x.iter().copied().zip(y.iter().copied());
            chart
                .draw_series(LineSeries::new(points, color.stroke_width(SCALE * 3 / 2)))?
                .label(name)
                .legend(move |(x, y)| {
                    PathElement::new(
                        [(x, y), (x + LEGEND_STROKE, y)],
                        color.stroke_width(SCALE * 3 / 2),
                    )
                });
        }
        chart
            .configure_series_labels()
            .legend_area_size(size(26))
            .margin(size(6))
            .label_font(text(12))
            .background_style(WHITE.mix(0.85))
            .border_style(BLACK.stroke_width(SCALE / 2))
            .draw()?;
        area.present()?;
        Ok(())
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
            x_name: "ms",
            y_name: "V",
            x: &x,
            curves: vec![("out".to_owned(), &y), ("in".to_owned(), &x)],
        };
        let svg = plot.svg().expect("the font is embedded");
        assert!(
            svg.contains("width=\"800\" height=\"450\" viewBox=\"0 0 3200 1800\""),
            "{}",
            &svg[..200]
        );
        assert!(svg.contains("Ω and µ") && svg.contains("<polyline"));
    }
}
