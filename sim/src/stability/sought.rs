//! Natural frequencies that grow, sought from many places where to know all of them would be too much work.
//!
//! ```text
//! (G + σC)⁻¹ C x = μ x,   s = σ − 1/μ;   σ = ω·(0.3 + j) for swinging, σ = ω for running away
//! ```
//!
//! The places σ stand along the imaginary axis, three to a decade, and along the half of the real axis that grows, two to a
//! decade. From each, a Krylov subspace finds the natural frequencies nearest to it; one that grows stands nearer than those
//! that fade. What is found is looked at again from beside it before it counts.
//!
//! Symbols   G, C, s, σ  as in [`stability`](super);  ω  rad/s;  μ  outermost eigenvalue of the subspace
//! Source    Arnoldi's method with shift and inversion: Saad, Numerical Methods for Large Eigenvalue Problems, 1992
//!           (from memory)
//! Valid     from 0.1 Hz to 30 MHz
//! Care      linear in the unknowns, but no proof: what grows far slower than it swings, in the midst of many that fade as
//!           slowly, may be passed over

use nalgebra::{Complex, DMatrix, Schur};
use rayon::prelude::*;

use crate::error::SimError;
use crate::lu::Factors;
use crate::system::{INSULATION, System};

/// Unknowns that store, up to which all natural frequencies are found: a tenth of a second, which grows with their cube.
pub(super) const ALL: usize = 200;

/// Products taken from each place. Twelve find a mode among a ladder's continuum; the rest is for harder ones.
const PRODUCTS: usize = 30;

/// Lowest and highest frequency of the places, Hz.
const BAND: (f64, f64) = (0.1, 30e6);

/// Places to a decade along the imaginary axis, and along the real.
const SWINGING: f64 = 3.0;
const RUNNING: f64 = 2.0;

/// Growth of a place along the imaginary axis as a share of its frequency.
const ASIDE: f64 = 0.3;

/// How far beside a mode it is looked at again, of its size: no pole of any circuit.
const BESIDE: f64 = 0.0137;

/// How near to where it was a mode must be found again, of its size.
const CONFIRMED: f64 = 0.05;

/// Whether so many unknowns store that not all natural frequencies are found.
pub(super) fn too_many(system: &System) -> bool {
    let mut columns: Vec<u32> = system.stored().iter().map(|entry| entry.1).collect();
    columns.sort_unstable();
    columns.dedup();
    columns.len() > ALL
}

/// Natural frequencies that grow, or seem to within rounding not to fade, with these slopes, `[nnz]`; each was seen twice.
pub(super) fn sought(system: &System, slopes: &[f64]) -> Result<Vec<Complex<f64>>, SimError> {
    let mut slopes = slopes.to_vec();
    let first = nearest(
        system,
        &slopes,
        Complex::new(std::f64::consts::TAU * 1e3, 0.0),
    );
    if first.is_err() {
        // A winding behind a bridge hangs on nothing while all four diodes are off.
        system.tie(&mut slopes, INSULATION);
    }
    let seen: Vec<Vec<Complex<f64>>> = places()
        .into_par_iter()
        .map(|place| {
            let growing = nearest(system, &slopes, place)?.into_iter();
            growing
                .filter(|s| s.re > 0.0 && s.im >= 0.0 && (s - place).norm() < place.norm())
                .map(|s| again(system, &slopes, s))
                .filter_map(Result::transpose)
                .collect()
        })
        .collect::<Result<_, _>>()?;
    Ok(seen.into_iter().flatten().collect())
}

/// From where is sought, 1/s.
fn places() -> Vec<Complex<f64>> {
    let (lowest, highest) = BAND;
    let along = |each: f64| {
        let count = ((highest / lowest).log10() * each).floor() as u32;
        (0..=count).map(move |k| std::f64::consts::TAU * lowest * 10_f64.powf(f64::from(k) / each))
    };
    let swinging = along(SWINGING).map(|omega| Complex::new(ASIDE * omega, omega));
    let running = along(RUNNING).map(|omega| Complex::new(omega, 0.0));
    swinging.chain(running).collect()
}

