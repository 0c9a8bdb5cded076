//! A drawing read like a sceptical engineer: what is dangerous, over its rating, probably misprinted or
//! doubtful, with the figure it rests on. It points, and corrects nothing.
//!
//! What can be seen from the wiring is seen from the wiring alone; everything else is judged by what the
//! solved circuit does, not by values. The rules of the trade behind each limit stand beside it in the file
//! of its question. Where one slip explains several findings, it stands in their place.
//!
//! Cost: rest once, once for each slip that is tried (`slips.rs`), twice more for each pair of parts that differ; with everything, the power sweep, and of
//! a mains-fed circuit the supply at three mains voltages and the switching on.
//!
//! Over 400 lines because the kinds of findings stand beside the order in which they are looked for.

mod balance;
mod charge;
mod drives;
mod fellows;
mod grids;
mod growth;
mod halves;
mod judging;
mod links;
mod margin;
mod misjoined;
mod polarity;
mod practice;
mod ratings;
mod returns;
mod reversed;
mod screens;
mod selector;
mod shares;
mod slips;
mod stress;
mod taps;
mod traced;
mod wiring;

use std::sync::atomic::{AtomicUsize, Ordering};

use serde::Serialize;

pub use balance::{Balance, Correction};
pub use polarity::look as wrong_way_round;

use crate::at_rest::voltages::{Voltages, chart, unjudged};
use crate::small_signal::loop_gain::held;
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::System;
use sim::amplifier::Amplifier;
use sim::circuit::PartId;
use sim::error::SimError;
use sim::quantity::{Unit, engineering};
use sim::structure::graph::Graph;
use sim::structure::{difference, mirror};

/// Why what `quick` leaves out is left out.
pub const BY_QUICK: &str = "left out by --quick";

/// What is left out where no rest was found.
pub const WIRING: &str = "everything but the wiring";

/// The question.
#[derive(Clone, Copy, Debug, Default)]
pub struct CheckOf {
    /// Leaves out full drive, high mains, switching on and off.
    pub quick: bool,
}

/// The answer.
#[derive(Clone, Debug, Serialize)]
pub struct Check {
    /// What was found, the weightiest first.
    pub findings: Vec<Finding>,
    /// The halves of each balanced output stage; empty of a single-ended amplifier.
    pub halves: Vec<Halves>,
    /// Questions that were left out or had no answer, and why.
    pub left_out: Vec<LeftOut>,
    /// The circuit at rest, or why it was not found: then only the wiring was looked at.
    #[serde(skip)]
    pub rest: Result<Voltages, SimError>,
}

/// A question without an answer.
#[derive(Clone, Debug, Serialize)]
pub struct LeftOut {
    /// What was asked.
    pub question: &'static str,
    /// Why there is no answer.
    pub reason: String,
}

/// The two halves of a balanced output stage.
#[derive(Clone, Debug, Serialize)]
pub struct Halves {
    /// Designators of the output pair.
    pub output: [String; 2],
    /// Parts that answer each other.
    pub pairs: Vec<Pair>,
}

/// A part and its like in the other half; a part between both halves is its own.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Pair {
    /// Designator.
    pub part: String,
    /// Designator of its like.
    pub like: String,
}

/// How much a finding weighs, the heaviest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// To people or to what stands around.
    Danger,
    /// It does not do what it is there for.
    DoesNotWork,
    /// A part is used beyond what it may stand.
    OverRating,
    /// The drawing or its copy is probably wrong.
    ProbableMisprint,
    /// Unusual; there may be a reason.
    Doubtful,
    /// Worth knowing.
    Remark,
}

