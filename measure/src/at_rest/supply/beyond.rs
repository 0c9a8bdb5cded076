//! What a supply asks of its parts beyond their ratings, or beyond what practice allows: one list for every report.

use super::figures::{AnodeStress, Figures};
use super::{Band, Condition};
use crate::instruments::valve::AgainstLimit;
use sim::quantity::Unit;

/// One judgement.
#[derive(Clone, Debug)]
pub struct Beyond<'a> {
    /// Designator; empty of heaters, which stand in a list.
    pub part: &'a str,
    /// The anode's node or the winding; empty of a part that has but one place.
    pub place: &'a str,
    /// What is wrong.
    pub kind: Kind<'a>,
}

/// What is wrong.
#[derive(Clone, Debug)]
pub enum Kind<'a> {
    /// A figure over its limit, in the condition where it is worst.
    Over(Stress, AgainstLimit, &'a Condition),
    /// Resistance that the published operations have more in series with the anode, Ω.
    ShortOfOhms(f64),
    /// Heaters and filaments further off than practice allows, with their share of the rated volts.
    HeatersOff(Vec<(&'a str, f64)>, &'a Condition),
    /// An electrolytic the wrong way round.
    Reversed,
    /// A stabiliser that goes out: its least current, and the one it needs, A.
    GoesOut(f64, f64),
    /// A core beyond its saturation: its share of that flux.
    Saturated(f64),
}

/// What has a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stress {
    /// Of a rectifier.
    DirectCurrent,
    /// Of an anode.
    PeakCurrent,
    /// Of an anode.
    PeakInverse,
    /// Of a stabiliser.
    Current,
    /// Of a winding, rms.
    WindingCurrent,
    /// Of a capacitor.
    Voltage,
    /// Of a resistor.
    Dissipation,
}

impl Stress {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::DirectCurrent => "direct current",
            Self::PeakCurrent => "peak current",
            Self::PeakInverse => "peak inverse",
            Self::Current => "current",
            Self::WindingCurrent => "rms current",
            Self::Voltage => "voltage",
            Self::Dissipation => "dissipation",
        }
    }

    /// Its unit.
    pub fn unit(self) -> Unit {
        match self {
            Self::DirectCurrent | Self::PeakCurrent | Self::Current | Self::WindingCurrent => {
                Unit::Ampere
            }
            Self::PeakInverse | Self::Voltage => Unit::Volt,
            Self::Dissipation => Unit::Watt,
        }
    }
}

/// Conditions of one circuit that were solved, with their figures.
pub type Solved<'a> = [(&'a Condition, &'a Figures)];

/// All that is beyond, in any of the conditions.
pub fn beyond<'a>(conditions: &Solved<'a>) -> Vec<Beyond<'a>> {
    let Some(&(_, first)) = conditions.first() else {
        return Vec::new();
    };
    let mut found = over(first, conditions);
    found.extend(short_of_ohms(first, conditions));
    for (condition, figures) in conditions {
        // Of heaters that are off alike one judgement is enough.
        let off = figures.heaters.iter().filter(|heater| heater.off);
        let off: Vec<_> = off
            .map(|heater| (heater.part.as_str(), heater.volts / heater.rated))
            .collect();
        if !off.is_empty() {
            found.push(Beyond {
                part: "",
                place: "",
                kind: Kind::HeatersOff(off, condition),
            });
        }
    }
    let whole = |part: &'a str, kind| Beyond {
        part,
        place: "",
        kind,
    };
    for (k, capacitor) in first.capacitors.iter().enumerate() {
        if conditions.iter().any(|(_, f)| f.capacitors[k].reversed) {
            found.push(whole(&capacitor.part, Kind::Reversed));
        }
    }
    for (k, stabiliser) in first.stabilisers.iter().enumerate() {
        let least = -most(conditions, |f| -f.stabilisers[k].least);
        if let Some(out) = stabiliser.goes_out.filter(|out| least < *out) {
            found.push(whole(&stabiliser.part, Kind::GoesOut(least, out)));
        }
    }
    for (k, core) in first.cores.iter().enumerate() {
        let most = most(conditions, |f| f.cores[k].saturation);
        if most > 1.0 {
            found.push(whole(&core.part, Kind::Saturated(most)));
        }
    }
    found
}

