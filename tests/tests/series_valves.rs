//! Valves that stand on each other: a cascode, and a pair on a pentode as its current source. The junction has no
//! other path for direct current than the valves themselves, and needs none.

use checks::examples::Opened;
use measure::at_rest::voltages::VoltagesOf;
use sheet::{FileErrorKind, read};
use sim::CircuitError;

fn file(parts: &str) -> String {
    format!(
        "[amplifier]\ntitle = \"In series\"\nsource = \"own design, invented for this check\"\n[parts]\n{parts}\n[bench]\ngenerator = {{ into = \"g\", resistance = \"0R\" }}\nload = \"RL\"\n"
    )
}

const CASCODE: &str = r#"
HT = { supply = "300V", positive = "ht", negative = "chassis" }
HS = { supply = "100V", positive = "g2", negative = "chassis" }
V1 = { valve = "6SN7GT", anode = "m", grid = "g", cathode = "k" }
V2 = { valve = "6SN7GT", anode = "a", grid = "g2", cathode = "m" }
RA = { resistor = "22k", between = ["a", "ht"] }
RK = { resistor = "1k", between = ["k", "chassis"] }
C1 = { capacitor = "1u", between = ["a", "out"] }
RL = { resistor = "470k", between = ["out", "chassis"] }
"#;

#[test]
fn the_valves_of_a_cascode_carry_one_current() {
    let chart = Opened::read(&file(CASCODE), &[])
        .ask(&VoltagesOf)
        .expect("it rests");
    let [lower, upper] = &chart.valves[..] else {
        panic!("two valves");
    };
    // Kirchhoff at the junction; grids at their negative bias take nothing.
    assert!(
        (lower.i_a / upper.i_a - 1.0).abs() < 1e-6,
        "{} {}",
        lower.i_a,
        upper.i_a
    );
    let drop = 22e3 * upper.i_a;
    let anode = chart
        .nodes
        .iter()
        .find(|node| node.node == "a")
        .expect("it is there");
    assert!((anode.volts + drop - 300.0).abs() < 1e-3, "{}", anode.volts);
    assert!(lower.i_a > 1e-3, "{}", lower.i_a);
}

#[test]
fn a_pair_stands_on_a_pentode() {
    let text = file(
        r#"
HT = { supply = "300V", positive = "ht", negative = "chassis" }
HS = { supply = "100V", positive = "s", negative = "chassis" }
HN = { supply = "100V", positive = "chassis", negative = "neg" }
V1 = { valve = "6SN7GT", anode = "a1", grid = "g", cathode = "tail" }
V2 = { valve = "6SN7GT", anode = "a2", grid = "g2", cathode = "tail" }
V3 = { valve = "EF86", anode = "tail", screen = "s", grid = "neg", cathode = "k3" }
R3 = { resistor = "2k2", between = ["k3", "neg"] }
RA = { resistor = "47k", between = ["a1", "ht"] }
RB = { resistor = "47k", between = ["a2", "ht"] }
RG = { resistor = "1M", between = ["g2", "chassis"] }
C1 = { capacitor = "1u", between = ["a2", "out"] }
RL = { resistor = "470k", between = ["out", "chassis"] }
"#,
    );
    let chart = Opened::read(&text, &[]).ask(&VoltagesOf).expect("it rests");
    let current = |part: &str| {
        let valve = chart.valves.iter().find(|valve| valve.part == part);
        valve.expect("it is there").i_a
    };
    let both = current("V1") + current("V2");
    assert!(
        (both / current("V3") - 1.0).abs() < 1e-6,
        "{both} {}",
        current("V3")
    );
    assert!(
        (current("V1") / current("V2") - 1.0).abs() < 1e-3,
        "like valves share alike"
    );
}

#[test]
fn a_cascode_whose_current_has_nowhere_to_go_is_no_circuit() {
    // Fed by a capacitor, and standing on one.
    for (feed, foot) in [
        (
            "RA = { capacitor = \"1u\", between = [\"a\", \"ht\"] }",
            None,
        ),
        (
            "RA = { resistor = \"22k\", between = [\"a\", \"ht\"] }",
            Some("RK = { capacitor = \"1u\", between = [\"k\", \"chassis\"] }"),
        ),
    ] {
        let mut text = CASCODE.replace(
            "RA = { resistor = \"22k\", between = [\"a\", \"ht\"] }",
            feed,
        );
        if let Some(foot) = foot {
            text = text.replace(
                "RK = { resistor = \"1k\", between = [\"k\", \"chassis\"] }",
                foot,
            );
        }
        let faults = read(&file(&text), &[]).expect_err("no direct current flows");
        assert!(
            faults.iter().any(|fault| matches!(
                &fault.kind,
                FileErrorKind::Circuit(CircuitError::NoDcPath { .. })
            )),
            "{faults:?}"
        );
    }
}
