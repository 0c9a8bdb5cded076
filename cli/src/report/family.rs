//! A family of curves over two linear axes, each curve with its own words at its end.

use std::ops::Range;

use plotters::prelude::*;

use super::log_plot::pieces::inside;
use super::plot::{Area, NotDrawn, SCALE, Sample, heading, shown};

/// Pixels shown.
const SIZE: (u32, u32) = (800, 520);
/// Room for the words at the ends of curves, right of the field and above it, pixels shown.
const RIGHT: u32 = 62;
const ABOVE: u32 = 16;
/// Distance that keeps two words apart, pixels shown: down, and across for each letter.
const LINE: i32 = 12;
const LETTER: i32 = 7;
/// Size of the words, pixels shown.
const WORDS: u32 = 11;

/// Colours a curve may have.
pub(crate) const INK: RGBColor = BLACK;
pub(crate) const GREY: RGBColor = RGBColor(120, 120, 120);
pub(crate) const BLUE: RGBColor = RGBColor(0, 100, 200);
pub(crate) const RED: RGBColor = RGBColor(190, 30, 30);
pub(crate) const GREEN: RGBColor = RGBColor(0, 135, 60);
pub(crate) const ORANGE: RGBColor = RGBColor(215, 110, 0);

/// Stroke and gap of a dashed curve, pixels shown.
pub(crate) const DASHED: Option<(u32, u32)> = Some((6, 4));

/// Curves drawn in one way.
#[derive(Debug)]
pub(crate) struct Group {
    /// Its words in the legend.
    pub(crate) name: String,
    pub(crate) color: RGBColor,
    /// Stroke and gap; none is drawn through.
    pub(crate) dash: Option<(u32, u32)>,
    /// Width, of the usual.
    pub(crate) width: f64,
    /// Points, and words at the end; empty for none.
    pub(crate) curves: Vec<(String, Vec<(f64, f64)>)>,
    /// Drawn as dots and not as a line.
    pub(crate) dots: bool,
}

/// A picture of such curves.
#[derive(Debug)]
pub(crate) struct Family<'a> {
    pub(crate) title: &'a str,
    pub(crate) conditions: &'a str,
    pub(crate) x_name: &'a str,
    pub(crate) y_name: &'a str,
    pub(crate) x: Range<f64>,
    pub(crate) y: Range<f64>,
    pub(crate) groups: Vec<Group>,
}

impl Family<'_> {
    /// The picture as SVG text.
    pub(crate) fn svg(&self) -> Result<String, NotDrawn> {
        shown(SIZE, |area| self.draw(area))
    }

    fn draw(&self, area: &Area<'_>) -> Result<(), Box<dyn std::error::Error>> {
        let size = |pixels: u32| pixels * SCALE;
        let text = |pixels: u32| ("sans-serif", size(pixels)).into_font();
        let samples: Vec<Sample> = self
            .groups
            .iter()
            .map(|group| Sample {
                name: group.name.clone(),
                color: group.color.to_rgba(),
                dash: if group.dots {
                    Some((4, 100))
                } else {
                    group.dash
                },
            })
            .collect();
        let top = heading(area, self.title, self.conditions, &samples)?;
        let (_, field) = area.split_vertically(top);
        let mut chart = ChartBuilder::on(&field)
            .margin(size(6))
            .margin_top(size(ABOVE))
            .margin_right(size(RIGHT))
            .x_label_area_size(size(40))
            .y_label_area_size(size(64))
            .build_cartesian_2d(self.x.clone(), self.y.clone())?;
        chart
            .configure_mesh()
            .x_desc(self.x_name)
            .y_desc(self.y_name)
            .axis_desc_style(text(13))
            .label_style(text(12))
            .light_line_style(WHITE)
            .bold_line_style(RGBColor(215, 215, 215).stroke_width(SCALE / 2))
            .axis_style(BLACK.stroke_width(SCALE))
            .draw()?;
        let mut ends: Vec<End> = Vec::new();
        for group in &self.groups {
            let width = (f64::from(SCALE) * 1.5 * group.width).round() as u32;
            let style = group.color.stroke_width(width.max(1));
            for (words, points) in &group.curves {
                if group.dots {
                    chart.draw_series(
                        points
                            .iter()
                            .map(|&at| Circle::new(at, size(4), group.color.filled())),
                    )?;
                    continue;
                }
                let pieces = inside(points, &self.x, &self.y);
                for piece in &pieces {
                    match group.dash {
                        None => {
                            chart.draw_series(LineSeries::new(piece.iter().copied(), style))?;
                        }
                        Some((on, off)) => {
                            let points = piece.iter().copied();
                            chart.draw_series(DashedLineSeries::new(
                                points,
                                size(on),
                                size(off),
                                style,
                            ))?;
                        }
                    }
                }
                if let Some(&(x, y)) = pieces.last().and_then(|piece| piece.last())
                    && !words.is_empty()
                {
                    let at = chart.backend_coord(&(x, y));
                    ends.push(End::new(words, at, group.color, self.is_top((x, y))));
                }
            }
        }
        apart(&mut ends);
        let (left, above) = area.get_base_pixel();
        for end in &ends {
            let font = ("sans-serif", size(WORDS)).into_font().color(&end.color);
            area.draw_text(&end.words, &font, (end.at.0 - left, end.at.1 - above))?;
        }
        Ok(())
    }

    /// True where a curve leaves through the upper edge.
    fn is_top(&self, (x, y): (f64, f64)) -> bool {
        let span = self.y.end - self.y.start;
        let aside = self.x.end - x > 1e-3 * (self.x.end - self.x.start);
        aside && self.y.end - y < 1e-3 * span
    }
}