/// A mode looked at from beside it; none when it does not stand there, or does not grow there.
fn again(
    system: &System,
    slopes: &[f64],
    s: Complex<f64>,
) -> Result<Option<Complex<f64>>, SimError> {
    let found = nearest(system, slopes, s * (1.0 + BESIDE))?;
    let near = found
        .into_iter()
        .min_by(|a, b| (a - s).norm().total_cmp(&(b - s).norm()));
    Ok(near.filter(|found| found.re > 0.0 && (found - s).norm() < CONFIRMED * s.norm()))
}

/// The natural frequencies that a Krylov subspace shows from a place.
fn nearest(
    system: &System,
    slopes: &[f64],
    place: Complex<f64>,
) -> Result<Vec<Complex<f64>>, SimError> {
    let n = system.len();
    let values: Vec<Complex<f64>> = (slopes.iter().zip(system.storage().data()))
        .map(|(g, c)| g + place * c)
        .collect();
    let mut factors = Factors::new(system.symbolic());
    factors
        .factor(system.symbolic(), &values)
        .map_err(|singular| system.undetermined(singular))?;
    let mut product = |x: &[Complex<f64>]| {
        let mut y = vec![Complex::default(); n];
        for &(row, column, value) in system.stored() {
            y[row as usize] += x[column as usize] * value;
        }
        factors.solve(&mut y);
        y
    };
    // Once already: what does not store is no part of it.
    let mut vector = product(&start(n));
    let mut basis: Vec<Vec<Complex<f64>>> = Vec::with_capacity(PRODUCTS);
    let mut projection = DMatrix::zeros(PRODUCTS, PRODUCTS);
    let mut size = norm(&vector);
    let mut taken = 0;
    while taken < PRODUCTS && size > 0.0 {
        for value in &mut vector {
            *value /= size;
        }
        basis.push(std::mem::take(&mut vector));
        vector = product(&basis[taken]);
        let before = norm(&vector);
        // Twice: once leaves rounding of the size of what was taken out.
        for _ in 0..2 {
            for (k, v) in basis.iter().enumerate() {
                let share: Complex<f64> = v.iter().zip(&vector).map(|(v, p)| v.conj() * p).sum();
                projection[(k, taken)] += share;
                for (p, v) in vector.iter_mut().zip(v) {
                    *p -= share * v;
                }
            }
        }
        taken += 1;
        size = norm(&vector);
        if size <= EXHAUSTED * before {
            break;
        }
        if taken < PRODUCTS {
            projection[(taken, taken - 1)] = Complex::from(size);
        }
    }
    let projection = projection.view((0, 0), (taken, taken)).into_owned();
    let Some(schur) = Schur::try_new(projection, f64::EPSILON, 100 * PRODUCTS) else {
        return Ok(Vec::new());
    };
    let (_, triangle) = schur.unpack();
    // What rounding leaves of an eigenvalue that is zero.
    let noise = 10.0 * f64::EPSILON * n as f64 * triangle.norm();
    Ok((0..taken)
        .map(|k| triangle[(k, k)])
        .filter(|mu| mu.norm() > noise)
        .map(|mu| (place - mu.inv(), noise / mu.norm_sqr()))
        .filter(|(s, rounding)| s.re.abs() > *rounding)
        .map(|(s, _)| s)
        .collect())
}

/// Below this share of its length before, what orthogonalisation leaves of a vector is rounding.
const EXHAUSTED: f64 = 1e-14;

/// A start that leaves no mode out: no circuit has a period of the golden section.
fn start(n: usize) -> Vec<Complex<f64>> {
    let golden = 0.5 * (5_f64.sqrt() - 1.0);
    (1..=n)
        .map(|k| {
            Complex::new(
                (k as f64 * golden).fract() - 0.5,
                (k as f64 * golden * golden).fract(),
            )
        })
        .collect()
}

fn norm(x: &[Complex<f64>]) -> f64 {
    x.iter().map(Complex::norm_sqr).sum::<f64>().sqrt()
}

#[cfg(test)]
mod tests {
    use nalgebra::Complex;

