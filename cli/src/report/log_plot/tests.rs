//! Pictures of made-up curves: what must stand in them.

use super::{Curve, Extent, LogPlot, MOST_CURVES, Mark, Panel, Scale};

/// Frequencies from 1 Hz to 1 MHz.
fn grid() -> Vec<f64> {
    (0..=240).map(|k| 10f64.powf(f64::from(k) / 40.0)).collect()
}

/// Gain in dB and phase in degrees of two corners, a made-up amplifier.
fn curves(count: usize) -> [Vec<Curve>; 2] {
    let of = |value: &dyn Fn(f64, f64) -> f64| {
        (0..count)
            .map(|k| {
                let upper = 2e3 * 1.6f64.powi(k as i32);
                let points = grid().iter().map(|f| (*f, value(*f, upper))).collect();
                (format!("R1 = {} k", k + 1), points)
            })
            .collect()
    };
    let gain = |f: f64, upper: f64| {
        20.0 - 10.0 * ((1.0 + (f / upper).powi(2)) * (1.0 + (20.0 / f).powi(2))).log10()
    };
    let phase =
        |f: f64, upper: f64| (20.0 / f).atan().to_degrees() - (f / upper).atan().to_degrees();
    [of(&gain), of(&phase)]
}

fn picture(count: usize) -> String {
    let [gain, phase] = curves(count);
    let plot = LogPlot {
        title: "Two corners & Ω",
        conditions: "made up",
        x_name: "frequency, Hz",
        x_extent: Extent::Fixed(1.0..1e6),
        panels: vec![
            Panel {
                y_name: "gain, dB",
                scale: Scale::Linear,
                extent: Extent::Within(-60.0..100.0),
                curves: gain,
                levels: vec![("at 1 kHz".to_owned(), 20.0), ("-3 dB".to_owned(), 17.0)],
            },
            Panel {
                y_name: "phase, degrees",
                scale: Scale::Degrees,
                extent: Extent::Drawn,
                curves: phase,
                levels: Vec::new(),
            },
        ],
        marks: vec![Mark {
            x: 20.0,
            words: "falls by 3 dB at 20 Hz".to_owned(),
        }],
    };
    plot.svg().expect("the font is embedded")
}

#[test]
fn panels_stand_above_each_other_with_real_text() {
    let svg = picture(2);
    for words in [
        "Two corners &amp; Ω",
        "made up",
        "gain, dB",
        "phase, degrees",
        "frequency, Hz",
        "R1 = 2 k",
        "at 1 kHz",
        "-3 dB",
        "100k",
        "1M",
        "-45",
        "1  falls by 3 dB at 20 Hz",
    ] {
        assert!(svg.contains(words), "`{words}` is not in the picture");
    }
    // 500 for the first panel, 170 for the second, a line of 17 and half of one for the mark.
    assert!(svg.contains("width=\"800\" height=\"695\" viewBox=\"0 0 3200 2780\""));
    // The frequencies are named once, under the last panel.
    assert_eq!(svg.matches("frequency, Hz").count(), 1);
    assert_eq!(
        svg.matches("R1 = 2 k").count(),
        1,
        "a name has one place in the legend"
    );
}

#[test]
fn as_many_curves_as_promised_can_be_told_apart() {
    let [gain, _] = curves(MOST_CURVES);
    let plot = LogPlot {
        title: "",
        conditions: "",
        x_name: "",
        x_extent: Extent::Drawn,
        panels: vec![Panel {
            y_name: "",
            scale: Scale::Linear,
            extent: Extent::Drawn,
            curves: gain,
            levels: Vec::new(),
        }],
        marks: Vec::new(),
    };
    let mut looks: Vec<String> = plot
        .names()
        .iter()
        .map(|name| format!("{:?}", plot.look(name)))
        .collect();
    looks.sort();
    looks.dedup();
    assert_eq!(looks.len(), MOST_CURVES);
}

#[test]
fn values_that_do_not_exist_are_left_out_and_nothing_is_refused() {
    let plot = |points: Vec<(f64, f64)>| LogPlot {
        title: "",
        conditions: "",
        x_name: "",
        x_extent: Extent::Drawn,
        panels: vec![Panel {
            y_name: "",
            scale: Scale::Logarithmic,
            extent: Extent::Drawn,
            curves: vec![("one".to_owned(), points)],
            levels: Vec::new(),
        }],
        marks: Vec::new(),
    };
    let holes = vec![
        (1.0, 1.0),
        (2.0, f64::NAN),
        (3.0, 0.0),
        (4.0, 2.0),
        (5.0, 3.0),
    ];
    assert!(plot(holes).svg().is_ok());
    assert!(plot(Vec::new()).svg().is_err());
}