/// Kinds of findings; `text` is what `explain` knows them by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Code {
    /// A supply is short-circuited.
    ShortCircuit,
    /// The mains touches the chassis.
    LiveChassis,
    /// Feedback that adds to the signal.
    PositiveFeedback,
    /// The amplifier oscillates by itself.
    Oscillates,
    /// The halves of a push-pull pair driven alike.
    InPhase,
    /// A valve that no signal reaches.
    NoDrive,
    /// Capacitors stay charged.
    StaysCharged,
    /// A position of a switch shorts something.
    SwitchShorts,
    /// Heater too far from its cathode.
    HeaterCathode,
    /// Capacitors in series without resistors that share the volts.
    NoSharing,
    /// An electrolytic the wrong way round.
    Reversed,
    /// A part beyond its rating.
    OverRating,
    /// A grid leak beyond what the type allows.
    GridLeak,
    /// A grid without a DC path but through what is plugged in.
    GridOpen,
    /// Like parts of the two halves, or of valves in parallel, differ.
    HalvesDiffer,
    /// A part in one half only.
    OneHalfOnly,
    /// A tap that suits neither the mains nor the load.
    WrongTap,
    /// A supply that feeds nothing, or an anode that nothing feeds.
    MissingLink,
    /// A cathode resistor a decade off.
    CathodeResistor,
    /// Another resistor a decade off.
    ResistorValue,
    /// A part joined to another node than it should be, or turned round.
    WrongNode,
    /// A capacitor of a value that none has.
    CapacitorValue,
    /// A heater that is forgotten, or that nothing holds.
    HeaterWiring,
    /// Loads trimmed for balance.
    UnequalLoads,
    /// A part that carries nothing.
    CarriesNothing,
    /// A valve that conducts next to nothing.
    CutOff,
    /// A valve whose grid draws current at rest.
    GridCurrent,
    /// An anode at the bottom or the top of its supply.
    AnodeLoad,
    /// A coupling capacitor with a corner out of place.
    CouplingCorner,
    /// A bypass capacitor with a corner out of place.
    BypassCorner,
    /// A large stopper.
    Stopper,
    /// Feedback with less than the usual margins.
    LittleMargin,
    /// Ratings the parts list does not state.
    RatingNeeded,
}

impl Code {
    /// All of them.
    pub const ALL: [Self; 33] = [
        Self::ShortCircuit,
        Self::LiveChassis,
        Self::PositiveFeedback,
        Self::Oscillates,
        Self::InPhase,
        Self::NoDrive,
        Self::StaysCharged,
        Self::SwitchShorts,
        Self::HeaterCathode,
        Self::NoSharing,
        Self::Reversed,
        Self::OverRating,
        Self::GridLeak,
        Self::GridOpen,
        Self::HalvesDiffer,
        Self::OneHalfOnly,
        Self::WrongTap,
        Self::MissingLink,
        Self::CathodeResistor,
        Self::ResistorValue,
        Self::WrongNode,
        Self::CapacitorValue,
        Self::HeaterWiring,
        Self::UnequalLoads,
        Self::CarriesNothing,
        Self::CutOff,
        Self::GridCurrent,
        Self::AnodeLoad,
        Self::CouplingCorner,
        Self::BypassCorner,
        Self::Stopper,
        Self::LittleMargin,
        Self::RatingNeeded,
    ];

    /// The words by which it is explained.
    pub fn text(self) -> &'static str {
        match self {
            Self::ShortCircuit => "short-circuit",
            Self::LiveChassis => "live-chassis",
            Self::PositiveFeedback => "positive-feedback",
            Self::Oscillates => "oscillates",
            Self::InPhase => "in-phase",
            Self::NoDrive => "no-drive",
            Self::StaysCharged => "stays-charged",
            Self::SwitchShorts => "switch-shorts",
            Self::HeaterCathode => "heater-cathode",
            Self::NoSharing => "no-sharing",
            Self::Reversed => "reversed",
            Self::OverRating => "over-rating",
            Self::GridLeak => "grid-leak",
            Self::GridOpen => "grid-open",
            Self::HalvesDiffer => "halves-differ",
            Self::OneHalfOnly => "one-half-only",
            Self::WrongTap => "wrong-tap",
            Self::MissingLink => "missing-link",
            Self::CathodeResistor => "cathode-resistor",
            Self::ResistorValue => "resistor-value",
            Self::WrongNode => "wrong-node",
            Self::CapacitorValue => "capacitor-value",
            Self::HeaterWiring => "heater-wiring",
            Self::UnequalLoads => "unequal-loads",
            Self::CarriesNothing => "carries-nothing",
            Self::CutOff => "cut-off",
            Self::GridCurrent => "grid-current",
            Self::AnodeLoad => "anode-load",
            Self::CouplingCorner => "coupling-corner",
            Self::BypassCorner => "bypass-corner",
            Self::Stopper => "stopper",
            Self::LittleMargin => "little-margin",
            Self::RatingNeeded => "rating-needed",
        }
    }
}

