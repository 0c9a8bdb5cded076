//! Which types are most like one, and what would change with them in its place.
//!
//! ```text
//! D(a, b)² = (d(a, b)² + d(b, a)²) / 2,   d(a, b)² = sum (ln(figure of b / figure of a) / s)²
//! ```
//!
//! Symbols   d(a, b) at the typical working point of a: b at the same anode and screen volts, biased
//!           for the same current;  s what is taken as one unit of difference of a figure
//! Source    the distance and its widths are ours.  Widths of gm, mu, ra are the spread of samples of
//!           one type (±20 %, ±10 %, ±20 %; common practice, no source): below 1 a type differs from
//!           another no more than two samples of it do.  ln makes half as far as double, and the mean
//!           of both directions makes a as like b as b is like a
//! Valid     amplifying valves of one class among themselves (triodes with strapped pentodes, pentodes
//!           with pentodes); rectifiers by drop, current and inverse volts; stabilisers by their volts
//! Care      heater, base and bias are told and not counted: they are wiring, not characteristics

use crate::data::{ValveModel, ValveType};
use crate::working_point::{Class, Joined, WorkingPoint};

/// Widths: a ratio e^s is one unit of difference.
mod width {
    /// Mutual conductance: samples of a type spread ±20 %.
    pub(super) const GM: f64 = 0.2;
    /// Amplification factor: set by the distances of the electrodes, ±10 %.
    pub(super) const MU: f64 = 0.1;
    /// Anode resistance of a triode, mu/gm: ±20 %.
    pub(super) const RA: f64 = 0.2;
    /// Anode resistance of a pentode: printed as an approximation, and large beside its load.
    pub(super) const PENTODE_RA: f64 = 0.5;
    /// Knee of a pentode: a fifth of it is about 2 % of the swing.
    pub(super) const KNEE: f64 = 0.2;
    /// Current that the other cannot have: as a sample's spread.
    pub(super) const CURRENT: f64 = 0.2;
    /// Permitted dissipation: 50 % more or less is what a next larger type has.
    pub(super) const WATTS: f64 = 0.4;
    /// Permitted anode volts below those of the point: as the tolerance of the mains.
    pub(super) const VOLTS: f64 = 0.1;
    /// Drop of a rectifier: samples and recalled figures differ by 20 %.
    pub(super) const DROP: f64 = 0.2;
    /// Maintaining volts of a stabiliser: its spread is some per cent.
    pub(super) const MAINTAINED: f64 = 0.03;
}

/// The bias nearest to zero that is free of grid current, V. Common practice, no source: it starts
/// between 0.5 and 1 V negative with an indirectly heated cathode.
pub const LEAST_BIAS: f64 = -1.0;

/// A type in the place of another.
#[derive(Clone, Copy, Debug)]
pub struct Likeness<'a> {
    /// The type and its connection.
    pub joined: Joined<'a>,
    /// Distance in units of a sample's spread, the mean of both directions.
    pub distance: f64,
    /// At the working point of the target; None of a rectifier or stabiliser.
    pub point: Option<WorkingPoint>,
    /// True when the current had to be less than the target's, for its dissipation or its bias.
    pub less_current: bool,
}

/// The types of `among` that could stand in the place of `target`, nearest first. The target itself is
/// left out in its own connection, and pentodes are offered strapped beside triodes.
/// Cost: two solved biases a type.
pub fn alike<'a>(target: Joined<'a>, among: &'a [ValveType]) -> Vec<Likeness<'a>> {
    let mut found: Vec<Likeness<'a>> = among
        .iter()
        .filter(|valve| Class::of(valve) == Class::of(target.valve))
        .filter(|valve| valve.name != target.valve.name)
        .filter_map(|valve| candidate(&target, valve))
        .filter_map(|joined| likeness(&target, joined))
        .collect();
    found.sort_by(|a, b| a.distance.total_cmp(&b.distance));
    found
}

/// The connection in which a type can stand beside the target.
fn candidate<'a>(target: &Joined, valve: &'a ValveType) -> Option<Joined<'a>> {
    match &valve.model {
        ValveModel::Pentode(_) if target.has_screen() => Some(Joined::normal(valve)),
        ValveModel::Pentode(_) => Joined::strapped(valve),
        ValveModel::Triode(_) if target.has_screen() => None,
        ValveModel::Triode(_) | ValveModel::Rectifier(_) | ValveModel::Stabiliser(_) => {
            Some(Joined::normal(valve))
        }
    }
}

fn likeness<'a>(target: &Joined, joined: Joined<'a>) -> Option<Likeness<'a>> {
    if !Class::of(target.valve).amplifies() {
        return Some(Likeness {
            joined,
            distance: fixed(target.valve, joined.valve)?.sqrt(),
            point: None,
            less_current: false,
        });
    }
    let ours = target.typical()?;
    let (point, less_current) = in_place(&ours, &joined)?;
    let there = one_way(target, &ours, &joined, &point);
    let theirs = joined.typical()?;
    let (at_theirs, _) = in_place(&theirs, target)?;
    let back = one_way(&joined, &theirs, target, &at_theirs);
    Some(Likeness {
        joined,
        distance: (0.5 * (there + back)).sqrt(),
        point: Some(point),
        less_current,
    })
}

