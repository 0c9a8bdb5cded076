//! The figures of an amplifier by which a part is judged, all about one rest.
//!
//! Figures that other commands print are theirs, measured in the same way. Peaks are the greatest gain at either side
//! of the test frequency over the gain there, nought where it only falls; margins are those with the rated load.
//!
//! Over 400 lines because it is one list: the figures, and below them how each is taken.

use serde::Serialize;

use super::{AmplifierFigures, CUT, grid};
use crate::at_rest::voltages::{Voltages, chart};
use crate::driven::hum::HumOf;
use crate::driven::power::PowerOf;
use crate::judged::figure::{At, Figure, OfValve};
use crate::judged::study::BAND;
use crate::small_signal::impedance::{Impedance, ImpedanceOf};
use crate::small_signal::loop_gain::{
    FeedbackPath, LoopGain, LoopGainOf, LoopPoint, PhaseCrossing, UnityCrossing,
};
use crate::small_signal::response::{Response, ResponseOf};
use crate::{Measurement, UnderTest};
use sim::amplifier::Amplifier;
use sim::circuit::{NodeId, PartId};
use sim::error::SimError;
use sim::parts::Part;
use sim::quantity::Unit;
use sim::small_signal::Excitation;

/// Name of the gain at the test frequency.
pub const GAIN: &str = "gain";

/// Name of the figure that tells how far a response lies from that as drawn, both against the gain at the test
/// frequency; as drawn it is nought.
pub const RESPONSE: &str = "response from 20 Hz to 20 kHz";

/// The band that is heard, Hz: where responses are laid over each other.
const AUDIO: std::ops::RangeInclusive<f64> = 20.0..=20e3;

/// Height of a peak from which its place is told, dB: a flat response has none.
const SHOWN: f64 = 0.1;

/// Currents that are none, A; a thousand times the solver's tolerance.
const LEAST_CURRENT: f64 = 1e-6;
/// Volts that are none, V; the same.
const LEAST_VOLTS: f64 = 1e-3;
/// Distortion that is none, a ratio: where settled periods were found by different ways they agreed to this.
const LEAST_DISTORTION: f64 = 1e-5;
/// Hum that is none, V: below the noise of any valve.
const LEAST_HUM: f64 = 1e-6;

/// How a figure is counted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Scale {
    /// By its share, but not below `least`, SI.
    Share {
        /// What is as good as none.
        least: f64,
    },
    /// In decibels.
    Decibels,
    /// In decibels of a gain margin, which is coarser.
    Margin,
    /// In degrees.
    Degrees,
    /// A ratio, by points of a percentage.
    Points,
}

/// Where a figure belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Group {
    /// Gain, response, impedances.
    SmallSignals,
    /// Amount of feedback and its margins.
    Feedback,
    /// Power and distortion.
    Power,
    /// Hum.
    Hum,
    /// Currents and volts with no signal, balance.
    AtRest,
}

/// A figure that was read.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Reading {
    /// Where it belongs.
    pub group: Group,
    /// Its name; the same with and without a part.
    pub figure: String,
    /// Symbol of its unit; `dB`, `°`, empty of a ratio.
    pub unit: &'static str,
    /// SI, dB or degrees; none where there is no such figure.
    pub value: Option<f64>,
    /// Where it was read, Hz; none where it is no figure of a frequency.
    pub frequency: Option<f64>,
    /// The end of what was looked at, beyond which a figure lies that was not found.
    #[serde(skip)]
    pub beyond: Option<f64>,
    /// How it is counted.
    #[serde(skip)]
    pub scale: Scale,
    /// Its unit for printing; [`Unit::Number`] of decibels and degrees.
    #[serde(skip)]
    pub of: Unit,
}

/// What is measured of each case.
pub(super) struct Asked<'a> {
    pub(super) amplifier: &'a Amplifier,
    pub(super) path: Option<FeedbackPath>,
    /// Output pairs.
    pub(super) outputs: Vec<[PartId; 2]>,
    pub(super) full: bool,
}

/// One amplifier measured.
#[derive(Clone, Debug)]
pub(super) struct Measured {
    pub(super) whole: AmplifierFigures,
    /// Gain at the test frequency, dB.
    pub(super) gain_db: Option<f64>,
    /// Why there is no response.
    pub(super) no_response: Option<SimError>,
}

