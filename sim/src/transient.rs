//! The circuit followed through time on a fixed grid, with sub-steps where the grid is too coarse.
//!
//! A grid interval is taken whole when Newton's iteration converges and the local error is small
//! enough; otherwise it is halved, and halved again, and the step grows back as soon as it may.
//! Jumps of a source end a step exactly, and the next begins with a minute implicit-Euler step,
//! because the slopes on both sides of a jump have nothing to do with each other.

use std::ops::ControlFlow;

use crate::error::SimError;
use crate::newton::{Outcome, Trust, newton};
use crate::system::{Factored, Formula, System, Workspace};
use crate::tolerances::Tolerances;

mod error_estimate;
mod methods;
mod radau;
pub(crate) mod sensitivity;
mod steps;
mod trail;

pub use methods::Method;
use radau::Radau;
use sensitivity::{Sensitivity, Stage};
use steps::Steps;
use trail::Trail;

/// What a run feeds: WAV, CSV, every measurement.
pub trait Probe {
    /// Takes the solution `x` `[n+1]` at a grid time `t`, s. Break ends the run.
    fn accept(&mut self, t: f64, x: &[f64]) -> ControlFlow<()>;
}

impl<F: FnMut(f64, &[f64])> Probe for F {
    fn accept(&mut self, t: f64, x: &[f64]) -> ControlFlow<()> {
        self(t, x);
        ControlFlow::Continue(())
    }
}

/// Length of the opening step after a jump, as a share of the grid interval. Its own error is of second
/// order in 2⁻¹⁰: at 96 kHz −95 dB of the jump for a ringing of 100 kHz. Shorter steps only trade that
/// error for rounding, since charges and fluxes are differenced over the step.
const OPENING: f64 = 1.0 / 1024.0;

/// A run in progress: the state that belongs to time, beside the unknowns in the workspace.
#[derive(Clone, Debug)]
pub struct Stepper<'a> {
    system: &'a System,
    method: Method,
    tolerances: Tolerances,
    t: f64,
    /// `[n]` charge C·x, at `t`.
    q: Vec<f64>,
    /// `[n]` its rate of change.
    q_rate: Vec<f64>,
    /// True when `q_rate` is unknown: at a start out of rest and after a jump.
    opening: bool,
    /// Sub-steps a grid interval is cut into now, as a power of two.
    level: u32,
    rates: error_estimate::Rates,
    // Scratch of a step, each `[n]`.
    past: Vec<f64>,
    q_middle: Vec<f64>,
    rate_middle: Vec<f64>,
    q_new: Vec<f64>,
    rate_new: Vec<f64>,
    x_old: Vec<f64>,
    x_middle: Vec<f64>,
    trail: Trail,
    estimate: Vec<f64>,
    radau: Option<Box<Radau>>,
    /// Whether the steps of a cycle are kept for the next.
    pub(crate) steps: Steps,
    /// Followed along when present; TR-BDF2 only.
    pub(crate) sensitivity: Option<Sensitivity>,
}

/// How a step ended.
enum Step {
    Taken,
    Newton(u32),
    Error,
}

impl<'a> Stepper<'a> {
    /// Starts at time `t` from `ws.x`. `at_rest` says that nothing moves there (an operating point).
    pub fn new(
        system: &'a System,
        method: Method,
        tolerances: Tolerances,
        t: f64,
        at_rest: bool,
        ws: &mut Workspace,
    ) -> Self {
        system.set_tolerances(&tolerances, ws);
        // The pivots of another run, or of direct current, are not those of this one. Chosen at its first
        // step they last: halving a step changes `alpha` far less than the growth that would tell.
        ws.factored = Factored::Nothing;
        ws.trust = Trust::default();
        let n = system.len();
        let zeros = || vec![0.0; n];
        let mut q = zeros();
        system.charge(&ws.x, &mut q);
        // A square wave, for one, jumps away from rest at once.
        let jumps = ws
            .waveforms
            .iter()
            .any(|w| (w.at(t) - w.at_rest()).abs() > 0.0);
        Self {
            system,
            method,
            tolerances,
            t,
            q,
            q_rate: zeros(),
            opening: !at_rest || jumps,
            level: 0,
            rates: error_estimate::Rates::new(n),
            past: zeros(),
            q_middle: zeros(),
            rate_middle: zeros(),
            q_new: zeros(),
            rate_new: zeros(),
            x_old: vec![0.0; n + 1],
            x_middle: vec![0.0; n + 1],
            trail: Trail::new(n),
            estimate: vec![0.0; n + 1],
            radau: (method == Method::RadauIia5).then(|| Box::new(Radau::new(system))),
            steps: Steps::default(),
            sensitivity: None,
        }
    }

