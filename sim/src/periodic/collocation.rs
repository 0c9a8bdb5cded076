//! The settled period as a trigonometric polynomial that satisfies the equations at N points.
//!
//! ```text
//! f(x_j, t_j) + (D·C·x)_j = 0,  j = 0 … N−1;   D differentiates: harmonic k times ikω
//! ```
//!
//! Newton's corrections are solved for by GMRES, preconditioned by the circuit with the mean slopes of
//! the period, which falls apart into one small complex system a harmonic. From the first iterate, a
//! circuit at rest, the first correction is the small-signal answer.
//!
//! Symbols   N odd, so that every harmonic has its derivative;  ω = 2π/T
//! Source    Nakhla & Vlach, IEEE Trans. CAS 23 (1976) 85; preconditioner after Telichevesky, Kundert &
//!           White, Proc. DAC 1995, 480 (both from memory)
//! Valid     smooth circuits: the error falls faster than any power of 1/N; at a kink only as its square
//! Care      no hysteresis: a law with memory has no residual at a point
//!
//! Over 400 lines because equations, transforms and preconditioner share one layout.

use std::sync::Arc;

use nalgebra::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::krylov::gmres;
use crate::lu::Factors;
use crate::system::{Formula, System};
use crate::tolerances::Tolerances;
use crate::workspace::Workspace;

/// Points tried in turn: odd, and products of small primes.
const POINTS: [usize; 3] = [63, 135, 315];

/// Newton corrections before the search is given up; a smooth stage takes three to five.
const MOST_CORRECTIONS: u32 = 12;

/// Share of a Newton correction that may be left unsolved: its square is below any wanted digit.
const INNER: f64 = 1e-3;

/// Products of the Jacobian spent on one correction. A smooth circuit takes under ten; more tells of
/// valves cut off or drawing grid current, of kinks, where shooting is quicker and as exact.
const MOST_PRODUCTS: usize = 20;

/// A correction shorter than this is no way to a solution.
const LEAST_FRACTION: f64 = 1.0 / 32.0;

/// The settled period found.
pub(super) struct Found {
    /// `[N·n]` the unknowns, point by point.
    x: Vec<f64>,
    n: usize,
    grid: Grid,
    /// Amplitude of the upper third of the harmonics against the swing, the worst of all unknowns.
    pub(super) tail: f64,
}

impl Found {
    /// The polynomial at `count` points, `[count][n+1]`.
    pub(super) fn samples(&self, count: usize) -> Vec<Vec<f64>> {
        let fine = self.grid.resampled(&self.x, self.n, &Grid::new(count));
        fine.chunks(self.n)
            .map(|x| x.iter().copied().chain([0.0]).collect())
            .collect()
    }
}

