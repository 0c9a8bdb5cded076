//! The known word most like an unknown one.

/// Longest distance at which a word is still worth offering, as a share of its length.
const WORTH_OFFERING: f64 = 0.5;

/// The candidate with the fewest slips of the pen from `word`, if any is near.
pub fn nearest<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    let limit = (word.chars().count() as f64 * WORTH_OFFERING).max(1.0);
    candidates
        .into_iter()
        .map(|candidate| {
            (
                slips(&word.to_lowercase(), &candidate.to_lowercase()),
                candidate,
            )
        })
        .filter(|(slips, _)| *slips as f64 <= limit)
        .min_by_key(|(slips, _)| *slips)
        .map(|(_, candidate)| candidate)
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
    use super::{nearest, slips};

    #[test]
    fn slips_of_the_pen_are_counted() {
        for (a, b, count) in [
            ("grid", "grid", 0),
            ("gird", "grid", 1),
            ("anod", "anode", 1),
            ("", "abc", 3),
        ] {
            assert_eq!(slips(a, b), count, "{a} {b}");
        }
        assert_eq!(
            nearest("resitor", ["resistor", "capacitor"]),
            Some("resistor")
        );
        assert_eq!(nearest("zzz", ["resistor", "capacitor"]), None);
    }
}