impl Measured {
    /// Whether no signal arrives where one did.
    pub(super) fn is_cut(&self, drawn: &Self) -> bool {
        match (drawn.gain_db, self.gain_db) {
            (Some(drawn), Some(now)) => drawn - now > CUT,
            _ => false,
        }
    }
}

impl Reading {
    fn new(group: Group, figure: impl Into<String>, unit: Unit, value: Option<f64>) -> Self {
        Self {
            group,
            figure: figure.into(),
            unit: match unit {
                Unit::Percent => "",
                unit => unit.symbol(),
            },
            value,
            frequency: None,
            beyond: None,
            scale: Scale::Share { least: 0.0 },
            of: unit,
        }
    }

    fn decibels(group: Group, figure: &str, value: Option<f64>) -> Self {
        Self {
            unit: "dB",
            scale: Scale::Decibels,
            ..Self::new(group, figure, Unit::Number, value)
        }
    }

    fn degrees(group: Group, figure: &str, value: Option<f64>) -> Self {
        Self {
            unit: "°",
            scale: Scale::Degrees,
            ..Self::new(group, figure, Unit::Number, value)
        }
    }

    fn at(self, frequency: Option<f64>) -> Self {
        Self { frequency, ..self }
    }

    fn beyond(self, end: f64) -> Self {
        Self {
            beyond: Some(end),
            ..self
        }
    }

    fn least(self, least: f64) -> Self {
        Self {
            scale: Scale::Share { least },
            ..self
        }
    }
}

impl Asked<'_> {
    /// Measures an amplifier; `drawn` is the one with every part.
    ///
    /// # Errors
    /// Those of its chart; what else fails is told in the answer.
    pub(super) fn measure(
        &self,
        of: &UnderTest<'_>,
        drawn: Option<&Measured>,
    ) -> Result<Measured, SimError> {
        let volts = chart(of)?;
        let bench = &self.amplifier.bench;
        let mut measured = Measured {
            whole: AmplifierFigures {
                growing: volts.growing,
                ..AmplifierFigures::nothing()
            },
            gain_db: None,
            no_response: None,
        };
        if volts.growing.is_none() {
            match self.response(of) {
                Ok(response) => measured.take(&response, bench.frequency, drawn),
                Err(error) => measured.no_response = Some(error),
            }
        }
        let cut = drawn.is_some_and(|drawn| measured.is_cut(drawn));
        if cut {
            // What leaks through stray capacitances has a response of no interest.
            measured.whole.figures.retain(|at| at.figure == GAIN);
            measured.whole.gains_db.clear();
        }
        if volts.growing.is_none() && !cut {
            let impedance = ImpedanceOf::bench(bench).ask(of, &|_| ());
            measured.note("impedance", impedance, |at| impedances(&at));
            if let Some(closed) = self.closed_loop(of) {
                measured.note("feedback", closed, |closed| {
                    let figures = margins(&closed);
                    (figures, closed.curve)
                });
            }
            let dead =
                measured.no_response.is_some() || drawn.is_some_and(|drawn| measured.is_cut(drawn));
            if self.full && !dead {
                self.costly(of, &mut measured);
            }
        }
        measured.whole.figures.extend(at_rest(&volts));
        let balance = self.balance(of, &volts);
        measured.note("balance", balance, |figures| figures);
        Ok(measured)
    }

    fn response(&self, of: &UnderTest<'_>) -> Result<Response, SimError> {
        let (circuit, bench) = (&self.amplifier.circuit, &self.amplifier.bench);
        let question = ResponseOf::bench(circuit, bench, BAND);
        Ok(question.ask(of, &|_| ())?.swap_remove(0))
    }

    /// The loop through what is left of the path; none when nothing is.
    fn closed_loop(&self, of: &UnderTest<'_>) -> Option<Result<LoopGain, SimError>> {
        let bench = &self.amplifier.bench;
        let left: Vec<PartId> = self
            .path
            .as_ref()?
            .parts()
            .filter(|&part| !matches!(of.circuit.part(part).part, Part::Switch(_)))
            .collect();
        let path = FeedbackPath::through(of.circuit, bench.load, &left).ok()?;
        Some(LoopGainOf::bench(bench, path).ask(of, &|_| ()))
    }

    /// Power, distortion and hum.
    fn costly(&self, of: &UnderTest<'_>, measured: &mut Measured) {
        let bench = &self.amplifier.bench;
        let power = PowerOf::bench(bench).ask(of, &|_| ());
        measured.note("power", power, |power| {
            let read = |figure: &Figure, value| {
                Reading::new(Group::Power, figure.to_string(), figure.unit(), value)
            };
            let rated = power.rated.as_ref();
            let thd = power.one_watt.as_ref().map(|level| level.thd);
            [
                read(&Figure::Power, rated.map(|level| level.power)),
                read(&Figure::Sensitivity, rated.map(|level| level.drive_rms)),
                read(&Figure::Distortion(At::OneWatt), thd).least(LEAST_DISTORTION),
            ]
        });
        if self.amplifier.mains.is_some() {
            let hum = HumOf::bench(bench).ask(of, &|_| ());
            measured.note("hum", hum, |hum| {
                let read = Reading::new(Group::Hum, "hum", Unit::Volt, Some(hum.output_rms));
                [read.least(LEAST_HUM)]
            });
        }
    }

    /// The halves of each output stage against each other: currents at rest, and gains to the grids.
    fn balance(&self, of: &UnderTest<'_>, volts: &Voltages) -> Result<Vec<Reading>, SimError> {
        let circuit = of.circuit;
        let mut figures = Vec::new();
        if self.outputs.is_empty() {
            return Ok(figures);
        }
        let bench = &self.amplifier.bench;
        let mut linear = of.linearised();
        linear.tune(bench.frequency)?;
        let x = linear.response(Excitation::Source(bench.generator))?;
        for output in &self.outputs {
            let names = output.map(|part| circuit.part(part).name.as_str());
            let current = |name: &str| {
                let mut valves = volts.valves.iter();
                Some(valves.find(|valve| valve.part == name)?.i_a)
            };
            let drive = |part: PartId| {
                let placed = circuit.part(part);
                let Part::Valve(valve) = &placed.part else {
                    return None;
                };
                let grid = valve.wiring(&placed.nodes).grid?;
                Some(linear.voltage(&x, grid, NodeId::CHASSIS).norm())
            };
            let pair = |a: Option<f64>, b: Option<f64>| Some((a?, b?));
            let [a, b] = names;
            for (what, pair) in [
                ("anode currents", pair(current(a), current(b))),
                ("drives", pair(drive(output[0]), drive(output[1]))),
            ] {
                // With a valve out of its socket there is nothing to balance.
                let Some((a_side, b_side)) = pair else {
                    continue;
                };
                let mean = 0.5 * (a_side + b_side);
                let apart = (mean > 0.0).then(|| (a_side - b_side).abs() / mean);
                let name = format!("{what} of {a} and {b} apart");
                figures.push(Reading {
                    scale: Scale::Points,
                    ..Reading::new(Group::AtRest, name, Unit::Percent, apart)
                });
            }
        }
        Ok(figures)
    }
}