/// Solves from the circuit at `ws.x`, which stays as it is; none when Newton's iteration fails or the
/// harmonics have not died away at the finest grid.
pub(super) fn find(
    system: &System,
    duration: f64,
    smooth: f64,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Option<Found> {
    let n = system.len();
    let kept = ws.x.clone();
    system.set_tolerances(tolerances, ws);
    let mut x: Vec<f64> = kept[..n].repeat(POINTS[0]);
    let mut found = None;
    let mut before: Option<Grid> = None;
    for points in POINTS {
        let grid = Grid::new(points);
        if let Some(coarse) = before {
            x = coarse.resampled(&x, n, &grid);
        }
        let mut equations = Equations::new(system, duration, grid);
        if equations.solve(&mut x, ws).is_none() {
            break;
        }
        let tail = equations.grid.tail(&x, n);
        if tail <= smooth {
            found = Some(Found {
                x,
                n,
                grid: equations.grid,
                tail,
            });
            break;
        }
        before = Some(equations.grid);
    }
    ws.x.copy_from_slice(&kept);
    found
}

/// Equally spaced points of a period and the transforms between them and harmonics.
struct Grid {
    points: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
}

impl Grid {
    fn new(points: usize) -> Self {
        let mut planner = RealFftPlanner::new();
        Self {
            points,
            forward: planner.plan_fft_forward(points),
            inverse: planner.plan_fft_inverse(points),
        }
    }

    /// Harmonics kept, the mean included.
    fn harmonics(&self) -> usize {
        self.points / 2 + 1
    }

    /// Harmonics of unknown `k` of `x` `[N·n]`, scaled so that the inverse needs no scaling.
    fn transform(&self, x: &[f64], n: usize, k: usize) -> Vec<Complex<f64>> {
        let mut wave: Vec<f64> = x.iter().skip(k).step_by(n).copied().collect();
        let mut bins = self.forward.make_output_vec();
        self.forward
            .process(&mut wave, &mut bins)
            .expect("the buffers are of the plan's own sizes");
        for bin in &mut bins {
            *bin /= self.points as f64;
        }
        bins
    }

    /// The wave of these harmonics.
    fn wave(&self, mut bins: Vec<Complex<f64>>) -> Vec<f64> {
        // A mean has no phase, nor has the last harmonic of an even grid; rounding must not give it one.
        bins[0].im = 0.0;
        if self.points.is_multiple_of(2)
            && let Some(last) = bins.last_mut()
        {
            last.im = 0.0;
        }
        let mut wave = self.inverse.make_output_vec();
        self.inverse
            .process(&mut bins, &mut wave)
            .expect("the buffers are of the plan's own sizes");
        wave
    }

    /// `x` `[N·n]` on another grid; harmonics that grid does not have are left out.
    fn resampled(&self, x: &[f64], n: usize, other: &Self) -> Vec<f64> {
        let mut fine = vec![0.0; other.points * n];
        for k in 0..n {
            let mut bins = self.transform(x, n, k);
            bins.resize(other.harmonics(), Complex::default());
            for (value, wave) in fine.iter_mut().skip(k).step_by(n).zip(other.wave(bins)) {
                *value = wave;
            }
        }
        fine
    }

    /// The largest amplitude in the upper third of the harmonics, relative to the swing of its unknown
    /// plus a thousandth of its mean, the worst of all unknowns.
    fn tail(&self, x: &[f64], n: usize) -> f64 {
        /// Keeps unknowns that are zero throughout from dividing by nothing: V, A or Wb.
        const FLOOR: f64 = 1e-6;
        let from = 2 * self.harmonics() / 3;
        (0..n)
            .map(|k| {
                let sizes: Vec<f64> = self.transform(x, n, k).iter().map(|z| z.norm()).collect();
                let most = sizes[1..].iter().copied().fold(0.0, f64::max);
                let end = sizes[from..].iter().copied().fold(0.0, f64::max);
                // A harmonic counts half in its bin: peak 2, swing 4.
                2.0 * end / (4.0 * most + 1e-3 * sizes[0] + FLOOR)
            })
            .fold(0.0, f64::max)
    }
}

/// The collocated equations with room for a solve.
struct Equations<'a> {
    system: &'a System,
    grid: Grid,
    omega: f64,
    duration: f64,
    /// Rows that store charge or flux.
    rows: Vec<usize>,
    /// `[N][nnz]` slopes at each point.
    slopes: Vec<Vec<f64>>,
    /// `[harmonics]` the circuit with the mean slopes.
    mean: Vec<Factors<Complex<f64>>>,
}

impl<'a> Equations<'a> {
    fn new(system: &'a System, duration: f64, grid: Grid) -> Self {
        let mut stores = vec![false; system.len()];
        for &(row, _, _) in system.stored() {
            stores[row as usize] = true;
        }
        Self {
            system,
            omega: std::f64::consts::TAU / duration,
            duration,
            rows: (0..system.len()).filter(|&row| stores[row]).collect(),
            slopes: vec![vec![0.0; system.entries()]; grid.points],
            mean: (0..grid.harmonics())
                .map(|_| Factors::new(system.symbolic()))
                .collect(),
            grid,
        }
    }

