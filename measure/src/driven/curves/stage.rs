//! A valve of an amplifier on its characteristics: where it rests and what it runs through in a cycle.
//!
//! ```text
//! Z = -V_1 / I_1            load of the anode, by the fundamentals of v_ak and i_a
//! v_s = level + share v_a   least squares over the cycle, where the screen follows the anode
//! ```
//!
//! Symbols   V_1, I_1 complex fundamentals, V and A
//! Source    definitions
//! Valid     at a settled level of the whole circuit; on the mains the mean of the cycles in the common
//!           period, which leaves the hum out
//! Care      currents of a valve joined by its filament are means along it, the volts those to its middle

use serde::Serialize;

use super::{Point, ScreenVolts};
use crate::driven::power::drive::{CLOSE, Guess, reach};
use crate::driven::power::{Level, PowerOf, Stand, Start};
use crate::instruments::peak::Peak;
use crate::instruments::valve::{Electrodes, ValveProbe};
use crate::{Measurement, Progress, UnderTest};
use sim::circuit::PartId;
use sim::error::{Question, SimError};
use sim::periodic::Period;
use sim::quantity::{Unit, engineering};
use sim::spectrum::{Harmonic, Spectrum};

/// At which level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Asked {
    /// Peak of the generator, V.
    Drive(f64),
    /// Power into the load, W.
    Watts(f64),
    /// At the distortion limit of the file; where that is not met, the greatest power of the sweep.
    Limit,
}

/// The question.
#[derive(Clone, Debug)]
pub struct StageOf {
    /// The valve.
    pub part: PartId,
    /// The bench.
    pub bench: PowerOf,
    /// The level.
    pub level: Asked,
}

/// The answer, SI.
#[derive(Clone, Debug, Serialize)]
pub struct Stage {
    /// Designator.
    pub part: String,
    /// Peak of the generator, V.
    pub drive: f64,
    /// Power into the load, W.
    pub power: f64,
    /// Total harmonic distortion at the load, a ratio.
    pub thd: f64,
    /// Test frequency, Hz.
    pub frequency: f64,
    /// True when the level asked for was met.
    pub met: bool,
    /// Why the level asked for could not be solved; none where it was, or is known not to be reached.
    pub unsolved: Option<String>,
    /// What the screen does: tied to the anode, following it, or at its volts of rest; none in a triode.
    pub screen: Option<ScreenVolts>,
    /// Rms of the screen volts about that over the cycle, V; none in a triode.
    pub screen_left: Option<f64>,
    /// With no signal; the mean on the mains.
    pub rest: Point,
    /// `[samples]` one cycle.
    pub locus: Vec<Point>,
    /// The greatest volts anywhere, windings included; none of a circuit without nodes.
    pub peak: Option<Peak>,
    /// Mean anode dissipation, W; of a strapped pentode with its screen.
    pub p_a: f64,
    /// Peak of the fundamental of the anode volts, V.
    pub v_1: f64,
    /// Peak of the fundamental of the anode current, A.
    pub i_1: f64,
    /// Load of the anode, Ω; none where no current swings.
    pub ohms: Option<f64>,
    /// Its phase, volts before current, degrees.
    pub phase_degrees: Option<f64>,
}

/// Peak of the generator from which the gain is read, V: too small to distort.
const SMALL: f64 = 1e-3;

/// Share from which a screen counts as following its anode: an ultra-linear tap is far above, a screen
/// fed through a stopper or from a common supply far below.
const FOLLOWS: f64 = 0.05;

/// How near to the anode's volts and to their swing a screen's are to count as strapped, a ratio: a stopper
/// between them drops a volt or two.
const AS_ONE: f64 = 0.05;

/// Part of the screen's swing that a straight line must explain for that, a ratio.
const STRAIGHT: f64 = 0.9;

impl Measurement for StageOf {
    type Answer = Stage;

    /// Settles the circuit at the level and reads the valve.
    ///
    /// # Errors
    /// Those of [`PowerOf`].
    ///
    /// # Panics
    /// When the part is no amplifying valve.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Stage, SimError> {
        of.lasts()?;
        let stand = Stand::new(&self.bench, of);
        let near = match self.level {
            Asked::Drive(drive) => Near::at(drive),
            Asked::Watts(watts) => drive_for(watts, &stand)?,
            Asked::Limit => {
                let power = self.bench.ask(of, progress)?;
                let greatest = power
                    .levels
                    .iter()
                    .max_by(|a, b| a.power.total_cmp(&b.power));
                let level = power.rated.as_ref().or(greatest);
                let drive = level.map_or(SMALL, |level| level.drive);
                let met = power.rated.is_some();
                Near {
                    drive,
                    met,
                    unsolved: power.ended_early.filter(|_| !met),
                }
            }
        };
        let (near, period) = near.settled(&stand)?;
        let level = stand.read(near.drive, &period);
        let probe = ValveProbe::all(of.circuit, of.system)
            .into_iter()
            .find(|probe| probe.part == self.part)
            .expect("the part is an amplifying valve");
        Ok(self.read(&probe, &of.rest.mean_state(), &period, &level, near))
    }
}