/// One finding.
#[derive(Clone, Debug, Serialize)]
pub struct Finding {
    /// Its kind.
    pub code: Code,
    /// How much it weighs.
    pub weight: Weight,
    /// Designators of the parts it is about.
    pub parts: Vec<String>,
    /// What was found, with the figure.
    pub what: String,
    /// Why it matters.
    pub why: String,
    /// What to look at.
    pub look: String,
    /// What the figure is; empty where there is none.
    pub quantity: &'static str,
    /// The winding or the anode where a part has several, or the condition; its words are in `what`.
    #[serde(skip)]
    pub place: String,
    /// Symbol of its unit; empty of a ratio.
    pub unit: &'static str,
    /// The figure, SI; none where there is none.
    pub value: Option<f64>,
    /// What it is held against, SI.
    pub limit: Option<f64>,
    /// The balance as drawn, of parts that differ between the halves.
    pub drawn: Option<Balance>,
    /// What could be meant, and what it would do.
    pub corrections: Vec<Correction>,
    /// What was found besides, would not be without this, and stands nowhere else.
    pub explains: Vec<String>,
    /// The parts of these.
    #[serde(skip)]
    pub explained: Vec<String>,
}

impl Finding {
    fn new(
        code: Code,
        weight: Weight,
        what: impl Into<String>,
        why: impl Into<String>,
        look: impl Into<String>,
    ) -> Self {
        Self {
            code,
            weight,
            parts: Vec::new(),
            what: what.into(),
            why: why.into(),
            look: look.into(),
            quantity: "",
            place: String::new(),
            unit: "",
            value: None,
            limit: None,
            drawn: None,
            corrections: Vec::new(),
            explains: Vec::new(),
            explained: Vec::new(),
        }
    }
}

impl Finding {
    /// Whether it is what others follow from, and is to be looked at before them: a slip that explains some of them, or
    /// heaters so far off that no valve works as it should.
    pub fn is_cause(&self) -> bool {
        /// Share of the rated volts beyond which a heater is on a wrong winding, and not on one that is a little off.
        const WRONG: f64 = 0.2;
        let heater = self.quantity == ratings::HEATER_VOLTS
            && self.value.is_some_and(|share| (share - 1.0).abs() >= WRONG);
        heater || !self.explains.is_empty()
    }

    /// Whether it is over a rating by less than many a drawing asks.
    pub fn asks_a_little_much(&self) -> bool {
        judging::excess(self).is_some_and(|by| by < judging::ASKS_A_LITTLE_MUCH)
    }

    /// At a winding or an anode of its part.
    fn at(self, place: &str) -> Self {
        if place.is_empty() {
            return self;
        }
        let what = self.what.trim_end_matches('.');
        Self {
            what: format!("{what}, {place}."),
            place: place.to_owned(),
            ..self
        }
    }
}

/// The output pair of each balanced output stage, and the parts that answer each other in its halves and have the
/// same value, but for what trims one against the other.
pub(crate) fn pairs(graph: &Graph<'_>) -> Vec<([PartId; 2], Vec<[PartId; 2]>)> {
    mirror::mirrors(graph)
        .into_iter()
        .map(|mirror| {
            let part = |id: PartId| &graph.circuit.part(id).part;
            let alike = |p, q| {
                let difference = difference::of(part(p), part(q));
                difference.is_none_or(|it| it.ratio.is_some_and(|ratio| ratio <= halves::TRIMMED))
            };
            let parts = mirror.parts.into_iter();
            let parts = parts.filter(|&(p, q)| p != q && alike(p, q));
            (mirror.output, parts.map(|(p, q)| [p, q]).collect())
        })
        .collect()
}

/// A drawing with its wiring and its chart.
struct Drawing<'a> {
    of: &'a UnderTest<'a>,
    graph: Graph<'a>,
    chart: Voltages,
}

impl CheckOf {
    /// What the drawing shows of an amplifier whose rest was not found, and why it was not. Of one that oscillates, what
    /// shows where nothing comes back from its output.
    pub fn unsolved(&self, amplifier: &Amplifier, error: SimError) -> Check {
        let oscillates = matches!(
            error,
            SimError::Oscillates { .. } | SimError::Repeats { .. } | SimError::Bursts { .. }
        );
        // What never repeats may be on its way to and fro by what comes back from the output.
        let leaves = oscillates || matches!(error, SimError::NotPeriodic(_));
        if let (true, Ok(system)) = (leaves, System::of(&amplifier.circuit))
            && let Ok(held) =
                held(amplifier, &system).or_else(|_| growth::kept_still(amplifier, &system))
            && let Ok(chart) = unjudged(&held)
        {
            let drawing = Drawing {
                graph: Graph::of(held.circuit, amplifier.bench.generator),
                of: &held,
                chart,
            };
            return self.looked_at(drawing, Some(error), &|_| ());
        }
        let graph = Graph::of(&amplifier.circuit, amplifier.bench.generator);
        let (halves, mut findings) = halves::findings(None, &graph);
        findings.extend(drawn(amplifier));
        if oscillates {
            findings.push(growth::finding(&error, amplifier, None));
        }
        let reason = error.to_string();
        sort(&mut findings);
        Check {
            findings,
            halves,
            left_out: vec![LeftOut {
                question: WIRING,
                reason,
            }],
            rest: Err(error),
        }
    }

