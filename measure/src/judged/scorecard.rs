//! The figures by which an amplifier is judged, in one list: what two amplifiers are compared by.
//!
//! Every figure is drawn from a [`Study`], so it is the one the single command prints.
//!
//! Over 400 lines because it is one list: every figure in the order in which it is told.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::driven::distortion::BassLimit;
use crate::driven::hum::{CauseKind, CauseOfHum};
use crate::instruments::valve::AgainstLimit;
use crate::judged::figure::{At, Figure, OfValve};
use crate::judged::study::{BAND, Study};
use sim::circuit::{Circuit, NodeId};
use sim::error::SimError;
use sim::parts::{Part, Winding, halves_in_parallel};
use sim::quantity::{Unit, engineering};

/// Harmonics listed: the others follow them.
const HARMONICS: std::ops::RangeInclusive<u32> = 2..=5;

/// Which way a figure is the better one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Better {
    /// The greater.
    More,
    /// The smaller.
    Less,
    /// Neither: it is what the design wants.
    Neither,
}

/// One figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// What it belongs to, e.g. "At rest".
    pub group: &'static str,
    /// Its name; the same in every amplifier.
    pub name: String,
    /// Its unit; per cent stands for a ratio.
    pub unit: Unit,
    /// SI; none where the amplifier has no such figure.
    pub value: Option<f64>,
    /// What it may not exceed.
    pub limit: Option<f64>,
    /// What it was read at, or the figure itself where it is words.
    pub words: Option<String>,
    /// Which way is better.
    pub better: Better,
}

/// The figures of an amplifier.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Scorecard {
    /// All of them, group by group.
    pub entries: Vec<Entry>,
    /// What could not be measured.
    pub not_measured: Vec<NotMeasured>,
}

/// A group of figures without a measurement.
#[derive(Clone, Debug, PartialEq)]
pub struct NotMeasured {
    /// The group.
    pub group: &'static str,
    /// Why.
    pub reason: String,
    /// Whether the solver gave up; else the amplifier has no such figures.
    pub gave_up: bool,
}

impl NotMeasured {
    fn new(group: &'static str, error: &SimError) -> Self {
        Self {
            group,
            reason: error.to_string(),
            gave_up: error.gave_up(),
        }
    }
}

/// Groups in their order.
const AT_REST: &str = "At rest";
const POWER: &str = "Power and distortion";
const SMALL: &str = "Small signals";
const HUM: &str = "Hum";
const HEATERS: &str = "Heaters";
const STRESS: &str = "Stresses at rest";

/// Makes every measurement the scorecard needs, side by side; each answer is one task's alone, so none waits
/// for another. `done` is called after each of [`STEPS`].
pub fn measure(study: &Study<'_>, done: &(impl Fn() + Sync)) {
    let steps: [&(dyn Fn() + Sync); STEPS] = [
        &|| _ = bass_limit(study),
        &|| _ = study.hum(),
        &|| _ = study.rest(),
        &|| _ = study.response(),
        &|| _ = study.impedance(),
    ];
    rayon::scope(|scope| {
        for step in steps {
            scope.spawn(move |_| {
                step();
                done();
            });
        }
    });
}

/// Where the iron ends the rated power in the bass, which needs that power first. On the mains every frequency of the
/// search would be a common period of its own, minutes in all: there only the levels of the scorecard are.
fn bass_limit<'s>(study: &'s Study<'_>) -> Result<Option<&'s BassLimit>, SimError> {
    if study.amplifier.mains.is_some() {
        study.output_valves()?;
        study.one_watt()?;
        return study.limit().map(|_| None);
    }
    study.saturation()
}

/// Measurements of a scorecard.
pub const STEPS: usize = 5;

/// The figures; what [`measure`] has not found yet is found here, and what cannot be measured is listed.
pub fn scorecard(study: &Study<'_>) -> Scorecard {
    let mut card = Scorecard::default();
    if let Err(error) = card.fill(study) {
        // Without a rest there is nothing.
        card.not_measured = vec![NotMeasured::new(AT_REST, &error)];
    }
    card
}

fn power() -> Vec<(Figure, Better)> {
    let mut figures = vec![
        (Figure::Power, Better::More),
        (Figure::Sensitivity, Better::Neither),
    ];
    for at in [At::OneWatt, At::Limit] {
        figures.push((Figure::Distortion(at), Better::Less));
        figures.extend(HARMONICS.map(|number| (Figure::Harmonic(number, at), Better::Less)));
    }
    figures
}

