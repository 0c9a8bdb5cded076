//! Impedance and level against frequency, as a picture and as figures.

use measure::small_signal::impedance::{At, Impedance, Ohms};
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use crate::loudspeaker::Described;
use crate::report::csv;
use crate::report::log_plot::{Extent, LogPlot, Panel, Scale};
use crate::report::plot::NotDrawn;

/// Levels beyond this are not drawn, dB: where the response ends they hide what happens inside it.
const MOST_DB: f64 = 18.0;

/// The picture as SVG: impedances above, levels below; without a loudspeaker neither its own nor its level.
pub(super) fn svg(
    amplifier: &Amplifier,
    answer: &Impedance,
    loudspeaker: Option<&Described>,
) -> Result<String, NotDrawn> {
    let curve = |name: &str, of: &dyn Fn(&At) -> Option<f64>| {
        let points = answer.points.iter();
        let points = points.filter_map(|at| Some((at.frequency, of(at)?)));
        (name.to_owned(), points.collect::<Vec<_>>())
    };
    let rated = engineering(answer.load_ohms, Unit::Ohm);
    let ends = answer.points.first().zip(answer.points.last());
    let across = ends.map_or(Extent::Drawn, |(first, last)| {
        Extent::Fixed(first.frequency..last.frequency)
    });
    let joined = loudspeaker.map_or_else(
        || format!("damping factor is {rated} over the output impedance"),
        Described::in_conditions,
    );
    let mut impedances = vec![curve("output impedance", &|at| {
        at.output.map(|z| z.magnitude)
    })];
    if loudspeaker.is_some() {
        impedances.push(curve("loudspeaker's impedance", &|at| {
            Some(at.loudspeaker.magnitude)
        }));
    }
    let mut panels = vec![Panel {
        y_name: "impedance, Ω",
        scale: Scale::Logarithmic,
        extent: Extent::Drawn,
        curves: impedances,
        levels: vec![(format!("rated load {rated}"), answer.load_ohms)],
    }];
    if loudspeaker.is_some() {
        panels.push(Panel {
            y_name: "level, dB",
            scale: Scale::Linear,
            extent: Extent::Within(-MOST_DB..MOST_DB),
            curves: vec![
                curve("level at the loudspeaker", &|at| at.level_db),
                curve(&format!("the same against {rated} in its place"), &|at| {
                    at.deviation_db
                }),
            ],
            levels: Vec::new(),
        });
    }
    let plot = LogPlot {
        title: &amplifier.title,
        conditions: &format!(
            "small signals about rest, load taken out, generator at rest behind {}; {joined}",
            engineering(answer.generator_ohms, Unit::Ohm),
        ),
        x_name: "frequency, Hz",
        x_extent: across,
        panels,
        marks: Vec::new(),
    };
    plot.svg()
}

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
        "the same against the rated load [dB]",
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
