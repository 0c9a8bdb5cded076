//! The methods: how a step approximates dq/dt.

use super::sensitivity::Stage;
use super::{Step, Stepper};
use crate::workspace::Workspace;

/// A method of time integration.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Method {
    /// Trapezoidal to t + γh, second backward difference to t + h, γ = 2 − √2; order 2, L-stable, one
    /// matrix for both stages. The default.
    ///
    /// Source   Bank et al., IEEE Trans. CAD 4 (1985) 436; error estimate of Hosea & Shampine, Appl.
    /// Numer. Math. 20 (1996) 21 (both from memory)
    #[default]
    TrBdf2,
    /// Trapezoidal rule; order 2, no damping, half the work.
    Trapezoidal,
    /// Radau IIA of three stages; order 5, L-stable. For reference solutions: no error control.
    ///
    /// Source   Hairer & Wanner, Solving Ordinary Differential Equations II, 1996, IV.5 (from memory)
    RadauIia5,
}

impl Method {
    /// The three, for tests over all of them.
    pub const ALL: [Self; 3] = [Self::TrBdf2, Self::Trapezoidal, Self::RadauIia5];

    /// Order of the global error.
    pub fn order(self) -> u32 {
        match self {
            Self::TrBdf2 | Self::Trapezoidal => 2,
            Self::RadauIia5 => 5,
        }
    }

    /// Whether a step goes on from the rates of charge at its start, which a jump makes unknown.
    pub(super) fn needs_rates(self) -> bool {
        match self {
            Self::TrBdf2 | Self::Trapezoidal => true,
            Self::RadauIia5 => false,
        }
    }

    /// Whether a step leaves its start for the guess of the next by itself, its middle after it.
    pub(super) fn leaves_a_trail(self) -> bool {
        match self {
            Self::TrBdf2 => true,
            Self::Trapezoidal | Self::RadauIia5 => false,
        }
    }
}

/// γ = 2 − √2 makes both stages of TR-BDF2 share one matrix.
const GAMMA: f64 = 2.0 - std::f64::consts::SQRT_2;

impl Stepper<'_> {
    /// q' at the end = 2/h·(q − q_n) − q'_n
    pub(super) fn trapezoidal(&mut self, h: f64, t_next: f64, ws: &mut Workspace) -> Step {
        let alpha = 2.0 / h;
        for ((past, q), rate) in self
            .room
            .past
            .iter_mut()
            .zip(&self.now.charge.q)
            .zip(&self.now.charge.rate)
        {
            *past = -alpha * q - rate;
        }
        self.trail.extrapolate(self.now.t, t_next, &mut ws.x);
        if let Err(worst) = self.stage(alpha, t_next, ws) {
            return Step::Newton(worst);
        }
        // Local error h³/12·q''' from the rates at three earlier times and the new one.
        if self.rates.third_derivative(
            t_next,
            &self.room.new.rate,
            self.now.t,
            &self.now.charge.rate,
            &mut self.room.estimate,
        ) {
            let scale = alpha * h.powi(3) / 12.0;
            for value in &mut self.room.estimate {
                *value *= scale;
            }
            return self.judge(ws);
        }
        self.control.unjudged(1.0);
        Step::Taken
    }

    /// First to t + γh by the trapezoidal rule, then to t + h by the second backward difference:
    /// q' = (2−γ)/((1−γ)h)·q − q_γ/(γ(1−γ)h) + (1−γ)/(γh)·q_n
    pub(super) fn tr_bdf2(&mut self, h: f64, t_next: f64, ws: &mut Workspace) -> Step {
        // Both stages: alpha = 2/(γh) = (2−γ)/((1−γ)h)
        let alpha = 2.0 / (GAMMA * h);
        for ((past, q), rate) in self
            .room
            .past
            .iter_mut()
            .zip(&self.now.charge.q)
            .zip(&self.now.charge.rate)
        {
            *past = -alpha * q - rate;
        }
        let t_middle = self.now.t + GAMMA * h;
        self.trail.extrapolate(self.now.t, t_middle, &mut ws.x);
        if let Err(worst) = self.stage(alpha, t_middle, ws) {
            return Step::Newton(worst);
        }
        self.follow(Stage::Middle, alpha, ws);
        std::mem::swap(&mut self.room.middle, &mut self.room.new);

        let (middle, old) = (
            -1.0 / (GAMMA * (1.0 - GAMMA) * h),
            (1.0 - GAMMA) / (GAMMA * h),
        );
        for ((past, q), q_middle) in self
            .room
            .past
            .iter_mut()
            .zip(&self.now.charge.q)
            .zip(&self.room.middle.q)
        {
            *past = middle * q_middle + old * q;
        }
        self.room.x_middle.copy_from_slice(&ws.x);
        self.trail.push(self.now.t, &self.room.x_old);
        self.trail.extrapolate(t_middle, t_next, &mut ws.x);
        if let Err(worst) = self.stage(alpha, t_next, ws) {
            self.trail.pop();
            return Step::Newton(worst);
        }
        self.follow(Stage::End(middle, old), alpha, ws);
        // Difference to the embedded third-order formula, b − b̂ on the three rates.
        let w = std::f64::consts::SQRT_2 / 4.0;
        let d = GAMMA / 2.0;
        let (e0, e1, e2) = (w - (1.0 - w) / 3.0, w - (3.0 * w + 1.0) / 3.0, d - d / 3.0);
        for (k, estimate) in self.room.estimate[..self.now.charge.q.len()]
            .iter_mut()
            .enumerate()
        {
            *estimate = alpha
                * h
                * (e0 * self.now.charge.rate[k]
                    + e1 * self.room.middle.rate[k]
                    + e2 * self.room.new.rate[k]);
        }
        let step = self.judge(ws);
        if let Step::Taken = step {
            self.trail.push(t_middle, &self.room.x_middle);
        } else {
            self.trail.pop();
        }
        step
    }

    pub(super) fn radau(&mut self, h: f64, t_next: f64, ws: &mut Workspace) -> Step {
        let Some(mut radau) = self.radau.take() else {
            return Step::Newton(0);
        };
        let solved = radau.step(
            self.system,
            (self.now.t, h),
            &self.now.charge.q,
            &self.trail,
            ws,
        );
        self.radau = Some(radau);
        match solved {
            Ok(()) => {
                debug_assert!(t_next > self.now.t);
                self.system.charge(&ws.x, &mut self.room.new.q);
                // A halved step may grow back at once.
                self.control.unjudged(0.0);
                Step::Taken
            }
            Err(worst) => Step::Newton(worst),
        }
    }
}