    /// Time reached, s.
    pub fn time(&self) -> f64 {
        self.t
    }

    /// `[n]` charge at the time reached.
    pub fn charge(&self) -> &[f64] {
        &self.q
    }

    /// Forgets the slopes, as after a jump: call it when `ws.x` or a waveform was changed by hand.
    pub fn restart(&mut self, t: f64, ws: &Workspace) {
        self.t = t;
        self.system.charge(&ws.x, &mut self.q);
        self.opening = true;
        self.trail.clear();
        self.rates.clear();
    }

    /// Goes on from `ws.x`, moved by so little that the slopes still hold.
    pub(crate) fn moved(&mut self, ws: &Workspace) {
        self.system.charge(&ws.x, &mut self.q);
        self.trail.clear();
    }

    /// Advances to the next grid time `until`; `ws.x` is the solution there.
    ///
    /// # Errors
    /// [`SimError::Stuck`] when the smallest sub-step fails.
    pub fn advance(&mut self, until: f64, ws: &mut Workspace) -> Result<(), SimError> {
        while self.t < until {
            let edge = self.system.next_edge(self.t, &ws.waveforms);
            let end = until.min(edge);
            self.interval(end, ws)?;
            if edge <= until {
                self.opening = true;
                self.trail.clear();
                self.rates.clear();
            }
        }
        Ok(())
    }

    /// From `self.t` to `end`, no jump between.
    fn interval(&mut self, end: f64, ws: &mut Workspace) -> Result<(), SimError> {
        let whole = end - self.t;
        if self.opening && self.method != Method::RadauIia5 {
            self.open(whole * OPENING, ws)?;
        }
        let (start, span) = (self.t, end - self.t);
        // Place inside the interval, in units of its smallest fraction.
        let units = 1_u64 << self.tolerances.halvings;
        let mut place = 0_u64;
        while place < units {
            if let Some(level) = self.steps.next() {
                self.level = level;
            }
            let length = units >> self.level;
            // The target is computed, not summed, so that the last step ends on the grid exactly.
            let next = place + length;
            let t_next = if next == units {
                end
            } else {
                start + span * (next as f64 / units as f64)
            };
            match self.step(t_next, ws) {
                Step::Taken => {
                    place = next;
                    ws.counts.steps += 1;
                    self.steps.taken(self.level);
                    self.grow(place, units);
                }
                Step::Newton(worst) => {
                    ws.counts.newton_failures += 1;
                    self.steps.free();
                    if self.level >= self.tolerances.halvings {
                        return Err(SimError::Stuck {
                            time: self.t,
                            worst: self.system.name(worst).to_owned(),
                            counts: ws.counts,
                        });
                    }
                    self.level += 1;
                }
                Step::Error => {
                    // Never at the finest level, where a step is taken as it is.
                    ws.counts.error_failures += 1;
                    self.level += 1;
                }
            }
        }
        Ok(())
    }

    /// Doubles the step when the estimate allows and the place is aligned for it.
    fn grow(&mut self, place: u64, units: u64) {
        /// The error of a second-order step grows eightfold when the step doubles; with a margin.
        const ROOM: f64 = 1.0 / 16.0;
        if self.level > 0 && self.rates.last_error < ROOM {
            let doubled = units >> (self.level - 1);
            if place.is_multiple_of(doubled) {
                self.level -= 1;
            }
        }
    }