/// Figures of one measurement, and the curve that belongs to them.
trait Figures {
    fn put(self, whole: &mut AmplifierFigures);
}

impl Figures for Vec<Reading> {
    fn put(self, whole: &mut AmplifierFigures) {
        whole.figures.extend(self);
    }
}

impl<const N: usize> Figures for [Reading; N] {
    fn put(self, whole: &mut AmplifierFigures) {
        whole.figures.extend(self);
    }
}

impl Figures for (Vec<Reading>, Vec<LoopPoint>) {
    fn put(self, whole: &mut AmplifierFigures) {
        whole.figures.extend(self.0);
        whole.loop_gain = self.1;
    }
}

impl Measured {
    /// Takes the figures of a measurement, or why there are none.
    fn note<T, F: Figures>(
        &mut self,
        what: &str,
        answer: Result<T, SimError>,
        figures: impl FnOnce(T) -> F,
    ) {
        match answer {
            Ok(answer) => figures(answer).put(&mut self.whole),
            Err(error) => self.whole.not_measured.push(format!("{what}: {error}")),
        }
    }

    /// Takes the figures of a response whose gain is stated at `reference`, Hz.
    fn take(&mut self, response: &Response, reference: f64, drawn: Option<&Self>) {
        let group = Group::SmallSignals;
        let half_power = response.falls.last();
        let figure =
            |figure: Figure, value| Reading::new(group, figure.to_string(), figure.unit(), value);
        self.gain_db = Some(response.gain_db);
        self.whole.gains_db.clone_from(&response.gains);
        let (apart, place) = drawn
            .and_then(|drawn| self.furthest(drawn))
            .map_or((0.0, None), |(db, place)| (db, Some(place)));
        let peak = |below: bool| {
            let peaks = response
                .peaks
                .iter()
                .map(|peak| (peak.frequency, peak.height_db));
            let points = grid().into_iter().zip(response.gains.iter().copied());
            let points = points.map(|(frequency, gain)| (frequency, gain - response.gain_db));
            peaks
                .chain(points)
                .filter(|(frequency, _)| (*frequency < reference) == below)
                .max_by(|a, b| a.1.total_cmp(&b.1))
                .filter(|(_, height)| *height > 0.0)
        };
        let peaks = [("bass peak", peak(true)), ("treble peak", peak(false))];
        self.whole.figures.extend([
            Reading::decibels(group, GAIN, Some(response.gain_db)),
            figure(Figure::BassLimit, half_power.and_then(|fall| fall.lower)).beyond(BAND.0),
            figure(Figure::TrebleLimit, half_power.and_then(|fall| fall.upper)).beyond(BAND.1),
            Reading::decibels(group, RESPONSE, Some(apart)).at(place),
        ]);
        self.whole.figures.extend(peaks.map(|(name, peak)| {
            let height = peak.map_or(0.0, |(_, height)| height);
            let place = peak.filter(|(_, height)| *height > SHOWN);
            Reading::decibels(group, name, Some(height)).at(place.map(|(frequency, _)| frequency))
        }));
    }

