//! The text of an amplifier file, read and compiled.

use sim::System;
use sim::amplifier::Amplifier;

pub(crate) fn opened(text: &str) -> (Amplifier, System) {
    let amplifier = sheet::read(text, &[]).expect("the file is well formed");
    let system = System::of(&amplifier.circuit).expect("the circuit is well formed");
    (amplifier, system)
}
