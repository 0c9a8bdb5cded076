//! The valves that come with the program, one file each in `models/valves`.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use crate::data::ValveType;
use crate::nearest::nearest_three;
use crate::valve_file;

/// Text of the embedded files, by file name without its ending.
pub(crate) static FILES: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/valves.rs"));

static VALVES: LazyLock<Vec<ValveType>> = LazyLock::new(|| {
    let mut valves: Vec<_> = FILES
        .iter()
        .map(|(name, text)| match valve_file::read(text) {
            Ok(valve) => valve,
            Err(faults) => panic!("the embedded file {name}.toml is checked by a test: {faults:?}"),
        })
        .collect();
    valves.sort_by(|a, b| a.name.cmp(&b.name));
    valves
});

/// Upper-case name or alias → index into the sorted valves.
static NAMES: LazyLock<BTreeMap<String, usize>> = LazyLock::new(|| {
    let mut names = BTreeMap::new();
    for (index, valve) in VALVES.iter().enumerate() {
        for name in std::iter::once(&valve.name).chain(&valve.aliases) {
            let earlier = names.insert(name.to_uppercase(), index);
            assert!(earlier.is_none(), "two valve files claim the name {name}");
        }
    }
    names
});

/// No valve of this name in the library.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no valve \"{name}\" in the library")]
pub struct UnknownValve {
    /// The name asked for.
    pub name: String,
    /// The names most like it, best first.
    pub nearest: Vec<String>,
}

/// All valves of the library, sorted by name; parsed once.
pub fn valves() -> &'static [ValveType] {
    &VALVES
}

/// The valve of this name or alias; case and surrounding blanks do not matter.
///
/// # Errors
/// [`UnknownValve`], with the nearest names.
pub fn find(name: &str) -> Result<&'static ValveType, UnknownValve> {
    let wanted = name.trim().to_uppercase();
    match NAMES.get(&wanted) {
        Some(index) => Ok(&VALVES[*index]),
        None => Err(UnknownValve {
            name: name.to_owned(),
            nearest: offered(&wanted, NAMES.keys().map(String::as_str)),
        }),
    }
}

/// The library and the types a user brings, which go before its own of the same name.
#[derive(Clone, Debug, Default)]
pub struct Library {
    brought: Vec<ValveType>,
}

impl Library {
    /// Adds a type; it goes before what was there under its names.
    pub fn add(&mut self, valve: ValveType) {
        self.brought.insert(0, valve);
    }

    /// The types brought by the user, the last first.
    pub fn brought(&self) -> &[ValveType] {
        &self.brought
    }

    /// The valve of this name or alias; case and surrounding blanks do not matter. A name goes before an
    /// alias.
    ///
    /// # Errors
    /// [`UnknownValve`], with the nearest names.
    pub fn find(&self, name: &str) -> Result<&ValveType, UnknownValve> {
        let wanted = name.trim();
        let named = |valve: &&ValveType| valve.name.eq_ignore_ascii_case(wanted);
        let alias = |valve: &&ValveType| {
            let mut names = valve.aliases.iter();
            names.any(|alias| alias.eq_ignore_ascii_case(wanted))
        };
        let brought = self.brought.iter();
        if let Some(valve) = brought.clone().find(named).or(brought.clone().find(alias)) {
            return Ok(valve);
        }
        find(name).map_err(|unknown| {
            let wanted = wanted.to_uppercase();
            let names: Vec<String> = brought
                .flat_map(|valve| std::iter::once(&valve.name).chain(&valve.aliases))
                .map(|name| name.to_uppercase())
                .chain(NAMES.keys().cloned())
                .collect();
            UnknownValve {
                nearest: offered(&wanted, names.iter().map(String::as_str)),
                ..unknown
            }
        })
    }
}

