//! The circuit followed through time on a fixed grid, with sub-steps where the grid is too coarse.
//!
//! A grid interval is taken whole when Newton's iteration converges and the local error is small
//! enough; otherwise it is halved, and halved again, and the step grows back as soon as it may.
//! Jumps of a source end a step exactly, and the next begins with a minute implicit-Euler step,
//! because the slopes on both sides of a jump have nothing to do with each other.

use std::ops::ControlFlow;

use crate::error::SimError;
use crate::newton::{Outcome, newton};
use crate::system::{Formula, System, UnknownId};
use crate::tolerances::Tolerances;
use crate::workspace::Workspace;

mod control;
mod error_estimate;
mod interval;
mod lengths;
mod methods;
mod radau;
pub(crate) mod sensitivity;
mod state;
mod steps;
mod trail;

use control::Control;
use error_estimate::Rates;
use interval::Interval;
use lengths::Lengths;
pub use methods::Method;
use radau::Radau;
use sensitivity::{Sensitivity, Stage};
use state::{Charge, State};
pub(crate) use steps::Choice;
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

/// Length of the opening step after a jump, as a share of the grid interval; where Newton's iteration fails, the next. The
/// first one's own error is of second order in 2⁻¹⁰: at 96 kHz −95 dB of the jump for a ringing of 100 kHz. Shorter steps
/// only trade that error for rounding, since charges and fluxes are differenced over the step. Where the jump is too
/// large for the iteration, they serve; where the interval itself is so short that rounding keeps it from ending, longer
/// ones do.
const OPENINGS: [f64; 6] = [
    1.0 / 1024.0,
    1.0 / 4096.0,
    1.0 / 16_384.0,
    1.0 / 128.0,
    1.0 / 16.0,
    1.0 / 2.0,
];

/// A run in progress: the state that belongs to time, beside the unknowns in the workspace.
#[derive(Clone, Debug)]
pub struct Stepper<'a> {
    system: &'a System,
    method: Method,
    tolerances: Tolerances,
    now: State,
    control: Control,
    lengths: Lengths,
    /// What came before, for the guess of the next solution and for the error of the charges.
    trail: Trail,
    rates: Rates,
    room: Room,
    /// `[n]` the greatest size of each unknown in a cycle; zero where no cycle is known.
    peaks: Vec<f64>,
    radau: Option<Box<Radau>>,
    /// Followed along when present; TR-BDF2 only.
    pub(crate) sensitivity: Option<Sensitivity>,
    /// `[steps]` the end of each step taken, s, and `[n+1]` the solution there, where it is asked for.
    pub(crate) path: Option<Vec<(f64, Vec<f64>)>>,
}

/// Scratch of a step.
#[derive(Clone, Debug)]
struct Room {
    /// `[n]` what a formula adds to alpha·q, sources included.
    past: Vec<f64>,
    /// In the middle of the step and at its end.
    middle: Charge,
    new: Charge,
    /// `[n+1]` solutions at the start of the step and in its middle.
    x_old: Vec<f64>,
    x_middle: Vec<f64>,
    /// `[n+1]` local error.
    estimate: Vec<f64>,
}

impl Room {
    fn new(n: usize) -> Self {
        Self {
            past: vec![0.0; n],
            middle: Charge::new(n),
            new: Charge::new(n),
            x_old: vec![0.0; n + 1],
            x_middle: vec![0.0; n + 1],
            estimate: vec![0.0; n + 1],
        }
    }
}

