//! The voltage chart as a meter shows it, how far it may lie off while nothing is wrong, and readings
//! against it.
//!
//! A meter is a resistor from the point to the chassis, and the circuit is solved again with it, the
//! valves' reaction included: still circuits by Newton's iteration, mains-fed ones by corrections of their
//! period, or settled again. The choice of the range goes by the linearised circuit, V·R_m/(R_m + R_s), and so
//! does, on the mains, what a meter shows that takes less than a hundredth.
//!
//! Source    Ohm's law
//! Care      volts are means, as a meter on DC shows them; ripple and signal are left out

use rayon::prelude::*;
use serde::Serialize;

use crate::at_rest::still::still;
use crate::instruments::varied::Allowed;
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::System;
use sim::error::SimError;

mod band;
mod change;
mod compared;
mod faults;
mod meter;
mod points;
mod size;
mod solved;
mod taken;
#[cfg(test)]
mod tests;
mod verdict;

pub use band::Band;
pub use compared::{Compared, Standing};
pub use meter::{Meter, RANGE_LIMITS, RANGES};
pub use points::{Point, points};
pub use size::Size;
pub use taken::{Taken, TakenError, read};
pub use verdict::{Explains, Unseen, ValvePoints, Verdict};

use faults::Bed;
use solved::{loaded, solved, source_ohms};

/// Share of the volts that a meter takes below which the linearised circuit tells them on the mains: what it leaves out is
/// of the order of its square, a tenth of the third digit.
const LIGHT: f64 = 0.01;

/// The question.
#[derive(Clone, Debug)]
pub struct ReadingsOf {
    /// Meters, side by side.
    pub meters: Vec<Meter>,
    /// Their ranges, V; one is a fixed range.
    pub ranges: Vec<f64>,
    /// What the band allows for.
    pub allowed: Allowed,
    /// Readings to be judged.
    pub taken: Vec<Taken>,
}

/// The answer. SI units.
#[derive(Clone, Debug, Serialize)]
pub struct Readings {
    /// The meters.
    pub meters: Vec<Meter>,
    /// Every point.
    pub points: Vec<PointRead>,
    /// True when the volts are means over a settled mains period.
    pub on_mains: bool,
    /// Tolerance of resistances where the file states none, a ratio.
    pub tolerance: f64,
    /// Spread of valves, a ratio.
    pub valve_spread: f64,
    /// Low mains or supplies, of those in the file.
    pub mains_low: f64,
    /// High mains or supplies.
    pub mains_high: f64,
    /// What readings say; none when there are none.
    pub verdict: Option<Verdict>,
}

/// A point of the chart.
#[derive(Clone, Debug, Serialize)]
pub struct PointRead {
    /// What it is called.
    pub point: String,
    /// Its node.
    pub node: String,
    /// V to the chassis, nothing joined to it.
    pub volts: f64,
    /// Resistance that a meter sees there, Ω; on the mains by the mean slopes of the period. None where there
    /// is none at rest.
    pub source_ohms: Option<f64>,
    /// How far the volts may lie off.
    pub band: Band,
    /// What each meter shows, in their order.
    pub shown: Vec<Shown>,
}

/// What a meter shows.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Shown {
    /// V.
    pub volts: f64,
    /// Range, V; none when it does not matter.
    pub range: Option<f64>,
    /// The meter's resistance there, Ω.
    pub meter_ohms: f64,
    /// True where the circuit finds no rest with the meter at it, which makes it swing, and the volts are those of
    /// the circuit linearised without it.
    pub upset: bool,
}

impl Measurement for ReadingsOf {
    type Answer = Readings;

