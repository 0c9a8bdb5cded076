//! Impedance and level against frequency, as a picture and as figures.

use sim::measure::impedance::{At, Impedance, Ohms};

use crate::report::csv;

/// Every frequency, one a line; what does not exist is NaN.
pub(super) fn csv(answer: &Impedance) -> String {
    let header = [
        "frequency [Hz]",
        "output impedance [ohm]",
        "its phase [degrees]",
        "its resistive part [ohm]",
        "damping factor",
        "input impedance [ohm]",
        "its phase [degrees]",
        "loudspeaker impedance [ohm]",
        "level at the loudspeaker [dB]",
        "the loudspeaker's part [dB]",
    ]
    .map(str::to_owned);
    let column = |of: &dyn Fn(&At) -> Option<f64>| -> Vec<f64> {
        let points = answer.points.iter();
        points.map(|at| of(at).unwrap_or(f64::NAN)).collect()
    };
    let output = |of: fn(Ohms) -> f64| column(&move |at: &At| at.output.map(of));
    let input = |of: fn(Ohms) -> f64| column(&move |at: &At| at.input.map(of));
    let columns = [
        column(&|at| Some(at.frequency)),
        output(|z| z.magnitude),
        output(|z| z.phase_degrees),
        output(|z| z.resistance),
        column(&|at| at.damping),
        input(|z| z.magnitude),
        input(|z| z.phase_degrees),
        column(&|at| Some(at.loudspeaker.magnitude)),
        column(&|at| at.level_db),
        column(&|at| at.deviation_db),
    ];
    csv::columns(&header, &columns.each_ref().map(Vec::as_slice))
}
