//! Parts, nodes and positions that are named and not there, or joined in a way that cannot be.

use crate::diagnostic::Id;
use crate::diagnostic::words::{Words, did_you_mean, list, words};

/// Too few or too many nodes in a list.
pub(super) fn node_count(key: &str, least: usize, most: Option<usize>, found: usize) -> Words {
    words(
        Id::NodeCount,
        format!(
            "`{key}` lists {found} node{}",
            if found == 1 { "" } else { "s" }
        ),
        match most {
            Some(most) if most == least => format!("{least} are wanted"),
            Some(most) => format!("{least} to {most} are wanted"),
            None => format!("at least {least} are wanted"),
        },
        match key {
            "primary" | "secondary" | "winding" | "nodes" => {
                "name both ends of the winding, with the taps between them in order"
            }
            _ => "name one node for each end",
        },
    )
}

/// Both ends of a part on one node.
pub(super) fn same_node(part: &str, node: &str) -> Words {
    words(
        Id::ShortedPart,
        format!("both ends of {part} are on `{node}`"),
        "one of these is a slip",
        "correct one of the nodes, or delete the part",
    )
}

/// A track law nobody makes.
pub(super) fn unknown_law(found: &str) -> Words {
    words(
        Id::UnknownLaw,
        format!("nobody makes a pot of law `{found}`"),
        "unknown law",
        "law = \"linear\", \"log\" or \"reverse log\"",
    )
}

/// A shape no signal has.
pub(super) fn unknown_wave(found: &str) -> Words {
    words(
        Id::UnknownWave,
        format!("no signal has the wave `{found}`"),
        "unknown wave",
        "wave = \"sine\", \"square\" or \"two tone\"",
    )
}

/// Too few or too many frequencies for the shape of the signal.
pub(super) fn tone_count(wanted: usize, found: usize) -> Words {
    words(
        Id::Tones,
        if wanted == 2 {
            "a signal of two tones has two frequencies".to_owned()
        } else {
            "a signal of one tone has one frequency".to_owned()
        },
        format!("{found} here"),
        if wanted == 2 {
            "write it like frequency = [\"60Hz\", \"7kHz\"]"
        } else {
            "write it like frequency = \"1kHz\"; two frequencies are for wave = \"two tone\""
        },
    )
}

/// A position the switch does not have.
pub(super) fn unknown_position(part: &str, found: &str, positions: &[String]) -> Words {
    words(
        Id::UnknownPosition,
        format!("switch {part} has no position `{found}`"),
        "no such position",
        format!("its positions are {}", list(positions)),
    )
}

/// A part named elsewhere that is not in the parts list.
pub(super) fn unknown_part(name: &str, nearest: Option<&str>) -> Words {
    words(
        Id::UnknownPart,
        format!("there is no part `{name}` in the list"),
        "not in [parts]",
        did_you_mean(nearest, "name a designator of the parts list"),
    )
}

/// A load that cannot take power.
pub(super) fn load_kind(name: &str) -> Words {
    words(
        Id::LoadKind,
        format!("{name} cannot be the load"),
        "it takes no power",
        "name the resistor or loudspeaker across the output",
    )
}

/// A node named elsewhere that no part joins.
pub(super) fn unknown_node(name: &str, nearest: Option<&str>) -> Words {
    words(
        Id::UnknownNode,
        format!("no part is joined to node `{name}`"),
        "unknown node",
        did_you_mean(nearest, "name a node of the parts list"),
    )
}
