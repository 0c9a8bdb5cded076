//! A family of curves over two linear axes, each curve with its own words at its end.

use std::ops::Range;

use plotters::prelude::*;

use super::log_plot::pieces::inside;
use super::plot::{Area, Axes, NotDrawn, SCALE, Sample, heading, ruled, shown};

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
    /// Its words in the legend; dots have theirs beside them.
    pub(crate) name: String,
    pub(crate) color: RGBColor,
    /// Stroke and gap; none is drawn through.
    pub(crate) dash: Option<(u32, u32)>,
    /// Width, of the usual.
    pub(crate) width: f64,
    /// Points, and words at the end; empty for none.
    pub(crate) curves: Vec<(String, Vec<(f64, f64)>)>,
    /// Drawn as dots and not as a line; the words stand at the first.
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
        let samples: Vec<Sample> = self
            .groups
            .iter()
            .filter(|group| !group.dots)
            .map(|group| Sample {
                name: group.name.clone(),
                color: group.color.to_rgba(),
                dash: group.dash,
            })
            .collect();
        let top = heading(area, self.title, self.conditions, &samples)?;
        let (_, below) = area.split_vertically(top);
        let axes = Axes {
            x_name: self.x_name,
            y_name: self.y_name,
            x: self.x.clone(),
            y: self.y.clone(),
            above: ABOVE,
            right: RIGHT,
            lines: RGBColor(215, 215, 215),
            number: Some(number),
        };
        let mut chart = ruled(&below, &axes)?;
        let mut ends: Vec<End> = Vec::new();
        for group in &self.groups {
            let width = (f64::from(SCALE) * 1.5 * group.width).round() as u32;
            let style = group.color.stroke_width(width.max(1));
            for (words, points) in &group.curves {
                if group.dots {
                    let dots = points.iter();
                    chart.draw_series(
                        dots.map(|&at| Circle::new(at, size(4), group.color.filled())),
                    )?;
                    if let Some(at) = points.first().filter(|_| !words.is_empty()) {
                        let (x, y) = chart.backend_coord(at);
                        let aside = size(6).cast_signed();
                        ends.push(End::new(
                            words,
                            (x + aside, y - aside),
                            group.color,
                            Side::Right,
                        ));
                    }
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
                    ends.push(End::new(words, at, group.color, self.side((x, y))));
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

    /// Where the words at an end stand.
    fn side(&self, (x, y): (f64, f64)) -> Side {
        let near = |value: f64, edge: f64, range: &Range<f64>| {
            (value - edge).abs() < 1e-3 * (range.end - range.start)
        };
        if near(x, self.x.end, &self.x) {
            Side::Right
        } else if near(y, self.y.end, &self.y) {
            Side::Above
        } else if near(x, self.x.start, &self.x) {
            Side::Left
        } else {
            Side::Right
        }
    }
}

/// A number of an axis: no more digits than it has.
fn number(value: f64) -> String {
    let rounded = format!("{value:.6}");
    let digits = rounded.trim_end_matches('0').trim_end_matches('.');
    if digits == "-0" { "0" } else { digits }.to_owned()
}

/// Where words stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Side {
    /// Right of the end.
    Right,
    /// Over a curve that starts at the left edge.
    Left,
    /// Above the field.
    Above,
}

/// The words at the end of a curve.
#[derive(Debug)]
struct End {
    words: String,
    /// Upper left corner, pixels of the canvas.
    at: (i32, i32),
    color: RGBColor,
    side: Side,
}

impl End {
    fn new(words: &str, (x, y): (i32, i32), color: RGBColor, side: Side) -> Self {
        let scale = SCALE.cast_signed();
        let letters = words.chars().count() as i32;
        let at = match side {
            Side::Above => (x - letters * LETTER * scale / 2, y - (LINE + 2) * scale),
            Side::Right => (x + 4 * scale, y - LINE * scale / 2),
            Side::Left => (x + 4 * scale, y - (LINE + 2) * scale),
        };
        Self {
            words: words.to_owned(),
            at,
            color,
            side,
        }
    }
}

/// Parts words that would touch: those beside the field are pushed upwards, of those above it the later are
/// left out.
fn apart(ends: &mut Vec<End>) {
    let scale = SCALE.cast_signed();
    ends.sort_by_key(|end| (end.side, std::cmp::Reverse(end.at.1), end.at.0));
    let mut taken: Vec<(i32, i32, i32)> = Vec::new();
    ends.retain_mut(|end| {
        let wide = end.words.chars().count() as i32 * LETTER * scale;
        let meets = |at: (i32, i32), taken: &[(i32, i32, i32)]| {
            taken.iter().any(|&(x, y, other)| {
                at.0 < x + other && x < at.0 + wide && (at.1 - y).abs() < LINE * scale
            })
        };
        if end.side == Side::Above && meets(end.at, &taken) {
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
    use super::{End, Family, Group, INK, LINE, SCALE, Side, apart, number};

    #[test]
    fn words_at_the_ends_are_kept_apart() {
        let end = |x: i32, y: i32, side: Side| End::new("-10 V", (x, y), INK, side);
        let mut ends = vec![
            end(100, 400, Side::Right),
            end(100, 402, Side::Right),
            end(100, 401, Side::Right),
            end(300, 50, Side::Above),
            end(310, 50, Side::Above),
            end(600, 50, Side::Above),
        ];
        apart(&mut ends);
        assert_eq!(ends.len(), 5, "one above the field is left out");
        let mut beside: Vec<i32> = ends
            .iter()
            .filter(|e| e.side == Side::Right)
            .map(|e| e.at.1)
            .collect();
        beside.sort_unstable();
        assert!(
            beside
                .windows(2)
                .all(|pair| pair[1] - pair[0] >= LINE * SCALE.cast_signed())
        );
    }

    #[test]
    fn numbers_have_no_idle_digits() {
        assert_eq!(
            [140.0, -0.0, 2.5, 1e-7].map(number),
            ["140", "0", "2.5", "0"]
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
