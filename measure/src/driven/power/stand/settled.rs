//! The settled period of a level: alone, or with the mains; at a drive, or at the drive that gives what is wanted.

use super::{Stand, Tone};
use crate::driven::power::neighbours::Start;
use sim::Workspace;
use sim::common_period::common_period;
use sim::error::SimError;
use sim::parts::Waveform;
use sim::periodic::{Aim, Common, Period, Settling, settle_aiming, settle_at_means};
use sim::rest::{MAINS_SAMPLES, moving};
use sim::spectrum::Spectrum;
use sim::tolerances::Tolerances;

/// The longest period solved for when the mains runs along, s.
const LONGEST: f64 = 0.2;

/// Samples of a cycle of the highest tone when the mains runs along and so many cycles make up a period: its steps then
/// number thousands, and 64 of TR-BDF2 are within 7e-4 points of distortion, 32 within four times that.
fn samples_of_cycle(cycles: usize) -> usize {
    const MANY: usize = 100;
    if cycles > MANY { 32 } else { 64 }
}

/// What folds back from above half the samples may move distortion by so much, a thousandth of a point, or by this share
/// of it: what its steps are worth.
const FOLDED: f64 = 1e-5;
const FOLDED_SHARE: f64 = 5e-4;

/// How near to the settled cycle one on the mains is to start, relative, see [`Settling::closeness`]: a cycle is long
/// there, and one more costs more than the last digit is worth. Bias and supply that are off by so much move the watts
/// by 1e-4 at most.
const CLOSE: f64 = 2e-4;

/// Multiple of the mains frequency from which a tone is quick: two kilohertz with fifty hertz, which turns twenty times in a
/// cycle of the ripple.
const QUICK: f64 = 40.0;

/// Turns in a common period above which filaments that alternate are taken at their means too: two tones with sixty hertz took
/// minutes. It moves distortion at the limit by a fiftieth of itself (two 2A3 in push-pull), far below it by nothing.
const MANY_TURNS: f64 = 400.0;

/// Local error of the steps of a level, against that of a run in time: what they leave fades within the cycle. At a set drive in
/// clipping `steady_state.rs` holds it against steps a hundred times as exact.
const LOOSER: f64 = 4.0;

/// Samples, and cycles at least, after which a level that does not close is given up: a few seconds. What closes does so in
/// a dozen cycles or two; an amplifier overdriven by long cycles, two tones say, may never.
const MOST_SAMPLES: usize = 400 * MAINS_SAMPLES;
const LEAST_CYCLES: u32 = 32;

/// A figure of the output that is asked for, and where its drive is sought.
pub(crate) struct Wanted<'a> {
    /// What the generator gives at a drive, V.
    pub(crate) tone: &'a dyn Fn(f64) -> Tone,
    /// Where the drive sets out, V, and d ln figure / d ln drive there.
    pub(crate) drive: f64,
    pub(crate) slope: f64,
    /// How closely it is met.
    pub(crate) close: f64,
    /// ln(figure / wanted) of the volts across the load.
    pub(crate) miss: &'a dyn Fn(&Spectrum) -> f64,
}

