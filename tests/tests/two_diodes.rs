//! Operating points where diodes have just come to conduct: the currents balance as closely as anywhere.

use checks::examples::Opened;
use sim::Tolerances;
use sim::operating_point::operating_point;

/// A bridge whose corners are joined, so that two of its diodes work side by side and two stand idle. Nonsense, our own.
const JOINED: &str = r#"HT1 = { supply = "311.2V", positive = "n0", negative = "chassis", resistance = "709.1R" }
R2 = { resistor = "961.8R", between = ["n1", "n0"] }
R3 = { choke = "14.88mH", between = ["n2", "chassis"], resistance = "0.5928R" }
D6 = { bridge = "silicon", between = ["n1", "n2"], positive = "n2", negative = "n1" }
LOAD = { resistor = "1.022k", between = ["n2", "n1"] }"#;

#[test]
fn currents_balance_where_two_diodes_share_them() {
    let opened = Opened::of_parts(JOINED, ("n2", "600R"), "LOAD");
    let mut ws = opened.system.workspace();
    operating_point(&opened.system, &Tolerances::default(), &mut ws).expect("it has one");
    // Ohm: 311.2 V less a diode of some 0.9 V through 709.1, 961.8 and 0.59 Ω.
    let circuit = &opened.amplifier.circuit;
    let at = |name: &str| {
        let node = circuit.find_node(name).expect("it is there");
        ws.x[opened.system.voltage_of(node) as usize]
    };
    let amps = (at("n0") - at("n1")) / 961.8;
    let expected = (311.2 - (at("n1") - at("n2"))) / (709.1 + 961.8 + 0.5928);
    // The generator's 600 Ω stand across half an ohm: a thousandth of the last term.
    assert!(
        (amps / expected - 1.0).abs() < 1e-6,
        "{amps} A, not {expected}"
    );
    // A hundred millionth of the current, where Newton's iteration is held to 1e-12 A and 1e-9 V.
    let imbalance = opened.system.imbalance(&mut ws);
    assert!(imbalance < 1e-8 * amps, "{imbalance} A of {amps} A");
}
