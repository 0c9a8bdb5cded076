//! How much feedback an amplifier has, and whether it stays quiet with what may be joined to it.
//!
//! The loop gain with the rated load, and for each load of [`LoadCondition::ALL`] margins, verdict and
//! square wave. A load with which the amplifier oscillates is told as such and spoils nothing else.
//!
//! Source   `loop_gain.rs`, `square_wave.rs`

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use serde::Serialize;

use crate::instruments::load_condition::LoadCondition;
use crate::small_signal::loop_gain::{FeedbackPath, LoopGain, LoopGainOf, PathError, Peak};
use crate::small_signal::loop_gain::{PhaseCrossing, UnityCrossing};
use crate::small_signal::square_wave::{SquareWave, SquareWaveOf, small_drive};
use sim::amplifier::Bench;
use sim::circuit::{Circuit, PartId};
use sim::error::SimError;
use sim::rest::Rest;
use sim::stability::Growing;
use sim::system::{System, Workspace};
use sim::tolerances::Tolerances;

/// The range of the loop gain, Hz: from below any coupling to above any winding.
pub const RANGE: (f64, f64) = (1.0, 10e6);

/// The answer.
#[derive(Clone, Debug)]
pub struct Feedback {
    /// What closes the loop.
    pub path: FeedbackPath,
    /// With the rated load.
    pub loop_gain: LoopGain,
    /// Peak of the generator for the square waves, V.
    pub drive: f64,
    /// With every load, the rated one first.
    pub loads: Vec<AtLoad>,
}

/// The amplifier with one load.
#[derive(Clone, Debug, Serialize)]
pub struct AtLoad {
    /// True with the rated load in place, false with the output open.
    pub rated: bool,
    /// Capacitance across the output, F.
    pub capacitance: f64,
    /// Least phase margin above mid band; none when the loop gain does not cross one there.
    pub phase_margin: Option<UnityCrossing>,
    /// Gain margin nearest to nought above mid band; none when the phase does not turn so far.
    pub gain_margin: Option<PhaseCrossing>,
    /// Peak of the gain above mid band; none when it falls, or when the amplifier oscillates.
    pub peak: Option<Peak>,
    /// The natural frequency that grows; none when the amplifier is stable.
    pub growing: Option<Growing>,
    /// The square wave; none when the amplifier oscillates.
    pub square: Option<SquareWave>,
    /// Why there are no figures; none when there are.
    pub failed: Option<String>,
}

/// The path through the parts named, or the only one there is when none is.
///
/// # Errors
/// [`PathError`].
pub fn path(
    circuit: &Circuit,
    system: &System,
    bench: &Bench,
    tolerances: &Tolerances,
    named: &[PartId],
) -> Result<FeedbackPath, PathError> {
    if !named.is_empty() {
        return FeedbackPath::through(circuit, bench.load, named);
    }
    let mut ws = system.workspace();
    let mut linear = Rest::find(system, tolerances, &mut ws)?.linearised(system, &mut ws);
    linear.tune(bench.frequency)?;
    FeedbackPath::find(circuit, &mut linear, bench.load)
}

/// Answers for the loop through `path`; `progress` is told the number of loads done.
///
/// # Errors
/// Those of the operating point and of the loop gain with the rated load.
pub fn feedback(
    circuit: &Circuit,
    system: &System,
    bench: &Bench,
    path: FeedbackPath,
    tolerances: &Tolerances,
    progress: &(impl Fn(usize) + Sync),
) -> Result<Feedback, SimError> {
    let question = LoopGainOf {
        path,
        generator: bench.generator,
        load: bench.load_nodes,
        frequency: bench.frequency,
        range: RANGE,
    };
    let mut ws = system.workspace();
    to_rest(system, tolerances, &mut ws)?;
    let loop_gain = question.run(circuit, system, &mut ws)?;
    let drive = small_drive(
        circuit,
        system,
        &mut ws,
        bench.generator,
        (bench.load_nodes, bench.load_ohms),
        bench.frequency,
    )?;
    let done = AtomicUsize::new(0);
    let loads = LoadCondition::ALL
        .par_iter()
        .map(|condition| {
            let loaded = condition.of_circuit(circuit, bench.load);
            let answer = at_load(*condition, &loaded, &question, drive, tolerances);
            progress(done.fetch_add(1, Ordering::Relaxed) + 1);
            answer.unwrap_or_else(|error| AtLoad {
                failed: Some(error.to_string()),
                ..AtLoad::nothing(*condition)
            })
        })
        .collect();
    Ok(Feedback {
        path: question.path,
        loop_gain,
        drive,
        loads,
    })
}

/// Brings `ws` to rest; on the mains to the mean of its period, which is as good for signals.
fn to_rest(system: &System, tolerances: &Tolerances, ws: &mut Workspace) -> Result<(), SimError> {
    let rest = Rest::find(system, tolerances, ws)?;
    if rest.mains.is_some() {
        ws.x = rest.mean_state();
    }
    Ok(())
}

fn at_load(
    condition: LoadCondition,
    circuit: &Circuit,
    question: &LoopGainOf,
    drive: f64,
    tolerances: &Tolerances,
) -> Result<AtLoad, SimError> {
    let system = circuit
        .compile()
        .expect("another load makes no fault in a circuit without one");
    let mut ws = system.workspace();
    to_rest(&system, tolerances, &mut ws)?;
    let response = question.run(circuit, &system, &mut ws)?;
    let square = match response.growing {
        Some(_) => None,
        None => Some(
            SquareWaveOf::new(question.generator, question.load, drive, &response)
                .run(&system, tolerances, &mut ws)?,
        ),
    };
    Ok(AtLoad {
        phase_margin: response.margin_above(),
        gain_margin: response.gain_margin_above(),
        peak: response.peak_above,
        growing: response.growing,
        square,
        ..AtLoad::nothing(condition)
    })
}

impl AtLoad {
    /// A load of which nothing is known yet.
    fn nothing(condition: LoadCondition) -> Self {
        Self {
            rated: condition.rated,
            capacitance: condition.capacitance,
            phase_margin: None,
            gain_margin: None,
            peak: None,
            growing: None,
            square: None,
            failed: None,
        }
    }
}