impl Stand<'_> {
    /// The settled period at a tone, its spectrum as good as its steps.
    pub(crate) fn settled(&self, tone: &Tone, start: Start<'_>) -> Result<Period, SimError> {
        let (period, ws) = self.sampled(tone, start)?;
        self.resolved(period, ws)
    }

    /// As [`Stand::settled`], at a drive that follows what is asked of it; the drive, V.
    pub(crate) fn settled_at(
        &self,
        wanted: &Wanted<'_>,
        start: Start<'_>,
    ) -> Result<(Period, f64), SimError> {
        let tone = (wanted.tone)(wanted.drive);
        let (period, ws, drive) = self.sampled_at(&tone, start, Some(wanted))?;
        Ok((self.resolved(period, ws)?, drive))
    }

    /// Length of the settled period at a tone, s.
    pub(crate) fn duration(&self, tone: &Tone) -> Result<f64, SimError> {
        let others = moving(self.of.waveforms());
        if others.is_empty() {
            return Ok(tone.duration);
        }
        beside_others(tone, &others, &self.question.settling).map(|(duration, ..)| duration)
    }

    /// With so many samples as its spectrum needs.
    fn resolved(&self, period: Period, mut ws: Workspace) -> Result<Period, SimError> {
        let turns = period.turns as usize;
        let (of_turn, most) = (period.samples.len() / turns, self.question.settling.samples);
        if !period.at_means && of_turn < most && folds(&self.spectrum(&period)) {
            let samples = turns * most.min(4 * of_turn);
            return period.finer(self.of.system, samples, &self.of.tolerances, &mut ws);
        }
        Ok(period)
    }

    /// The settled period at a tone by the samples it took, for extremes and not for harmonics; with where it ended.
    pub(in crate::driven::power) fn sampled(
        &self,
        tone: &Tone,
        start: Start<'_>,
    ) -> Result<(Period, Workspace), SimError> {
        let (period, ws, _) = self.sampled_at(tone, start, None)?;
        Ok((period, ws))
    }

    /// The drive, V, besides, where it follows what is wanted.
    fn sampled_at(
        &self,
        tone: &Tone,
        start: Start<'_>,
        wanted: Option<&Wanted<'_>>,
    ) -> Result<(Period, Workspace, f64), SimError> {
        let asked = &self.question.settling.within(MOST_SAMPLES, LEAST_CYCLES);
        let mut ws = self
            .of
            .driven_by(self.question.generator, tone.waveform.clone())?;
        let neighbour = start.nearest(self.of.rest.neighbour());
        let (system, tolerances) = (self.of.system, &self.of.tolerances);
        // The generator is silent there and no supply, however far it is driven.
        let others = moving(self.of.waveforms());
        let still = others.is_empty();
        let place = self.of.place_of(self.question.generator)?;
        let waveform =
            |drive: f64| wanted.map_or(tone.waveform.clone(), |w| (w.tone)(drive).waveform);
        let looser = Tolerances {
            local_error: LOOSER * tolerances.local_error,
            ..*tolerances
        };
        let near = neighbour.as_ref();
        // With the mains or another signal: a period that holds whole turns of all.
        let (duration, turns, settling) = if still {
            (tone.duration, 1, *asked)
        } else {
            beside_others(tone, &others, asked)?
        };
        let miss_of = |volts: &Spectrum| wanted.map_or(0.0, |wanted| (wanted.miss)(volts));
        let filaments_may = !self.has_filaments || fastest(tone) * duration > MANY_TURNS;
        if self.at_means && turns > 1 && is_quick(tone, &others) && filaments_may {
            let common = Common {
                duration,
                samples: settling.samples,
                source: place,
            };
            let of_tone = Settling {
                closeness: CLOSE,
                ..*asked
            };
            let miss =
                |samples: &[Vec<f64>]| miss_of(&Spectrum::of_period(&self.load_volts(samples)));
            let mut aim = aim_at(wanted, (place, &waveform), &miss);
            let (spans, aimed) = ((tone.duration, common), aim.as_mut());
            if let Some(period) =
                settle_at_means(system, spans, &of_tone, &looser, near, aimed, &mut ws)?
            {
                return Ok((period, ws, aim.map_or(f64::NAN, |aim| aim.drive)));
            }
        }
        let span = (duration, turns);
        let miss = |samples: &[Vec<f64>]| miss_of(&self.spectrum_beside(samples, span));
        let start = (ws.x.clone(), ws.memory.clone());
        let mut settle = |tolerances: &Tolerances| {
            (ws.x, ws.memory) = start.clone();
            // A search that got stuck may have moved the drive.
            ws.waveforms[place] = tone.waveform.clone();
            let mut aim = aim_at(wanted, (place, &waveform), &miss);
            let aimed = aim.as_mut();
            settle_aiming(
                system, duration, &settling, tolerances, near, aimed, &mut ws,
            )
            .map(|period| (period, aim.map_or(f64::NAN, |aim| aim.drive)))
        };
        // A rectifier that commutates may not be followed by steps that err more.
        let mut settled = settle(&looser);
        if let Err(SimError::Stuck { .. }) = settled {
            settled = settle(tolerances);
        }
        let (mut period, drive) = settled?;
        period.turns = turns;
        Ok((period, ws, drive))
    }
}

/// The drive of that source, moved to what is wanted.
fn aim_at<'a>(
    wanted: Option<&Wanted<'_>>,
    source: (usize, &'a dyn Fn(f64) -> Waveform),
    miss: &'a dyn Fn(&[Vec<f64>]) -> f64,
) -> Option<Aim<'a>> {
    wanted.map(|wanted| Aim::new(source, (wanted.drive, wanted.slope), wanted.close, miss))
}

/// The quickest of a tone, Hz.
fn fastest(tone: &Tone) -> f64 {
    tone.waveform.frequencies().into_iter().fold(0.0, f64::max)
}

/// Whether a tone is quick beside those frequencies, Hz.
fn is_quick(tone: &Tone, others: &[f64]) -> bool {
    fastest(tone) >= QUICK * others.iter().copied().fold(0.0, f64::max)
}

/// Length, turns of the tone and settling of a period with the mains or another signal, of those frequencies, Hz.
fn beside_others(
    tone: &Tone,
    others: &[f64],
    asked: &Settling,
) -> Result<(f64, u32, Settling), SimError> {
    let tones = tone.waveform.frequencies();
    let common = common_period(&[&tones, others].concat(), LONGEST)?;
    let turns = (common.duration / tone.duration).round() as u32;
    let cycles = (fastest(tone) * tone.duration).round().max(1.0) as usize;
    let enough = cycles * samples_of_cycle(turns as usize * cycles);
    let of_turn = asked.samples.min(enough);
    let settling = Settling {
        samples: MAINS_SAMPLES.max(turns as usize * of_turn),
        closeness: CLOSE,
        ..*asked
    }
    .within(MOST_SAMPLES, LEAST_CYCLES);
    Ok((common.duration, turns, settling))
}

/// Whether harmonics beyond the last may be as large as to be seen in distortion. The upper quarter of those there are is
/// what comes back from beyond, if they fall no faster: H_k with a share of H_(N−k), which moves THD² by their product.
fn folds(spectrum: &Spectrum) -> bool {
    let upper = spectrum.harmonics.len() / 4 * 3;
    let ratio = |amplitude: f64| amplitude / spectrum.fundamental();
    let power: f64 = spectrum.harmonics[upper..]
        .iter()
        .map(|harmonic| ratio(harmonic.amplitude).powi(2))
        .sum();
    let thd = spectrum.thd();
    power > f64::max(FOLDED, FOLDED_SHARE * thd) * thd
}