    /// What a drawing with its chart shows; where the amplifier does not stay there, nothing of it in use.
    fn looked_at(
        self,
        mut drawing: Drawing<'_>,
        leaves: Option<SimError>,
        progress: &dyn Fn(&'static str),
    ) -> Check {
        let (of, amplifier) = (drawing.of, drawing.of.amplifier);
        let chart = drawing.chart.clone();
        let off = links::switched_off(of.circuit);
        let valves = off.iter().flat_map(|off| &off.valves);
        let valves: Vec<&String> = valves.collect();
        drawing
            .chart
            .valves
            .retain(|at| !valves.contains(&&at.part));
        progress("halves");
        let (halves, mut findings) =
            halves::findings(leaves.is_none().then_some(of), &drawing.graph);
        progress("wiring");
        findings.extend(drawn(amplifier));
        findings.extend(wiring::unshared(&drawing));
        findings.extend(returns::findings(&drawing));
        findings.extend(fellows::findings(&drawing.graph, &findings));
        findings.extend(ratings::at_rest(&drawing));
        let grown = leaves
            .as_ref()
            .filter(|error| !matches!(error, SimError::NotPeriodic(_)));
        findings.extend(grown.map(|error| growth::finding(error, amplifier, Some(of))));
        findings.extend(practice::values(&drawing));
        progress("slips");
        links::unfed(&drawing, &mut findings);
        slips::explain(&drawing, &mut findings);
        let shares = shares::findings(&drawing, &findings);
        findings.extend(shares);
        let explained = findings.iter().any(|of| !of.explains.is_empty());
        let mut asked = Asked {
            findings,
            left_out: Vec::new(),
        };
        if let Some(error) = leaves.as_ref().filter(|_| grown.is_none()) {
            let reason =
                format!("{error}; what is told is as if nothing came back from the output");
            asked.skip(&["rest"], &reason);
        }
        let off: Option<String> = (!off.is_empty()).then(|| {
            let off: Vec<String> = off.iter().map(links::SwitchedOff::words).collect();
            off.join("; ")
        });
        if let Some(off) = &off {
            asked.skip(&["drives"], off);
        } else {
            let drives = drives::find(of, &mut asked.findings);
            asked.take("drives", drives.map(|()| Vec::new()));
        }
        let undriven = |of: &Finding| [Code::InPhase, Code::NoDrive].contains(&of.code);
        let undriven = asked.findings.iter().any(undriven);
        asked.take("feedback", polarity::findings(of));
        polarity::explain(&mut asked.findings);
        asked.take("grids", grids::findings(&drawing));
        asked.take("corners", practice::corners(&drawing));
        asked.take("stoppers", practice::grid_stoppers(&drawing));
        let mains = amplifier.mains.is_some();
        let in_use: &[&'static str] = if mains {
            &["full drive", "high mains", "switching on"]
        } else {
            &["full drive"]
        };
        if self.quick {
            asked.skip(in_use, BY_QUICK);
            asked.skip(&["after switching off"], BY_QUICK);
        } else {
            progress("after switching off");
            asked.take("after switching off", charge::findings(&drawing));
            if leaves.is_none() {
                progress("margins");
                asked.take("margins", margin::findings(of));
            }
            if let Some(error) = &leaves {
                asked.skip(in_use, &error.to_string());
            } else if let Some(off) = &off {
                asked.skip(in_use, off);
            } else if explained {
                asked.skip(in_use, "nothing there holds until the part above is right");
            } else {
                progress("full drive");
                if undriven {
                    asked.skip(
                        &["full drive"],
                        "the signal does not reach every valve as it should",
                    );
                } else {
                    asked.driven(stress::full_drive(&drawing));
                }
                if mains {
                    progress("high mains");
                    asked.take("high mains", stress::high_mains(&drawing));
                    progress("switching on");
                    asked.take("switching on", stress::switching_on(&drawing));
                }
            }
        }
        let Asked {
            mut findings,
            left_out,
        } = asked;
        once(&mut findings);
        as_if_meant(amplifier, &mut findings);
        sort(&mut findings);
        Check {
            findings,
            halves,
            left_out,
            rest: leaves.map_or(Ok(chart), Err),
        }
    }
}

/// What the wiring shows without a solution.
fn drawn(amplifier: &Amplifier) -> Vec<Finding> {
    let mut found = wiring::dead_ends(amplifier);
    found.extend(wiring::live_chassis(amplifier));
    let bridged = wiring::bridged(&amplifier.circuit).into_iter();
    found.extend(bridged.map(|bridged| bridged.finding));
    found.extend(selector::findings(amplifier));
    found.extend(taps::findings(amplifier));
    found.extend(links::findings(amplifier));
    found.extend(links::idle(amplifier));
    let graph = Graph::of(&amplifier.circuit, amplifier.bench.generator);
    found.extend(screens::findings(&graph));
    found.extend(misjoined::findings(amplifier, &graph));
    found
}

impl Measurement for CheckOf {
    type Answer = Check;

