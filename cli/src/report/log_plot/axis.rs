//! An axis: how far it reaches, where it is ruled and what is written there.
//!
//! ```text
//! place = log₁₀ value  or  value
//! ```

use std::ops::Range;

use plotters::coord::ranged1d::{KeyPointHint, NoDefaultFormatting, Ranged, ValueFormatter};

/// What the divisions of an axis mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Scale {
    /// Positive values by their logarithm.
    Logarithmic,
    /// Equal steps of 1, 2 or 5.
    Linear,
    /// Equal steps that divide a full turn.
    Degrees,
}

/// How far an axis reaches.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Extent {
    /// As far as what is drawn.
    Drawn,
    /// As far as what is drawn, but no further than this.
    Within(Range<f64>),
    /// Exactly this.
    Fixed(Range<f64>),
}

/// An axis ready to be drawn.
#[derive(Clone, Debug)]
pub(super) struct Axis {
    scale: Scale,
    /// Places of both ends.
    pub(super) range: Range<f64>,
    /// Places of the lines that bear a number.
    pub(super) numbered: Vec<f64>,
    /// Places of the lines between them.
    pub(super) between: Vec<f64>,
    /// Step of the numbers, linear scales only.
    step: f64,
}

/// Steps of an angle, degrees; beyond the last whole turns.
const TURNS: [f64; 7] = [5.0, 15.0, 30.0, 45.0, 90.0, 180.0, 360.0];

/// Decades beyond which lines between the numbers only make grey.
const MOST_DECADES: f64 = 10.0;

impl Axis {
    /// An axis for these values, with no more numbers than `most`. `margin` widens what is drawn: a
    /// factor below and above for logarithms, a share of the span otherwise.
    pub(super) fn new(
        scale: Scale,
        extent: &Extent,
        values: impl Iterator<Item = f64>,
        margin: (f64, f64),
        most: usize,
    ) -> Option<Self> {
        let mut axis = Self {
            scale,
            range: 0.0..0.0,
            numbered: Vec::new(),
            between: Vec::new(),
            step: 0.0,
        };
        axis.range = match extent {
            Extent::Fixed(range) => axis.place(range.start)..axis.place(range.end),
            Extent::Drawn => axis.span(values, f64::NEG_INFINITY..f64::INFINITY, margin)?,
            Extent::Within(range) => {
                let bounds = axis.place(range.start)..axis.place(range.end);
                axis.span(values, bounds, margin)?
            }
        };
        if scale == Scale::Logarithmic {
            axis.rule_decades(most);
        } else {
            axis.rule_steps(most, matches!(extent, Extent::Fixed(_)));
        }
        Some(axis)
    }

