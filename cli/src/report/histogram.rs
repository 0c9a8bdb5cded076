//! How often what was found: histograms, one below the other, with what is to be read off them marked.

use std::ops::Range;

use plotters::prelude::*;
use sim::quantity::Unit;

use super::plot::{self, Area, NotDrawn, SCALE, Sample, shown};

/// Width, height of title and legend, and height of each histogram, pixels shown.
const WIDTH: u32 = 800;
const TOP: u32 = 128;
const PANEL: u32 = 240;

/// Most and fewest bars: finer shows chance, coarser hides the shape. Between them twice the cube root of the
/// values (a rule of thumb, no source).
const BARS: (f64, f64) = (8.0, 40.0);

const BAR: RGBColor = RGBColor(150, 180, 215);
const BAND: RGBColor = RGBColor(0, 135, 60);
const CORNER: RGBColor = RGBColor(215, 110, 0);
const LIMIT: RGBColor = RGBColor(190, 30, 30);

/// Dashes of corners and limits: stroke and gap, pixels shown.
const CORNER_DASH: (u32, u32) = (8, 4);
const LIMIT_DASH: (u32, u32) = (3, 3);

/// One figure.
#[derive(Debug)]
pub(crate) struct Panel {
    pub(crate) name: String,
    pub(crate) unit: Unit,
    /// What is marked, in words.
    pub(crate) words: String,
    pub(crate) values: Vec<f64>,
    pub(crate) drawn: Option<f64>,
    /// 5 and 95 %.
    pub(crate) band: (f64, f64),
    pub(crate) corners: Vec<f64>,
    pub(crate) limits: Vec<f64>,
}

/// Histograms below each other.
#[derive(Debug)]
pub(crate) struct Histogram<'a> {
    pub(crate) title: &'a str,
    pub(crate) conditions: &'a [String; 3],
    pub(crate) panels: Vec<Panel>,
}

/// A unit with its prefix for values up to `most`, and what a value is divided by.
fn prefixed(most: f64, unit: Unit) -> (f64, String) {
    const PREFIXES: [(f64, &str); 7] = [
        (1e6, "M"),
        (1e3, "k"),
        (1.0, ""),
        (1e-3, "m"),
        (1e-6, "µ"),
        (1e-9, "n"),
        (1e-12, "p"),
    ];
    match unit {
        Unit::Percent => (0.01, "%".to_owned()),
        Unit::Number => (1.0, String::new()),
        _ => {
            let fits = PREFIXES.into_iter().find(|(scale, _)| most >= *scale);
            let (scale, prefix) = fits.unwrap_or((1.0, ""));
            (scale, format!("{prefix}{}", unit.symbol()))
        }
    }
}

/// How many of the values lie in each of equal pieces of their range; the range of each.
fn counted(values: &[f64]) -> Vec<(Range<f64>, usize)> {
    let least = values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let bars = (2.0 * (values.len() as f64).cbrt())
        .clamp(BARS.0, BARS.1)
        .round();
    // What does not vary is one bar, as wide as a thousandth of it.
    let width = ((most - least) / bars)
        .max(1e-3 * most.abs())
        .max(f64::MIN_POSITIVE);
    let mut counts = vec![0; bars as usize];
    for value in values {
        let place = ((value - least) / width) as usize;
        counts[place.min(bars as usize - 1)] += 1;
    }
    let start = |k: usize| least + width * k as f64;
    let bars = counts.into_iter().enumerate();
    bars.map(|(k, count)| (start(k)..start(k + 1), count))
        .collect()
}

impl Histogram<'_> {
    /// The picture as SVG text.
    pub(crate) fn svg(&self) -> Result<String, NotDrawn> {
        let count = u32::try_from(self.panels.len()).unwrap_or(1);
        shown((WIDTH, TOP + count * PANEL), |area| self.draw(area))
    }

    fn draw(&self, area: &Area<'_>) -> Result<(), Box<dyn std::error::Error>> {
        let (head, mut rest) = area.split_vertically(TOP * SCALE);
        let sample = |name: &str, color: RGBColor, dash| Sample {
            name: name.to_owned(),
            color: color.to_rgba(),
            dash,
        };
        let mut samples = vec![
            sample("samples", BAR, None),
            sample("as drawn", BLACK, None),
            sample("5 to 95 %", BAND, None),
            sample("worst corners", CORNER, Some(CORNER_DASH)),
        ];
        if self.panels.iter().any(|panel| !panel.limits.is_empty()) {
            samples.push(sample("limit", LIMIT, Some(LIMIT_DASH)));
        }
        plot::heading_of(&head, self.title, self.conditions, &samples)?;
        for panel in &self.panels {
            let (upper, lower) = rest.split_vertically(PANEL * SCALE);
            panel.draw(&upper)?;
            rest = lower;
        }
        Ok(())
    }
}