    /// Newton's iteration on `x` `[N·n]`; none when it fails.
    fn solve(&mut self, x: &mut [f64], ws: &mut Workspace) -> Option<()> {
        // Everything is measured in tolerances of its unknown.
        let unit = ws.absolute.clone();
        for _ in 0..MOST_CORRECTIONS {
            let residual = self.residual(x, ws);
            self.factor()?;
            let mut right = self.precondition(&residual);
            scale(&mut right, &unit, |value, unit| -value / unit);
            let size = norm(&right);
            let (mut step, left) = gmres(&right, INNER, MOST_PRODUCTS, |v| {
                let mut v = v.to_vec();
                scale(&mut v, &unit, |value, unit| value * unit);
                let mut y = self.precondition(&self.product(&v));
                scale(&mut y, &unit, |value, unit| value / unit);
                y
            });
            scale(&mut step, &unit, |value, unit| value * unit);
            let largest = step
                .iter()
                .zip(x.iter())
                .zip(unit.iter().cycle())
                .map(|((step, x), unit)| step.abs() / (ws.relative * x.abs() + unit))
                .fold(0.0, f64::max);
            if left > INNER {
                return None;
            }
            if !largest.is_finite() {
                return None;
            }
            if INNER * largest <= 1.0 {
                add(x, &step, 1.0);
                return Some(());
            }
            // As much of it as helps, by what the mean circuit makes of the residual.
            let mut fraction = 1.0;
            add(x, &step, fraction);
            loop {
                let mut left = self.precondition(&self.residual_only(x, ws));
                scale(&mut left, &unit, |value, unit| value / unit);
                if norm(&left) <= (1.0 - 0.25 * fraction) * size {
                    break;
                }
                fraction *= 0.5;
                if fraction < LEAST_FRACTION {
                    return None;
                }
                add(x, &step, -fraction);
            }
        }
        None
    }

    /// Residual at `x` and, in `self`, the slopes there.
    fn residual(&mut self, x: &[f64], ws: &mut Workspace) -> Vec<f64> {
        let mut slopes = std::mem::take(&mut self.slopes);
        let residual = self.evaluate(x, ws, |point, values| {
            slopes[point].copy_from_slice(values);
        });
        self.slopes = slopes;
        residual
    }

    fn residual_only(&self, x: &[f64], ws: &mut Workspace) -> Vec<f64> {
        self.evaluate(x, ws, |_, _| ())
    }

    fn evaluate(
        &self,
        x: &[f64],
        ws: &mut Workspace,
        mut slopes: impl FnMut(usize, &[f64]),
    ) -> Vec<f64> {
        let n = self.system.len();
        let mut residual = self.derivative(x);
        let mut past = vec![0.0; n];
        for (point, (x, out)) in x.chunks(n).zip(residual.chunks_mut(n)).enumerate() {
            let t = self.duration * (point as f64 / self.grid.points as f64);
            past.fill(0.0);
            self.system.sources_into(t, 1.0, &ws.waveforms, &mut past);
            ws.x[..n].copy_from_slice(x);
            self.system.assemble(Formula::new(0.0, &past), ws);
            for (out, f) in out.iter_mut().zip(&ws.residual) {
                *out += f;
            }
            slopes(point, &ws.values[..self.system.entries()]);
        }
        residual
    }

    /// D·C·x, `[N·n]`.
    fn derivative(&self, x: &[f64]) -> Vec<f64> {
        let n = self.system.len();
        let mut charge = vec![0.0; x.len()];
        for (x, q) in x.chunks(n).zip(charge.chunks_mut(n)) {
            for &(row, column, value) in self.system.stored() {
                if (column as usize) < n {
                    q[row as usize] += value * x[column as usize];
                }
            }
        }
        for &row in &self.rows {
            let mut bins = self.grid.transform(&charge, n, row);
            for (k, bin) in bins.iter_mut().enumerate() {
                *bin *= Complex::new(0.0, self.omega * k as f64);
            }
            let wave = self.grid.wave(bins);
            for (q, wave) in charge.iter_mut().skip(row).step_by(n).zip(wave) {
                *q = wave;
            }
        }
        charge
    }

    /// The Jacobian times `v`, `[N·n]`.
    fn product(&self, v: &[f64]) -> Vec<f64> {
        let n = self.system.len();
        let mut out = self.derivative(v);
        for ((slopes, v), out) in self.slopes.iter().zip(v.chunks(n)).zip(out.chunks_mut(n)) {
            self.system.multiply_add(slopes, v, out);
        }
        out
    }

    /// Factors the mean circuit at every harmonic.
    fn factor(&mut self) -> Option<()> {
        let share = 1.0 / self.grid.points as f64;
        let mut mean = vec![0.0; self.system.entries()];
        for slopes in &self.slopes {
            for (mean, slope) in mean.iter_mut().zip(slopes) {
                *mean += share * slope;
            }
        }
        let stored = self.system.storage().data();
        let symbolic = self.system.symbolic();
        let mut values = vec![Complex::default(); mean.len()];
        for (k, factors) in self.mean.iter_mut().enumerate() {
            let omega = self.omega * k as f64;
            for ((value, g), c) in values.iter_mut().zip(&mean).zip(stored) {
                *value = Complex::new(*g, omega * c);
            }
            factors.factor(symbolic, &values).ok()?;
        }
        Some(())
    }

