//! One period of the settled circuit, without waiting for it.
//!
//! A cycle maps the state at its start to the state at its end, x ← Φ(x); settled means Φ(x) = x.
//! Waiting takes as long as the slowest time constant of bias and supply. Shooting solves for the
//! start instead, with the monodromy matrix M = ∂Φ/∂x that the cycle brings along:
//!
//! ```text
//! (1 − M) d = Φ(x) − x,   x ← x + d
//! ```
//!
//! M serves several corrections as long as each shrinks the residual well. What is accepted is a cycle
//! that was run and closes on itself. A cycle that closes but whose M has an eigenvalue outside the
//! unit circle is no state an amplifier stays in: it oscillates, and that is the answer.
//!
//! Source   Aprille & Trick, Proc. IEEE 60 (1972) 108; Floquet's theorem (both from memory)

use nalgebra::{DMatrix, DVector, Dyn, LU, Schur};

use crate::error::SimError;
use crate::system::{System, Workspace};
use crate::tolerances::Tolerances;
use crate::transient::sensitivity::Sensitivity;
use crate::transient::{Method, Stepper};

/// How a periodic steady state is sought.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settling {
    /// Samples kept of the period; the grid of the solution.
    pub samples: usize,
    /// Change from cycle to cycle that counts as settled, relative, see [`Period::residual`].
    pub periodicity: f64,
    /// Cycles after which the search is given up.
    pub most_cycles: u32,
    /// False settles by waiting alone.
    pub shooting: bool,
}

impl Default for Settling {
    /// 256 samples put the error of TR-BDF2 at a mid frequency below 1e-6 of the signal; a state that
    /// closes to 1e-6 of its swing after shooting is settled to that, not merely slow.
    fn default() -> Self {
        Self {
            samples: 256,
            periodicity: 1e-6,
            most_cycles: 400,
            shooting: true,
        }
    }
}

/// One settled period: every unknown at every sample.
#[derive(Clone, Debug)]
pub struct Period {
    /// Length, s.
    pub duration: f64,
    /// `[samples][n+1]` the unknowns at each grid time, the end left out.
    pub samples: Vec<Vec<f64>>,
    /// Cycles run to get there.
    pub cycles: u32,
    /// Largest change of an unknown over the last cycle, relative to its swing in the cycle plus a
    /// thousandth of its largest value.
    pub residual: f64,
    /// Largest eigenvalue of the monodromy matrix, if one was made: below one, a disturbance dies away.
    pub multiplier: Option<f64>,
}

impl Period {
    /// One unknown against time, `[samples]`.
    pub fn unknown(&self, unknown: u32) -> Vec<f64> {
        self.samples.iter().map(|x| x[unknown as usize]).collect()
    }

    /// A function of the unknowns against time, `[samples]`.
    pub fn of(&self, mut figure: impl FnMut(&[f64]) -> f64) -> Vec<f64> {
        self.samples.iter().map(|x| figure(x)).collect()
    }
}

/// Cycles run before shooting starts, so that valves and cores are where the signal takes them, and
/// again after a correction that made things worse.
const RUN_IN: u32 = 3;

/// A correction that leaves more than this share of the residual calls for a new monodromy matrix.
const SLOW: f64 = 0.1;

/// Eigenvalues up to this far above one are the rounding of a state that neither grows nor fades.
const NEUTRAL: f64 = 1e-4;

/// Finds the period of `duration` that closes on itself, from `ws.x`.
///
/// # Errors
/// [`SimError::NotPeriodic`] after the most cycles, [`SimError::Oscillates`] when the period found is
/// unstable, [`SimError::Stuck`] when a step fails.
pub fn settle(
    system: &System,
    duration: f64,
    settling: &Settling,
    tolerances: &Tolerances,
    ws: &mut Workspace,
) -> Result<Period, SimError> {
    let mut run = Run::new(system, duration, settling, tolerances, ws);
    let mut shooter: Option<Shooter> = None;
    let mut patience = RUN_IN;
    let mut last = f64::INFINITY;
    while run.cycles < settling.most_cycles {
        let renew = settling.shooting && patience == 0 && shooter.is_none();
        let residual = match run.cycle(renew, ws) {
            Ok(residual) => residual,
            Err(error) => {
                if !run.step_back(ws) {
                    return Err(error);
                }
                (shooter, patience, last) = (None, RUN_IN, f64::INFINITY);
                continue;
            }
        };
        if renew {
            shooter = Shooter::new(&run);
        }
        if residual <= settling.periodicity {
            if settling.shooting && !renew && shooter.is_none() {
                // It closes; whether it lasts takes the matrix of one cycle more.
                patience = 0;
                continue;
            }
            return run.finish(residual, shooter.as_ref());
        }
        if patience > 0 {
            patience -= 1;
        } else if settling.shooting {
            if !renew && residual > SLOW * last {
                // The matrix has served its time; after a step for the worse, look around first.
                shooter = None;
                patience = if residual > last { RUN_IN } else { 0 };
                last = f64::INFINITY;
                continue;
            }
            last = residual;
            if let Some(shooter) = &shooter {
                shooter.correct(&mut run, ws);
            } else {
                patience = RUN_IN;
            }
        }
    }
    Err(SimError::NotPeriodic {
        cycles: run.cycles,
        residual: run.residual,
    })
}