impl StageOf {
    fn read(
        &self,
        probe: &ValveProbe,
        rest: &[f64],
        period: &Period,
        level: &Level,
        near: Near,
    ) -> Stage {
        let at = |x: &[f64]| point(probe, &probe.at(x));
        let all: Vec<Point> = period.samples.iter().map(|x| at(x)).collect();
        let mut locus = mean_cycle(&all, period.turns as usize);
        let mut rest = at(rest);
        let screen = rest.v_s.map(|v_s| screen_of(probe, &locus, v_s));
        if screen == Some(ScreenVolts::STRAPPED) {
            // Joined through a stopper, they are apart in the circuit and one electrode in all but that.
            for point in locus.iter_mut().chain([&mut rest]) {
                point.i_a += std::mem::take(&mut point.i_s);
            }
        }
        let left = screen.map(|screen| {
            let off = |point: &Point| (point.v_s.unwrap_or(0.0) - screen.at(point.v_a)).powi(2);
            (locus.iter().map(off).sum::<f64>() / locus.len() as f64).sqrt()
        });
        let fundamental = |figure: fn(&Point) -> f64| -> Harmonic {
            let values: Vec<f64> = locus.iter().map(figure).collect();
            Spectrum::of_period(&values).harmonics[0]
        };
        let (v_1, i_1) = (fundamental(|p| p.v_a), fundamental(|p| p.i_a));
        let swings = i_1.amplitude > 0.0;
        let degrees = (v_1.phase - i_1.phase + std::f64::consts::PI).to_degrees();
        Stage {
            part: probe.name.clone(),
            drive: level.drive,
            power: level.power,
            thd: level.thd,
            frequency: self.bench.frequency,
            met: near.met,
            unsolved: near.unsolved,
            screen,
            screen_left: left,
            rest,
            peak: level.peak.clone(),
            p_a: locus.iter().map(|p| p.v_a * p.i_a).sum::<f64>() / locus.len() as f64,
            locus,
            v_1: v_1.amplitude,
            i_1: i_1.amplitude,
            ohms: swings.then(|| v_1.amplitude / i_1.amplitude),
            phase_degrees: swings.then(|| (degrees + 180.0).rem_euclid(360.0) - 180.0),
        }
    }
}

fn point(probe: &ValveProbe, at: &Electrodes) -> Point {
    let pentode = !matches!(probe.kind().model, models::data::ValveModel::Triode(_));
    let screen = probe.has_screen();
    Point {
        v_g: at.v_gk,
        v_a: at.v_ak,
        v_s: pentode.then_some(at.v_sk),
        i_a: at.currents.anode + if screen { 0.0 } else { at.currents.screen },
        i_s: if screen { at.currents.screen } else { 0.0 },
    }
}

/// One cycle as the mean of so many that follow each other in these samples.
fn mean_cycle(all: &[Point], turns: usize) -> Vec<Point> {
    if turns <= 1 {
        return all.to_vec();
    }
    let samples = all.len() / turns;
    // Cycles need not hold whole numbers of samples: between two of them the line is straight.
    let at = |place: f64| {
        let (low, share) = (place.floor(), place.fract());
        let (a, b) = (
            &all[low as usize % all.len()],
            &all[(low as usize + 1) % all.len()],
        );
        let between = |figure: fn(&Point) -> f64| (1.0 - share) * figure(a) + share * figure(b);
        Point {
            v_g: between(|p| p.v_g),
            v_a: between(|p| p.v_a),
            v_s: a.v_s.map(|_| between(|p| p.v_s.unwrap_or(0.0))),
            i_a: between(|p| p.i_a),
            i_s: between(|p| p.i_s),
        }
    };
    let cycle = all.len() as f64 / turns as f64;
    let mean = |k: usize| {
        let place = |turn: usize| cycle * (turn as f64 + k as f64 / samples as f64);
        let points: Vec<Point> = (0..turns).map(|turn| at(place(turn))).collect();
        let mean =
            |figure: fn(&Point) -> f64| points.iter().map(figure).sum::<f64>() / turns as f64;
        Point {
            v_g: mean(|p| p.v_g),
            v_a: mean(|p| p.v_a),
            v_s: points[0].v_s.map(|_| mean(|p| p.v_s.unwrap_or(0.0))),
            i_a: mean(|p| p.i_a),
            i_s: mean(|p| p.i_s),
        }
    };
    (0..samples).map(mean).collect()
}

