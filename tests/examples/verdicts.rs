//! What is said of forty variants of the push-pull example, on ideal supplies and on their mains, and in how many seconds
//! of the processor:
//!
//! ```text
//! cargo run --release -p checks --example verdicts
//! ```
//!
//! A word given is looked for in their names, and only those that have it are asked. Each is asked what `voltages` asks. Linux only: the seconds are those of `/proc`.

#![allow(clippy::print_stdout, reason = "an example prints")]

use checks::examples::Opened;
use checks::processor::spent_by_itself;
use checks::variants::{on_its_mains, stable, unstable};
use measure::UnderTest;
use sim::error::SimError;

/// What is said of a drawing.
fn verdict(text: &str) -> String {
    let opened = Opened::read(text, &[]);
    let found = UnderTest::find(&opened.amplifier, &opened.system);
    match found.and_then(|of| of.growing()) {
        Ok(None) => "stable".to_owned(),
        Ok(Some(growing)) => SimError::from(growing).to_string(),
        Err(error) => error.to_string(),
    }
}

fn spent() -> f64 {
    spent_by_itself().expect("there is a /proc")
}

fn main() {
    let word = std::env::args().nth(1).unwrap_or_default();
    println!("{:>5} {:>6}  said; drawing", "ideal", "mains");
    let mut longest: f64 = 0.0;
    for (name, text) in unstable().into_iter().chain(stable()) {
        if !name.contains(&word) {
            continue;
        }
        let [(ideal, said), (mains, said_there)] =
            [text.clone(), on_its_mains(&text)].map(|text| {
                let before = spent();
                let said = verdict(&text);
                (spent() - before, said)
            });
        longest = longest.max(ideal).max(mains);
        println!("{ideal:5.2} {mains:6.2}  {name}: {said}; on its mains {said_there}");
    }
    println!("The longest: {longest:.2} s");
}
