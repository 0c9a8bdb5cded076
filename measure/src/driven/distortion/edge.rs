//! The frequency where something that holds at the middle of the band ceases to hold.
//!
//! The search goes outward in steps until the first frequency where it does not
//! hold, and closes in between the last two: regula falsi in the logarithm of the frequency where both
//! misses are numbers, halving where one is infinite.
//!
//! Source   Dowell & Jarratt, BIT 11 (1971) 168 (from memory)

use sim::error::SimError;

/// What was found at a frequency. The miss is negative where all is well and infinite where nothing
/// can be had.
#[derive(Clone, Debug)]
pub(super) struct Probe<T> {
    pub(super) frequency: f64,
    pub(super) miss: f64,
    pub(super) found: T,
}

/// Both sides of an edge.
#[derive(Clone, Debug)]
pub(super) struct Edge<T> {
    /// Where all is well.
    pub(super) inside: Probe<T>,
    /// Where it is not, [`CLOSE`] further out; none when all is well up to the end of the search.
    pub(super) outside: Option<Probe<T>>,
}

/// Ratio of the frequencies between which an edge is left, less one: the last of three digits.
const CLOSE: f64 = 3e-3;

/// Probes between two steps; halving gets half a decade down to [`CLOSE`] in nine.
const MOST_PROBES: u32 = 20;

/// The edge between `from` and `end`, Hz, on either side, sought in steps of that ratio; none when
/// nothing holds at `from`.
///
/// # Errors
/// Those of the probe.
pub(super) fn edge<T: Clone>(
    (from, end): (f64, f64),
    step: f64,
    probe: &impl Fn(f64) -> Result<(f64, T), SimError>,
) -> Result<Option<Edge<T>>, SimError> {
    let at = |frequency: f64| {
        probe(frequency).map(|(miss, found)| Probe {
            frequency,
            miss,
            found,
        })
    };
    let mut inside = at(from)?;
    if inside.miss >= 0.0 {
        return Ok(None);
    }
    let outward = if end < from { step.recip() } else { step };
    let mut outside = loop {
        if (inside.frequency / end - 1.0).abs() < CLOSE {
            return Ok(Some(Edge {
                inside,
                outside: None,
            }));
        }
        let next = inside.frequency * outward;
        let beyond = (next > end) == (end > from);
        let next = at(if beyond { end } else { next })?;
        if next.miss >= 0.0 {
            break next;
        }
        inside = next;
    };
    // Weights of the misses: an end that stays twice running counts half.
    let (mut weight_in, mut weight_out) = (1.0, 1.0);
    for _ in 0..MOST_PROBES {
        let width = (outside.frequency / inside.frequency).ln();
        if width.abs() < CLOSE {
            break;
        }
        let (a, b) = (-inside.miss * weight_in, outside.miss * weight_out);
        let share = if (a + b).is_finite() && a + b > 0.0 {
            // Steps a little past the line, so that both ends move in.
            (a / (a + b)).clamp(0.5 * CLOSE / width.abs(), 1.0 - 0.5 * CLOSE / width.abs())
        } else {
            0.5
        };
        let here = at(inside.frequency * (share * width).exp())?;
        if here.miss < 0.0 {
            inside = here;
            (weight_in, weight_out) = (1.0, 0.5 * weight_out);
        } else {
            outside = here;
            (weight_in, weight_out) = (0.5 * weight_in, 1.0);
        }
    }
    Ok(Some(Edge {
        inside,
        outside: Some(outside),
    }))
}

#[cfg(test)]
mod tests {
    use super::{CLOSE, edge};

    #[test]
    fn an_edge_is_found_on_either_side() {
        // A slope, a jump into nothing, and both ways.
        let slope = |hertz: f64| Ok(((hertz / 12_345.0).ln(), ()));
        let jump = |hertz: f64| Ok((if hertz < 33.0 { f64::INFINITY } else { -0.1 }, ()));
        let found = edge((1e3, 1e5), 1.6, &slope)
            .expect("no errors")
            .expect("an edge");
        assert!((found.inside.frequency / 12_345.0 - 1.0).abs() < CLOSE);
        let found = edge((1e3, 5.0), 3.0, &jump)
            .expect("no errors")
            .expect("an edge");
        assert!((found.inside.frequency / 33.0 - 1.0).abs() < CLOSE);
        assert!(found.outside.is_some_and(|out| out.frequency < 33.0));
    }

    #[test]
    fn without_an_edge_the_end_is_told_and_without_a_middle_nothing() {
        let fine = |_: f64| Ok((-1.0, ()));
        let found = edge((1e3, 2e4), 1.6, &fine)
            .expect("no errors")
            .expect("all is well");
        assert!(found.outside.is_none());
        assert!((found.inside.frequency / 2e4 - 1.0).abs() < CLOSE);
        let bad = |_: f64| Ok((1.0, ()));
        assert!(edge((1e3, 2e4), 1.6, &bad).expect("no errors").is_none());
    }
}
