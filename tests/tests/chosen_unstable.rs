//! A value sought in an amplifier that oscillates at every one: each is told by whether anything grows, and not followed to
//! what it grows to. Alone in its program, whose seconds of the processor are counted.

use checks::processor::spent_by_itself;
use checks::variants::{amplifier, unstable};
use measure::judged::choose::ChooseOf;

/// Seconds of the processor: 37 circuits of some 5 ms. One of them followed to where its oscillation settles takes half a
/// second.
const LONGEST: f64 = 4.0;

#[test]
fn what_oscillates_at_every_value_is_not_followed_at_each() {
    let all = unstable();
    let (_, text) = all
        .iter()
        .find(|(name, _)| name == "feedback of 220R")
        .expect("it is there");
    assert_ne!(*text, amplifier());
    let read = |set: &[(String, String)]| sheet::read(text, set).ok();
    let drawn = read(&[]).expect("it is read");
    let question = ChooseOf::parse("C9", "bass limit = 20Hz", None, &drawn.circuit);
    let before = spent_by_itself();
    let answer = question.expect("it can be asked").run(&read, None, &|_| ());
    assert!(answer.solutions.is_empty());
    if let Some((before, after)) = before.zip(spent_by_itself()) {
        assert!(after - before < LONGEST, "{} s", after - before);
    }
}