/// How a step ended.
enum Step {
    /// The state is that of its end.
    Taken,
    /// Newton's iteration failed; the unknown that would have moved most.
    Newton(UnknownId),
    /// The local error is too large.
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
        // Pivots chosen at the first step of a run last: halving a step changes `alpha` far less than the
        // growth that would tell.
        ws.start_afresh();
        // A square wave, for one, jumps away from rest at once.
        let jumps = ws
            .waveforms
            .iter()
            .any(|w| (w.at(t) - w.at_rest()).abs() > 0.0);
        let n = system.len();
        Self {
            system,
            method,
            tolerances,
            now: State::of(system, &ws.x, t, !at_rest || jumps),
            control: Control::new(tolerances.halvings),
            lengths: Lengths::default(),
            trail: Trail::new(n),
            rates: Rates::new(n),
            room: Room::new(n),
            peaks: vec![0.0; n],
            radau: match method {
                Method::TrBdf2 | Method::Trapezoidal => None,
                Method::RadauIia5 => Some(Box::new(Radau::new(system))),
            },
            sensitivity: None,
            path: None,
        }
    }

    /// Time reached, s.
    pub fn time(&self) -> f64 {
        self.now.t
    }

    /// `[n]` charge at the time reached.
    pub fn charge(&self) -> &[f64] {
        &self.now.charge.q
    }

    /// Forgets the slopes, as after a jump: call it when `ws.x` or a waveform was changed by hand.
    pub fn restart(&mut self, t: f64, ws: &Workspace) {
        self.now.t = t;
        self.system.charge(&ws.x, &mut self.now.charge.q);
        self.jumped();
    }

    /// Goes on from `ws.x`, moved by so little that the slopes still hold.
    pub(crate) fn moved(&mut self, ws: &Workspace) {
        self.system.charge(&ws.x, &mut self.now.charge.q);
        self.trail.clear();
    }

    /// From now on the error of an unknown counts against a share of its greatest size in these samples,
    /// `[samples][n+1]`, where it is smaller than that: the current of a valve that is cut off, for one.
    pub(crate) fn peaks_of(&mut self, samples: &[Vec<f64>]) {
        self.peaks.fill(0.0);
        for x in samples {
            for (peak, x) in self.peaks.iter_mut().zip(x) {
                *peak = peak.max(x.abs());
            }
        }
    }

    /// A cycle starts that chooses its steps like this; whether it sets out by kept ones.
    pub(crate) fn begin_cycle(&mut self, steps: Choice) -> bool {
        self.control.begin_cycle(steps)
    }

    /// Advances to the next grid time `until`; `ws.x` is the solution there.
    ///
    /// # Errors
    /// [`SimError::Stuck`] when the smallest sub-step fails.
    pub fn advance(&mut self, until: f64, ws: &mut Workspace) -> Result<(), SimError> {
        while self.now.t < until {
            let edge = self.system.next_edge(self.now.t, &ws.waveforms);
            self.interval(until.min(edge), ws)?;
            if edge <= until {
                self.jumped();
            }
        }
        Ok(())
    }

    /// From the time reached to `end`, no jump between.
    fn interval(&mut self, end: f64, ws: &mut Workspace) -> Result<(), SimError> {
        if self.now.opening && self.method.needs_rates() {
            self.open(end - self.now.t, ws)?;
        }
        let mut reached = Interval::new(self.now.t, end, self.control.deepest());
        while !reached.is_over() {
            let level = self.control.level();
            let next = reached.after_step(level);
            let h = self.lengths.of(level, next.time() - self.now.t);
            match self.step(h, next.time(), ws) {
                Step::Taken => {
                    ws.counts.steps += 1;
                    reached = next;
                    self.control.taken(&reached);
                }
                Step::Newton(worst) => {
                    ws.counts.newton_failures += 1;
                    if !self.control.failed() {
                        return Err(self.stuck(worst, ws));
                    }
                }
                Step::Error => {
                    ws.counts.error_failures += 1;
                    self.control.refused();
                }
            }
        }
        Ok(())
    }

    /// One step, `h` long, to `t_next`; on failure `ws.x` and the state are as before.
    fn step(&mut self, h: f64, t_next: f64, ws: &mut Workspace) -> Step {
        self.room.x_old.copy_from_slice(&ws.x);
        let method = self.method_of_step();
        let taken = match method {
            Method::TrBdf2 => self.tr_bdf2(h, t_next, ws),
            Method::Trapezoidal => self.trapezoidal(h, t_next, ws),
            Method::RadauIia5 => self.radau(h, t_next, ws),
        };
        if let Step::Taken = taken {
            self.rates.push(self.now.t, &self.now.charge.rate);
            std::mem::swap(&mut self.now.charge, &mut self.room.new);
            if !method.leaves_a_trail() {
                self.trail.push(self.now.t, &self.room.x_old);
            }
            self.now.t = t_next;
            self.now.opening = false;
            self.system.commit(ws);
            if let Some(sensitivity) = &mut self.sensitivity {
                sensitivity.accept();
            }
            if let Some(path) = &mut self.path {
                path.push((t_next, ws.x.clone()));
            }
        } else {
            ws.x.copy_from_slice(&self.room.x_old);
        }
        taken
    }

    /// The method of the next step: the trapezoidal rule estimates its error from what came before, so after a jump, and at
    /// the start of a run, it is TR-BDF2 that goes first.
    fn method_of_step(&self) -> Method {
        match self.method {
            Method::Trapezoidal
                if !self.rates.are_known() && self.tolerances.local_error.is_finite() =>
            {
                Method::TrBdf2
            }
            method => method,
        }
    }

    /// dq/dt = alpha·q + rest at a stage; solves it into `ws.x`, `q` and `rate`.
    fn stage(&mut self, alpha: f64, t: f64, ws: &mut Workspace) -> Result<(), UnknownId> {
        // `past` holds the rest of the formula; the sources join it.
        self.room.new.rate.copy_from_slice(&self.room.past);
        self.system
            .sources_into(t, 1.0, &ws.waveforms, &mut self.room.past);
        match newton(self.system, Formula::new(alpha, &self.room.past), ws) {
            Outcome::Converged { .. } => {
                self.system.charge(&ws.x, &mut self.room.new.q);
                for (rate, q) in self.room.new.rate.iter_mut().zip(&self.room.new.q) {
                    *rate += alpha * q;
                }
                Ok(())
            }
            Outcome::Diverged { worst } => Err(worst),
            Outcome::Singular { at } => Err(at),
        }
    }

    /// What was known of slopes holds no longer.
    fn jumped(&mut self) {
        self.now.opening = true;
        self.trail.clear();
        self.rates.clear();
    }

    fn stuck(&self, worst: UnknownId, ws: &Workspace) -> SimError {
        SimError::Stuck {
            time: self.now.t,
            worst: self.system.name(worst).to_owned(),
            counts: ws.counts,
        }
    }

    /// Lets the sensitivity follow the stage just solved.
    fn follow(&mut self, stage: Stage, alpha: f64, ws: &mut Workspace) {
        if let Some(sensitivity) = &mut self.sensitivity {
            sensitivity.stage(self.system, stage, alpha, ws);
        }
    }

    /// A minute implicit-Euler step of an interval, s, that finds the slopes.
    fn open(&mut self, interval: f64, ws: &mut Workspace) -> Result<(), SimError> {
        self.room.x_old.copy_from_slice(&ws.x);
        let mut tried = 0;
        let mut h = interval * OPENINGS[tried];
        while let Err(worst) = self.euler(h, ws) {
            ws.counts.newton_failures += 1;
            tried += 1;
            let Some(share) = OPENINGS.get(tried) else {
                return Err(self.stuck(worst, ws));
            };
            ws.x.copy_from_slice(&self.room.x_old);
            h = interval * share;
        }
        let t = self.now.t + h;
        self.follow(Stage::Opening, 1.0 / h, ws);
        if let Some(sensitivity) = &mut self.sensitivity {
            sensitivity.accept();
        }
        ws.counts.steps += 1;
        std::mem::swap(&mut self.now.charge, &mut self.room.new);
        self.now.t = t;
        self.now.opening = false;
        self.system.commit(ws);
        Ok(())
    }

    /// An implicit-Euler stage `h`, s, long, solved into `ws.x`.
    fn euler(&mut self, h: f64, ws: &mut Workspace) -> Result<(), UnknownId> {
        let alpha = 1.0 / h;
        for (past, q) in self.room.past.iter_mut().zip(&self.now.charge.q) {
            *past = -alpha * q;
        }
        self.stage(alpha, self.now.t + h, ws)
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
