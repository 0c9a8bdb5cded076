//! Which parts are taken out, how, and which together: from what was named, or everything that can be.

use super::partner;
use super::taken_out::{How, Removal, can_be_shorted, usual};
use crate::judged::check::pairs;
use models::nearest::nearest;
use sim::amplifier::Amplifier;
use sim::circuit::{Circuit, PartId};
use sim::parts::Part;
use sim::structure::graph::Graph;

/// What was named.
#[derive(Clone, Debug, Default)]
pub struct Named {
    /// Parts to be taken out as is usual with their kind.
    pub parts: Vec<String>,
    /// Parts to be opened.
    pub open: Vec<String>,
    /// Parts to be shorted.
    pub short: Vec<String>,
    /// All at once, and not one by one.
    pub together: bool,
}

/// Why parts cannot be taken out.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CaseError {
    /// The part does not exist.
    #[error("there is no part {part}")]
    NoPart {
        /// The designator.
        part: String,
        /// The designator most like it.
        nearest: Option<String>,
    },
    /// The part was named before.
    #[error("{part} is named twice")]
    Twice {
        /// The designator.
        part: String,
    },
    /// No wire can be laid across it.
    #[error("{part} is a {is} and cannot be shorted")]
    NotShorted {
        /// The designator.
        part: String,
        /// What the part is.
        is: &'static str,
    },
    /// Figures are stated in it.
    #[error("{part} is the load of the bench, in which the figures are stated")]
    Load {
        /// The designator.
        part: String,
    },
    /// No amplifier is without it.
    #[error("{part} is a {is}, which cannot be taken out")]
    Kept {
        /// The designator.
        part: String,
        /// What the part is.
        is: &'static str,
    },
    /// One part is not several.
    #[error("--together takes two parts or more")]
    Together,
}

impl CaseError {
    /// What to do instead.
    pub fn help(&self) -> String {
        match self {
            Self::NoPart { nearest, .. } => match nearest {
                Some(name) => format!("did you mean {name}?"),
                None => "check the spelling".to_owned(),
            },
            Self::Twice { .. } => "a part is opened or shorted once; ask twice for both".to_owned(),
            Self::NotShorted { part, is } if *is == "valve" => {
                format!("--open {part} takes it out of its socket")
            }
            Self::NotShorted { part, .. } => format!("--open {part} takes it out"),
            Self::Load { .. } => "`gridleak feedback` tells what an open output does".to_owned(),
            Self::Kept { .. } => {
                "write what takes its place into a rework file, and `gridleak compare` the two"
                    .to_owned()
            }
            Self::Together => "name them with --part, --open or --short".to_owned(),
        }
    }
}

/// The cases: each part named, and parts of the two halves that answer each other both at once as well; without
/// names every resistor, capacitor and choke, those that answer each other at once only.
///
/// # Errors
/// Every [`CaseError`] there is.
pub fn cases(amplifier: &Amplifier, named: &Named) -> Result<Vec<Vec<Removal>>, Vec<CaseError>> {
    let graph = Graph::of(&amplifier.circuit, amplifier.bench.generator);
    let pairs: Vec<[PartId; 2]> = pairs(&graph)
        .into_iter()
        .flat_map(|(_, pairs)| pairs)
        .collect();
    let is_named = [&named.parts, &named.open, &named.short]
        .iter()
        .any(|list| !list.is_empty());
    if !is_named {
        return if named.together {
            Err(vec![CaseError::Together])
        } else {
            Ok(every(amplifier, &graph, &pairs))
        };
    }
    let removals = removals(amplifier, &graph, named)?;
    if named.together {
        let all: Vec<Removal> = removals.iter().flatten().copied().collect();
        return if removals.len() > 1 {
            Ok(vec![all])
        } else {
            Err(vec![CaseError::Together])
        };
    }
    let mut cases = removals.clone();
    for removal in removals.iter().filter(|case| case.len() == 1).flatten() {
        let Some(other) = partner(&pairs, removal.part) else {
            continue;
        };
        let mut both = vec![
            *removal,
            Removal {
                part: other,
                how: removal.how,
            },
        ];
        let is_valve = matches!(amplifier.circuit.part(other).part, Part::Valve(_));
        let differs = |case: &Vec<Removal>| {
            case.iter()
                .any(|one| one.part == other && one.how != removal.how)
        };
        both.sort_unstable();
        if !is_valve && !cases.contains(&both) && !removals.iter().any(differs) {
            cases.push(both);
        }
    }
    Ok(cases)
}

