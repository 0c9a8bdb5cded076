//! One winding: what it is measured by, where its taps are, and how it is cut into sections.
//!
//! Nodes between the ends of a winding cut it into sections in series. Without taps the sections are
//! equal; a tap is per cent of the turns, or the ohms or volts between it and the first end. Sections
//! share resistance, leakage and stray volts in proportion to their turns. Capacitance is stated across the whole
//! winding; the sections being in series, each carries C/share.

use super::draft::{Draft, NodeRef};
use super::error::{Bounds, FileErrorKind};
use super::fields::{Fields, read_either};
use super::place::Place;
use super::place::Text;
use sim::parts::{Stray, Winding};
use sim::quantity::Unit;

/// What a winding is measured by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Measure {
    pub(super) value: f64,
    pub(super) unit: Unit,
}

impl Measure {
    /// Turns relative to a winding measured alike.
    pub(super) fn relative_to(self, whole: Self) -> f64 {
        let ratio = self.value / whole.value;
        if self.unit == Unit::Ohm {
            ratio.sqrt()
        } else {
            ratio
        }
    }
}

/// A winding before it is cut at its taps.
pub(super) struct WholeWinding {
    pub(super) name: String,
    pub(super) nodes: Vec<NodeRef>,
    /// Turns from the first end to each node, as a share of the winding.
    pub(super) places: Vec<f64>,
    pub(super) turns: f64,
    pub(super) resistance: f64,
    pub(super) leakage: f64,
    pub(super) capacitance: f64,
    /// In series with the capacitance of the whole winding, Ω.
    pub(super) capacitance_loss: f64,
    pub(super) rated_current: Option<f64>,
    /// The load it is made for, Ω; none where nobody says.
    pub(super) load: Option<f64>,
    pub(super) stray: Option<Stray>,
}

impl WholeWinding {
    /// Copper without resistance, leakage or capacitance; sections are equal.
    pub(super) fn plain(name: &str, nodes: Vec<NodeRef>, turns: f64) -> Self {
        let sections = nodes.len() - 1;
        Self {
            name: name.to_owned(),
            places: (0..=sections).map(|k| k as f64 / sections as f64).collect(),
            nodes,
            turns,
            resistance: 0.0,
            leakage: 0.0,
            capacitance: 0.0,
            capacitance_loss: 0.0,
            rated_current: None,
            load: None,
            stray: None,
        }
    }

    /// The sections between neighbouring nodes.
    pub(super) fn cut(&self) -> impl Iterator<Item = (Winding, [NodeRef; 2])> {
        let several = self.nodes.len() > 2;
        self.nodes
            .windows(2)
            .zip(self.places.windows(2))
            .enumerate()
            .map(move |(k, (ends, places))| {
                let share = places[1] - places[0];
                let winding = Winding {
                    name: if several {
                        format!("{} {}", self.name, k + 1)
                    } else {
                        self.name.clone()
                    },
                    turns: self.turns * share,
                    resistance: self.resistance * share,
                    leakage: self.leakage * share,
                    capacitance: self.capacitance / share,
                    capacitance_loss: self.capacitance_loss * share,
                    rated_current: self.rated_current,
                    stray: self.stray.map(|whole| Stray {
                        amplitude: whole.amplitude * share,
                        ..whole
                    }),
                };
                (winding, [ends[0].clone(), ends[1].clone()])
            })
    }
}

/// A winding of one relative turn with its taps found.
pub(super) fn winding(
    fields: &mut Fields<'_>,
    draft: &mut Draft,
    name: &str,
    nodes: Vec<NodeRef>,
    taps_key: &'static str,
    measure: Option<Measure>,
) -> Option<WholeWinding> {
    let sections = nodes.len() - 1;
    let places = match fields.list(draft, taps_key) {
        None => None,
        Some(texts) => Some(tap_places(
            fields, draft, taps_key, &texts, sections, measure,
        )?),
    };
    let mut whole = WholeWinding::plain(name, nodes, 1.0);
    whole.places = places.unwrap_or(whole.places);
    Some(whole)
}

/// Where the taps are: shares of the turns, from 0 to 1, both ends included.
fn tap_places(
    fields: &Fields<'_>,
    draft: &mut Draft,
    key: &'static str,
    texts: &[Text],
    sections: usize,
    measure: Option<Measure>,
) -> Option<Vec<f64>> {
    let place = Place::File(fields.span_of(key));
    if texts.len() != sections - 1 {
        let kind = FileErrorKind::TapCount {
            key: key.to_owned(),
            wanted: sections - 1,
            found: texts.len(),
        };
        draft.fault(&place, kind);
        return None;
    }
    let mut units = vec![Unit::Percent];
    units.extend(
        measure
            .map(|measure| measure.unit)
            .filter(|unit| *unit != Unit::Number),
    );
    let mut places = vec![0.0];
    for text in texts {
        let (value, unit) = read_either(draft, key, text, &units, Bounds::Positive)?;
        places.push(match measure {
            Some(whole) if unit == whole.unit => Measure { value, unit }.relative_to(whole),
            _ => value,
        });
    }
    places.push(1.0);
    if places.windows(2).any(|pair| pair[1] <= pair[0]) {
        draft.fault(
            &place,
            FileErrorKind::TapOrder {
                key: key.to_owned(),
            },
        );
        return None;
    }
    Some(places)
}