/// The words at the end of a curve.
#[derive(Debug)]
struct End {
    words: String,
    /// Upper left corner, pixels of the canvas.
    at: (i32, i32),
    color: RGBColor,
    /// Above the field, not beside the end.
    top: bool,
}

impl End {
    fn new(words: &str, (x, y): (i32, i32), color: RGBColor, top: bool) -> Self {
        let scale = SCALE.cast_signed();
        let letters = words.chars().count() as i32;
        let at = if top {
            (x - letters * LETTER * scale / 2, y - (LINE + 2) * scale)
        } else {
            (x + 4 * scale, y - LINE * scale / 2)
        };
        Self {
            words: words.to_owned(),
            at,
            color,
            top,
        }
    }
}

/// Parts words that would touch: those beside the field are pushed upwards, of those above it the later are
/// left out.
fn apart(ends: &mut Vec<End>) {
    let scale = SCALE.cast_signed();
    ends.sort_by_key(|end| (end.top, std::cmp::Reverse(end.at.1), end.at.0));
    let mut taken: Vec<(i32, i32, i32)> = Vec::new();
    ends.retain_mut(|end| {
        let wide = end.words.chars().count() as i32 * LETTER * scale;
        let meets = |at: (i32, i32), taken: &[(i32, i32, i32)]| {
            taken.iter().any(|&(x, y, other)| {
                at.0 < x + other && x < at.0 + wide && (at.1 - y).abs() < LINE * scale
            })
        };
        if end.top && meets(end.at, &taken) {
            return false;
        }
        while meets(end.at, &taken) {
            end.at.1 -= scale;
        }
        taken.push((end.at.0, end.at.1, wide));
        true
    });
}

#[cfg(test)]
mod tests {
    use super::{End, Family, Group, INK, LINE, SCALE, apart};

    #[test]
    fn words_at_the_ends_are_kept_apart() {
        let end = |x: i32, y: i32, top: bool| End::new("-10 V", (x, y), INK, top);
        let mut ends = vec![
            end(100, 400, false),
            end(100, 402, false),
            end(100, 401, false),
            end(300, 50, true),
            end(310, 50, true),
            end(600, 50, true),
        ];
        apart(&mut ends);
        assert_eq!(ends.len(), 5, "one above the field is left out");
        let mut beside: Vec<i32> = ends.iter().filter(|e| !e.top).map(|e| e.at.1).collect();
        beside.sort_unstable();
        assert!(
            beside
                .windows(2)
                .all(|pair| pair[1] - pair[0] >= LINE * SCALE.cast_signed())
        );
    }

    #[test]
    fn a_curve_is_cut_at_the_frame_and_named() {
        let family = Family {
            title: "A valve",
            conditions: "none",
            x_name: "anode volts",
            y_name: "anode current, mA",
            x: 0.0..100.0,
            y: 0.0..10.0,
            groups: vec![Group {
                name: "Ia".to_owned(),
                color: INK,
                dash: None,
                width: 1.0,
                curves: vec![("-1 V".to_owned(), vec![(0.0, 0.0), (50.0, 20.0)])],
                dots: false,
            }],
        };
        let svg = family.svg().expect("the font is embedded");
        assert!(svg.contains("-1 V") && svg.contains("anode volts"));
    }
}