/// Every resistor, capacitor and choke but the load.
fn every(amplifier: &Amplifier, graph: &Graph<'_>, pairs: &[[PartId; 2]]) -> Vec<Vec<Removal>> {
    let usually = |part: PartId| usual(graph, part).map(|how| Removal { part, how });
    let mut cases = Vec::new();
    for (part, placed) in amplifier.circuit.parts() {
        if !placed.part.is_passive() || part == amplifier.bench.load {
            continue;
        }
        match partner(pairs, part).filter(|&other| other != amplifier.bench.load) {
            // Told with the first of the two.
            Some(other) if other < part => {}
            Some(other) => {
                let mut both: Vec<Removal> =
                    [part, other].into_iter().filter_map(usually).collect();
                // The loads of a phase splitter that takes its outputs from anode and cathode.
                if both.iter().any(|removal| removal.how != both[0].how) {
                    for removal in &mut both {
                        removal.how = How::Opened;
                    }
                }
                cases.push(both);
            }
            None => cases.push(usually(part).into_iter().collect()),
        }
    }
    cases
}

/// The parts named; a valve with all sections of its envelope.
fn removals(
    amplifier: &Amplifier,
    graph: &Graph<'_>,
    named: &Named,
) -> Result<Vec<Vec<Removal>>, Vec<CaseError>> {
    let circuit = &amplifier.circuit;
    let lists = [
        (&named.parts, None),
        (&named.open, Some(How::Opened)),
        (&named.short, Some(How::Shorted)),
    ];
    let (mut cases, mut faults): (Vec<Vec<Removal>>, Vec<CaseError>) = Default::default();
    for (name, wanted) in lists
        .into_iter()
        .flat_map(|(list, how)| list.iter().map(move |name| (name, how)))
    {
        match one(amplifier, graph, name, wanted) {
            Err(fault) => faults.push(fault),
            Ok(removal) => {
                let known = cases
                    .iter()
                    .flatten()
                    .any(|known| known.part == removal.part);
                if known {
                    faults.push(CaseError::Twice { part: name.clone() });
                } else {
                    cases.push(envelope(circuit, removal));
                }
            }
        }
    }
    if faults.is_empty() {
        Ok(cases)
    } else {
        Err(faults)
    }
}

fn one(
    amplifier: &Amplifier,
    graph: &Graph<'_>,
    name: &str,
    wanted: Option<How>,
) -> Result<Removal, CaseError> {
    let circuit = &amplifier.circuit;
    let generator = amplifier.bench.generator;
    let own = || circuit.parts().filter(|(id, _)| *id != generator);
    let Some((part, placed)) = own().find(|(_, placed)| placed.name == name) else {
        let names = own().map(|(_, placed)| placed.name.as_str());
        return Err(CaseError::NoPart {
            nearest: nearest(name, names).map(str::to_owned),
            part: name.to_owned(),
        });
    };
    let part_name = || name.to_owned();
    let is = placed.part.words();
    if part == amplifier.bench.load {
        return Err(CaseError::Load { part: part_name() });
    }
    let Some(usual) = usual(graph, part) else {
        return Err(CaseError::Kept {
            part: part_name(),
            is: if is == "supply or generator" {
                "supply"
            } else {
                is
            },
        });
    };
    let how = wanted.unwrap_or(usual);
    if how == How::Shorted && !can_be_shorted(&placed.part, placed.nodes.len()) {
        return Err(CaseError::NotShorted {
            part: part_name(),
            is,
        });
    }
    Ok(Removal { part, how })
}

/// A valve leaves its socket with everything in its envelope.
fn envelope(circuit: &Circuit, removal: Removal) -> Vec<Removal> {
    let of = |part: PartId| circuit.part(part).part.valve()?.envelope.clone();
    let Some(own) = of(removal.part) else {
        return vec![removal];
    };
    circuit
        .parts()
        .filter(|(id, _)| of(*id).as_ref() == Some(&own))
        .map(|(part, _)| Removal {
            part,
            how: removal.how,
        })
        .collect()
}