    /// One step to `t_next`; on failure `ws.x` and the state are as before.
    fn step(&mut self, t_next: f64, ws: &mut Workspace) -> Step {
        self.x_old.copy_from_slice(&ws.x);
        let h = t_next - self.t;
        let taken = match self.method {
            Method::TrBdf2 => self.tr_bdf2(h, t_next, ws),
            Method::Trapezoidal => self.trapezoidal(h, t_next, ws),
            Method::RadauIia5 => self.radau(h, t_next, ws),
        };
        if let Step::Taken = taken {
            self.rates.push(self.t, &self.q_rate);
            std::mem::swap(&mut self.q, &mut self.q_new);
            std::mem::swap(&mut self.q_rate, &mut self.rate_new);
            if self.method != Method::TrBdf2 {
                // TR-BDF2 has left its start and its middle there.
                self.trail.push(self.t, &self.x_old);
            }
            self.t = t_next;
            self.opening = false;
            self.system.commit(ws);
            if let Some(sensitivity) = &mut self.sensitivity {
                sensitivity.accept();
            }
        } else {
            ws.x.copy_from_slice(&self.x_old);
        }
        taken
    }

    /// dq/dt = alpha·q + rest at a stage; solves it into `ws.x`, `q` and `rate`.
    fn stage(&mut self, alpha: f64, t: f64, ws: &mut Workspace) -> Result<(), u32> {
        // `past` holds the rest of the formula; the sources join it.
        self.rate_new.copy_from_slice(&self.past);
        self.system
            .sources_into(t, 1.0, &ws.waveforms, &mut self.past);
        match newton(self.system, Formula::new(alpha, &self.past), ws) {
            Outcome::Converged { .. } => {
                self.system.charge(&ws.x, &mut self.q_new);
                for (rate, q) in self.rate_new.iter_mut().zip(&self.q_new) {
                    *rate += alpha * q;
                }
                Ok(())
            }
            Outcome::Diverged { worst } => Err(worst),
            Outcome::Singular { at } => Err(at),
        }
    }

    /// Lets the sensitivity follow the stage just solved.
    fn follow(&mut self, stage: Stage, alpha: f64, ws: &mut Workspace) {
        if let Some(sensitivity) = &mut self.sensitivity {
            sensitivity.stage(self.system, stage, alpha, ws);
        }
    }

    /// A minute implicit-Euler step that finds the slopes.
    fn open(&mut self, h: f64, ws: &mut Workspace) -> Result<(), SimError> {
        let alpha = 1.0 / h;
        for (past, q) in self.past.iter_mut().zip(&self.q) {
            *past = -alpha * q;
        }
        let t = self.t + h;
        self.x_old.copy_from_slice(&ws.x);
        if let Err(worst) = self.stage(alpha, t, ws) {
            return Err(SimError::Stuck {
                time: self.t,
                worst: self.system.name(worst).to_owned(),
                counts: ws.counts,
            });
        }
        self.follow(Stage::Opening, alpha, ws);
        if let Some(sensitivity) = &mut self.sensitivity {
            sensitivity.accept();
        }
        ws.counts.steps += 1;
        std::mem::swap(&mut self.q, &mut self.q_new);
        std::mem::swap(&mut self.q_rate, &mut self.rate_new);
        self.t = t;
        self.opening = false;
        self.system.commit(ws);
        Ok(())
    }
}

/// Runs from `ws.x` at time `from` through the grid `from + k·interval` to `until`, feeding `probe`
/// the start and every grid time.
///
/// # Errors
/// [`SimError::Stuck`].
#[allow(clippy::too_many_arguments)] // the run's definition; a struct would only rename it
pub fn transient(
    system: &System,
    method: Method,
    (from, until, interval): (f64, f64, f64),
    at_rest: bool,
    tolerances: &Tolerances,
    ws: &mut Workspace,
    probe: &mut impl Probe,
) -> Result<(), SimError> {
    let mut stepper = Stepper::new(system, method, *tolerances, from, at_rest, ws);
    let steps = ((until - from) / interval).round() as u64;
    if probe.accept(from, &ws.x).is_break() {
        return Ok(());
    }
    for k in 1..=steps {
        let t = from + (until - from) * (k as f64 / steps as f64);
        stepper.advance(t, ws)?;
        if probe.accept(t, &ws.x).is_break() {
            break;
        }
    }
    Ok(())
}