    /// Answers; `progress` is told how many circuits are solved and how many there are.
    ///
    /// Cost: a rest for each point and meter, for each resistance and valve of the band, and with readings up to four
    /// for each part; where some are outside, 33 more for each of eight faults whose size is fitted. Milliseconds each
    /// when still; on the mains the faults are solved in a copy that stands still, and the best five settled.
    ///
    /// # Errors
    /// Those of the circuit with a part off its value.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Readings, SimError> {
        let circuit = of.circuit;
        let mut points = points(circuit);
        let charted = points.len();
        // Nodes that were read and are no electrode and no rail follow behind.
        points.extend(self.taken.iter().map(|taken| taken.point.clone()));
        let drawn = solved(of, &points);
        let nodes: Vec<_> = points.iter().map(|point| point.node).collect();
        let ohms = source_ohms(of, &nodes);
        let counted = std::sync::atomic::AtomicUsize::new(0);
        let all = charted * self.meters.len()
            + self.taken.len()
            + band::count(of, &self.allowed)
            + if self.taken.is_empty() {
                0
            } else {
                faults::count(of)
            };
        let done = |count: usize| {
            let before = counted.fetch_add(count, std::sync::atomic::Ordering::Relaxed);
            progress(Reached::of(before + count, all));
        };
        let bands = band::bands(of, &points, &drawn.volts, &self.allowed, &done)?;
        let shown = |k: usize, meter: &Meter, ranges: &[f64]| {
            let shown = shown(of, &points[k], (drawn.volts[k], ohms[k]), meter, ranges);
            done(1);
            shown
        };
        // Electrodes that share a node show alike.
        let first = |k: usize| nodes.iter().position(|node| *node == nodes[k]).unwrap_or(k);
        let each = self.meters.len();
        let alone: Vec<Vec<Shown>> = (0..charted)
            .into_par_iter()
            .map(|k| {
                if first(k) < k {
                    done(each);
                    return Vec::new();
                }
                let meters = self.meters.par_iter();
                meters.map(|meter| shown(k, meter, &self.ranges)).collect()
            })
            .collect();
        let showing = |k: usize| alone[first(k)].clone();
        let charts = (0..charted).map(|k| PointRead {
            point: points[k].name.clone(),
            node: circuit.node_name(points[k].node).to_owned(),
            volts: drawn.volts[k],
            source_ohms: ohms[k],
            band: bands[k],
            shown: showing(k),
        });
        let charts = charts.collect();
        let verdict = if self.taken.is_empty() {
            None
        } else {
            let compared: Vec<(Compared, f64)> = self
                .taken
                .par_iter()
                .enumerate()
                .map(|(number, taken)| {
                    let k = charted + number;
                    let meter = taken.meter.as_ref().or(self.meters.first());
                    let range = taken.range.or_else(|| holding(&self.ranges, taken.volts));
                    let own = range.map(|range| vec![range]);
                    let ranges = own.as_ref().unwrap_or(&self.ranges);
                    let shown = meter.map(|meter| shown(k, meter, ranges));
                    compared(taken, meter, drawn.volts[k], ohms[k], shown, bands[k])
                })
                .collect();
            let (readings, ohms): (Vec<Compared>, Vec<f64>) = compared.into_iter().unzip();
            let known = &points[charted..];
            // What the readings cannot show is told whatever they say.
            let at = (known, &ohms[..]);
            let expected: Vec<f64> = readings.iter().map(|of| of.expected).collect();
            let copy = of.rest.mains.map(|_| still(of));
            let copy = copy.and_then(|copy| Some((System::of(&copy).ok()?, copy)));
            let quiet = copy.as_ref().and_then(|(system, copy)| {
                UnderTest::of_circuit(of.amplifier, copy, system, of.tolerances).ok()
            });
            let bed = Bed::new(quiet.as_ref().unwrap_or(of), at, &expected);
            let (found, left) = faults::faults(of, &bed, &done);
            let weighed = (&found[..], left);
            Some(Verdict::new(
                of,
                readings,
                at,
                &bed,
                &drawn.currents,
                weighed,
            ))
        };
        Ok(Readings {
            meters: self.meters.clone(),
            points: charts,
            on_mains: of.rest.mains.is_some(),
            tolerance: self.allowed.parts,
            valve_spread: self.allowed.valves,
            mains_low: self.allowed.mains.0,
            mains_high: self.allowed.mains.1,
            verdict,
        })
    }
}

/// Share of the volts a meter leaves of a linear source.
fn share(meter_ohms: f64, source_ohms: Option<f64>) -> f64 {
    match source_ohms {
        Some(source) if meter_ohms.is_finite() => meter_ohms / (meter_ohms + source),
        _ => 1.0,
    }
}

/// The smallest range that holds what was shown, V: whoever comes from above ends there, see
/// [`Meter::range`]. None when it is beyond them all.
fn holding(ranges: &[f64], shown: f64) -> Option<f64> {
    let holding = ranges.iter().copied().filter(|range| *range >= shown.abs());
    holding.min_by(f64::total_cmp)
}

/// What a meter shows at a point with these volts behind these ohms.
fn shown(
    of: &UnderTest<'_>,
    point: &Point,
    (volts, source): (f64, Option<f64>),
    meter: &Meter,
    ranges: &[f64],
) -> Shown {
    let estimate = |range: f64| volts * share(meter.resistance(range), source);
    let with = |range: Option<f64>| {
        let ohms = meter.resistance(range.unwrap_or(0.0));
        let taken = 1.0 - share(ohms, source);
        let solved = if source.is_some() && of.rest.mains.is_some() && taken.abs() < LIGHT {
            Ok(volts * share(ohms, source))
        } else {
            loaded(of, point, ohms)
        };
        Shown {
            upset: solved.is_err(),
            volts: solved.unwrap_or_else(|_| volts * share(ohms, source)),
            range,
            meter_ohms: ohms,
        }
    };
    let mut shown = with(meter.range(ranges, estimate));
    // The estimate is the linearised circuit's: the pointer has the last word.
    while let Some(range) = shown.range.filter(|range| shown.volts.abs() > *range) {
        let up = ranges.iter().copied().filter(|other| *other > range);
        let Some(next) = up.min_by(f64::total_cmp) else {
            break;
        };
        shown = with(Some(next));
    }
    shown
}

/// A reading against what it should be, and the ohms of its meter.
fn compared(
    taken: &Taken,
    meter: Option<&Meter>,
    volts: f64,
    source: Option<f64>,
    shown: Option<Shown>,
    band: Band,
) -> (Compared, f64) {
    let expected = shown.map_or(volts, |shown| shown.volts);
    let share = shown.map_or(1.0, |shown| share(shown.meter_ohms, source));
    let range = shown.and_then(|shown| shown.range);
    let band = band.times(share);
    let accuracy = meter.map_or(meter::LEAST, |meter| meter.accuracy(taken.volts, range));
    let difference = taken.volts - expected;
    let likely = band.likely.hypot(accuracy);
    let place = if difference.abs() <= likely {
        Standing::Within
    } else if difference.abs() <= band.worst + accuracy {
        Standing::Possible
    } else {
        Standing::Outside
    };
    let compared = Compared {
        point: taken.point.name.clone(),
        reading: taken.volts,
        expected,
        volts,
        meter: meter.cloned(),
        range,
        difference,
        band,
        accuracy,
        place,
    };
    (
        compared,
        shown.map_or(f64::INFINITY, |shown| shown.meter_ohms),
    )
}
