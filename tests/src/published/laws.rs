//! Laws of valves side by side, on the same rows: each is fitted to the same points, by the same method, and
//! then asked for every published operation.

use std::collections::BTreeMap;

use models::data::ValveType;
use models::fit::{Expectations, Traces, fit_expecting};
use models::library;
use models::pentode::Fall;

use super::outcome::{Outcome, Quantity, Spread};
use super::score::score;

/// Types that were not yet in the program when the expectations were settled: the rows of these are as near
/// to a blind test as there is. (The 6B4G and the 42 are not among them: they are a 2A3 and a 6F6.)
pub const FRESH: [&str; 11] = [
    "10", "211", "6550", "6AQ5", "6J7", "6K6GT", "6SJ7", "807", "845", "EL37", "PX25",
];

/// A law, or an expectation, that can be tried.
#[derive(Clone, Copy, Debug)]
pub struct Candidate {
    /// What it is called.
    pub name: &'static str,
    /// What is expected of a valve.
    pub expected: Expectations,
}

/// All that are compared; the first is what the library uses.
pub fn candidates() -> Vec<Candidate> {
    let usual = Expectations::default();
    let candidate = |name, expected| Candidate { name, expected };
    vec![
        candidate("as used", usual),
        candidate(
            "exponent 1.4",
            Expectations {
                exponent: (1.4, 0.04),
                ..usual
            },
        ),
        candidate(
            "hinge half as wide",
            Expectations {
                hinge: [12.0; 2],
                ..usual
            },
        ),
        candidate(
            "hinge twice as wide",
            Expectations {
                hinge: [3.0; 2],
                ..usual
            },
        ),
        candidate(
            "the same, pentodes alone",
            Expectations {
                hinge: [6.0, 3.0],
                ..usual
            },
        ),
        candidate("no contact potential", Expectations::without_contact()),
        candidate("3/2 law alone", Expectations::three_halves()),
        candidate(
            "sharper knee",
            Expectations {
                knees: [(0.16, 4.0), (0.20, 3.0)],
                ..usual
            },
        ),
        candidate(
            "lower knee",
            Expectations {
                knees: [(0.14, 3.0), (0.17, 2.5)],
                ..usual
            },
        ),
        candidate(
            "exponential screen",
            Expectations {
                falling: Some((Fall::Exponential, 28.0)),
                ..usual
            },
        ),
        candidate(
            "reciprocal screen",
            Expectations {
                falling: Some((Fall::Reciprocal, 10.0)),
                ..usual
            },
        ),
    ]
}

/// Every type of the library refitted with these expectations, by name. Rectifiers and stabilisers are left out.
pub fn refitted(expected: &Expectations) -> BTreeMap<String, ValveType> {
    library::valves()
        .iter()
        .filter_map(|valve| {
            let fitted = fit_expecting(&valve.points, &Traces::default(), valve.kind, expected)?;
            let model = fitted.parameters.model(&valve.model);
            let refitted = ValveType {
                model,
                ..valve.clone()
            };
            Some((valve.name.clone(), refitted))
        })
        .collect()
}

/// All rows with every type refitted.
pub fn outcomes(candidate: &Candidate) -> Vec<Outcome> {
    let valves = refitted(&candidate.expected);
    score(&|name| valves.get(name).cloned())
}

/// Rows that are evidence, of the types that were known, or of the fresh ones.
pub fn spread(outcomes: &[Outcome], quantity: Quantity, fresh: bool) -> Spread {
    Spread::of(outcomes, quantity, |row| {
        row.confidence != "low"
            && !row.is_doubted(quantity)
            && FRESH.contains(&row.valve.as_str()) == fresh
    })
}
