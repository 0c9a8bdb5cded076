//! Natural frequencies of whole drawings.

use checks::examples::Opened;
use sim::stability::growing;

#[test]
fn what_holds_no_source_never_grows() {
    // Resistors, coils and capacitors give no energy, whatever their values. Leakage inductance and voice
    // coil in series leave no place for a current of their own: a mode that is not there.
    for ohms in 10..60 {
        let parts = format!(
            r#"R1 = {{ resistor = "{ohms}00R", between = ["in", "p"] }}
C1 = {{ electrolytic = "1u", positive = "p", negative = "x", esr = "120R", leakage = "3mA", rating = "100V" }}
L1 = {{ choke = "2H", between = ["x", "chassis"], resistance = "300R", saturates = "50mA" }}
L2 = {{ inductor = "0.5H", between = ["x", "y"], resistance = "70R" }}
R4 = {{ resistor = "5k", between = ["y", "x"] }}
T1 = {{ transformer = "5k : 8R", primary = ["y", "chassis"], secondary = ["out", "chassis"], primary_inductance = "10H", leakage_inductance = "50mH", capacitance = "500p", primary_resistance = "250R", secondary_resistance = "0.4R", core_loss = "30k" }}
LS1 = {{ loudspeaker = "8R", between = ["out", "chassis"], re = "6R", le = "0.5mH", fs = "55Hz", qms = "3", qes = "0.5" }}"#
        );
        let system = Opened::of_parts(&parts, ("in", "600R"), "LS1").system;
        let mut ws = system.workspace();
        assert_eq!(growing(&system, &mut ws), Ok(None), "{ohms}00 Ω");
    }
}
