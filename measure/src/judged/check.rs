//! A drawing read like a sceptical engineer: what is dangerous, over its rating, probably misprinted or
//! doubtful, with the figure it rests on. It points, and corrects nothing.
//!
//! What can be seen from the wiring is seen from the wiring alone; everything else is judged by what the
//! solved circuit does, not by values. The rules of the trade behind each limit stand beside it in the file
//! of its question.
//!
//! Cost: rest once, twice more for each pair of parts that differ; with everything, the power sweep, and of
//! a mains-fed circuit the supply at three mains voltages and the switching on.

mod balance;
mod charge;
mod grids;
mod halves;
mod practice;
mod ratings;
mod selector;
mod stress;
mod wiring;

use std::sync::atomic::{AtomicUsize, Ordering};

use serde::Serialize;

pub use balance::{Balance, Correction};

use crate::at_rest::voltages::{Voltages, chart};
use crate::{Measurement, Progress, Reached, UnderTest};
use sim::circuit::PartId;
use sim::error::SimError;
use sim::structure::graph::Graph;
use sim::structure::{difference, mirror};

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
    /// The circuit at rest.
    #[serde(skip)]
    pub rest: Voltages,
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
    /// Capacitors stay charged.
    StaysCharged,
    /// The amplifier oscillates by itself.
    Oscillates,
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
    /// Like parts of the two halves differ.
    HalvesDiffer,
    /// A part in one half only.
    OneHalfOnly,
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
    /// Ratings the parts list does not state.
    RatingNeeded,
}

impl Code {
    /// All of them.
    pub const ALL: [Self; 21] = [
        Self::ShortCircuit,
        Self::StaysCharged,
        Self::Oscillates,
        Self::SwitchShorts,
        Self::HeaterCathode,
        Self::NoSharing,
        Self::Reversed,
        Self::OverRating,
        Self::GridLeak,
        Self::GridOpen,
        Self::HalvesDiffer,
        Self::OneHalfOnly,
        Self::UnequalLoads,
        Self::CarriesNothing,
        Self::CutOff,
        Self::GridCurrent,
        Self::AnodeLoad,
        Self::CouplingCorner,
        Self::BypassCorner,
        Self::Stopper,
        Self::RatingNeeded,
    ];

    /// The words by which it is explained.
    pub fn text(self) -> &'static str {
        match self {
            Self::ShortCircuit => "short-circuit",
            Self::StaysCharged => "stays-charged",
            Self::Oscillates => "oscillates",
            Self::SwitchShorts => "switch-shorts",
            Self::HeaterCathode => "heater-cathode",
            Self::NoSharing => "no-sharing",
            Self::Reversed => "reversed",
            Self::OverRating => "over-rating",
            Self::GridLeak => "grid-leak",
            Self::GridOpen => "grid-open",
            Self::HalvesDiffer => "halves-differ",
            Self::OneHalfOnly => "one-half-only",
            Self::UnequalLoads => "unequal-loads",
            Self::CarriesNothing => "carries-nothing",
            Self::CutOff => "cut-off",
            Self::GridCurrent => "grid-current",
            Self::AnodeLoad => "anode-load",
            Self::CouplingCorner => "coupling-corner",
            Self::BypassCorner => "bypass-corner",
            Self::Stopper => "stopper",
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
            unit: "",
            value: None,
            limit: None,
            drawn: None,
            corrections: Vec::new(),
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

impl Measurement for CheckOf {
    type Answer = Check;

    /// Reads the drawing; `progress` is told each question as it is taken up.
    ///
    /// # Errors
    /// Those of the chart. Other questions that have no answer are listed in it.
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
        let drawing = Drawing {
            of,
            graph: Graph::of(of.circuit, amplifier.bench.generator),
            chart: chart(of)?,
        };
        let mut left_out = Vec::new();
        progress("halves");
        let (halves, mut findings) = halves::findings(of, &drawing.graph);
        progress("wiring");
        findings.extend(wiring::findings(&drawing));
        findings.extend(selector::findings(amplifier));
        findings.extend(ratings::at_rest(&drawing));
        let mut ask = |question, answer: Result<Vec<Finding>, SimError>| match answer {
            Ok(found) => findings.extend(found),
            Err(error) => left_out.push(LeftOut {
                question,
                reason: error.to_string(),
            }),
        };
        ask("grids", grids::findings(&drawing));
        ask("values", practice::findings(&drawing));
        let mains = amplifier.mains.is_some();
        if self.quick {
            let skip = ["full drive", "after switching off"].into_iter();
            let on_mains = ["high mains", "switching on"].into_iter();
            for question in skip.chain(on_mains.filter(|_| mains)) {
                left_out.push(LeftOut {
                    question,
                    reason: "left out by --quick".to_owned(),
                });
            }
        } else {
            progress("after switching off");
            ask("after switching off", charge::findings(&drawing));
            progress("full drive");
            ask("full drive", stress::full_drive(&drawing));
            if mains {
                progress("high mains");
                ask("high mains", stress::high_mains(&drawing));
                progress("switching on");
                ask("switching on", stress::switching_on(&drawing));
            }
        }
        once(&mut findings);
        findings.sort_by_key(|finding| (finding.weight, finding.code));
        Ok(Check {
            findings,
            halves,
            left_out,
            rest: drawing.chart,
        })
    }
}

/// What is over its rating at rest is so at full drive too: said once, as it was said first.
fn once(findings: &mut Vec<Finding>) {
    let mut told: Vec<(Code, Vec<String>, &'static str)> = Vec::new();
    findings.retain(|finding| {
        let key = (finding.code, finding.parts.clone(), finding.quantity);
        let first = finding.quantity.is_empty() || !told.contains(&key);
        told.push(key);
        first
    });
}
