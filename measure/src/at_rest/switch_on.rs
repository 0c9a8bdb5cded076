//! What happens at switch-on: mains on at once, capacitors empty, cathodes cold or hot.
//!
//! ```text
//! f(x, t, e(t)) + C·dx/dt = 0 from x = 0,   the current of every valve times its emission e(t)
//! ```
//!
//! The run ends when the HT has come within 1 % of its resting value with all cathodes warm. The HT is the
//! capacitor that holds the most energy at rest. Currents are read from two runs: switched on where the
//! mains crosses zero, which drives iron furthest (its flux doubles), and at its peak, where an empty
//! capacitor takes the most; volts from the first.
//!
//! Valid     heaters at their rated volts warm up by `models::emission`; a core starts without remanence;
//!           heaters have their hot resistance from the start, so that their own surge is not there
//! Cost      about a hundred steps of TR-BDF2 and their sub-steps a mains cycle

use std::f64::consts::FRAC_PI_2;

use serde::Serialize;

use crate::instruments::peak::{Peak, most};
use crate::instruments::valve::AgainstLimit;
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::circuit::PartId;
use sim::error::SimError;
use sim::parts::Waveform;
use sim::system::{System, Workspace};
use sim::tolerances::Tolerances;
use sim::transient::{Method, Stepper};

mod cathodes;
mod record;
mod silicon;

pub use cathodes::{Cathode, Stated};
pub use record::{CapacitorEnvelope, Envelope};
pub use silicon::with_silicon;

use cathodes::Warming;
use record::Record;

/// The longest run, s: a valve that is not warm by then never will be.
pub const LONGEST: f64 = 60.0;
/// Length of a step, s: a rectifier conducts for ten of them.
const STEP: f64 = 200e-6;
/// How many times as short the steps of the first cycle are: an empty capacitor behind a resistance takes its
/// greatest current at once.
const FINER: f64 = 16.0;
/// How near to its resting value the HT counts as settled.
const SETTLED: f64 = 0.01;
/// How long it must have stayed there, s.
const HOLD: f64 = 0.2;
/// Length of the run at the peak of the mains, s: inrush is over by then.
const INRUSH: f64 = 0.5;

/// The question.
#[derive(Clone, Copy, Debug)]
pub struct SwitchOnOf {
    /// True for valves that are hot already: off and on again, the capacitors discharged.
    pub hot: bool,
    /// The mains, whose current is read.
    pub mains: Option<PartId>,
}

/// Where on its cycle the mains is switched on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// Where it crosses zero, rising.
    Zero,
    /// At its peak.
    Peak,
}

/// What happened. SI units.
#[derive(Clone, Debug, Serialize)]
pub struct SwitchOn {
    /// True when the valves were hot.
    pub hot: bool,
    /// Of the mains, s; one point of the envelope each.
    pub period: f64,
    /// Length of the run, s.
    pub duration: f64,
    /// When the HT had settled, s; none within the run.
    pub settled: Option<f64>,
    /// Designator of the capacitor whose volts are the HT; none when none is charged at rest.
    pub ht: Option<String>,
    /// Capacitors in series with it, as in a doubler: the HT is the volts of all.
    #[serde(skip)]
    pub ht_with: Vec<String>,
    /// Every cathode.
    pub cathodes: Vec<Cathode>,
    /// Every capacitor.
    pub capacitors: Vec<CapacitorAtSwitchOn>,
    /// Every rectifier, of silicon too.
    pub rectifiers: Vec<RectifierAtSwitchOn>,
    /// Current taken from the mains; none when no part is the mains.
    pub mains: Option<Surge>,
    /// The greatest volts anywhere in either run, windings included; none of a circuit without nodes.
    pub peak: Option<Peak>,
    /// Volts against time.
    pub envelope: Envelope,
}

/// A capacitor.
#[derive(Clone, Debug, Serialize)]
pub struct CapacitorAtSwitchOn {
    /// Designator.
    pub part: String,
    /// F.
    pub capacitance: f64,
    /// Greatest volts between its ends, without sign, V.
    pub peak: AgainstLimit,
    /// When that was, s.
    pub at: f64,
    /// The greatest at rest, without sign, V.
    pub at_rest: f64,
    /// The furthest an electrolytic was charged the wrong way, V; none for others.
    pub reversed: Option<f64>,
}

/// A rectifier.
#[derive(Clone, Debug, Serialize)]
pub struct RectifierAtSwitchOn {
    /// Designator.
    pub part: String,
    /// Type designation, "silicon" for diodes.
    pub kind: String,
    /// Greatest current of an anode.
    pub surge: Surge,
    /// What an anode may carry at the peak of every cycle, A; none when not known.
    pub limit: Option<f64>,
}

/// A current at its greatest.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Surge {
    /// A, without sign.
    pub peak: f64,
    /// s after switch-on.
    pub at: f64,
    /// Where the mains was switched on.
    pub phase: Phase,
    /// The greatest at rest, A.
    pub at_rest: f64,
}

impl Surge {
    fn larger(self, other: Self) -> Self {
        if other.peak > self.peak { other } else { self }
    }
}

/// How exactly a cycle is solved: three parts in a thousand a step, 0.3 V or 30 mA of what is less, which the circuit forgets
/// as it settles; where no step can be found so, thrice as exactly. A third of it follows what the rectifiers throw into the
/// output transformer and takes twice the time, for capacitors and surges that agree to three digits; thrice as much invents
/// surges.
fn tolerances(local_error: f64) -> Tolerances {
    Tolerances {
        newton_volts: 1e-5,
        newton_amps: 1e-6,
        newton_webers: 1e-8,
        local_error,
        // To 50 ns, for a rectifier behind leakage inductance.
        halvings: 12,
        ..Tolerances::default()
    }
}