fn offered<'n>(wanted: &str, names: impl Iterator<Item = &'n str>) -> Vec<String> {
    let near = nearest_three(wanted, names);
    near.into_iter().map(str::to_owned).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::data;

    #[test]
    fn every_file_reads_and_is_named_after_its_type() {
        assert!(!FILES.is_empty());
        for (file, text) in FILES {
            let valve = valve_file::read(text).unwrap_or_else(|faults| {
                let first = &faults[0];
                panic!("{file}.toml: {first}: {:?}", text.get(first.span.clone()))
            });
            assert_eq!(*file, valve.name);
        }
    }

    #[test]
    fn aliases_resolve_whatever_their_case() {
        for (alias, name) in [
            ("ecc83", "12AX7"),
            ("ECC82", "12AU7"),
            (" Ecc81", "12AT7"),
            ("6v6", "6V6GT"),
            ("6bq5", "EL84"),
            ("6CA7", "EL34"),
            ("5ar4", "GZ34"),
        ] {
            assert_eq!(find(alias).unwrap().name, name);
        }
    }

    #[test]
    fn a_misspelling_is_answered_with_its_neighbours() {
        let nearest = |name: &str| find(name).unwrap_err().nearest;
        assert_eq!(nearest("EL48")[0], "EL84");
        assert_eq!(nearest("12AX8")[0], "12AX7");
        assert!(nearest("ECC38").contains(&"ECC83".to_owned()));
        assert!(find("triode?").unwrap_err().nearest.len() <= 3);
    }

    #[test]
    fn a_type_that_is_brought_goes_before_the_usual_one() {
        let mut library = Library::default();
        let mut own = find("EL84").unwrap().clone();
        own.limits.anode_watts = Some(9.0);
        own.aliases = vec!["EL84X".to_owned()];
        library.add(own.clone());
        for name in ["EL84", "el84x"] {
            let found = library.find(name).unwrap();
            assert_eq!(found.limits.anode_watts, Some(9.0), "{name}");
        }
        // Its other names in the library stay what they were.
        assert_eq!(library.find("6BQ5").unwrap().limits.anode_watts, Some(12.0));
        own.limits.anode_watts = Some(8.0);
        library.add(own);
        assert_eq!(library.find("EL84").unwrap().limits.anode_watts, Some(8.0));
        assert_eq!(library.find("EL84XY").unwrap_err().nearest[0], "EL84X");
    }

    #[test]
    fn every_type_has_a_base_whose_pins_are_as_many_as_it_has() {
        for valve in valves() {
            let base = valve.base.as_ref().expect(&valve.name);
            let pins = match base.name.as_str() {
                "octal" => 8,
                "noval (B9A)" => 9,
                "miniature seven-pin (B7G)" => 7,
                "six-pin (UX6)" => 6,
                "five-pin (UY5)" => 5,
                "four-pin (UX4)" | "British four-pin (B4)" | "large four-pin bayonet" => 4,
                other => panic!("{}: base {other}", valve.name),
            };
            // Pins that are not recalled with certainty are left out.
            if base.pins.is_empty() {
                assert!(
                    ["211", "845", "6F8G"].contains(&valve.name.as_str()),
                    "{}",
                    valve.name
                );
                continue;
            }
            assert_eq!(base.pins.len(), pins, "{}", valve.name);
            let all: Vec<&str> = base
                .pins
                .iter()
                .chain(&base.top_cap)
                .map(String::as_str)
                .collect();
            let anodes = all.iter().filter(|pin| pin.starts_with("anode")).count();
            assert!(anodes >= valve.sections as usize, "{}", valve.name);
            if let Some(heater) = &valve.heater {
                let word = match heater.heating {
                    data::Heating::Direct => "filament",
                    data::Heating::Indirect => "heater",
                };
                let ends = all.iter().filter(|pin| pin.starts_with(word)).count();
                assert!(ends >= 2, "{}: {ends} {word} pins", valve.name);
            }
        }
    }

    #[test]
    fn near_types_are_no_aliases() {
        for valve in valves() {
            for near in &valve.near {
                assert_ne!(near.name, valve.name);
                assert!(
                    !valve.aliases.contains(&near.name),
                    "{}: {}",
                    valve.name,
                    near.name
                );
                assert!(!near.name.contains('('), "{}", near.name);
            }
            for alias in &valve.aliases {
                assert!(
                    !alias.contains('('),
                    "{alias}: in what it differs belongs to `near`"
                );
            }
        }
    }
}