/// The greatest of a figure.
fn most(conditions: &Solved<'_>, figure: impl Fn(&Figures) -> f64) -> f64 {
    let figures = conditions.iter().map(|(_, figures)| figure(figures));
    figures.fold(f64::NEG_INFINITY, f64::max)
}

/// Figures that have a limit.
fn over<'a>(first: &'a Figures, conditions: &Solved<'a>) -> Vec<Beyond<'a>> {
    let mut found = Vec::new();
    let mut check =
        |part: &'a str, place: &'a str, stress, figure: &dyn Fn(&Figures) -> AgainstLimit| {
            let all = conditions
                .iter()
                .map(|(at, figures)| (figure(figures), *at));
            let worst = all.max_by(|a, b| a.0.value.total_cmp(&b.0.value));
            if let Some((figure, at)) = worst.filter(|(figure, _)| figure.is_over()) {
                found.push(Beyond {
                    part,
                    place,
                    kind: Kind::Over(stress, figure, at),
                });
            }
        };
    for (k, rectifier) in first.rectifiers.iter().enumerate() {
        let part = &rectifier.part;
        check(part, "", Stress::DirectCurrent, &|f| f.rectifiers[k].direct);
        for (j, anode) in rectifier.anodes.iter().enumerate() {
            let node = &anode.node;
            let of = |f: &Figures| f.rectifiers[k].anodes[j].clone();
            check(part, node, Stress::PeakCurrent, &|f| of(f).peak);
            check(part, node, Stress::PeakInverse, &|f| of(f).inverse);
        }
    }
    for (k, stabiliser) in first.stabilisers.iter().enumerate() {
        check(&stabiliser.part, "", Stress::Current, &|f| {
            f.stabilisers[k].most
        });
    }
    for (k, winding) in first.windings.iter().enumerate() {
        let (part, place) = (&winding.part, &winding.winding);
        check(part, place, Stress::WindingCurrent, &|f| {
            f.windings[k].current
        });
    }
    for (k, capacitor) in first.capacitors.iter().enumerate() {
        check(&capacitor.part, "", Stress::Voltage, &|f| {
            f.capacitors[k].volts
        });
    }
    for (k, pair) in first.pairs.iter().enumerate() {
        for (j, resistor) in pair.resistors.iter().enumerate() {
            check(&resistor.part, "", Stress::Dissipation, &|f| {
                f.pairs[k].resistors[j].power
            });
        }
    }
    found
}

/// Rectifiers with less resistance in their anodes than their type's operations have.
fn short_of_ohms<'a>(first: &'a Figures, conditions: &Solved<'a>) -> Vec<Beyond<'a>> {
    let mut found = Vec::new();
    for (k, rectifier) in first.rectifiers.iter().enumerate() {
        for (j, anode) in rectifier.anodes.iter().enumerate() {
            let short = most(conditions, |f| missing(&f.rectifiers[k].anodes[j]));
            if short > 0.0 {
                found.push(Beyond {
                    part: &rectifier.part,
                    place: &anode.node,
                    kind: Kind::ShortOfOhms(short),
                });
            }
        }
    }
    found
}

/// Resistance missing in an anode, Ω.
fn missing(anode: &AnodeStress) -> f64 {
    match (anode.supply_ohms, anode.least_ohms) {
        (Some(ohms), Some(least)) => (least - ohms).max(0.0),
        _ => 0.0,
    }
}

impl Condition {
    /// What it is called, without its volts.
    pub fn words(&self) -> &'static str {
        match (self.drive, self.band) {
            (Some(_), _) => "full drive",
            (None, Band::Low) => "low",
            (None, Band::Nominal) => "nominal",
            (None, Band::High) => "high",
        }
    }
}
