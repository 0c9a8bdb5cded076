//! How long the capacitors of a supply stay charged after it is switched off.
//!
//! From the settled state with every supply at zero, followed with steps that grow in proportion to the
//! time passed. Twice: with valves hot, which then discharge the capacitors themselves, and with valves
//! cold, where bleeders alone do: the leakage of capacitors is left out there, since nobody may rely on it. A mains switch leaves the primary open and not at zero
//! volts; behind rectifiers that makes no difference.
//!
//! Care   hot valves cool within seconds to half a minute, so that the truth lies between the two; only
//!        the second is safe to believe

use serde::Serialize;

use sim::circuit::{Circuit, PartId};
use sim::error::SimError;
use sim::parts::{Part, Waveform};
use sim::system::{System, Unknown, Workspace};
use sim::tolerances::Tolerances;
use sim::transient::{Method, Stepper};

/// Volts at which a capacitor counts as discharged, V (common practice, no source).
pub const DISCHARGED: f64 = 50.0;

/// The longest time followed, s: half an hour.
pub const LONGEST: f64 = 1800.0;

/// The first step, s: a tenth of the shortest thing a supply does, conduction of a rectifier.
const FIRST: f64 = 1e-4;

/// Growth of the steps, a share of the time passed: an exponential read between two such steps is off by
/// less than 1e-4 of itself.
const GROWTH: f64 = 0.05;

/// Halvings of a step: from minutes down to microseconds, where something lets go on the way.
const HALVINGS: u32 = 28;

/// One capacitor after switching off.
#[derive(Clone, Debug, Serialize)]
pub struct Discharge {
    /// Designator.
    pub part: String,
    /// At the switching off, V without sign.
    pub volts: f64,
    /// Time until it stays below 50 V with the valves hot, s; none when it does not within half an hour.
    pub hot: Option<f64>,
    /// Time until it stays below 50 V with the valves cold, s; none when it does not within half an hour.
    pub cold: Option<f64>,
    /// What is left after half an hour with the valves hot, V; none when it was not followed so long.
    pub hot_left: Option<f64>,
    /// What is left after half an hour with the valves cold, V; none when it was not followed so long.
    pub cold_left: Option<f64>,
}

/// A capacitor that is charged above 50 V: its ends among the unknowns, and its volts.
type Charged = (PartId, [usize; 2], f64);

fn charged(circuit: &Circuit, system: &System, capacitors: &[PartId], x: &[f64]) -> Vec<Charged> {
    let place = |node| system.voltage_of(node) as usize;
    capacitors
        .iter()
        .map(|&part| {
            let nodes = &circuit.part(part).nodes;
            let ends = [place(nodes[0]), place(nodes[1])];
            (part, ends, (x[ends[0]] - x[ends[1]]).abs())
        })
        .filter(|(.., volts)| *volts > DISCHARGED)
        .collect()
}

/// With the valves cold: they let no current through, and what flowed in windings has died away.
fn cold(
    system: &System,
    charged: &[Charged],
    x: &[f64],
    tolerances: &Tolerances,
) -> Result<Vec<Followed>, SimError> {
    let mut still = x.to_vec();
    for (value, unknown) in still.iter_mut().zip(system.unknowns()) {
        if matches!(unknown, Unknown::Current(..) | Unknown::Flux(_)) {
            *value = 0.0;
        }
    }
    follow(&system.cold(), still, charged, tolerances)
}

/// The circuit with capacitors that leak nothing.
pub(crate) fn without_leakage(circuit: &Circuit) -> Circuit {
    let mut tight = circuit.clone();
    let parts: Vec<PartId> = circuit.parts().map(|(part, _)| part).collect();
    for part in parts {
        if let Part::Capacitor(capacitor) = &mut tight.part_mut(part).part {
            capacitor.leakage = 0.0;
        }
    }
    tight
}

