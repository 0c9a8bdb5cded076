//! The valves that come with the program, one file each in `models/valves`.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use crate::data::{self, ValveType};

/// Text of the embedded files, by file name without its ending.
pub(crate) static FILES: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/valves.rs"));

static VALVES: LazyLock<Vec<ValveType>> = LazyLock::new(|| {
    let mut valves: Vec<_> = FILES
        .iter()
        .map(|(name, text)| match data::read(text) {
            Ok(valve) => valve,
            Err(error) => panic!("the embedded file {name}.toml is checked by a test: {error}"),
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
    pub nearest: Vec<&'static str>,
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
            nearest: nearest(&wanted),
        }),
    }
}

/// Names within reach of a misspelling, best first. Cost: names × length².
fn nearest(wanted: &str) -> Vec<&'static str> {
    const MOST: usize = 3;
    let mut scored: Vec<(usize, &'static str)> = NAMES
        .keys()
        .map(|name| {
            let length = wanted.chars().count().max(name.chars().count());
            // Equal characters in another order are a common slip: they count for something
            let shared = shared_characters(wanted, name);
            (
                3 * edit_distance(wanted, name) + length - shared,
                name.as_str(),
            )
        })
        .filter(|(score, _)| *score <= 2 * (wanted.chars().count() + 1))
        .collect();
    scored.sort_unstable();
    scored.truncate(MOST);
    scored.into_iter().map(|(_, name)| name).collect()
}

/// Least number of insertions, deletions and replacements that turn one text into the other.
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, to) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

/// How many characters the texts share, order apart.
fn shared_characters(a: &str, b: &str) -> usize {
    let mut rest: Vec<char> = b.chars().collect();
    a.chars()
        .filter(|c| {
            rest.iter()
                .position(|other| other == c)
                .map(|at| rest.swap_remove(at))
                .is_some()
        })
        .count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_reads_and_is_named_after_its_type() {
        assert!(!FILES.is_empty());
        for (file, text) in FILES {
            let valve = data::read(text).unwrap_or_else(|error| {
                panic!("{file}.toml: {error}: {:?}", text.get(error.span.clone()))
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
        assert_eq!(find("EL48").unwrap_err().nearest.first(), Some(&"EL84"));
        assert_eq!(find("12AX8").unwrap_err().nearest.first(), Some(&"12AX7"));
        assert!(find("ECC38").unwrap_err().nearest.contains(&"ECC83"));
        assert!(find("triode?").unwrap_err().nearest.len() <= 3);
    }

    #[test]
    fn edit_distances() {
        assert_eq!(edit_distance("EL84", "EL84"), 0);
        assert_eq!(edit_distance("EL84", "EL34"), 1);
        assert_eq!(edit_distance("", "EL34"), 4);
        assert_eq!(edit_distance("6V6", "6V6GT"), 2);
    }
}
