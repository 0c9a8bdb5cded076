//! Drawings that several tests of sound play through: our own inventions.

#![allow(dead_code, reason = "each test takes what it needs")]

/// Nothing but resistors: gain 1/4, a wire but for its level.
pub(crate) const ATTENUATOR: &str = r#"[amplifier]
title  = "Attenuator"
source = "own design, invented for this test"
[parts]
R1 = { resistor = "2400R", between = ["in", "out"] }
R2 = { resistor = "1k", between = ["out", "chassis"] }
[bench]
generator = { into = "in", resistance = "600R" }
load = "R2"
"#;

/// A stage that turns round and, driven hard, clips.
pub(crate) const STAGE: &str = r#"[amplifier]
title  = "One triode stage"
source = "own design, invented for this test"
[parts]
V1 = { valve = "ECC83", anode = "a", grid = "g", cathode = "k" }
R1 = { resistor = "100k", between = ["a", "ht"], rating = "1W" }
R2 = { resistor = "1k5", between = ["k", "chassis"] }
C1 = { electrolytic = "25u", positive = "k", negative = "chassis", rating = "25V" }
R3 = { resistor = "1M", between = ["g", "chassis"] }
C2 = { capacitor = "0.1u", between = ["a", "out"] }
R4 = { resistor = "470k", between = ["out", "chassis"] }
HT = { supply = "250V", positive = "ht", negative = "chassis" }
[bench]
generator = { into = "g", resistance = "600R" }
load = "R4"
"#;