/// Of each capacitor that is charged above 50 V: its designator, its volts, and the time until it stays below with
/// the valves cold, s. Nothing of it rests on hot valves, which a supply without a reservoir leaves without volts
/// at once.
pub(crate) fn discharge_cold(
    circuit: &Circuit,
    system: &System,
    capacitors: &[PartId],
    x: &[f64],
    tolerances: &Tolerances,
) -> Result<Vec<(String, f64, Option<f64>)>, SimError> {
    let charged = charged(circuit, system, capacitors, x);
    let cold = cold(system, &charged, x, tolerances)?;
    let named = charged.iter().zip(cold);
    Ok(named
        .map(|((part, _, volts), cold)| (circuit.part(*part).name.clone(), *volts, cold.time))
        .collect())
}

/// Of each capacitor that is charged above 50 V. `x` `[n+1]` is the settled state.
pub(crate) fn discharge(
    circuit: &Circuit,
    system: &System,
    capacitors: &[PartId],
    x: &[f64],
    tolerances: &Tolerances,
) -> Result<Vec<Discharge>, SimError> {
    let charged = charged(circuit, system, capacitors, x);
    let hot = follow(system, x.to_vec(), &charged, tolerances)?;
    // A capacitor without leakage has the unknowns of one with it.
    let tight = System::of(&without_leakage(circuit));
    let cold = cold(tight.as_ref().unwrap_or(system), &charged, x, tolerances)?;
    Ok(charged
        .iter()
        .zip(hot.iter().zip(&cold))
        .map(|((part, _, volts), (hot, cold))| Discharge {
            part: circuit.part(*part).name.clone(),
            volts: *volts,
            hot: hot.time,
            cold: cold.time,
            hot_left: hot.left,
            cold_left: cold.left,
        })
        .collect())
}

/// What became of a capacitor.
#[derive(Clone, Copy, Debug)]
struct Followed {
    time: Option<f64>,
    left: Option<f64>,
}

fn follow(
    system: &System,
    x: Vec<f64>,
    charged: &[Charged],
    tolerances: &Tolerances,
) -> Result<Vec<Followed>, SimError> {
    let ends: Vec<[usize; 2]> = charged.iter().map(|(_, ends, _)| *ends).collect();
    let mut ws: Workspace = system.workspace();
    ws.x = x;
    ws.waveforms.fill(Waveform::Dc(0.0));
    let tolerances = Tolerances {
        halvings: HALVINGS,
        ..*tolerances
    };
    let volts =
        |x: &[f64]| -> Vec<f64> { ends.iter().map(|&[a, b]| (x[a] - x[b]).abs()).collect() };
    let mut before = volts(&ws.x);
    let mut time: Vec<Option<f64>> = vec![None; ends.len()];
    let mut stepper = Stepper::new(system, Method::default(), tolerances, 0.0, false, &mut ws);
    let mut t = 0.0;
    while t < LONGEST && before.iter().any(|volts| *volts > DISCHARGED) {
        let next = (t + f64::max(FIRST, GROWTH * t)).min(LONGEST);
        stepper.advance(next, &mut ws)?;
        let after = volts(&ws.x);
        for ((time, &before), &after) in time.iter_mut().zip(&before).zip(&after) {
            if before > DISCHARGED && after <= DISCHARGED {
                *time = Some(t + (next - t) * crossing(before, after));
            } else if after > DISCHARGED {
                // Charged anew through the smoothing.
                *time = None;
            }
        }
        before = after;
        t = next;
    }
    Ok(time
        .into_iter()
        .zip(before)
        .map(|(time, volts)| Followed {
            time,
            left: time.is_none().then_some(volts),
        })
        .collect())
}

/// Share of a step at which volts that fall from `before` to `after` pass the limit: along an exponential,
/// or along a line where they pass zero.
fn crossing(before: f64, after: f64) -> f64 {
    /// Volts below which the end of a step is no end of an exponential, V.
    const LITTLE: f64 = 1.0;
    if after > LITTLE {
        (before / DISCHARGED).ln() / (before / after).ln()
    } else {
        (before - DISCHARGED) / (before - after)
    }
}

#[cfg(test)]
mod tests {
    use super::{crossing, discharge};
    use crate::{UnderTest, drawn};
    use sim::System;