    /// The mean circuit's answer to `r` `[N·n]`.
    fn precondition(&mut self, r: &[f64]) -> Vec<f64> {
        let n = self.system.len();
        let mut columns: Vec<Vec<Complex<f64>>> =
            (0..n).map(|k| self.grid.transform(r, n, k)).collect();
        let mut right = vec![Complex::default(); n];
        for (harmonic, factors) in self.mean.iter_mut().enumerate() {
            for (right, column) in right.iter_mut().zip(&columns) {
                *right = column[harmonic];
            }
            factors.solve(&mut right);
            for (right, column) in right.iter().zip(&mut columns) {
                column[harmonic] = *right;
            }
        }
        let mut out = vec![0.0; r.len()];
        for (k, column) in columns.into_iter().enumerate() {
            for (out, wave) in out
                .iter_mut()
                .skip(k)
                .step_by(n)
                .zip(self.grid.wave(column))
            {
                *out = wave;
            }
        }
        out
    }
}

/// Each value of `x` `[N·n]` with the unit of its unknown, `[n]`.
fn scale(x: &mut [f64], unit: &[f64], by: impl Fn(f64, f64) -> f64) {
    for (x, unit) in x.iter_mut().zip(unit.iter().cycle()) {
        *x = by(*x, *unit);
    }
}

fn add(x: &mut [f64], step: &[f64], fraction: f64) {
    for (x, step) in x.iter_mut().zip(step) {
        *x += fraction * step;
    }
}

fn norm(x: &[f64]) -> f64 {
    x.iter().map(|x| x * x).sum::<f64>().sqrt()
}

#[cfg(test)]
mod tests {
    use super::find;
    use crate::parts::{Part, Source, Waveform};
    use crate::{Circuit, NodeId, System, Tolerances};
    use models::AnyDevice;
    use models::diode::Diode;

    #[test]
    fn no_wave_is_taken_before_its_harmonics_have_died_away() {
        const SMOOTH: f64 = 1e-6;
        // Sines from 10 mV to 1 V into a junction behind 1 kΩ: each is a little more bent than the last, so that some
        // lie close above what the coarsest grid resolves.
        let mut resolved = Vec::new();
        for k in 0..40 {
            let mut circuit = Circuit::new();
            let [a, b] = ["a", "b"].map(|name| circuit.node(name));
            let source = Part::Source(Source {
                waveform: Waveform::Sine {
                    amplitude: 0.01 * 100_f64.powf(f64::from(k) / 39.0),
                    frequency: 1e3,
                    phase: 0.0,
                    offset: 0.0,
                },
                resistance: 0.0,
            });
            let junction = Part::Device(AnyDevice::from(Diode::exponential(1e-6, 0.05)));
            for (name, part, at) in [
                ("G", source, [a, NodeId::CHASSIS]),
                ("R", Part::resistor(1e3), [a, b]),
                ("D", junction, [b, NodeId::CHASSIS]),
            ] {
                circuit.add(name, part, &at).expect("well formed");
            }
            let system = System::of(&circuit).expect("well formed");
            let mut ws = system.workspace();
            let found = find(&system, 1e-3, SMOOTH, &Tolerances::default(), &mut ws);
            if let Some(found) = found {
                assert!(found.tail <= SMOOTH, "{k}: {}", found.tail);
                resolved.push(found.grid.points);
            }
        }
        resolved.dedup();
        assert!(resolved.len() > 1, "one grid for all: {resolved:?}");
    }

    #[test]
    fn a_tail_is_measured_against_the_swing_and_little_of_the_mean() {
        // 1000 + cos θ + 0.001 cos 25θ on 63 points, 32 harmonics: a tail of 0.001 against a swing of 2 and a thousandth of
        // 1000.
        let grid = super::Grid::new(63);
        let angle = |k: u32| std::f64::consts::TAU * f64::from(k) / 63.0;
        let x: Vec<f64> = (0..63)
            .map(|k| 1e3 + angle(k).cos() + 1e-3 * (25.0 * angle(k)).cos())
            .collect();
        let tail = grid.tail(&x, 1);
        assert!((tail / (1e-3 / 3.0) - 1.0).abs() < 1e-5, "{tail}");
    }
}