    /// Where a value lies; not finite for what the axis cannot show.
    pub(super) fn place(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Logarithmic => value.log10(),
            Scale::Linear | Scale::Degrees => value,
        }
    }

    /// The number at a place.
    pub(super) fn number(&self, place: f64) -> String {
        match self.scale {
            Scale::Logarithmic => short(10f64.powf(place)),
            Scale::Linear | Scale::Degrees => {
                let digits = decimals(self.step);
                // Minus nought is nought.
                let place = if place.abs() < 1e-9 * self.step {
                    0.0
                } else {
                    place
                };
                format!("{place:.digits$}")
            }
        }
    }

    /// The span of the places of the values inside the bounds, widened.
    fn span(
        &self,
        values: impl Iterator<Item = f64>,
        bounds: Range<f64>,
        (below, above): (f64, f64),
    ) -> Option<Range<f64>> {
        let (least, most) = values
            .map(|value| self.place(value))
            .filter(|place| place.is_finite())
            .map(|place| place.clamp(bounds.start, bounds.end))
            .fold(
                (f64::INFINITY, f64::NEG_INFINITY),
                |(least, most), place| (least.min(place), most.max(place)),
            );
        if least > most {
            return None;
        }
        if self.scale == Scale::Logarithmic {
            return Some(least + below.log10()..most + above.log10());
        }
        let span = most - least;
        // A level line has no span of its own.
        let span = if span > 1e-9 * most.abs().max(least.abs()) && span > 0.0 {
            span
        } else {
            most.abs().max(1.0)
        };
        Some(least - below * span..most + above * span)
    }

    /// Numbers at 1, 2 and 5 of each decade, or at 1 only, or at every second, third… decade.
    fn rule_decades(&mut self, most: usize) {
        let (first, last) = (
            self.range.start.floor() as i32,
            self.range.end.ceil() as i32,
        );
        let inside =
            |place: &f64| *place >= self.range.start - 1e-9 && *place <= self.range.end + 1e-9;
        let at = |digits: &[f64], every: usize| -> Vec<f64> {
            (first..=last)
                .filter(|decade| decade.rem_euclid(every as i32) == 0)
                .flat_map(|decade| digits.iter().map(move |d| f64::from(decade) + d.log10()))
                .filter(inside)
                .collect()
        };
        self.numbered = at(&[1.0, 2.0, 5.0], 1);
        let mut every = 1;
        while self.numbered.len() > most.max(1) {
            self.numbered = at(&[1.0], every);
            every += 1;
        }
        if self.range.end - self.range.start <= MOST_DECADES {
            let digits = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0];
            self.between = at(&digits, 1);
        }
        // Between two lines that bear numbers an axis this short is ruled in equal steps.
        if self.numbered.len() < 2 {
            let (low, high) = (10f64.powf(self.range.start), 10f64.powf(self.range.end));
            let step = step(high - low, most, Scale::Linear);
            self.numbered = multiples(low, high, step).map(f64::log10).collect();
        }
    }

    /// Numbers at equal steps; unless it is fixed the axis ends at one.
    fn rule_steps(&mut self, most: usize, fixed: bool) {
        let span = self.range.end - self.range.start;
        self.step = step(span, most, self.scale);
        if !fixed {
            self.range.start = (self.range.start / self.step).floor() * self.step;
            self.range.end = (self.range.end / self.step).ceil() * self.step;
        }
        self.numbered = multiples(self.range.start, self.range.end, self.step).collect();
    }
}

/// The plotting library works with places.
impl Ranged for Axis {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    #[allow(clippy::cast_possible_truncation, reason = "a pixel of the canvas")]
    fn map(&self, place: &f64, (start, end): (i32, i32)) -> i32 {
        let share = (place - self.range.start) / (self.range.end - self.range.start);
        start + (share * f64::from(end - start)).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        if hint.weight().allow_light_points() {
            self.between.clone()
        } else {
            self.numbered.clone()
        }
    }

    fn range(&self) -> Range<f64> {
        self.range.clone()
    }
}

impl ValueFormatter<f64> for Axis {
    fn format(place: &f64) -> String {
        // The numbers depend on the step of the axis.
        place.to_string()
    }

    fn format_ext(&self, place: &f64) -> String {
        self.number(*place)
    }
}

/// The least step of the scale that makes no more than `most` divisions.
fn step(span: f64, most: usize, scale: Scale) -> f64 {
    let least = span / most.max(1) as f64;
    if scale == Scale::Degrees {
        let whole = 360.0 * (least / 360.0).ceil();
        return TURNS
            .into_iter()
            .find(|step| *step >= least)
            .unwrap_or(whole);
    }
    let decade = 10f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0]
        .map(|digit| digit * decade)
        .into_iter()
        .find(|step| *step >= least * (1.0 - 1e-9))
        .unwrap_or(10.0 * decade)
}

fn multiples(low: f64, high: f64, step: f64) -> impl Iterator<Item = f64> {
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(move |k| k as f64 * step)
}

/// Decimals a multiple of the step needs.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "from 0 to 9"
)]
fn decimals(step: f64) -> usize {
    (-(step * (1.0 + 1e-9)).log10().floor()).clamp(0.0, 9.0) as usize
}