    #[test]
    fn an_exponential_crosses_where_its_logarithm_does() {
        // 100 V e^(-t/T) with 40 V at the end of the step: 50 V at ln 2/ln 2.5 of it.
        let exact = 2_f64.ln() / 2.5_f64.ln();
        assert!((crossing(100.0, 40.0) - exact).abs() < 1e-15);
        // Through zero there is no exponential.
        assert!((crossing(100.0, -100.0) - 0.25).abs() < 1e-15);
    }

    #[test]
    fn a_choke_that_carries_current_charges_nothing_once_the_valves_are_cold() {
        // With the valve cold C1 has R1 alone: t = RC ln(V/50 V). What flowed in the choke, a quarter of a joule
        // beside half of one in the capacitor, is taken as gone.
        let parts = r#"HT = { supply = "400V", positive = "x", negative = "chassis", resistance = "100R" }
D1 = { diode = "silicon", anode = "x", cathode = "y" }
L1 = { choke = "10H", between = ["y", "ht"], resistance = "100R" }
C1 = { capacitor = "10u", between = ["ht", "chassis"] }
R1 = { resistor = "1M", between = ["ht", "chassis"] }
V1 = { valve = "2A3", anode = "ht", grid = "chassis", cathode = "chassis" }
RL = { resistor = "1k", between = ["in", "chassis"] }"#;
        let amplifier = drawn::amplifier(parts, ("in", "600R"), "RL");
        let circuit = &amplifier.circuit;
        let system = System::of(circuit).unwrap();
        let of = UnderTest::find(&amplifier, &system).unwrap();
        let capacitor = circuit.find_part("C1").unwrap();
        let found = discharge(
            circuit,
            &system,
            &[capacitor],
            &of.workspace().x,
            &of.tolerances,
        );
        let found = &found.unwrap()[0];
        let wanted = 10.0 * (found.volts / 50.0).ln();
        let time = found.cold.unwrap();
        // The first step is a ten-thousandth of a second, an exponential between two steps is read to 1e-4 of
        // itself, and the silicon leaks a millionth of what R1 takes.
        assert!(
            (time / wanted - 1.0).abs() < 2e-3,
            "{time} s, not {wanted} s"
        );
    }

    #[test]
    fn what_is_charged_anew_has_not_stayed_below() {
        // C3 joins 400 V that fall by e in a second to 300 V that fall by e in 10⁴ s: 100 V at first, through nought, and
        // then the 300 V, of which e^(-0.18) is left after half an hour.
        let parts = r#"H1 = { supply = "400V", positive = "x", negative = "chassis" }
H2 = { supply = "300V", positive = "y", negative = "chassis" }
D1 = { diode = "silicon", anode = "x", cathode = "a" }
D2 = { diode = "silicon", anode = "y", cathode = "b" }
C1 = { capacitor = "1u", between = ["a", "chassis"] }
R1 = { resistor = "1M", between = ["a", "chassis"] }
C2 = { capacitor = "100u", between = ["b", "chassis"] }
R2 = { resistor = "100M", between = ["b", "chassis"] }
C3 = { capacitor = "1n", between = ["a", "b"] }
RL = { resistor = "1k", between = ["in", "chassis"] }"#;
        let amplifier = drawn::amplifier(parts, ("in", "600R"), "RL");
        let circuit = &amplifier.circuit;
        let system = System::of(circuit).unwrap();
        let of = UnderTest::find(&amplifier, &system).unwrap();
        let capacitors = ["C3", "C2"].map(|name| circuit.find_part(name).unwrap());
        let x = &of.workspace().x;
        let found = discharge(circuit, &system, &capacitors, x, &of.tolerances).unwrap();
        assert_eq!((found[0].hot, found[0].cold), (None, None));
        let left = found[0].cold_left.unwrap();
        // Drop and leakage of the silicon.
        assert!(
            (left / (300.0 * (-0.18_f64).exp()) - 1.0).abs() < 0.01,
            "{left}"
        );
    }
}
