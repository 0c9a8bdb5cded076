//! `cargo run --release -p checks --example score`: medians over the published rows of high confidence.

#![allow(clippy::print_stdout, reason = "an example prints")]

use checks::published::outcome::{Quantity, Spread, USES};
use checks::published::score::score;

fn main() {
    // Another law or fit: `published::laws::refitted`.
    let outcomes = score(&|_| None);
    for usage in USES {
        for quantity in [
            Quantity::Idle,
            Quantity::Full,
            Quantity::FullScreen,
            Quantity::Power,
            Quantity::Distortion,
            Quantity::Gain,
        ] {
            let spread = Spread::of(&outcomes, quantity, |row| {
                row.usage == usage && row.confidence == "high" && !row.is_doubted(quantity)
            });
            if spread.count() > 0 {
                println!(
                    "{:<30} {:<27} {:3} rows, median {:5.2} {unit}, 90 % within {:5.1}, worst {:5.1}",
                    usage.words(),
                    quantity.words(),
                    spread.count(),
                    spread.median(),
                    spread.quantile(0.9),
                    spread.worst(),
                    unit = quantity.unit(),
                );
            }
        }
    }
}