    /// Reads the drawing; `progress` is told each question as it is taken up. A question without an answer is listed
    /// in the answer and takes none of the others with it.
    fn ask(&self, of: &UnderTest<'_>, progress: &Progress<'_>) -> Result<Check, SimError> {
        let taken_up = AtomicUsize::new(0);
        let progress = |next| {
            progress(Reached {
                done: taken_up.fetch_add(1, Ordering::Relaxed),
                all: None,
                next: Some(next),
            });
        };
        progress("rest");
        let amplifier = of.amplifier;
        let chart = match chart(of) {
            Ok(chart) => chart,
            Err(error) => return Ok(self.unsolved(amplifier, error)),
        };
        let drawing = Drawing {
            of,
            graph: Graph::of(of.circuit, amplifier.bench.generator),
            chart,
        };
        Ok(self.looked_at(drawing, None, &progress))
    }
}

/// What was found, and what was not asked.
struct Asked {
    findings: Vec<Finding>,
    left_out: Vec<LeftOut>,
}

impl Asked {
    fn take(&mut self, question: &'static str, answer: Result<Vec<Finding>, SimError>) {
        match answer {
            Ok(found) => self.findings.extend(found),
            Err(error) => self.skip(&[question], &error.to_string()),
        }
    }

    /// What was found at full drive, and what ended the way there.
    fn driven(&mut self, answer: Result<(Vec<Finding>, Option<SimError>), SimError>) {
        match answer {
            Ok((found, ended)) => {
                self.findings.extend(found);
                if let Some(error) = ended {
                    let reason = format!("beyond the last level that was solved: {error}");
                    self.skip(&["full drive"], &reason);
                }
            }
            Err(error) => self.skip(&["full drive"], &error.to_string()),
        }
    }

    fn skip(&mut self, questions: &[&'static str], reason: &str) {
        self.left_out
            .extend(questions.iter().map(|question| LeftOut {
                question,
                reason: reason.to_owned(),
            }));
    }
}

fn sort(findings: &mut [Finding]) {
    findings.sort_by_key(|finding| {
        let at_once = finding.weight == Weight::Danger
            && [Code::ShortCircuit, Code::LiveChassis].contains(&finding.code);
        let order = if at_once {
            0
        } else if finding.is_cause() {
            1
        } else {
            2
        };
        // What is a little over a rating weighs less than a misprint.
        let much = finding.asks_a_little_much();
        let weight = if much {
            Weight::ProbableMisprint
        } else {
            finding.weight
        };
        (order, weight, much, finding.code)
    });
}

/// As [`engineering`], but what is smaller than any meter tells apart from nothing is told as less than that.
fn printed(value: f64, unit: Unit) -> String {
    /// A billionth of the unit: no reading of an amplifier is as small (common practice, no source).
    const NOTHING: f64 = 1e-9;
    if value.abs() < NOTHING {
        format!("less than {}", engineering(NOTHING, unit))
    } else {
        engineering(value, unit)
    }
}

/// What would be said of a shorted capacitor and its wire as if they were meant is not.
fn as_if_meant(amplifier: &Amplifier, findings: &mut Vec<Finding>) {
    let bridged = wiring::bridged(&amplifier.circuit).into_iter();
    let parts: Vec<String> = bridged.flat_map(|of| of.finding.parts).collect();
    let meant = [Code::CouplingCorner, Code::BypassCorner, Code::OneHalfOnly];
    findings.retain(|of| {
        !(meant.contains(&of.code) && of.parts.iter().any(|part| parts.contains(part)))
    });
}

/// What is over its rating at rest is so at full drive too: said once, as it was said first.
fn once(findings: &mut Vec<Finding>) {
    let mut told = Vec::new();
    findings.retain(|finding| {
        let key = judging::key(finding);
        let first = finding.quantity.is_empty() || !told.contains(&key);
        told.push(key);
        first
    });
}