    use super::{sought, too_many};
    use crate::parts::Part;
    use crate::stability::{Changes, SHIFT, frequencies_of};
    use crate::{Circuit, NodeId, System};

    /// A ladder of so many resistors and capacitors, a tuned circuit of `henries` or none hanging on its middle through
    /// 100 kΩ, and the slopes `[nnz]` with `siemens` taken from the conductance there.
    fn ladder(sections: usize, henries: Option<f64>, siemens: f64) -> (System, Vec<f64>) {
        let mut circuit = Circuit::new();
        let chassis = NodeId::CHASSIS;
        let mut add = |name: String, part, from: &str, to: Option<&str>| {
            let from = circuit.node(from);
            let to = to.map_or(chassis, |to| circuit.node(to));
            circuit.add(&name, part, &[from, to]).expect("well formed");
        };
        for k in 0..sections {
            let (from, to) = (format!("n{k}"), format!("n{}", k + 1));
            add(format!("R{k}"), Part::resistor(1e3), &from, Some(&to));
            add(format!("C{k}"), Part::capacitor(1e-9), &to, None);
        }
        add("RS".to_owned(), Part::resistor(600.0), "n0", None);
        let middle = format!("n{}", sections / 2);
        add("RT".to_owned(), Part::resistor(100e3), &middle, Some("t"));
        add("CT".to_owned(), Part::capacitor(10e-9), "t", None);
        if let Some(henries) = henries {
            add("LT".to_owned(), Part::inductor(henries, 1.0), "t", None);
        }
        let system = System::of(&circuit).expect("well formed");
        let t = system.voltage_of(circuit.node("t")) as usize;
        let mut ws = system.workspace();
        let rest = ws.x.clone();
        let mut slopes = system.mean_slopes(&[rest], &mut ws);
        let start = system.pattern().column_starts[t];
        let own = system.pattern().column(t).iter().position(|row| *row == t);
        slopes[start + own.expect("a node has a place of its own")] -= siemens;
        (system, slopes)
    }

    fn grows(all: &[Complex<f64>]) -> Option<Complex<f64>> {
        let growing = all.iter().filter(|s| s.re > 0.0 && s.im >= 0.0);
        growing.max_by(|a, b| a.re.total_cmp(&b.re)).copied()
    }

    #[test]
    fn what_grows_on_a_ladder_is_what_all_its_frequencies_show() {
        // Growth of a tenth, a fiftieth of the frequency; no swing at all; far below and above the middle of the band.
        for (henries, siemens) in [
            (Some(0.1), 80e-6),
            (Some(0.1), 25e-6),
            (None, 15e-6),
            (None, 3e-3),
            (Some(100.0), 12e-6),
            (Some(10e-6), 5e-3),
        ] {
            let (system, slopes) = ladder(300, henries, siemens);
            let all = frequencies_of(&system, &slopes, &Changes::none(&system), SHIFT);
            let all = grows(&all.expect("it has an answer")).expect("it grows");
            let found = grows(&sought(&system, &slopes).expect("it has an answer"));
            let found =
                found.unwrap_or_else(|| panic!("{henries:?} {siemens}: {all} is not found"));
            // Both far above rounding; the subspace itself is as exact as its last product.
            assert!(
                (found - all).norm() < 1e-6 * all.norm(),
                "{found} for {all}"
            );
        }
    }

    #[test]
    fn a_long_ladder_is_sought_and_holds_nothing_that_grows() {
        let (system, slopes) = ladder(1500, Some(0.1), 0.0);
        assert!(too_many(&system));
        assert_eq!(sought(&system, &slopes), Ok(Vec::new()));
    }

    #[test]
    fn what_grows_in_the_midst_of_a_long_ladder_is_found() {
        // The ladder goes on without end for what hangs on it: the frequency of three hundred sections.
        let grown = |sections| {
            let (system, slopes) = ladder(sections, Some(0.1), 80e-6);
            grows(&sought(&system, &slopes).expect("it has an answer")).expect("it grows")
        };
        let (short, long) = (grown(300), grown(1500));
        assert!((short - long).norm() < 1e-6 * long.norm(), "{short} {long}");
    }
}
