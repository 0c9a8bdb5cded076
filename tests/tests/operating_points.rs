//! The steady voltages of every example and of 500 copies with other values and other valves.
//!
//! At direct current an amplifier is a network of resistors and valves, none of which gives power. Such
//! a network has a solution whatever its values, and no node of it goes beyond its supplies: every copy
//! must be solved, and to voltages of this world.

use checks::examples::{EXAMPLES, Opened, text_of_parts};
use models::data::ValveType;
use models::library;
use sim::operating_point::{Found, operating_point};
use sim::parts::{Part, Waveform};
use sim::{Circuit, SimError, System, Tolerances};

/// Copies: enough that a failure in a hundred shows.
const COPIES: u64 = 500;

/// Values are multiplied or divided by up to this, evenly in the logarithm.
const SPREAD: f64 = 2.0;

/// Largest current left over at a node, A. Newton's iteration holds a voltage of some 400 V to 4 µV; the
/// best conductor between nodes is about a hundredth of a siemens (a cathode, or 50 Ω), which makes
/// 40 nA. Found: 32 nA at most.
const LEFT_OVER: f64 = 1e-7;

/// How far a node may stand outside its supplies, V: electrons reach a grid or an anode up to about a
/// volt below the cathode, which makes a valve a battery of that size.
const CONTACT: f64 = 2.0;

/// SplitMix64. Source   Steele, Lea & Flood, OOPSLA 2014, 453 (constants from memory)
struct Random(u64);

impl Random {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Evenly from 0 to 1.
    fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Between 1/SPREAD and SPREAD.
    fn factor(&mut self) -> f64 {
        SPREAD.powf(2.0 * self.share() - 1.0)
    }

    fn pick<'a, T>(&mut self, from: &[&'a T]) -> &'a T {
        from[(self.bits() % from.len() as u64) as usize]
    }
}

/// Gives a drawing other values and valves.
fn perturb(circuit: &mut Circuit, random: &mut Random) {
    let ids: Vec<_> = circuit.parts().map(|(id, _)| id).collect();
    for id in ids {
        match &mut circuit.part_mut(id).part {
            Part::Resistor(resistor) => resistor.r *= random.factor(),
            Part::Capacitor(capacitor) => {
                capacitor.c *= random.factor();
                capacitor.leakage *= random.factor();
            }
            Part::Source(source) => {
                if let Waveform::Dc(volts) = &mut source.waveform {
                    *volts *= random.factor();
                }
                source.resistance *= random.factor();
            }
            Part::Valve(valve) => {
                let same = |other: &&ValveType| {
                    std::mem::discriminant(&other.model)
                        == std::mem::discriminant(&valve.kind.model)
                };
                let others: Vec<&ValveType> = library::valves().iter().filter(same).collect();
                valve.kind = random.pick(&others).clone();
            }
            _ => {}
        }
    }
}

/// The volts of all supplies together.
fn supplies(circuit: &Circuit) -> f64 {
    circuit
        .parts()
        .map(|(_, placed)| match &placed.part {
            Part::Source(source) => source.waveform.at_rest().abs(),
            _ => 0.0,
        })
        .sum()
}

/// Solves and looks at the answer; an error is given back after a look at its words.
fn solve(circuit: &Circuit, system: &System) -> Result<(Found, f64), SimError> {
    let mut ws = system.workspace();
    let found = operating_point(system, &Tolerances::default(), &mut ws).inspect_err(|error| {
        let (SimError::NoOperatingPoint { worst: name, .. }
        | SimError::Undetermined { unknown: name }) = error
        else {
            panic!("not an error of the operating point: {error}");
        };
        assert!(
            (0..system.len()).any(|k| system.name(k as u32) == name),
            "{name:?} names nothing"
        );
    })?;
    assert!(
        ws.x.iter().all(|value| value.is_finite()),
        "not finite: {:?}",
        ws.x
    );
    let left_over = system.imbalance(&mut ws);
    assert!(left_over < LEFT_OVER, "{left_over} A left over");
    let limit = supplies(circuit) + CONTACT;
    for (node, name) in circuit.nodes() {
        let volts = ws.x[system.voltage_of(node) as usize];
        assert!(
            volts.abs() <= limit,
            "{volts} V at {name}, all supplies together give {limit} V"
        );
    }
    Ok((found, left_over))
}

