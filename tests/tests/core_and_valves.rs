//! Why a core that saturates sooner may leave less distortion: its third harmonic opposes that of the valves.

use checks::examples::{EXAMPLES, Opened};
use nalgebra::Complex;
use sim::periodic::Settling;

/// The third harmonic across the load against the fundamental of it, as a phasor, at 40 Hz and some watts.
fn third(saturates: &str) -> Complex<f64> {
    let example = EXAMPLES
        .iter()
        .find(|example| example.name.starts_with("03_"));
    let text = example.expect("it is there").text();
    let drawn = r#", saturates = "15W at 30Hz""#;
    assert!(text.contains(drawn));
    // Little feedback, so that distortion is that of the stage itself.
    let opened = Opened::read(&text.replace(drawn, saturates), &[("R16", "22k")]);
    let mut ws = opened.driven_at(0.04, 40.0).expect("rest");
    let period = sim::periodic::settle(
        &opened.system,
        1.0 / 40.0,
        &Settling::default(),
        &sim::Tolerances::default(),
        &mut ws,
    )
    .expect("it settles");
    let (a, b) = opened.load();
    let volts = period.of(|x| x[a] - x[b]);
    // Turned to where the fundamental is a sine of phase zero.
    let of = |number: f64| -> Complex<f64> {
        let count = volts.len() as f64;
        let turn = std::f64::consts::TAU * number / count;
        let part = |(k, v): (usize, &f64)| Complex::from_polar(*v, -turn * k as f64);
        volts.iter().enumerate().map(part).sum::<Complex<f64>>() / count
    };
    let (first, third) = (of(1.0), of(3.0));
    third / first.norm() * (first / first.norm()).conj().powi(3)
}

#[test]
fn the_third_harmonic_of_the_core_opposes_that_of_the_pair() {
    let valves = third("");
    let drawn = third(r#", saturates = "15W at 30Hz""#) - valves;
    let halved = third(r#", saturates = "7.5W at 30Hz""#) - valves;
    // Against the valves' own, so the sum is less than either would be alone.
    let against = |core: Complex<f64>| (core * valves.conj()).re / (core.norm() * valves.norm());
    assert!(against(drawn) < -0.5, "{valves} {drawn}");
    assert!((valves + halved).norm() < (valves + drawn).norm());
    // The first bend of a magnetisation curve is of the third power of flux, so its third harmonic goes by the square of the
    // flux over that of saturation, which is as the power: halved it is twice as large. Higher powers add a fifth.
    let ratio = halved.norm() / drawn.norm();
    assert!((1.9..2.4).contains(&ratio), "{ratio}");
}
