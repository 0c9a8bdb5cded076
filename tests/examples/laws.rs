//! Prints how laws and expectations compare on the published operations: `cargo run --release -p checks --example laws`.

#![allow(clippy::print_stdout, reason = "an example program prints")]

use checks::published::laws::{candidates, outcomes, spread};
use checks::published::outcome::{Quantity, Spread, USES};

fn main() {
    for candidate in candidates() {
        let outcomes = outcomes(&candidate);
        println!("{}", candidate.name);
        for (who, screen) in [("triodes", false), ("pentodes", true)] {
            let of = |quantity, fresh: bool| {
                Spread::of(&outcomes, quantity, |row| {
                    row.confidence != "low"
                        && !row.is_doubted(quantity)
                        && checks::published::laws::FRESH.contains(&row.valve.as_str()) == fresh
                        && (models::library::find(&row.valve).unwrap().kind
                            != models::data::ValveKind::Triode)
                            == screen
                })
            };
            for fresh in [false, true] {
                print!("  {who} {}", if fresh { "fresh" } else { "known" });
                for q in [
                    Quantity::Idle,
                    Quantity::Power,
                    Quantity::Distortion,
                    Quantity::FullScreen,
                ] {
                    let s = of(q, fresh);
                    print!(
                        "  {} {:.2}/{:.1} ({})",
                        q.words(),
                        s.median(),
                        s.quantile(0.9),
                        s.count()
                    );
                }
                println!();
            }
        }
        for fresh in [false, true] {
            print!("  {:6}", if fresh { "fresh" } else { "known" });
            for quantity in [
                Quantity::Idle,
                Quantity::Power,
                Quantity::Distortion,
                Quantity::FullScreen,
                Quantity::Gain,
            ] {
                let spread = spread(&outcomes, quantity, fresh);
                print!(
                    "  {} {:.2}/{:.1} ({})",
                    quantity.words(),
                    spread.median(),
                    spread.quantile(0.9),
                    spread.count()
                );
            }
            println!();
        }
        for usage in USES {
            let of = |quantity| {
                Spread::of(&outcomes, quantity, |row| {
                    row.usage == usage && row.confidence != "low" && !row.is_doubted(quantity)
                })
            };
            let (power, thd, gain, idle) = (
                of(Quantity::Power),
                of(Quantity::Distortion),
                of(Quantity::Gain),
                of(Quantity::Idle),
            );
            println!(
                "    {:30} idle {:.1} power {:.1}/{:.1} ({}) thd {:.2}/{:.1} ({}) gain {:.1} ({})",
                usage.words(),
                idle.median(),
                power.median(),
                power.quantile(0.9),
                power.count(),
                thd.median(),
                thd.quantile(0.9),
                thd.count(),
                gain.median(),
                gain.count()
            );
        }
    }
}