#[test]
fn every_example_is_solved_directly() {
    for example in EXAMPLES {
        let Opened { amplifier, system } = example.open(&[]);
        let (found, _) = solve(&amplifier.circuit, &system).expect("an operating point");
        assert_eq!(found, Found::Directly, "{}", example.name);
    }
}

#[test]
fn perturbed_copies_are_solved() {
    let originals: Vec<Circuit> = EXAMPLES
        .iter()
        .map(|example| example.open(&[]).amplifier.circuit)
        .collect();
    let ways = [
        Found::Directly,
        Found::RaisingSources,
        Found::FadingShunt,
        Found::PseudoTransient,
    ];
    let mut needed = [0_u32; 4];
    let mut worst = 0.0_f64;
    let mut unsolved = Vec::new();
    for seed in 0..COPIES {
        let which = (seed % originals.len() as u64) as usize;
        let mut circuit = originals[which].clone();
        perturb(&mut circuit, &mut Random(seed));
        let system = System::of(&circuit).expect("other values make no fault");
        match solve(&circuit, &system) {
            Ok((found, left_over)) => {
                worst = worst.max(left_over);
                for (count, way) in needed.iter_mut().zip(ways) {
                    *count += u32::from(way == found);
                }
            }
            Err(error) => {
                unsolved.push(format!("copy {seed} of {}: {error}", EXAMPLES[which].name));
            }
        }
    }
    for (count, way) in needed.iter().zip(ways) {
        println!("{count} of {COPIES} {way:?}");
    }
    println!("at most {worst:.1e} A left over at a node");
    assert!(
        unsolved.is_empty(),
        "{} unsolved:\n{}",
        unsolved.len(),
        unsolved.join("\n")
    );
}

#[test]
fn a_junction_that_comes_to_conduct_is_followed_to_where_its_currents_balance() {
    // A rectifier diode into 600 Ω, whose last step used to be taken on trust: from 600 V on 4 A were left over.
    for volts in (1..=40).map(|k| 25.0 * f64::from(k)) {
        let text = text_of_parts(
            &format!(
                r#"HT = {{ supply = "{volts}V", positive = "ht", negative = "chassis", resistance = "100R" }}
D1 = {{ diode = "silicon", anode = "ht", cathode = "n1" }}
R1 = {{ resistor = "16k8", between = ["ht", "chassis"] }}"#
            ),
            ("n1", "600R"),
            "R1",
        );
        let opened = Opened::read(&text, &[]);
        let mut ws = opened.system.workspace();
        operating_point(&opened.system, &Tolerances::default(), &mut ws).expect("it is solved");
        let left = opened.system.imbalance(&mut ws);
        // 850 V are held to 8.5e-8 V, and the junction has 30 S. Found: 1.2e-6 A.
        assert!(left < 3e-6, "{volts} V: {left} A left over");
    }
}

#[test]
fn supplies_that_contradict_each_other_are_named() {
    // No voltages satisfy two ideal supplies across each other: it is said before any solving.
    let mut circuit = Circuit::new();
    let node = circuit.node("anode rail");
    for (name, volts) in [("B1", 100.0), ("B2", 101.0)] {
        let part = Part::Source(sim::parts::Source {
            waveform: Waveform::Dc(volts),
            resistance: 0.0,
        });
        circuit
            .add(name, part, &[node, sim::NodeId::CHASSIS])
            .expect("two terminals");
    }
    let faults = System::of(&circuit).expect_err("a loop of supplies");
    assert!(
        faults.iter().any(|fault| fault.to_string().contains("B1")),
        "{faults:?}"
    );
}