/// A value of a logarithmic axis without needless noughts: 0.01, 20, 5k, 1M.
pub(super) fn short(value: f64) -> String {
    const PREFIXES: [(f64, &str); 7] = [
        (1e9, "G"),
        (1e6, "M"),
        (1e3, "k"),
        (1e-3, ""),
        (1e-6, "µ"),
        (1e-9, "n"),
        (1e-12, "p"),
    ];
    let (unit, prefix) = PREFIXES
        .into_iter()
        .find(|(unit, _)| value >= unit * (1.0 - 1e-9))
        .unwrap_or((1e-12, "p"));
    let unit = if prefix.is_empty() { 1.0 } else { unit };
    let digits = format!("{:.4}", value / unit);
    let digits = digits.trim_end_matches('0').trim_end_matches('.');
    format!("{digits}{prefix}")
}

#[cfg(test)]
mod tests {
    use super::{Axis, Extent, Scale, short};

    fn numbers(scale: Scale, extent: &Extent, values: &[f64], most: usize) -> Vec<String> {
        let axis = Axis::new(scale, extent, values.iter().copied(), (1.0, 1.0), most)
            .expect("there are values");
        axis.numbered.iter().map(|at| axis.number(*at)).collect()
    }

    #[test]
    fn labels_have_no_needless_noughts() {
        let labels = [2e-9, 1e-6, 0.001, 0.02, 0.1, 1.0, 20.0, 1e3, 5e4, 1e6].map(short);
        let wanted = [
            "2n", "1µ", "0.001", "0.02", "0.1", "1", "20", "1k", "50k", "1M",
        ];
        assert_eq!(labels, wanted);
    }

    #[test]
    fn frequencies_are_ruled_as_the_trade_rules_them() {
        let of = |low: f64, high: f64| {
            numbers(Scale::Logarithmic, &Extent::Fixed(low..high), &[], 14).join(" ")
        };
        assert_eq!(of(20.0, 2e4), "20 50 100 200 500 1k 2k 5k 10k 20k");
        assert_eq!(of(1.0, 1e6), "1 10 100 1k 10k 100k 1M");
        assert_eq!(
            of(950.0, 1150.0),
            "960 980 1k 1.02k 1.04k 1.06k 1.08k 1.1k 1.12k 1.14k"
        );
    }

    #[test]
    fn equal_steps_end_at_a_number_and_angles_divide_the_turn() {
        let of = |scale, values: &[f64]| {
            let axis = Axis::new(
                scale,
                &Extent::Drawn,
                values.iter().copied(),
                (0.04, 0.04),
                8,
            )
            .expect("there are values");
            let numbers: Vec<String> = axis.numbered.iter().map(|at| axis.number(*at)).collect();
            numbers.join(" ")
        };
        assert_eq!(
            of(Scale::Linear, &[-31.0, 19.0]),
            "-40 -30 -20 -10 0 10 20 30"
        );
        assert_eq!(
            of(Scale::Linear, &[0.01, f64::NAN, 0.03]),
            "0.005 0.010 0.015 0.020 0.025 0.030 0.035"
        );
        assert_eq!(
            of(Scale::Degrees, &[-170.0, 80.0]),
            "-180 -135 -90 -45 0 45 90"
        );
        // A level line is given room.
        let numbers = of(Scale::Linear, &[3.0, 3.0]);
        assert!(
            numbers.starts_with('2') && numbers.contains(" 3.00 "),
            "{numbers}"
        );
    }

    #[test]
    fn nothing_to_draw_is_no_axis_and_bounds_hold() {
        let drawn = |scale, extent: &Extent, values: &[f64]| {
            Axis::new(scale, extent, values.iter().copied(), (1.0, 1.0), 8)
        };
        assert!(drawn(Scale::Logarithmic, &Extent::Drawn, &[0.0, -1.0, f64::NAN]).is_none());
        let cut = drawn(
            Scale::Logarithmic,
            &Extent::Within(1e-3..1e9),
            &[1e-9, 10.0],
        );
        assert_eq!(cut.expect("there are values").range, -3.0..1.0);
    }
}
