//! The known words most like an unknown one: the one rule of every "did you mean".

/// Longest distance at which a word is still worth offering, as a share of its length.
const WORTH_OFFERING: f64 = 0.5;

/// The candidate with the fewest slips of the pen from `word`, the first of those alike, if any is near. Case
/// does not matter. Cost: candidates · length².
pub fn nearest<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    ranked(word, candidates).into_iter().next()
}

/// The three candidates at most that are nearest, best first.
pub fn nearest_three<'c>(
    word: &str,
    candidates: impl IntoIterator<Item = &'c str>,
) -> Vec<&'c str> {
    let mut all = ranked(word, candidates);
    all.truncate(3);
    all
}

/// Every candidate that is near, once, by its slips and then as the candidates stand.
fn ranked<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str>) -> Vec<&'c str> {
    let limit = (word.chars().count() as f64 * WORTH_OFFERING).max(1.0);
    let word = word.to_lowercase();
    let mut near: Vec<(usize, &'c str)> = candidates
        .into_iter()
        .map(|candidate| (slips(&word, &candidate.to_lowercase()), candidate))
        .filter(|(slips, _)| *slips as f64 <= limit)
        .collect();
    near.sort_by_key(|(slips, _)| *slips);
    let mut found = Vec::new();
    for (_, candidate) in near {
        if !found.contains(&candidate) {
            found.push(candidate);
        }
    }
    found
}

/// Letters to insert, drop, change or swap with their neighbour.
fn slips(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().collect();
    let b: Vec<char> = b.chars().collect();
    let mut rows = vec![vec![0; b.len() + 1]; a.len() + 1];
    for (i, row) in rows.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, cell) in rows[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=a.len() {
        for j in 1..=b.len() {
            let change = usize::from(a[i - 1] != b[j - 1]);
            let mut best = (rows[i - 1][j] + 1)
                .min(rows[i][j - 1] + 1)
                .min(rows[i - 1][j - 1] + change);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = best;
        }
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::{nearest, nearest_three, slips};

    #[test]
    fn slips_of_the_pen_are_counted() {
        for (a, b, count) in [
            ("grid", "grid", 0),
            ("gird", "grid", 1),
            ("anod", "anode", 1),
            ("", "abc", 3),
            ("6V6", "6V6GT", 2),
        ] {
            assert_eq!(slips(a, b), count, "{a} {b}");
        }
    }

    #[test]
    fn the_nearest_is_offered_and_nothing_far() {
        assert_eq!(
            nearest("resitor", ["resistor", "capacitor"]),
            Some("resistor")
        );
        assert_eq!(nearest("zzz", ["resistor", "capacitor"]), None);
    }

    #[test]
    fn three_at_most_each_once_and_the_best_first() {
        let names = ["EL34", "EL84", "EL84", "EL37", "EL86", "GZ34"];
        assert_eq!(nearest_three("el48", names), ["EL84", "EL34", "EL37"]);
    }
}
