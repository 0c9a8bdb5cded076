//! The circuit linearised along a period of its mains: slopes that vary in step with it.
//!
//! ```text
//! C·dx/dt + G(t)·x = b·e^{jωt},  G(t + T) = G(t);     X = (1/T)·∫ x·e^{−jωt} dt over a period
//! ```
//!
//! A rectifier conducts for a while of each cycle. Its mean slope stands in series with the winding as if it conducted
//! all the time, which makes a supply stiffer than it is; here it conducts when it does. A step of the two-stage SDIRK
//! rule is a map of the charges, the steps of a period one matrix; what the drive repeats after a period, but for its
//! phase, is the answer:
//!
//! ```text
//! (a·C + G)·x₁ = a·q + b₁,    (a·C + G)·x₂ = a·q + β·(C·x₁ − q) + b₂,    q ← C·x₂
//! q(T) = M·q(0) + r,   q(T) = e^{jωT}·q(0)   ⇒   (e^{jωT} − M)·q(0) = r
//! ```
//!
//! Symbols   h step;  γ = 1 − 1/√2;  a = 1/(γh);  β = a·(1 − γ)/γ;  M `[states × states]`;  X phasors, V, A, Wb
//! Source    Zadeh, Proc. IRE 38 (1950) 291 (networks that vary in time);  Alexander, SIAM J. Numer. Anal. 14 (1977)
//!           1006 (the rule; both from memory)
//! Valid     ω well below the steps: an error of order (ωh)²
//! Care      what a signal makes at other frequencies, such as ω ± the mains, is left out of X; 2·MOMENTS
//!           factorisations and a matrix once, eight solutions a moment for a frequency

use nalgebra::{Complex, DMatrix, DVector};

use super::closing::Closing;
use crate::error::SimError;
use crate::lu::KeptFactors;
use crate::newton::factor;
use crate::system::{Formula, System};
use crate::workspace::Workspace;

/// Steps of a period: 78 µs of 20 ms, some thirty while a rectifier conducts.
const MOMENTS: usize = 256;

/// Columns of the matrix that are carried through beside each other.
const BESIDE: usize = 8;

const GAMMA: f64 = 1.0 - std::f64::consts::FRAC_1_SQRT_2;

/// A circuit linearised along a period.
#[derive(Clone, Debug)]
pub(crate) struct Varying {
    duration: f64,
    steps: usize,
    /// Two a step.
    stages: KeptFactors,
    /// The rows of C with entries, which charges and fluxes stand in.
    rows: Vec<usize>,
    /// `[rows × rows]` what a period makes of the charges at its start.
    matrix: DMatrix<f64>,
    /// Weights of a step.
    a: f64,
    beta: f64,
    omega: f64,
    /// e^{jωT} − M, once a frequency is asked for.
    closing: Option<Closing>,
}

/// A right side or a solution, `[n]`: several beside each other, or the parts of a complex one.
type Beside<const W: usize> = Vec<[f64; W]>;

impl Varying {
    /// Linearises along `samples` `[samples][n+1]`, evenly over a period of `duration`, s.
    ///
    /// # Errors
    /// [`SimError::Undetermined`] where the equations have no answer.
    pub(crate) fn along(
        system: &System,
        samples: &[Vec<f64>],
        duration: f64,
        ws: &mut Workspace,
    ) -> Result<Self, SimError> {
        let steps = MOMENTS.min(samples.len());
        let a = steps as f64 / (GAMMA * duration);
        let past = vec![0.0; system.len()];
        let formula = Formula::new(a, &past);
        let kept = ws.x.clone();
        let mut stages = KeptFactors::default();
        for stage in (0..steps).flat_map(|k| [k as f64 + GAMMA, (k + 1) as f64]) {
            between(samples, stage / steps as f64, &mut ws.x);
            system.assemble(formula, ws);
            factor(system, formula, true, ws).map_err(|at| SimError::Undetermined {
                unknown: system.name(at).to_owned(),
            })?;
            stages.keep(&ws.factors);
        }
        ws.x = kept;
        let rows = states(system);
        let mut varying = Self {
            duration,
            steps,
            stages,
            matrix: DMatrix::zeros(rows.len(), rows.len()),
            closing: None,
            rows,
            a,
            beta: a * (1.0 - GAMMA) / GAMMA,
            omega: f64::NAN,
        };
        varying.make_matrix(system);
        Ok(varying)
    }