/// A valve at the working point of another, and whether it passes less current there.
pub fn in_place(point: &WorkingPoint, joined: &Joined) -> Option<(WorkingPoint, bool)> {
    let v_sk = point.v_sk.unwrap_or(point.v_ak);
    let permitted = joined
        .watts_limit()
        .map_or(f64::INFINITY, |watts| watts / point.v_ak);
    // A target that itself rests beyond LEAST_BIAS asks no more of others.
    let least = LEAST_BIAS.max(point.v_gk).min(0.0);
    let open = joined.currents(point.v_ak, v_sk, least)?.anode;
    let current = point.i_a.min(permitted).min(open);
    let biased = joined.biased(point.v_ak, v_sk, current, least)?;
    // Rounding of the solved currents
    Some((biased, current < point.i_a * (1.0 - 1e-9)))
}

/// Square of the distance of `b` from `a`, at the working point of `a`.
fn one_way(a: &Joined, at_a: &WorkingPoint, b: &Joined, at_b: &WorkingPoint) -> f64 {
    let ra = if a.has_screen() {
        width::PENTODE_RA
    } else {
        width::RA
    };
    let mut sum = term(at_a.gm, at_b.gm, width::GM)
        + term(at_a.mu, at_b.mu, width::MU)
        + term(at_a.ra, at_b.ra, ra)
        + term(at_a.i_a, at_b.i_a, width::CURRENT);
    if let (Some(of_a), Some(of_b)) = (at_a.knee, at_b.knee) {
        sum += term(of_a, of_b, width::KNEE);
    }
    if let (Some(of_a), Some(of_b)) = (a.watts_limit(), b.watts_limit()) {
        sum += term(of_a, of_b, width::WATTS);
    }
    if let Some(limit) = b.volts_limit() {
        sum += term(at_a.v_ak, limit.min(at_a.v_ak), width::VOLTS);
    }
    sum
}

fn term(of_a: f64, of_b: f64, width: f64) -> f64 {
    ((of_b / of_a).ln() / width).powi(2)
}

