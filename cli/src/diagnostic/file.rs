//! Faults of an amplifier file in words.
//!
//! Long because it is one table: a message, its labels and its help for every kind of fault.
//!
//! Over 400 lines because it is one table: a message and its help for each fault.

use sheet::{FileError, FileErrorKind};
use sim::quantity::{Unit, engineering};

use super::values::{example_of, quantity};
use super::{Diagnostic, Id, circuit, valve};

/// What is to be said of a fault: id, message, words at the place, remedy.
pub(super) struct Words {
    pub(super) id: Id,
    pub(super) message: String,
    pub(super) label: String,
    pub(super) help: Option<String>,
}

/// The words of a fault.
pub(super) fn words(
    id: Id,
    message: impl Into<String>,
    label: impl Into<String>,
    help: impl Into<String>,
) -> Words {
    Words {
        id,
        message: message.into(),
        label: label.into(),
        help: Some(help.into()),
    }
}

/// "did you mean …?" or the second-best advice.
fn did_you_mean(nearest: Option<&str>, otherwise: impl Into<String>) -> String {
    nearest.map_or_else(
        || otherwise.into(),
        |nearest| format!("did you mean `{nearest}`?"),
    )
}

/// `a`, `b` and `c`.
fn list(items: &[impl AsRef<str>]) -> String {
    let quoted: Vec<String> = items
        .iter()
        .map(|item| format!("`{}`", item.as_ref()))
        .collect();
    match quoted.split_last() {
        None => "none".to_owned(),
        Some((only, [])) => only.clone(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
    }
}

/// "a resistor", "an electrolytic".
fn a(what: &str) -> String {
    let vowel = what.starts_with(['a', 'e', 'i', 'o', 'u', 'A']);
    format!("{} {what}", if vowel { "an" } else { "a" })
}

/// "a resistor" for a part, "the bench" for a table.
fn of_what(what: &str) -> String {
    match what {
        "bench" | "amplifier" => format!("[{what}]"),
        "file" => "an amplifier file".to_owned(),
        what => a(what),
    }
}

pub(super) fn diagnostic(error: &FileError) -> Diagnostic {
    if let FileErrorKind::Circuit(fault) = &error.kind {
        return circuit::diagnostic(fault, error.span.clone(), &error.also);
    }
    if let FileErrorKind::Set { part, value, fault } = &error.kind {
        let inner = kind(fault);
        let message = format!("--set {part}={value}: {}", inner.message);
        let help = inner.help.unwrap_or_default();
        return Diagnostic::plain(inner.id, message, help);
    }
    if let FileErrorKind::SetForm { argument } = &error.kind {
        let message = format!("--set {argument} is not PART=VALUE");
        return Diagnostic::plain(
            Id::Setting,
            message,
            "write e.g. --set R3=51k, --set VR1=40% or --set S1=bright",
        );
    }
    let words = kind(&error.kind);
    let mut labels = vec![(error.span.clone(), words.label)];
    labels.extend(error.also.iter().map(|span| (span.clone(), String::new())));
    Diagnostic {
        id: words.id,
        message: words.message,
        labels,
        help: words.help,
    }
}

fn kind(kind: &FileErrorKind) -> Words {
    use FileErrorKind as K;
    match kind {
        K::Syntax { message } => words(
            Id::Syntax,
            "the file cannot be read from here on",
            message.as_str(),
            "look for a quote, bracket, comma or equals sign that is missing or too many",
        ),
        K::ListedTwice { name } => words(
            Id::ListedTwice,
            format!("`{name}` is listed twice"),
            "the second time",
            "every part has its own designator, every key its own line; rename or delete this one",
        ),
        K::MissingTable { table } => words(
            Id::MissingTable,
            format!("the file has no [{table}]"),
            "",
            match *table {
                "amplifier" => {
                    "start the file with [amplifier], title = \"…\" and source = \"own design\" (or book and page)"
                }
                "parts" => {
                    "add [parts] and one line a part, e.g. R1 = { resistor = \"47k\", between = [\"a1\", \"ht\"] }"
                }
                _ => {
                    "add [bench] with generator = { into = \"in\", resistance = \"600R\" } and load = \"R40\", the part that takes the power"
                }
            },
        ),
        K::MissingKey { owner, what, key } => {
            let message = if owner == what {
                format!("{} has no `{key}`", of_what(what))
            } else {
                format!("{} {owner} has no `{key}`", capital(what))
            };
            words(
                Id::MissingKey,
                message,
                format!("`{key}` is missing here"),
                example_of(key),
            )
        }
        K::UnknownKey {
            key,
            what,
            nearest,
            known,
        } => words(
            Id::UnknownKey,
            format!("`{key}` is no key of {}", of_what(what)),
            "nothing reads this",
            did_you_mean(
                *nearest,
                format!("keys of {}: {}", of_what(what), list(known)),
            ),
        ),
        K::UnknownKind { part, key, nearest } => words(
            Id::UnknownKind,
            format!("{part}: `{key}` is no kind of part"),
            "the first key says what the part is",
            did_you_mean(
                *nearest,
                "kinds of parts: resistor, capacitor, electrolytic, inductor, choke, field, transformer, autotransformer, valve, diode, bridge, pot, switch, mains, mains_transformer, supply, ac_supply, signal, loudspeaker",
            ),
        ),
        K::KindNotFirst { part, kind } => words(
            Id::UnknownKind,
            format!("{part}: the first key must say what the part is"),
            format!("`{kind}` belongs here"),
            format!("move `{kind} = …` to the front of the line"),
        ),
        K::EmptyPart { part } => words(
            Id::MissingKey,
            format!("{part} does not say what it is"),
            "nothing in the braces",
            format!("write e.g. {part} = {{ resistor = \"47k\", between = [\"a1\", \"ht\"] }}"),
        ),
        K::WrongType { key, wanted, found } => words(
            Id::WrongForm,
            format!("`{key}` must be {wanted}"),
            format!("this is {found}"),
            if wanted.starts_with("a list of keys") {
                "a value alone does not say what it is and where it is".to_owned()
            } else {
                example_of(key)
            },
        ),
        K::Form { key, example } => words(
            Id::WrongForm,
            format!("`{key}` cannot be read"),
            match key.as_str() {
                "transformer" => "ohms, volts or turns?",
                "saturates" => "watts saturate a core below some frequency only",
                _ => "not in the form it must have",
            },
            match key.as_str() {
                "transformer" => {
                    "write \"6k6 : 8R\" (impedances), \"230V : 6.3V\" or \"2500 : 100 turns\""
                        .to_owned()
                }
                "saturates" => {
                    "write \"15W at 30Hz\", a flux linkage \"1.2Wb\" or a current \"60mA\""
                        .to_owned()
                }
                "diode" | "bridge" => {
                    "write \"silicon\"; a rectifier valve is `valve = \"GZ34\"`".to_owned()
                }
                _ => format!("write it like \"{example}\""),
            },
        ),
        K::Quantity { key, error } => quantity(key, error),
        K::OutOfBounds { key, wanted } => words(
            Id::OutOfBounds,
            format!("`{key}` must be {}", wanted.words()),
            "not a value it can have",
            match key.as_str() {
                "resistor" => "a joint without resistance is one node, not a resistor of zero",
                "supply" | "ac_supply" | "mains" => {
                    "for a negative rail swap `positive` and `negative`"
                }
                "setting" => "0% is the end named last in `ends`, 100% the end named first",
                _ => "check the sign and the decade against the drawing",
            },
        ),
        K::ValveType(fault) => valve::kind(fault),
        K::UnknownValve { name, nearest } => words(
            Id::UnknownValve,
            format!("valve type `{name}` is not in the library"),
            "unknown type",
            did_you_mean(nearest.as_deref(), "check the type on the envelope"),
        ),
        K::MissingElectrode {
            part,
            valve,
            kind,
            electrode,
        } => words(
            Id::MissingElectrode,
            format!("the {electrode} of {part} is joined to nothing"),
            format!("{valve} is a {kind} and has {}", a(electrode)),
            match *electrode {
                "screen" => {
                    "add `screen = \"…\"`; for use as a triode name the anode's node".to_owned()
                }
                other => format!("add `{other} = \"…\"` with the node it is on"),
            },
        ),
        K::NoSuchElectrode {
            valve,
            kind,
            electrode,
        } => words(
            Id::NoSuchElectrode,
            format!("{valve} has no {electrode}"),
            format!("{valve} is a {kind}"),
            format!("delete `{electrode}`, or correct the type of the valve"),
        ),
        K::NoFilament { valve } => words(
            Id::NoSuchElectrode,
            format!("{valve} has no filament for a cathode"),
            format!("{valve} is indirectly heated"),
            "name the cathode's node with `cathode`; the heater's ends are `heater = [\"h1\", \"h2\"]`",
        ),
        K::NoHeater { valve } => words(
            Id::NoSuchElectrode,
            format!("{valve} has no heater besides its cathode"),
            format!("{valve} is directly heated"),
            "write `filament = [\"f1\", \"f2\"]` instead of `cathode`",
        ),
        K::FilamentAndCathode { part, valve } => words(
            Id::CathodeTwice,
            format!("{part} has both a filament and a cathode"),
            format!("the filament of a {valve} is its cathode"),
            "delete `cathode`; what was joined there goes to an end of the filament, or to the tap between its ends",
        ),
        K::HeaterTwice { envelope } => words(
            Id::HeaterTwice,
            format!("the heater of envelope {envelope} is drawn twice"),
            "the second time",
            "one heater warms all sections: leave it on one of their lines",
        ),
        K::EnvelopeFull {
            envelope,
            valve,
            sections,
        } => words(
            Id::EnvelopeFull,
            format!("envelope {envelope} is full"),
            format!(
                "{valve} has {sections} section{}",
                if *sections == 1 { "" } else { "s" }
            ),
            "give this section another envelope",
        ),
        K::NodeCount {
            key,
            least,
            most,
            found,
        } => words(
            Id::NodeCount,
            format!(
                "`{key}` lists {found} node{}",
                if *found == 1 { "" } else { "s" }
            ),
            match most {
                Some(most) if most == least => format!("{least} are wanted"),
                Some(most) => format!("{least} to {most} are wanted"),
                None => format!("at least {least} are wanted"),
            },
            match key.as_str() {
                "primary" | "secondary" | "winding" | "nodes" => {
                    "name both ends of the winding, with the taps between them in order"
                }
                _ => "name one node for each end",
            },
        ),
        K::SameNode { part, node } => words(
            Id::ShortedPart,
            format!("both ends of {part} are on `{node}`"),
            "one of these is a slip",
            "correct one of the nodes, or delete the part",
        ),
        K::TapCount { key, wanted, found } => words(
            Id::Taps,
            format!(
                "`{key}` lists {found} tap{}, but the winding has {wanted} node{} between its ends",
                if *found == 1 { "" } else { "s" },
                if *wanted == 1 { "" } else { "s" }
            ),
            "one tap for each of them",
            "the ends themselves are not listed; without this key the sections are equal",
        ),
        K::TapOrder { key } => words(
            Id::Taps,
            format!("`{key}` must rise from the first end of the winding to the last"),
            "out of order, or not between the ends",
            "give each tap in per cent of the turns from the first end, e.g. [\"28.5%\", \"50%\", \"71.5%\"]",
        ),
        K::UnknownLaw { found } => words(
            Id::UnknownLaw,
            format!("nobody makes a pot of law `{found}`"),
            "unknown law",
            "law = \"linear\", \"log\" or \"reverse log\"",
        ),
        K::UnknownWave { found } => words(
            Id::UnknownWave,
            format!("no signal has the wave `{found}`"),
            "unknown wave",
            "wave = \"sine\", \"square\" or \"two tone\"",
        ),
        K::ToneCount { wanted, found } => words(
            Id::Tones,
            if *wanted == 2 {
                "a signal of two tones has two frequencies".to_owned()
            } else {
                "a signal of one tone has one frequency".to_owned()
            },
            format!("{found} here"),
            if *wanted == 2 {
                "write it like frequency = [\"60Hz\", \"7kHz\"]"
            } else {
                "write it like frequency = \"1kHz\"; two frequencies are for wave = \"two tone\""
            },
        ),
        K::UnknownPosition {
            part,
            found,
            positions,
        } => words(
            Id::UnknownPosition,
            format!("switch {part} has no position `{found}`"),
            "no such position",
            format!("its positions are {}", list(positions)),
        ),
        K::UnknownPart { name, nearest } => words(
            Id::UnknownPart,
            format!("there is no part `{name}` in the list"),
            "not in [parts]",
            did_you_mean(nearest.as_deref(), "name a designator of the parts list"),
        ),
        K::LoadKind { name } => words(
            Id::LoadKind,
            format!("{name} cannot be the load"),
            "it takes no power",
            "name the resistor or loudspeaker across the output",
        ),
        K::UnknownNode { name, nearest } => words(
            Id::UnknownNode,
            format!("no part is joined to node `{name}`"),
            "unknown node",
            did_you_mean(nearest.as_deref(), "name a node of the parts list"),
        ),
        K::Needs { key, needs } => words(
            Id::NeedsAnother,
            format!("`{key}` means nothing without `{needs}`"),
            format!("`{needs}` is missing"),
            match (key.as_str(), *needs) {
                ("saturates", "primary_impedance") => {
                    "watts are a flux only when the load they go into is known; add `primary_impedance`, or state the flux (\"1.2Wb\") or current (\"60mA\")"
                }
                ("stray", "mains") => {
                    "stray fields are those of the mains: draw it, `M1 = { mains = \"230V\", frequency = \"50Hz\", between = [\"l\", \"n\"] }`"
                }
                ("volts", "current") => {
                    "volts on load are those at some current: add `current = \"120mA\"`, or state the volts off load as `off_load`"
                }
                ("off_load", "current") => {
                    "add the current it is made for, or its `resistance` as the ohmmeter reads it: its drop on load follows from either"
                }
                ("leakage", _) => {
                    "leakage current is measured at the working voltage: add `rating = \"450V\"`"
                }
                _ => "add it to the line",
            },
        ),
        K::LeakageTooGreat => words(
            Id::Contradiction,
            "leakage inductance is not below the inductance of the winding",
            "too great",
            "leakage is measured with the secondary shorted and is some thousandths of the inductance; check the decade",
        ),
        K::GapTooWide { gap } => words(
            Id::Contradiction,
            "the inductance is above what the gap allows",
            format!("this gap alone allows {}", engineering(*gap, Unit::Henry)),
            "a gap lowers the inductance of the iron: the stated inductance must be below that figure",
        ),
        K::SecondMains { first } => words(
            Id::Contradiction,
            format!("the mains is {first} already"),
            "a second one",
            format!(
                "join what is fed from the mains to the nodes of {first}; any other alternating source is an `ac_supply`"
            ),
        ),
        K::MainsBand { nominal } => words(
            Id::Contradiction,
            format!(
                "the mains of {} does not lie between `low` and `high`",
                engineering(*nominal, Unit::Volt)
            ),
            "the band leaves it out",
            "low and high are the least and the greatest volts the mains may have, e.g. low = \"216V\", high = \"253V\"",
        ),
        K::UnknownTap { part, found, taps } => words(
            Id::Taps,
            format!("{part} has no tap {found}"),
            "no such tap",
            format!(
                "its tap{} {}",
                if taps.len() == 1 { " is" } else { "s are" },
                list(taps)
            ),
        ),
        K::VoltsTwice => words(
            Id::Contradiction,
            "`volts` and `off_load` state the volts of one winding twice",
            "one is enough",
            "keep `volts` for those at the stated `current`, or `off_load` for those without load",
        ),
        K::CoreLossTooGreat => words(
            Id::Contradiction,
            "the core loss alone takes more than the magnetising current",
            "too small",
            "magnetising_current is what an ammeter in the primary reads off load, core loss included; check the decade, or `core_loss`",
        ),
        K::DropTooGreat => words(
            Id::Contradiction,
            "the winding resistances take more than half of the mains volts at these currents",
            "no transformer is like that",
            "check the decades of `current`, `resistance` and `primary_resistance`",
        ),
        K::NotInBase { name, nearest } => words(
            Id::UnknownPart,
            format!("the base has no part `{name}`"),
            "nothing to remove or replace",
            did_you_mean(
                nearest.as_deref(),
                "name a designator of the base's parts list",
            ),
        ),
        K::InBase { name } => words(
            Id::ListedTwice,
            format!("the base has a part `{name}` already"),
            "added a second time",
            "give it another designator, or put it under [replace]",
        ),
        K::RemovedToo { name } => words(
            Id::ListedTwice,
            format!("`{name}` is both removed and replaced"),
            "removed above",
            "keep it in one of the two",
        ),
        K::NoSingleValue { part, key } => words(
            Id::NoSingleValue,
            format!("{part} has no single value that this could stand for"),
            "a value alone",
            format!("write the whole line: {part} = {{ {key} = … }}"),
        ),
        K::LeftOver { node, gone } => words(
            Id::LeftOver,
            format!(
                "node `{node}` is left with one end: {} {} joined to it in the base",
                gone.join(", "),
                if gone.len() == 1 { "was" } else { "were" }
            ),
            "nothing else is joined here",
            "remove this part too, or join its end to something with [replace] or [add]",
        ),
        K::NotSettable { part, what } => words(
            Id::Setting,
            format!("{part} is {} and has no value to set", a(what)),
            "",
            "change its line in the file",
        ),
        other => words(Id::WrongForm, other.to_string(), "", "see the line"),
    }
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}