    /// Where in the audio band the response, stated against the gain at the test frequency, lies furthest from
    /// that as drawn: dB and Hz.
    fn furthest(&self, drawn: &Self) -> Option<(f64, f64)> {
        let (own, other) = (self.gain_db?, drawn.gain_db?);
        let gains = self.whole.gains_db.iter().zip(&drawn.whole.gains_db);
        grid()
            .into_iter()
            .zip(gains)
            .filter(|(frequency, _)| AUDIO.contains(frequency))
            .map(|(frequency, (now, then))| ((now - own) - (then - other), frequency))
            .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
    }
}

fn impedances(impedance: &Impedance) -> [Reading; 2] {
    let read =
        |name: &str, ohms: Option<f64>| Reading::new(Group::SmallSignals, name, Unit::Ohm, ohms);
    let at = impedance.at_test;
    [
        read("output impedance", at.output.map(|ohms| ohms.magnitude)),
        read("input impedance", at.input.map(|ohms| ohms.magnitude)),
    ]
}

fn margins(closed: &LoopGain) -> Vec<Reading> {
    let group = Group::Feedback;
    let phase = |name, crossing: Option<UnityCrossing>| {
        Reading::degrees(group, name, crossing.map(|at| at.margin_degrees))
            .at(crossing.map(|at| at.frequency))
    };
    let gain = |name, crossing: Option<PhaseCrossing>| Reading {
        scale: Scale::Margin,
        ..Reading::decibels(group, name, crossing.map(|at| at.margin_db))
            .at(crossing.map(|at| at.frequency))
    };
    vec![
        Reading::decibels(group, "feedback", Some(closed.feedback_db())),
        phase("treble phase margin", closed.margin_above()),
        gain("treble gain margin", closed.gain_margin_above()),
        phase("bass phase margin", closed.margin_below()),
        gain("bass gain margin", closed.gain_margin_below()),
    ]
}

/// Currents and volts of every valve with a grid.
fn at_rest(volts: &Voltages) -> Vec<Reading> {
    let mut figures = Vec::new();
    for valve in &volts.valves {
        let read = |of: OfValve, value: f64, least: f64| {
            let figure = Figure::Valve(valve.part.clone(), of);
            Reading::new(
                Group::AtRest,
                figure.to_string(),
                figure.unit(),
                Some(value),
            )
            .least(least)
        };
        figures.push(read(OfValve::AnodeCurrent, valve.i_a, LEAST_CURRENT));
        figures.push(read(OfValve::AnodeVolts, valve.v_ak.value, LEAST_VOLTS));
        if let Some(screen) = valve.v_sk {
            figures.push(read(OfValve::ScreenVolts, screen.value, LEAST_VOLTS));
        }
        figures.push(read(OfValve::GridVolts, valve.v_gk, LEAST_VOLTS));
    }
    figures
}