    fn make_matrix(&mut self, system: &System) {
        let mut q: Beside<BESIDE> = vec![[0.0; BESIDE]; system.len()];
        for (block, columns) in self.rows.chunks(BESIDE).enumerate() {
            q.fill([0.0; BESIDE]);
            for (lane, &row) in columns.iter().enumerate() {
                q[row][lane] = 1.0;
            }
            self.through(system, &mut q, |_, _| {}, |_, _| {});
            for (row, &at) in self.rows.iter().enumerate() {
                for (lane, value) in q[at].iter().take(columns.len()).enumerate() {
                    self.matrix[(row, block * BESIDE + lane)] = *value;
                }
            }
        }
    }

    /// Goes to a frequency, Hz.
    ///
    /// # Errors
    /// [`SimError::Undetermined`] at an ideal resonance.
    pub(crate) fn tune(&mut self, system: &System, frequency: f64) -> Result<(), SimError> {
        self.omega = std::f64::consts::TAU * frequency;
        let turn = Complex::cis(self.omega * self.duration);
        let closing = self
            .closing
            .get_or_insert_with(|| Closing::of(&self.matrix));
        if !closing.at(turn) {
            return Err(SimError::Undetermined {
                unknown: system.name(self.rows[0] as u32).to_owned(),
            });
        }
        Ok(())
    }

    /// `[n+1]` phasors of all unknowns for the right side `b` `[n]`.
    pub(crate) fn response(&self, system: &System, b: &[f64]) -> Vec<Complex<f64>> {
        let n = system.len();
        let drives = |stage: usize, x: &mut [[f64; 2]]| {
            add(b, Complex::cis(self.omega * self.time(stage)), x);
        };
        let mut q: Beside<2> = vec![[0.0; 2]; n];
        self.through(system, &mut q, drives, |_, _| {});
        self.close(&mut q, Closing::solve);
        let mut mean = vec![Complex::default(); n + 1];
        self.through(system, &mut q, drives, |stage, x| {
            if stage % 2 == 0 {
                return;
            }
            let weight = Complex::cis(-self.omega * self.time(stage)) / self.steps as f64;
            for (mean, x) in mean.iter_mut().zip(x) {
                *mean += weight * Complex::new(x[0], x[1]);
            }
        });
        mean
    }

    /// `[n+1]` what a unit in each equation makes of the phasor Σ c·x; `c` `[n]`. The transposed equations, step by
    /// step from the end of the period to its start.
    pub(crate) fn transfers(&self, system: &System, c: &[f64]) -> Vec<Complex<f64>> {
        let n = system.len();
        let mut slopes: Beside<2> = vec![[0.0; 2]; n];
        self.back(system, c, &mut slopes, |_, _| {});
        self.close(&mut slopes, Closing::solve_transposed);
        let mut sum = vec![Complex::default(); n + 1];
        self.back(system, c, &mut slopes, |t, y| {
            let turn = Complex::cis(self.omega * t);
            for (sum, y) in sum.iter_mut().zip(y) {
                *sum += turn * Complex::new(y[0], y[1]);
            }
        });
        sum
    }

    /// From what a period adds, r, to what it starts from: (e^{jωT} − M)⁻¹·r, or its transpose.
    fn close(
        &self,
        q: &mut [[f64; 2]],
        solve: impl FnOnce(&Closing, &DVector<Complex<f64>>) -> DVector<Complex<f64>>,
    ) {
        let added = self
            .rows
            .iter()
            .map(|&row| Complex::new(q[row][0], q[row][1]));
        let added = DVector::from_iterator(self.rows.len(), added);
        let closing = self.closing.as_ref().expect("a frequency is gone to first");
        let start = solve(closing, &added);
        q.fill([0.0; 2]);
        for (&row, z) in self.rows.iter().zip(&start) {
            q[row] = [z.re, z.im];
        }
    }

    /// How many stages a period has: two a step, the second at its end.
    pub(crate) fn stages(&self) -> usize {
        2 * self.steps
    }

    /// When a stage is, s after the start of the period.
    pub(crate) fn time(&self, stage: usize) -> f64 {
        let within = if stage.is_multiple_of(2) { GAMMA } else { 1.0 };
        ((stage / 2) as f64 + within) * self.duration / self.steps as f64
    }

    /// The weights of a step: a of its charges, and β of what its first stage has left over.
    pub(crate) fn weights(&self) -> (f64, f64) {
        (self.a, self.beta)
    }

    /// `[rows × rows]` what a period makes of the charges at its start.
    pub(crate) fn matrix(&self) -> &DMatrix<f64> {
        &self.matrix
    }