impl Scorecard {
    fn fill(&mut self, study: &Study<'_>) -> Result<(), SimError> {
        self.at_rest(study)?;
        self.group(study, POWER, &power());
        self.unfinished(study);
        self.saturation(study);
        self.group(
            study,
            SMALL,
            &[
                (Figure::Gain, Better::Neither),
                (Figure::BassLimit, Better::Less),
                (Figure::TrebleLimit, Better::More),
                (Figure::OutputImpedance, Better::Neither),
                (Figure::Damping, Better::More),
            ],
        );
        self.hum(study);
        self.heaters(study)?;
        self.stresses(study)?;
        Ok(())
    }

    /// A sweep that ended before the distortion limit has no figures there. Where the limit was sought alone, what failed is
    /// told with the figures.
    fn unfinished(&mut self, study: &Study<'_>) {
        if let Some(power) = study.swept()
            && power.rated.is_none()
            && let Some(reason) = &power.ended_early
        {
            self.not_measured.push(NotMeasured {
                group: POWER,
                reason: reason.clone(),
                gave_up: true,
            });
        }
    }

    /// Figures of one group; a measurement that fails is told once.
    fn group(&mut self, study: &Study<'_>, group: &'static str, figures: &[(Figure, Better)]) {
        let mut reasons: Vec<NotMeasured> = Vec::new();
        for (figure, better) in figures {
            let value = figure.of(study).unwrap_or_else(|error| {
                let reason = NotMeasured::new(group, &error);
                if !reasons.contains(&reason) {
                    reasons.push(reason);
                }
                None
            });
            // A stage that never gives a watt has no figures there.
            if value.is_none() && reasons.is_empty() && figure.level() == Some(At::OneWatt) {
                continue;
            }
            self.entries.push(Entry {
                value,
                words: value.map_or_else(|| why_none(figure, study), |_| None),
                better: *better,
                ..entry(group, figure.to_string(), figure.unit())
            });
        }
        self.not_measured.extend(reasons);
    }

    fn at_rest(&mut self, study: &Study<'_>) -> Result<(), SimError> {
        let rest = study.rest()?;
        for valve in &rest.valves {
            let figures = [
                (OfValve::AnodeVolts, Some(valve.v_ak)),
                (OfValve::GridVolts, Some(alone(valve.v_gk))),
                (OfValve::AnodeCurrent, Some(alone(valve.i_a))),
                (OfValve::AnodeWatts, Some(valve.p_a)),
                (OfValve::ScreenWatts, valve.p_s),
            ];
            for (of, figure) in figures {
                let Some(figure) = figure else { continue };
                let name = Figure::Valve(valve.part.clone(), of);
                self.entries.push(Entry {
                    value: Some(figure.value),
                    limit: figure.limit,
                    ..entry(AT_REST, name.to_string(), name.unit())
                });
            }
        }
        if let Ok([first, second]) = study.output_valves() {
            let balance = Figure::Balance(first.clone(), second.clone());
            self.entries.push(Entry {
                value: balance.of(study)?,
                ..entry(AT_REST, balance.to_string(), balance.unit())
            });
        }
        Ok(())
    }

    /// A power that cannot be measured was told with the others.
    fn saturation(&mut self, study: &Study<'_>) {
        let limit = bass_limit(study).ok().flatten();
        let words = match limit {
            Some(limit) if limit.frequency.is_none() => {
                let end = engineering(limit.searched_to, Unit::Hertz);
                Some(format!("below {end}"))
            }
            Some(limit) => {
                let first = limit.first.first().map(|first| &first.part);
                limit.part.as_ref().or(first).cloned()
            }
            None if study.amplifier.mains.is_some() => Some("not on mains".to_owned()),
            None => None,
        };
        self.entries.push(Entry {
            value: limit.and_then(|limit| limit.frequency),
            words,
            better: Better::Less,
            ..entry(POWER, "this power down to".to_owned(), Unit::Hertz)
        });
    }

    fn hum(&mut self, study: &Study<'_>) {
        if study.amplifier.mains.is_none() {
            self.entries.push(Entry {
                words: Some("no mains".to_owned()),
                ..entry(HUM, "hum".to_owned(), Unit::Volt)
            });
            return;
        }
        self.group(study, HUM, &[(Figure::Hum, Better::Less)]);
        if let Ok(hum) = study.hum() {
            let cause = hum
                .causes
                .first()
                .filter(|cause| hum.is_explained() && cause.share > 0.0);
            let none = || {
                let why = if hum.causes.is_empty() {
                    "no cause drawn"
                } else if hum.is_explained() {
                    "causes cancel each other"
                } else {
                    "none of those drawn"
                };
                why.to_owned()
            };
            self.entries.push(Entry {
                value: cause.map(|cause| cause.share),
                words: Some(cause.map_or_else(none, cause_words)),
                ..entry(HUM, "of it by its main cause".to_owned(), Unit::Percent)
            });
        }
    }