/// Local errors of a step, in tolerances of Newton's iteration: the usual one, and where that gets stuck.
const USUAL: f64 = 3e4;
const EXACT: f64 = 1e4;

impl Measurement for SwitchOnOf {
    type Answer = SwitchOn;

    /// Runs the circuit from nothing to its rest; `progress` gets the share done as far as it can be known.
    ///
    /// # Errors
    /// [`SimError::Stuck`].
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<SwitchOn, SimError> {
        let (circuit, system, rest) = (of.circuit, of.system, &of.rest);
        let period = rest.mains.map_or(0.02, |mains| mains.duration);
        let warming = Warming::of(circuit, system, self.hot);
        let mut first = Record::new(circuit, system, self.mains, period);
        let ht = first.reservoir(rest);
        let expected = warming.warm() + INRUSH;
        let (duration, settled) = follow(
            system,
            &warming,
            (Phase::Zero, LONGEST),
            &mut first,
            |record, t| {
                progress(Reached::share((t / expected).min(1.0)));
                let close = ht.is_none_or(|(at, volts)| {
                    (record.mean(at) - volts).abs() <= SETTLED * volts.abs()
                });
                close && warming.is_warm(t)
            },
        )?;
        let mut second = Record::new(circuit, system, self.mains, period);
        follow(
            system,
            &warming,
            (Phase::Peak, INRUSH),
            &mut second,
            |_, _| false,
        )?;
        let at_peak = second.rectifiers(Phase::Peak, rest);
        let mains_at_peak = second.mains_surge(Phase::Peak, rest);
        Ok(SwitchOn {
            hot: self.hot,
            period,
            duration,
            settled,
            ht_with: ht.map_or_else(Vec::new, |(at, _)| first.in_series(at, rest)),
            ht: ht.map(|(at, _)| first.capacitor_name(at).to_owned()),
            cathodes: warming.cathodes.clone(),
            capacitors: first.capacitors(rest),
            rectifiers: first
                .rectifiers(Phase::Zero, rest)
                .into_iter()
                .zip(at_peak)
                .map(|(zero, peak)| RectifierAtSwitchOn {
                    surge: zero.surge.larger(peak.surge),
                    ..zero
                })
                .collect(),
            mains: first
                .mains_surge(Phase::Zero, rest)
                .zip(mains_at_peak)
                .map(|(zero, peak)| zero.larger(peak)),
            peak: most([first.peak(), second.peak()]),
            envelope: first.into_envelope(),
        })
    }
}

/// Follows the circuit from nothing until `settled` has been true for a while after a cycle, or for
/// `longest`, s; the time reached and the time from which it was true.
fn follow(
    system: &System,
    warming: &Warming,
    (phase, longest): (Phase, f64),
    record: &mut Record<'_>,
    mut settled: impl FnMut(&Record<'_>, f64) -> bool,
) -> Result<(f64, Option<f64>), SimError> {
    let mut ws = system.workspace();
    switch_on(&mut ws, phase);
    let period = record.period();
    let from = |t: f64, local_error: f64, ws: &mut Workspace| {
        let stepper = Stepper::new(
            system,
            Method::TrBdf2,
            tolerances(local_error),
            t,
            false,
            ws,
        );
        ws.verify_every_step();
        stepper
    };
    let mut stepper = from(0.0, USUAL, &mut ws);
    let mut since = None;
    let mut cycle = 0_u32;
    let mut t = 0.0;
    while t < longest {
        let start = (t, ws.x.clone(), ws.memory.clone());
        if let Err(SimError::Stuck { .. }) =
            one_cycle(&mut stepper, cycle, warming, record, &mut ws)
        {
            (t, ws.x, ws.memory) = start;
            stepper = from(t, EXACT, &mut ws);
            one_cycle(&mut stepper, cycle, warming, record, &mut ws)?;
        }
        cycle += 1;
        t = period * f64::from(cycle);
        record.end_cycle();
        if settled(record, t) {
            let start = *since.get_or_insert(t);
            if t - start >= HOLD {
                break;
            }
        } else {
            since = None;
        }
    }
    Ok((t, since))
}

/// One cycle of the mains.
fn one_cycle(
    stepper: &mut Stepper<'_>,
    cycle: u32,
    warming: &Warming,
    record: &mut Record<'_>,
    ws: &mut Workspace,
) -> Result<(), SimError> {
    let period = record.period();
    let usual = (period / STEP).round().max(1.0);
    let steps = if cycle == 0 { FINER * usual } else { usual };
    for k in 1..=steps as u64 {
        let (t, next) = (
            stepper.time(),
            period * (f64::from(cycle) + k as f64 / steps),
        );
        warming.at(0.5 * (t + next), &mut ws.emission);
        stepper.advance(next, ws)?;
        record.accept(next, ws);
    }
    Ok(())
}

/// Signals silent, the mains at its phase.
fn switch_on(ws: &mut Workspace, phase: Phase) {
    for waveform in &mut ws.waveforms {
        if !waveform.alternates() {
            *waveform = Waveform::Dc(waveform.at_rest());
        } else if let (Waveform::Alternating { phase, .. }, Phase::Peak) = (waveform, phase) {
            *phase += FRAC_PI_2;
        }
    }
}
