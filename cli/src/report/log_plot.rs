//! Curves over one logarithmic axis, in one panel or several, with levels to keep and marks along the
//! axis.

use plotters::prelude::*;

use super::plot::{self, NotDrawn, SCALE, Sample, shown};

mod axis;
pub(in crate::report) mod pieces;

use axis::Axis;
pub(crate) use axis::{Extent, Scale};
use pieces::inside;

/// Pixels shown with one panel, without the list of marks.
const SIZE: (u32, u32) = (800, 500);
/// Height of each further panel, pixels shown.
const PANEL: u32 = 170;
/// Height of the names of the horizontal axis, pixels shown.
const NAMES: u32 = 40;
/// Height of a line of the list of marks, pixels shown.
const LINE: u32 = 17;
/// Numbers along the horizontal axis: more would touch.
const MOST_ACROSS: usize = 14;
/// Height for each number of a vertical axis, pixels shown.
const NUMBER: u32 = 32;
/// Colours of marks and of levels.
const GREY: RGBColor = RGBColor(110, 110, 110);
const RED: RGBColor = RGBColor(190, 30, 30);
/// Dashes of a level: stroke and gap, pixels shown.
const LEVEL: (u32, u32) = (6, 4);

/// Colours of the curves: without the last, red, which is for levels.
const COLORS: &[RGBColor] = plot::COLORS.split_at(5).0;

/// How curves of one colour differ: drawn through, dashed, dotted.
const DASHES: [Option<(u32, u32)>; 3] = [None, Some((8, 4)), Some((2, 3))];

/// Curves that can be told from each other.
pub(crate) const MOST_CURVES: usize = COLORS.len() * DASHES.len();

/// Something that sets in at a place of the horizontal axis.
#[derive(Debug)]
pub(crate) struct Mark {
    pub(crate) x: f64,
    pub(crate) words: String,
}

/// A curve: its name and its points.
pub(crate) type Curve = (String, Vec<(f64, f64)>);

/// Curves that share a vertical axis.
#[derive(Debug)]
pub(crate) struct Panel<'a> {
    pub(crate) y_name: &'a str,
    pub(crate) scale: Scale,
    pub(crate) extent: Extent,
    /// A name keeps its colour in every panel.
    pub(crate) curves: Vec<Curve>,
    /// Levels of the vertical axis, with their names.
    pub(crate) levels: Vec<(String, f64)>,
}

/// Panels above each other.
#[derive(Debug)]
pub(crate) struct LogPlot<'a> {
    pub(crate) title: &'a str,
    pub(crate) conditions: &'a str,
    pub(crate) x_name: &'a str,
    pub(crate) x_extent: Extent,
    pub(crate) panels: Vec<Panel<'a>>,
    pub(crate) marks: Vec<Mark>,
}