    /// What the heaters draw: of those drawn on one pair of nodes together, of the others at one voltage. The load of a
    /// winding, in VA, is all that flows in it; heaters and hum pots are resistances, so that it is in watts too.
    fn heaters(&mut self, study: &Study<'_>) -> Result<(), SimError> {
        let circuit = &study.amplifier.circuit;
        let rest = study.rest()?;
        let mut whole = 0.0;
        for (wire, heaters) in heater_wires(circuit) {
            let amps: f64 = heaters.iter().map(|heater| heater.amps).sum();
            let watts: f64 = heaters
                .iter()
                .map(|heater| heater.volts * heater.amps)
                .sum();
            whole += watts;
            let (volts, at) = match &wire {
                Wire::Drawn { words, .. } => {
                    let is_own = |part: &String| heaters.iter().any(|own| own.part == *part);
                    let drawn = rest.heaters.iter().find(|at| is_own(&at.part));
                    (drawn.map(|at| at.volts), words.clone())
                }
                Wire::Rated(volts) => (None, format!("{} V, not drawn", *volts as f64 / MILLI)),
            };
            let winding = match wire {
                Wire::Drawn { ends, .. } => winding_between(circuit, ends),
                Wire::Rated(_) => None,
            };
            let limit = winding
                .as_ref()
                .and_then(|winding| winding.sections.first()?.1.rated_current);
            if volts.is_some() {
                self.entries.push(Entry {
                    value: volts,
                    ..entry(HEATERS, format!("heater volts, {at}"), Unit::Volt)
                });
            }
            self.entries.push(Entry {
                value: Some(amps),
                limit,
                ..entry(HEATERS, format!("heater current, {at}"), Unit::Ampere)
            });
            if let (Some(volts), Some(winding)) = (volts, winding) {
                let flows: Vec<f64> = rest
                    .windings
                    .iter()
                    .filter(|at| at.part == winding.part)
                    .map(|at| at.current.value)
                    .collect();
                let turns: f64 = winding.sections.iter().map(|(_, one)| one.turns).sum();
                let loads = winding.sections.iter().map(|(place, one)| {
                    let flows = flows.get(*place)?;
                    Some(volts * one.turns / turns * flows)
                });
                self.entries.push(Entry {
                    value: loads.sum(),
                    limit: limit.map(|amps| volts * amps),
                    ..entry(HEATERS, format!("load of the winding, {at}"), Unit::Watt)
                });
            }
        }
        self.entries.push(Entry {
            value: Some(whole),
            better: Better::Less,
            ..entry(HEATERS, "all heaters".to_owned(), Unit::Watt)
        });
        Ok(())
    }

    fn stresses(&mut self, study: &Study<'_>) -> Result<(), SimError> {
        let rest = study.rest()?;
        let capacitors = rest.capacitors.iter().map(|part| (&part.part, part.volts));
        let resistors = rest.resistors.iter().map(|part| (&part.part, part.power));
        self.stress("capacitor volts of rating", capacitors);
        self.stress("resistor watts of rating", resistors);
        Ok(())
    }

    /// The worst of a kind.
    fn stress<'p>(&mut self, name: &str, parts: impl Iterator<Item = (&'p String, AgainstLimit)>) {
        let worst = parts
            .filter_map(|(part, figure)| Some((part, figure.percent()?)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        self.entries.push(Entry {
            value: worst.map(|(_, percent)| percent / 100.0),
            limit: Some(1.0),
            words: worst.map(|(part, _)| part.clone()),
            better: Better::Less,
            ..entry(STRESS, name.to_owned(), Unit::Percent)
        });
    }
}

fn entry(group: &'static str, name: String, unit: Unit) -> Entry {
    Entry {
        group,
        name,
        unit,
        value: None,
        limit: None,
        words: None,
        better: Better::Neither,
    }
}

fn alone(value: f64) -> AgainstLimit {
    AgainstLimit { value, limit: None }
}

fn cause_words(cause: &CauseOfHum) -> String {
    let what = match cause.kind {
        CauseKind::Rail => "ripple of",
        CauseKind::Bias => "bias ripple of",
        CauseKind::Filament => "filament of",
        CauseKind::Filaments => "filaments of",
        CauseKind::Heater => "heater to cathode of",
        CauseKind::Balance => "setting of",
        CauseKind::Stray => "stray field in",
    };
    format!("{what} {}", cause.name)
}

/// Why a figure of the response is none: the gain stays within 3 dB as far as was looked.
fn why_none(figure: &Figure, study: &Study<'_>) -> Option<String> {
    let curve = |low: bool| {
        study.response().ok()?;
        let (from, to) = BAND;
        let end = if low { from } else { to };
        let end = engineering(end, Unit::Hertz);
        Some(format!("{} {end}", if low { "below" } else { "above" }))
    };
    match figure {
        Figure::BassLimit => curve(true),
        Figure::TrebleLimit => curve(false),
        Figure::Valve(..)
        | Figure::Resistor(..)
        | Figure::Volts(_)
        | Figure::Balance(..)
        | Figure::Power
        | Figure::Sensitivity
        | Figure::Distortion(_)
        | Figure::Harmonic(..)
        | Figure::Gain
        | Figure::OutputImpedance
        | Figure::Damping
        | Figure::Hum => None,
    }
}

/// Millivolts in a volt: heaters are told apart to the millivolt.
const MILLI: f64 = 1e3;

/// Where a heater is fed from.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Wire {
    /// Both ends of what feeds it, and their names.
    Drawn {
        words: String,
        ends: (NodeId, NodeId),
    },
    /// Not drawn: its rated voltage, mV.
    Rated(u64),
}