/// Square of the distance of two rectifiers or two stabilisers; None where they cannot be compared.
fn fixed(a: &ValveType, b: &ValveType) -> Option<f64> {
    let limit = |of: fn(&ValveType) -> Option<f64>, width: f64| match (of(a), of(b)) {
        (Some(of_a), Some(of_b)) => term(of_a, of_b, width),
        _ => 0.0,
    };
    match &a.model {
        ValveModel::Rectifier(law_a) => {
            let ValveModel::Rectifier(law_b) = &b.model else {
                return None;
            };
            // Both laws have one exponent: the ratio of drops is the same at any current
            let current = a.limits.dc_amps.or(b.limits.dc_amps)?;
            Some(
                term(law_a.drop(current), law_b.drop(current), width::DROP)
                    + limit(|v| v.limits.dc_amps, width::WATTS)
                    + limit(|v| v.limits.peak_inverse_volts, width::WATTS),
            )
        }
        ValveModel::Stabiliser(_) => {
            let volts = |v: &ValveType| v.discharge.as_ref().map(|d| d.voltage);
            Some(
                term(volts(a)?, volts(b)?, width::MAINTAINED)
                    + limit(|v| v.limits.most_amps, width::WATTS),
            )
        }
        ValveModel::Triode(_) | ValveModel::Pentode(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::data::Connection;
    use crate::library;

    fn joined(name: &str) -> Joined<'static> {
        Joined::normal(library::find(name).unwrap())
    }

    fn names(target: Joined<'static>) -> Vec<&'static str> {
        let list = alike(target, library::valves());
        list.iter().map(|l| l.joined.valve.name.as_str()).collect()
    }

    /// Electrically the same in other envelopes or with other heaters (tube manuals, from memory).
    #[test]
    fn the_nearest_is_the_sister() {
        for (name, sister) in [
            ("2A3", "6B4G"),
            ("6B4G", "2A3"),
            ("42", "6F6"),
            ("6F6", "42"),
        ] {
            assert_eq!(names(joined(name))[0], sister, "{name}");
        }
    }

    /// Sections that manuals call the same but rate apart (tube manuals, from memory) are as like as
    /// samples of one type: distance below 1, the definition of the unit.
    #[test]
    fn sections_of_one_design_differ_less_than_samples() {
        for (name, sister) in [("12AU7", "6C4"), ("6SN7GT", "6J5"), ("6J5", "6F8G")] {
            let distance = likeness(&joined(name), joined(sister)).unwrap().distance;
            assert!(distance < 1.0, "{name} {sister}: {distance}");
        }
        // Another design is far: five times the amplification factor.
        let far = likeness(&joined("12AX7"), joined("12AU7"))
            .unwrap()
            .distance;
        assert!(far > 5.0, "{far}");
    }

    /// A metric's first two rules. 1e-12: rounding.
    #[test]
    fn the_distance_is_symmetric_and_none_from_itself() {
        let some = [
            "2A3", "300B", "45", "12AX7", "6SL7GT", "12AT7", "EL84", "6V6GT", "GZ34", "5U4G",
        ];
        for a in some {
            let itself = likeness(&joined(a), joined(a)).unwrap();
            assert!(itself.distance < 1e-6, "{a}: {}", itself.distance);
            for b in some {
                let (there, back) = (
                    likeness(&joined(a), joined(b)),
                    likeness(&joined(b), joined(a)),
                );
                match (there, back) {
                    (Some(there), Some(back))
                        if Class::of(joined(a).valve) == Class::of(joined(b).valve) =>
                    {
                        assert!(
                            (there.distance - back.distance).abs() < 1e-12 * (1.0 + there.distance),
                            "{a} {b}"
                        );
                    }
                    _ => {}
                }
            }
        }
    }

    /// A width's worth of one figure is a distance of 1, and figures add by their squares: the formula at
    /// the top, by hand. 1e-12: rounding.
    #[test]
    fn each_figure_counts_by_its_width() {
        let triode = joined("2A3");
        let pentode = joined("EL84");
        let at = triode.typical().unwrap();
        let changed = |change: &dyn Fn(&mut WorkingPoint)| {
            let mut other = at;
            change(&mut other);
            one_way(&triode, &at, &triode, &other)
        };
        let one = |figure: &dyn Fn(&mut WorkingPoint)| {
            let distance = changed(figure);
            assert!((distance - 1.0).abs() < 1e-12, "{distance}");
        };
        one(&|p| p.gm *= 0.2_f64.exp());
        one(&|p| p.mu *= 0.1_f64.exp());
        one(&|p| p.ra *= (-0.2_f64).exp());
        one(&|p| p.i_a *= 0.2_f64.exp());
        let all = changed(&|p| {
            p.gm *= 0.4_f64.exp();
            p.mu *= 0.3_f64.exp();
        });
        assert!((all - (4.0 + 9.0)).abs() < 1e-12, "{all}");
        // The knee counts in a pentode, and its anode resistance less
        let rest = pentode.typical().unwrap();
        let mut other = rest;
        other.knee = rest.knee.map(|knee| knee * 0.2_f64.exp());
        other.ra *= 0.5_f64.exp();
        let distance = one_way(&pentode, &rest, &pentode, &other);
        assert!((distance - 2.0).abs() < 1e-12, "{distance}");
        // 300 V is the 2A3's limit: e^0.1 above it is one unit, by the volts alone
        let mut above = at;
        above.v_ak = 300.0 * 0.1_f64.exp();
        let distance = one_way(&triode, &above, &triode, &above);
        assert!((distance - 1.0).abs() < 1e-12, "{distance}");
        // Permitted dissipation: 15 W and the 300B's 40 W
        let other = joined("300B");
        let watts = one_way(&triode, &at, &other, &at);
        let by_hand = ((40.0_f64 / 15.0).ln() / 0.4).powi(2);
        assert!((watts - by_hand).abs() < 1e-12, "{watts}");
    }

    /// Strapped beam tetrodes stand beside an output triode, voltage amplifiers do not.
    #[test]
    fn a_triode_is_compared_with_strapped_pentodes_of_its_class() {
        let list = alike(joined("2A3"), library::valves());
        for name in ["6L6", "KT66", "EL34", "6V6GT"] {
            let found = list.iter().find(|l| l.joined.valve.name == name).unwrap();
            assert_eq!(found.joined.connection, Connection::Strapped);
        }
        assert!(
            names(joined("12AX7"))
                .iter()
                .all(|n| *n != "300B" && *n != "2A3")
        );
        let pentodes = alike(joined("EL84"), library::valves());
        assert!(pentodes.iter().all(|l| l.joined.has_screen()));
    }

    /// 6L6 strapped at 250 V passes 40 mA at -20 V (tube manual, from memory); at the 60 mA of a 2A3 it
    /// needs less bias than that, and about the difference over the mean gm: 20 mA / 5.2 mA/V = 3.8 V
    /// from -20 V, a closed form good to 1 V.
    #[test]
    fn a_strapped_tetrode_needs_the_bias_its_published_point_leads_to() {
        let list = alike(joined("2A3"), library::valves());
        let found = list.iter().find(|l| l.joined.valve.name == "6L6").unwrap();
        let point = found.point.unwrap();
        assert!((point.v_gk + 16.2).abs() < 1.0, "{}", point.v_gk);
    }

    /// The 12AX7 and the 6SL7GT are the high-mu double triodes; the 12AT7 has half the anode resistance
    /// and five times the conductance (common practice, no source).
    #[test]
    fn high_mu_triodes_are_nearer_than_others() {
        let list = names(joined("12AX7"));
        let at = |name: &str| list.iter().position(|n| *n == name).unwrap();
        assert!(at("6SL7GT") < at("12AT7"), "{list:?}");
        assert!(at("6SF5") < at("12AT7"), "{list:?}");
    }
}