/// Cycles in progress.
struct Run<'a> {
    system: &'a System,
    duration: f64,
    stepper: Stepper<'a>,
    /// Made once; lent to the stepper for cycles that need the matrix.
    sensitivity: Option<Sensitivity>,
    samples: Vec<Vec<f64>>,
    /// `[n+1]` the end of the last cycle, when the next one starts from a correction.
    uncorrected: Option<Vec<f64>>,
    cycles: u32,
    residual: f64,
}

impl<'a> Run<'a> {
    fn new(
        system: &'a System,
        duration: f64,
        settling: &Settling,
        tolerances: &Tolerances,
        ws: &mut Workspace,
    ) -> Self {
        Self {
            system,
            duration,
            stepper: Stepper::new(system, Method::TrBdf2, *tolerances, 0.0, true, ws),
            sensitivity: settling.shooting.then(|| Sensitivity::new(system)),
            samples: vec![vec![0.0; system.len() + 1]; settling.samples],
            uncorrected: None,
            cycles: 0,
            residual: f64::INFINITY,
        }
    }

    /// One cycle from `ws.x`; with `follow`, the sensitivity comes along.
    fn cycle(&mut self, follow: bool, ws: &mut Workspace) -> Result<f64, SimError> {
        let start = f64::from(self.cycles) * self.duration;
        if follow {
            if let Some(sensitivity) = &mut self.sensitivity {
                sensitivity.begin(self.system);
            }
            self.stepper.sensitivity = self.sensitivity.take();
            self.stepper.restart(start, ws);
        }
        let count = self.samples.len();
        for (k, sample) in self.samples.iter_mut().enumerate() {
            sample.copy_from_slice(&ws.x);
            let t = start + self.duration * ((k + 1) as f64 / count as f64);
            self.stepper.advance(t, ws)?;
        }
        if follow {
            self.sensitivity = self.stepper.sensitivity.take();
        }
        self.cycles += 1;
        self.uncorrected = None;
        self.residual = self
            .scales()
            .enumerate()
            .map(|(k, scale)| (ws.x[k] - self.samples[0][k]).abs() / scale)
            .fold(0.0, f64::max);
        Ok(self.residual)
    }

    /// After a correction to where no solution could be followed: back to the end of the cycle before
    /// it. False when the cycle that failed did not start from a correction.
    fn step_back(&mut self, ws: &mut Workspace) -> bool {
        let lent = self.stepper.sensitivity.take();
        self.sensitivity = self.sensitivity.take().or(lent);
        let Some(end) = self.uncorrected.take() else {
            return false;
        };
        ws.x.copy_from_slice(&end);
        self.cycles += 1;
        self.stepper
            .restart(f64::from(self.cycles) * self.duration, ws);
        true
    }

    /// Swing of each unknown in the cycle plus a thousandth of its largest value; `[n]`.
    fn scales(&self) -> impl Iterator<Item = f64> {
        /// Keeps unknowns that are zero throughout from dividing by nothing: V, A or Wb.
        const FLOOR: f64 = 1e-6;
        (0..self.system.len()).map(|k| {
            let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
            for sample in &self.samples {
                least = least.min(sample[k]);
                most = most.max(sample[k]);
            }
            (most - least) + 1e-3 * most.abs().max(least.abs()) + FLOOR
        })
    }

    fn finish(self, residual: f64, shooter: Option<&Shooter>) -> Result<Period, SimError> {
        let multiplier = shooter.and_then(Shooter::multiplier);
        if let Some(multiplier) = multiplier.filter(|m| *m > 1.0 + NEUTRAL) {
            return Err(SimError::Oscillates {
                frequency: None,
                rate: multiplier.ln() / self.duration,
            });
        }
        Ok(Period {
            duration: self.duration,
            samples: self.samples,
            cycles: self.cycles,
            residual,
            multiplier,
        })
    }
}

/// The monodromy matrix of a cycle and the factors of 1 − M.
struct Shooter {
    monodromy: DMatrix<f64>,
    factors: LU<f64, Dyn, Dyn>,
}

impl Shooter {
    fn new(run: &Run<'_>) -> Option<Self> {
        let monodromy = run.sensitivity.as_ref()?.matrix();
        let size = monodromy.nrows();
        let factors = (DMatrix::identity(size, size) - &monodromy).lu();
        (factors.is_invertible() && monodromy.iter().all(|value| value.is_finite()))
            .then_some(Self { monodromy, factors })
    }

    /// Moves the start of the next cycle to where the linear picture closes.
    fn correct(&self, run: &mut Run<'_>, ws: &mut Workspace) {
        let Some(sensitivity) = &run.sensitivity else {
            return;
        };
        let change = DVector::from_iterator(
            sensitivity.stores.len(),
            sensitivity
                .stores
                .iter()
                .map(|&k| ws.x[k] - run.samples[0][k]),
        );
        let Some(correction) = self.factors.solve(&change) else {
            return;
        };
        if correction.iter().any(|value| !value.is_finite()) {
            return;
        }
        run.uncorrected = Some(ws.x.clone());
        for (&k, correction) in sensitivity.stores.iter().zip(correction.iter()) {
            ws.x[k] = run.samples[0][k] + correction;
        }
        run.stepper
            .restart(f64::from(run.cycles) * run.duration, ws);
    }

    /// The largest eigenvalue, if the iteration for it converges.
    fn multiplier(&self) -> Option<f64> {
        let schur = Schur::try_new(self.monodromy.clone(), 1e-12, 10_000)?;
        schur
            .complex_eigenvalues()
            .iter()
            .map(|z| z.norm())
            .reduce(f64::max)
    }
}