/// What a heater or filament is made for.
struct HeaterOf {
    part: String,
    /// Across what feeds it.
    volts: f64,
    amps: f64,
}

/// Heaters and filaments by where they are fed from, once for an envelope.
fn heater_wires(circuit: &Circuit) -> BTreeMap<Wire, Vec<HeaterOf>> {
    let mut wires: BTreeMap<Wire, Vec<HeaterOf>> = BTreeMap::new();
    let mut envelopes: Vec<&str> = Vec::new();
    for (id, placed) in circuit.parts() {
        let Part::Valve(valve) = &placed.part else {
            continue;
        };
        let Some(heater) = &valve.kind.heater else {
            continue;
        };
        let line = if valve.filament {
            Some(id)
        } else {
            circuit.heater_of(id)
        };
        if line.is_some_and(|line| line != id) {
            continue;
        }
        if line.is_none()
            && let Some(envelope) = &valve.envelope
        {
            if envelopes.contains(&envelope.as_str()) {
                continue;
            }
            envelopes.push(envelope);
        }
        let wiring = valve.wiring(&placed.nodes);
        let ends: &[NodeId] = if valve.filament {
            wiring.cathode
        } else {
            wiring.heater
        };
        // Both halves side by side: half the volts, twice the current.
        let folded = halves_in_parallel(ends);
        let times = if folded { 2.0 } else { 1.0 };
        let wire = match (line, ends) {
            (Some(_), &[first, second, ..]) => {
                // Both halves side by side end at the middle.
                let last = ends.last().filter(|_| !folded).copied().unwrap_or(second);
                let ends = (first.min(last), first.max(last));
                let names = [ends.0, ends.1].map(|node| circuit.node_name(node));
                Wire::Drawn {
                    words: names.join("-"),
                    ends,
                }
            }
            _ => Wire::Rated((heater.voltage * MILLI).round() as u64),
        };
        wires.entry(wire).or_default().push(HeaterOf {
            part: placed.name.clone(),
            volts: heater.voltage / times,
            amps: heater.current * times,
        });
    }
    wires
}

/// A winding between two nodes.
struct Between<'a> {
    /// Designator of its transformer.
    part: &'a str,
    /// The sections from one node to the other, each with its place among the windings of the transformer: two of a
    /// winding with a centre tap.
    sections: Vec<(usize, &'a Winding)>,
}

/// The winding between two nodes. Sections are followed from one to the next as they are joined.
fn winding_between(circuit: &Circuit, (a, b): (NodeId, NodeId)) -> Option<Between<'_>> {
    circuit.parts().find_map(|(_, placed)| {
        let windings = &placed.part.transformer()?.windings;
        let ends: Vec<&[NodeId]> = placed.nodes.chunks_exact(2).collect();
        let along = |from: NodeId, to: NodeId| {
            let start = ends.iter().position(|ends| ends[0] == from)?;
            let mut last = start;
            while ends[last][1] != to {
                let next = last + 1;
                if ends.get(next)?[0] != ends[last][1] {
                    return None;
                }
                last = next;
            }
            Some(
                (start..=last)
                    .map(|place| (place, &windings[place]))
                    .collect(),
            )
        };
        let one = ends
            .iter()
            .position(|ends| **ends == [a, b] || **ends == [b, a]);
        let sections = one
            .map(|place| vec![(place, &windings[place])])
            .or_else(|| along(a, b))
            .or_else(|| along(b, a))?;
        Some(Between {
            part: &placed.name,
            sections,
        })
    })
}