    /// The rows that charges and fluxes stand in.
    pub(crate) fn rows(&self) -> &[usize] {
        &self.rows
    }

    /// Carries the charges `q` `[n]` through a period. `drive` adds the right side at a stage; `take` is shown the
    /// solution there.
    pub(crate) fn through<const W: usize>(
        &self,
        system: &System,
        q: &mut [[f64; W]],
        mut drive: impl FnMut(usize, &mut [[f64; W]]),
        mut take: impl FnMut(usize, &[[f64; W]]),
    ) {
        let n = system.len();
        let mut x = vec![[0.0; W]; n];
        let mut middle = vec![[0.0; W]; n];
        let mut room = vec![[0.0; W]; n];
        for step in 0..self.steps {
            combine(&mut x, &[(self.a, q)]);
            drive(2 * step, &mut x);
            self.stages.solve(2 * step, &mut x, &mut room);
            take(2 * step, &x);
            system.charge_beside(&x, &mut middle);
            combine(&mut x, &[(self.a - self.beta, q), (self.beta, &middle)]);
            drive(2 * step + 1, &mut x);
            self.stages.solve(2 * step + 1, &mut x, &mut room);
            system.charge_beside(&x, q);
            take(2 * step + 1, &x);
        }
    }

    /// Carries slopes with respect to the charges, `[n]`, from the end of a period to its start, while the phasor
    /// Σ c·x gathers; `take` is shown the slope with respect to the right side at each time, s.
    fn back(
        &self,
        system: &System,
        c: &[f64],
        slopes: &mut [[f64; 2]],
        mut take: impl FnMut(f64, &[[f64; 2]]),
    ) {
        let n = system.len();
        let h = self.duration / self.steps as f64;
        let mut last = vec![[0.0; 2]; n];
        let mut first = vec![[0.0; 2]; n];
        let mut room = vec![[0.0; 2]; n];
        for step in (0..self.steps).rev() {
            let t = step as f64 * h;
            charge_transposed(system, 1.0, slopes, &mut last);
            let weight = Complex::cis(-self.omega * (t + h)) / self.steps as f64;
            add(c, weight, &mut last);
            self.stages
                .solve_transposed(2 * step + 1, &mut last, &mut room);
            take(t + h, &last);
            charge_transposed(system, self.beta, &last, &mut first);
            self.stages
                .solve_transposed(2 * step, &mut first, &mut room);
            take(t + GAMMA * h, &first);
            combine(slopes, &[(self.a - self.beta, &last), (self.a, &first)]);
        }
    }
}

/// The rows of C with entries, ascending: what charges and fluxes stand in.
pub(crate) fn states(system: &System) -> Vec<usize> {
    let mut rows: Vec<usize> = system
        .stored()
        .iter()
        .map(|stored| stored.0 as usize)
        .collect();
    rows.sort_unstable();
    rows.dedup();
    rows
}

/// The samples at a share of the period, on the straight line between two of them.
pub(crate) fn between(samples: &[Vec<f64>], share: f64, x: &mut [f64]) {
    let place = share * samples.len() as f64;
    let before = place.floor();
    let (from, to) = (
        before as usize % samples.len(),
        (before as usize + 1) % samples.len(),
    );
    let part = place - before;
    for ((x, from), to) in x.iter_mut().zip(&samples[from]).zip(&samples[to]) {
        *x = from + part * (to - from);
    }
}

/// x ← x + b·z;  `b` `[n]`.
fn add(b: &[f64], z: Complex<f64>, x: &mut [[f64; 2]]) {
    for (x, b) in x.iter_mut().zip(b) {
        x[0] += b * z.re;
        x[1] += b * z.im;
    }
}

/// x ← Σ weight·y.
fn combine<const W: usize>(x: &mut [[f64; W]], terms: &[(f64, &[[f64; W]])]) {
    for (k, x) in x.iter_mut().enumerate() {
        *x = std::array::from_fn(|lane| terms.iter().map(|(w, y)| w * y[k][lane]).sum());
    }
}

/// x ← weight·Cᵀ·q, `[n]`.
fn charge_transposed(system: &System, weight: f64, q: &[[f64; 2]], x: &mut [[f64; 2]]) {
    x.fill([0.0; 2]);
    for &(row, column, value) in system.stored() {
        for (x, q) in x[column as usize].iter_mut().zip(q[row as usize]) {
            *x += weight * value * q;
        }
    }
}