impl Panel {
    fn draw(&self, area: &Area<'_>) -> Result<(), Box<dyn std::error::Error>> {
        let size = |pixels: u32| pixels * SCALE;
        let at = |pixels: u32| size(pixels).cast_signed();
        let text = |pixels: u32| ("sans-serif", size(pixels)).into_font();
        area.draw_text(&self.words, &text(12).color(&BLACK), (at(70), at(4)))?;
        let (_, field) = area.split_vertically(size(20));
        let marks = || {
            let corners = self.corners.iter().chain(&self.limits);
            let values = self.values.iter().chain(corners).copied();
            values.chain(self.drawn)
        };
        let most = marks().map(f64::abs).fold(0.0, f64::max);
        let (scale, unit) = prefixed(most, self.unit);
        let bars = counted(&self.values);
        let highest = bars.iter().map(|(_, count)| *count).max().unwrap_or(1) as f64;
        let ends = marks().fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), x| {
            (least.min(x / scale), most.max(x / scale))
        });
        let margin = (0.03 * (ends.1 - ends.0))
            .max(1e-3 * ends.1.abs())
            .max(1e-12);
        let top = 1.08 * highest;
        let mut chart = ChartBuilder::on(&field)
            .margin(size(4))
            .margin_right(size(28))
            .margin_bottom(size(18))
            .x_label_area_size(size(34))
            .y_label_area_size(size(64))
            .build_cartesian_2d(ends.0 - margin..ends.1 + margin, 0.0..top)?;
        let name = if unit.is_empty() {
            self.name.clone()
        } else {
            format!("{}, {unit}", self.name)
        };
        chart
            .configure_mesh()
            .x_desc(name)
            .y_desc("samples")
            .axis_desc_style(text(13))
            .label_style(text(12))
            .light_line_style(WHITE)
            .bold_line_style(RGBColor(220, 220, 220).stroke_width(SCALE / 2))
            .axis_style(BLACK.stroke_width(SCALE))
            .y_labels(5)
            .y_label_formatter(&|count| format!("{count:.0}"))
            .draw()?;
        let filled = |bar: &(Range<f64>, usize)| {
            let corners = [
                (bar.0.start / scale, 0.0),
                (bar.0.end / scale, bar.1 as f64),
            ];
            Rectangle::new(corners, BAR.filled())
        };
        chart.draw_series(bars.iter().filter(|bar| bar.1 > 0).map(filled))?;
        // The band stands on the axis, where it hides no bar.
        let (low, high) = (self.band.0 / scale, self.band.1 / scale);
        let band = [(low, 0.0), (high, 0.0)];
        chart.draw_series(LineSeries::new(band, BAND.stroke_width(SCALE * 4)))?;
        for end in [low, high] {
            let line = [(end, 0.0), (end, 0.25 * top)];
            chart.draw_series(LineSeries::new(line, BAND.stroke_width(SCALE * 3 / 2)))?;
        }
        for (values, color, dash) in [
            (&self.corners, CORNER, CORNER_DASH),
            (&self.limits, LIMIT, LIMIT_DASH),
        ] {
            for value in values {
                let line = [(value / scale, 0.0), (value / scale, top)];
                chart.draw_series(DashedLineSeries::new(
                    line,
                    size(dash.0),
                    size(dash.1),
                    color.stroke_width(SCALE * 3 / 2),
                ))?;
            }
        }
        if let Some(drawn) = self.drawn {
            let line = [(drawn / scale, 0.0), (drawn / scale, top)];
            chart.draw_series(LineSeries::new(line, BLACK.stroke_width(SCALE * 3 / 2)))?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_value_is_counted_once() {
        let values: Vec<f64> = (0..1000).map(f64::from).collect();
        let bars = counted(&values);
        assert_eq!(bars.len(), 20);
        // 0 to 999 in twenty pieces: fifty in each
        assert!(bars.iter().all(|(_, count)| *count == 50), "{bars:?}");
        let same = counted(&[2.0; 50]);
        assert_eq!(same.iter().map(|(_, count)| count).sum::<usize>(), 50);
    }

    #[test]
    fn axes_are_ruled_in_units_of_the_trade() {
        assert_eq!(prefixed(0.04, Unit::Ampere), (1e-3, "mA".to_owned()));
        assert_eq!(prefixed(15.0, Unit::Watt), (1.0, "W".to_owned()));
        assert_eq!(prefixed(0.05, Unit::Percent), (0.01, "%".to_owned()));
    }
}
