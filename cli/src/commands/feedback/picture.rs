//! Loop gain and square waves, as pictures and as figures.

use measure::instruments::logarithmic::decibels;
use measure::small_signal::feedback::{Feedback, RANGE};
use measure::small_signal::square_wave::FREQUENCY;
use sim::amplifier::Amplifier;
use sim::quantity::{Unit, engineering};

use super::words::{load, verdict};
use super::{Curve, names};
use crate::report::csv;
use crate::report::log_plot::{Extent, LogPlot, Mark, Panel, Scale};
use crate::report::plot::{NotDrawn, Plot};

/// Loop gain below this decides nothing, dB; its phase is not drawn.
const FLOOR_DB: f64 = -60.0;

/// The loop gain over its phase.
pub(super) fn loop_gain(amplifier: &Amplifier, answer: &Feedback) -> Result<String, NotDrawn> {
    let found = &answer.loop_gain;
    let gain: Vec<(f64, f64)> = found
        .curve
        .iter()
        .map(|point| (point.frequency, decibels(point.loop_gain.norm())))
        .collect();
    let phase = found
        .curve
        .iter()
        .zip(&gain)
        .filter(|(_, (_, gain))| *gain > FLOOR_DB)
        .map(|(point, _)| (point.frequency, point.phase.to_degrees()))
        .collect();
    let unity = found.unity.iter().map(|crossing| Mark {
        x: crossing.frequency,
        words: format!(
            "phase margin {:.0}° at {}",
            crossing.margin_degrees,
            engineering(crossing.frequency, Unit::Hertz)
        ),
    });
    let half_turn = found.phase.iter().map(|crossing| Mark {
        x: crossing.frequency,
        words: format!(
            "gain margin {:.1} dB at {}",
            crossing.margin_db,
            engineering(crossing.frequency, Unit::Hertz)
        ),
    });
    let mut marks: Vec<Mark> = unity.chain(half_turn).collect();
    marks.sort_by(|a, b| a.x.total_cmp(&b.x));
    let plot = LogPlot {
        title: &amplifier.title,
        conditions: &format!(
            "feedback of {:.1} dB at {} through {}, rated load of {}: {}",
            found.feedback_db(),
            engineering(found.mid.frequency, Unit::Hertz),
            names(&amplifier.circuit, &answer.path).join(" and "),
            engineering(amplifier.bench.load_ohms, Unit::Ohm),
            verdict(found.growing.as_ref())
        ),
        x_name: "frequency, Hz",
        x_extent: Extent::Fixed(RANGE.0..RANGE.1),
        panels: vec![
            Panel {
                y_name: "loop gain, dB",
                scale: Scale::Linear,
                extent: Extent::Within(FLOOR_DB..f64::INFINITY),
                curves: vec![("loop gain".to_owned(), gain)],
                levels: vec![("loop gain one".to_owned(), 0.0)],
            },
            Panel {
                y_name: "phase, degrees",
                scale: Scale::Degrees,
                extent: Extent::Drawn,
                curves: vec![("its phase".to_owned(), phase)],
                levels: vec![
                    ("half a turn".to_owned(), 180.0),
                    ("half a turn".to_owned(), -180.0),
                ],
            },
        ],
        marks,
    };
    plot.svg()
}

/// Two cycles of the square wave with each load that is borne, the open output without capacitance.
pub(super) fn square_waves(amplifier: &Amplifier, answer: &Feedback) -> Result<String, NotDrawn> {
    let shown = || {
        answer
            .loads
            .iter()
            .filter(|at| at.rated || at.capacitance == 0.0)
    };
    let waves: Vec<_> = shown()
        .filter_map(|at| Some((load(amplifier, at), at.square.as_ref()?)))
        .collect();
    let howling: Vec<String> = shown()
        .filter(|at| at.growing.is_some())
        .map(|at| load(amplifier, at))
        .collect();
    let mut conditions = format!(
        "square wave of {}, generator {} peak",
        engineering(FREQUENCY, Unit::Hertz),
        engineering(answer.drive, Unit::Volt)
    );
    if !howling.is_empty() {
        conditions += &format!("; UNSTABLE with {}", howling.join(", "));
    }
    let microseconds: Vec<f64> = waves
        .first()
        .map(|(_, wave)| wave.time.iter().map(|t| 1e6 * t).collect())
        .unwrap_or_default();
    let plot = Plot {
        title: &amplifier.title,
        conditions: &conditions,
        x_name: "time, µs",
        y_name: "volts across the load",
        x: &microseconds,
        curves: waves
            .iter()
            .map(|(name, wave)| (name.clone(), wave.volts.as_slice()))
            .collect(),
        levels: Vec::new(),
    };
    plot.svg()
}

/// The loop gain, one frequency a line.
pub(super) fn csv(curve: &Curve) -> String {
    let header = [
        "frequency [Hz]",
        "loop gain [dB]",
        "phase [degrees]",
        "gain with feedback [dB]",
        "gain without [dB]",
    ]
    .map(str::to_owned);
    let in_decibels =
        |ratios: &[f64]| -> Vec<f64> { ratios.iter().copied().map(decibels).collect() };
    csv::columns(
        &header,
        &[
            &curve.frequency,
            &in_decibels(&curve.loop_gain),
            &curve.phase_degrees,
            &in_decibels(&curve.gain_with),
            &in_decibels(&curve.gain_without),
        ],
    )
}
