//! What tests draw: a parts list on a bench.

use sim::amplifier::Amplifier;

/// The text of an amplifier file of these parts. The generator is a node and the resistance behind which it
/// drives it; a line put behind the text belongs to the bench.
pub(crate) fn text(parts: &str, (into, resistance): (&str, &str), load: &str) -> String {
    format!(
        r#"[amplifier]
title = "A drawing"
source = "own design, invented for a test"
[parts]
{parts}
[bench]
generator = {{ into = "{into}", resistance = "{resistance}" }}
load = "{load}"
"#
    )
}

/// The amplifier of these parts on that bench.
#[track_caller]
pub(crate) fn amplifier(parts: &str, generator: (&str, &str), load: &str) -> Amplifier {
    let read = sheet::read(&text(parts, generator, load), &[]);
    read.unwrap_or_else(|faults| panic!("{faults:?}"))
}
