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
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::System;
use sim::circuit::PartId;
use sim::error::SimError;
use sim::stability::Growing;

/// The question.
#[derive(Clone, Debug)]
pub struct FeedbackOf {
    /// What closes the loop, see [`path`].
    pub path: FeedbackPath,
}

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
pub fn path(of: &UnderTest<'_>, named: &[PartId]) -> Result<FeedbackPath, PathError> {
    let bench = &of.amplifier.bench;
    if !named.is_empty() {
        return FeedbackPath::through(of.circuit, bench.load, named);
    }
    let mut linear = of.linearised();
    linear.tune(bench.frequency)?;
    FeedbackPath::find(of.circuit, &mut linear, bench.load)
}

impl Measurement for FeedbackOf {
    type Answer = Feedback;

    /// Answers for the loop through the path; `progress` is told the number of loads done.
    ///
    /// # Errors
    /// Those of the loop gain with the rated load.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Feedback, SimError> {
        let question = LoopGainOf::bench(&of.amplifier.bench, self.path.clone());
        let loop_gain = question.ask(of, &|_| ())?;
        let drive = small_drive(of)?;
        // Of the other loads what lies above mid band is told, and on the mains what lies below takes the time.
        let above = LoopGainOf {
            range: (question.frequency, question.range.1),
            ..question.clone()
        };
        let done = AtomicUsize::new(0);
        let loads = LoadCondition::ALL
            .par_iter()
            .map(|condition| {
                let answer = if *condition == LoadCondition::ALL[0] {
                    told(of, *condition, &loop_gain, &question, drive)
                } else {
                    at_load(of, *condition, &above, drive)
                };
                let done = done.fetch_add(1, Ordering::Relaxed) + 1;
                progress(Reached::of(done, LoadCondition::ALL.len()));
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
}

fn at_load(
    of: &UnderTest<'_>,
    condition: LoadCondition,
    question: &LoopGainOf,
    drive: f64,
) -> Result<AtLoad, SimError> {
    let circuit = condition.of_circuit(of.circuit, of.amplifier.bench.load);
    let system =
        System::of(&circuit).expect("another load makes no fault in a circuit without one");
    // What oscillates has no settled rest on the mains, and looking for one takes long to tell.
    let mut loaded = of.taken_for(&circuit, &system);
    if of.rest.mains.is_none() || !loaded.grows()? {
        loaded = of.near(&circuit, &system)?;
    }
    let response = question.ask(&loaded, &|_| ())?;
    told(&loaded, condition, &response, question, drive)
}

/// What is told of the amplifier with a load, its loop gain known.
fn told(
    loaded: &UnderTest<'_>,
    condition: LoadCondition,
    response: &LoopGain,
    question: &LoopGainOf,
    drive: f64,
) -> Result<AtLoad, SimError> {
    let square = match response.growing {
        Some(_) => None,
        None => Some(
            SquareWaveOf::new(question.generator, question.load, drive, response)
                .ask(loaded, &|_| ())?,
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