/// What a pentode's screen does over a cycle.
fn screen_of(probe: &ValveProbe, locus: &[Point], at_rest: f64) -> ScreenVolts {
    if probe.strapped {
        return ScreenVolts::STRAPPED;
    }
    let count = locus.len() as f64;
    let mean = |figure: &dyn Fn(&Point) -> f64| locus.iter().map(figure).sum::<f64>() / count;
    let v_s = |p: &Point| p.v_s.unwrap_or(at_rest);
    let (a, s) = (mean(&|p| p.v_a), mean(&v_s));
    let aa = mean(&|p| (p.v_a - a).powi(2));
    let ss = mean(&|p| (v_s(p) - s).powi(2));
    let both = mean(&|p| (p.v_a - a) * (v_s(p) - s));
    let share = both / aa.max(f64::MIN_POSITIVE);
    if (share - 1.0).abs() < AS_ONE && (s - a).abs() < AS_ONE * a.abs() {
        return ScreenVolts::STRAPPED;
    }
    if share > FOLLOWS && both * both > STRAIGHT * aa * ss {
        ScreenVolts {
            level: s - share * a,
            share,
        }
    } else {
        ScreenVolts::fixed(at_rest)
    }
}

/// The drive at which the valve is followed.
struct Near {
    /// V peak.
    drive: f64,
    /// Whether it is what was asked for; else the nearest.
    met: bool,
    /// Why what was asked for could not be solved.
    unsolved: Option<String>,
}

/// How often a drive at which nothing settles is halved: what clips or blocks is far below by then, and each may take
/// seconds.
const HALVINGS: u32 = 3;

impl Near {
    fn at(drive: f64) -> Self {
        Self {
            drive,
            met: true,
            unsolved: None,
        }
    }

    /// The settled period there, or at the nearest drive by halves that has one.
    fn settled(mut self, stand: &Stand<'_>) -> Result<(Self, Period), SimError> {
        let mut first = None;
        for _ in 0..=HALVINGS {
            match stand.settled(&stand.tone(self.drive), Start::Rest) {
                Ok(period) => return Ok((self, period)),
                Err(error @ SimError::Question(_)) => return Err(error),
                Err(error) => {
                    let volts = engineering(self.drive, Unit::Volt);
                    self.unsolved
                        .get_or_insert_with(|| format!("at {volts} peak of drive {error}"));
                    self.met = false;
                    self.drive *= 0.5;
                    first.get_or_insert(error);
                }
            }
        }
        Err(first.expect("every drive failed"))
    }
}

/// The drive for a power, V peak, and whether it is met: else the nearest.
fn drive_for(watts: f64, stand: &Stand<'_>) -> Result<Near, SimError> {
    let solve = |drive: f64| stand.level(drive, Start::Rest);
    let small = solve(SMALL)?;
    if small.output_rms < 1e-12 {
        return Err(SimError::Question(Question::NoSignal));
    }
    let guess = SMALL * (watts / small.power).sqrt();
    // The power goes with the square of the volts that follow the drive.
    let miss = |level: &Level| 0.5 * (level.power / watts).ln();
    match reach(Guess::linear(guess), CLOSE, &miss, &solve) {
        Ok(found) => Ok(Near::at(found.drive)),
        Err(short) => match (short.nearest, short.error) {
            (Some(nearest), error) => Ok(Near {
                drive: nearest.drive,
                met: false,
                unsolved: error.map(|error| error.to_string()),
            }),
            (None, Some(error)) => Err(error),
            (None, None) => Err(SimError::Question(Question::NoSignal)),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::{Point, mean_cycle};

    #[test]
    fn the_mean_cycle_is_without_the_hum() {
        // Seven cycles of a tone in a period of hum of the same size.
        let turns = 7;
        for samples in [7 * 64, 500] {
            let at = |k: usize| {
                let hum = std::f64::consts::TAU * k as f64 / samples as f64;
                let v_a = (turns as f64 * hum).sin() + hum.cos();
                Point {
                    v_g: 0.0,
                    v_a,
                    v_s: None,
                    i_a: 2.0 * v_a,
                    i_s: 0.0,
                }
            };
            let all: Vec<Point> = (0..samples).map(at).collect();
            let cycle = mean_cycle(&all, turns);
            assert_eq!(cycle.len(), samples / turns);
            // Straight lines between 64 or more samples of a cycle leave (2π/64)²/8 of the tone.
            let near = if samples % turns == 0 { 1e-12 } else { 2e-3 };
            for (k, point) in cycle.iter().enumerate() {
                let tone = (std::f64::consts::TAU * k as f64 / cycle.len() as f64).sin();
                assert!(
                    (point.v_a - tone).abs() < near,
                    "{samples}: {} {tone}",
                    point.v_a
                );
                assert!((point.i_a - 2.0 * point.v_a).abs() < 1e-12);
            }
        }
    }
}