impl LogPlot<'_> {
    /// The picture as SVG text.
    pub(crate) fn svg(&self) -> Result<String, NotDrawn> {
        let lines = u32::try_from(self.marks.len()).unwrap_or(0);
        let list = lines * LINE + if lines > 0 { LINE / 2 } else { 0 };
        shown((SIZE.0, self.height() + list), |area| self.draw(area))
    }

    /// Height without the list of marks, pixels shown.
    fn height(&self) -> u32 {
        let further = u32::try_from(self.panels.len().saturating_sub(1)).unwrap_or(0);
        SIZE.1 + further * PANEL
    }

    fn draw(&self, area: &plot::Area<'_>) -> Result<(), Box<dyn std::error::Error>> {
        let size = |pixels: u32| pixels * SCALE;
        let samples = self.samples();
        let top = plot::heading(area, self.title, self.conditions, &samples)?;
        let (_, rest) = area.split_vertically(top);
        let (mut field, list) = rest.split_vertically(size(self.height()) - top);
        let points = || {
            let curves = self.panels.iter().flat_map(|panel| &panel.curves);
            curves.flat_map(|(_, points)| points.iter())
        };
        let widened = (1.0 / 1.15, 1.3);
        let across = points().map(|(x, _)| *x);
        let x = Axis::new(
            Scale::Logarithmic,
            &self.x_extent,
            across,
            widened,
            MOST_ACROSS,
        )
        .ok_or("there is nothing to draw")?;
        // The first panel is half as high again as each of the others.
        let count = u32::try_from(self.panels.len())?;
        let (_, high) = field.dim_in_pixel();
        let unit = (high - size(NAMES)) / (2 * count + 1);
        for (k, panel) in self.panels.iter().enumerate() {
            let last = k + 1 == self.panels.len();
            let high = unit * if k == 0 { 3 } else { 2 };
            let (upper, lower) =
                field.split_vertically(if last { field.dim_in_pixel().1 } else { high });
            self.draw_panel(area, &upper, panel, &x, (k == 0, last))?;
            field = lower;
        }
        for (k, mark) in self.marks.iter().enumerate() {
            let below = size(LINE).cast_signed() * i32::try_from(k)?;
            let words = format!("{}  {}", k + 1, mark.words);
            let style = ("sans-serif", size(12)).into_font().color(&BLACK);
            list.draw_text(&words, &style, (size(70).cast_signed(), below))?;
        }
        Ok(())
    }

    /// One panel; the first bears the numbers of the marks, the last the names of the horizontal axis.
    fn draw_panel(
        &self,
        area: &plot::Area<'_>,
        field: &plot::Area<'_>,
        panel: &Panel<'_>,
        x: &Axis,
        (first, last): (bool, bool),
    ) -> Result<(), Box<dyn std::error::Error>> {
        let size = |pixels: u32| pixels * SCALE;
        let text = |pixels: u32| ("sans-serif", size(pixels)).into_font();
        let names = if last { NAMES } else { 0 };
        let (_, high) = field.dim_in_pixel();
        let values = panel.curves.iter().flat_map(|(_, points)| points);
        let levels = panel.levels.iter().map(|(_, level)| *level);
        // Room above the curves for the numbers of the marks.
        let numbers = first && !self.marks.is_empty();
        let margin = match panel.scale {
            Scale::Logarithmic => (0.8, if numbers { 3.0 } else { 1.25 }),
            Scale::Linear | Scale::Degrees => (0.03, if numbers { 0.15 } else { 0.03 }),
        };
        let y = Axis::new(
            panel.scale,
            &panel.extent,
            values.map(|(_, y)| *y).chain(levels),
            margin,
            ((high.saturating_sub(size(names))) / size(NUMBER)) as usize,
        )
        .ok_or("there is nothing to draw")?;
        let mut chart = ChartBuilder::on(field)
            .margin(size(6))
            .margin_right(size(28))
            .margin_bottom(size(if last { 6 } else { 10 }))
            .x_label_area_size(size(names))
            .y_label_area_size(size(64))
            .build_cartesian_2d(x.clone(), y.clone())?;
        let mut mesh = chart.configure_mesh();
        if last {
            mesh.x_desc(self.x_name);
        }
        mesh.y_desc(panel.y_name)
            .axis_desc_style(text(13))
            .label_style(text(12))
            .light_line_style(RGBColor(232, 232, 232).stroke_width(SCALE / 2))
            .bold_line_style(RGBColor(200, 200, 200).stroke_width(SCALE / 2))
            .axis_style(BLACK.stroke_width(SCALE))
            .draw()?;
        let inside_x = |place: &f64| x.range.contains(place);
        for at in self
            .marks
            .iter()
            .map(|mark| x.place(mark.x))
            .filter(inside_x)
        {
            let line = [(at, y.range.start), (at, y.range.end)];
            chart.draw_series(LineSeries::new(line, GREY.stroke_width(SCALE)))?;
        }
        let dashed = |points: Vec<(f64, f64)>, (stroke, gap): (u32, u32), style: ShapeStyle| {
            DashedLineSeries::new(points, size(stroke), size(gap), style)
        };
        for (_, level) in &panel.levels {
            let at = y.place(*level);
            for piece in inside(
                &[(x.range.start, at), (x.range.end, at)],
                &x.range,
                &y.range,
            ) {
                chart.draw_series(dashed(piece, LEVEL, RED.stroke_width(SCALE)))?;
            }
        }
        // The first is drawn last: THD lies over the harmonic it consists of.
        for (name, points) in panel.curves.iter().rev() {
            let (color, dash) = self.look(name);
            let style = color.stroke_width(SCALE * 3 / 2);
            let points: Vec<(f64, f64)> = points
                .iter()
                .map(|p| (x.place(p.0), y.place(p.1)))
                .collect();
            for piece in inside(&points, &x.range, &y.range) {
                match dash {
                    None => chart.draw_series(LineSeries::new(piece, style))?,
                    Some(dash) => chart.draw_series(dashed(piece, dash, style))?,
                };
            }
        }
        if self.levels().len() > 1 {
            // Several levels are named where they lie, each above its line.
            let style = text(11).color(&RED);
            for (name, level) in &panel.levels {
                let at = chart.backend_coord(&(x.range.end, y.place(*level)));
                let (wide, high) = area.estimate_text_size(name, &style)?;
                let left = at.0 - wide.cast_signed() - size(4).cast_signed();
                if y.range.contains(&y.place(*level)) {
                    area.draw_text(name, &style, (left, at.1 - high.cast_signed()))?;
                }
            }
        }
        if numbers {
            let top = y.range.end;
            let places: Vec<(i32, i32)> = self
                .marks
                .iter()
                .map(|mark| chart.backend_coord(&(x.place(mark.x), top)))
                .collect();
            number_marks(area, &places)?;
        }
        Ok(())
    }

    /// Colour and dashes of a curve: those of the place of its name.
    fn look(&self, name: &str) -> (RGBAColor, Option<(u32, u32)>) {
        let k = self.names().iter().position(|known| *known == name);
        let k = k.unwrap_or(0);
        let dash = DASHES[k / COLORS.len() % DASHES.len()];
        (COLORS[k % COLORS.len()].to_rgba(), dash)
    }

    /// Names of curves, each once.
    fn names(&self) -> Vec<&str> {
        let mut names: Vec<&str> = Vec::new();
        for (name, _) in self.panels.iter().flat_map(|panel| &panel.curves) {
            if !names.contains(&name.as_str()) {
                names.push(name);
            }
        }
        names
    }

    fn levels(&self) -> Vec<&(String, f64)> {
        self.panels.iter().flat_map(|panel| &panel.levels).collect()
    }

    /// The legend: every curve, and a level that is the only one.
    fn samples(&self) -> Vec<Sample> {
        let curves = self.names().into_iter().map(|name| {
            let (color, dash) = self.look(name);
            Sample {
                name: name.to_owned(),
                color,
                dash,
            }
        });
        let mut samples: Vec<Sample> = curves.collect();
        if let [(name, _)] = self.levels().as_slice() {
            samples.push(Sample {
                name: name.clone(),
                color: RED.to_rgba(),
                dash: Some(LEVEL),
            });
        }
        samples
    }
}

/// Numbers stand right of their marks, lower where the marks crowd.
fn number_marks(
    area: &plot::Area<'_>,
    places: &[(i32, i32)],
) -> Result<(), Box<dyn std::error::Error>> {
    let size = |pixels: u32| (pixels * SCALE).cast_signed();
    let style = ("sans-serif", 12 * SCALE).into_font().color(&GREY);
    let (mut row, mut last) = (0, i32::MIN / 2);
    for (k, (x, y)) in places.iter().enumerate() {
        row = if x - last < size(16) { row + 1 } else { 0 };
        last = *x;
        let place = (x + size(2), y + size(4) + row * size(13));
        // The line of the next mark may run through the number: a white ground keeps it legible.
        let (wide, high) = area.estimate_text_size(&(k + 1).to_string(), &style)?;
        let far = (
            place.0 + wide.cast_signed(),
            place.1 + high.cast_signed() - size(2),
        );
        area.draw(&Rectangle::new([place, far], WHITE.filled()))?;
        area.draw_text(&(k + 1).to_string(), &style, place)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests;
