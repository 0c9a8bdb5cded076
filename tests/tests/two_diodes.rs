//! Operating points where diodes have just come to conduct: the currents balance as closely as anywhere.

use checks::examples::Opened;
use sim::operating_point::operating_point;
use sim::{SimError, Tolerances};

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

#[test]
fn what_hangs_on_a_rectifier_alone_is_told_so() {
    // Without a current in it a vacuum rectifier has no slope at nought volts. Our own nonsense.
    let parts = r#"HT1 = { supply = "382V", positive = "n0", negative = "chassis", resistance = "142R" }
R2 = { resistor = "1.965k", between = ["n2", "n1"] }
D6 = { diode = "silicon", anode = "n1", cathode = "n2" }
V7 = { valve = "EZ80", anodes = ["n1", "n1"], cathode = "chassis" }
LOAD = { resistor = "193.8R", between = ["n1", "n2"] }"#;
    let opened = Opened::of_parts(parts, ("n0", "600R"), "LOAD");
    let found = measure::UnderTest::find(&opened.amplifier, &opened.system).err();
    let expected = SimError::OneWay {
        node: "n1".to_owned(),
        part: "V7".to_owned(),
    };
    assert_eq!(found, Some(expected));
}
