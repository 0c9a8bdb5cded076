//! Checks of the fit on the library and on made data.

use super::*;
use crate::data::{Connection, Source};
use crate::library;
use crate::pentode::CurrentSharing;
use crate::triode::TriodeParameters;

/// What six printed digits leave of a parameter, with ten times to spare for the order of
/// operations of another machine.
const STORED_DIGITS: f64 = 5e-5;

#[test]
fn every_stored_parameter_is_what_its_points_give() {
    for valve in library::valves() {
        let Some(stored) = Parameters::of(&valve.model) else {
            continue;
        };
        let fitted = fit(&valve.points, &Traces::default(), valve.kind).unwrap();
        let pairs = stored.values().into_iter().zip(fitted.parameters.values());
        for ((old, new), name) in pairs.zip(stored.names()) {
            assert!(
                (old / new - 1.0).abs() < STORED_DIGITS,
                "{} {name}: stored {old}, fitted {new}",
                valve.name
            );
        }
    }
}

#[test]
fn every_stored_fit_error_is_true() {
    for valve in library::valves() {
        let (Some(stored), Some(error)) = (Parameters::of(&valve.model), valve.fit_error) else {
            continue;
        };
        let found = super::error(&compare_points(&stored, &valve.points));
        // Two printed decimals, and six digits of the parameters
        for (said, found) in [
            (error.current_median_percent, found.current_median_percent),
            (error.current_worst_percent, found.current_worst_percent),
            (error.slope_median_percent, found.slope_median_percent),
            (error.slope_worst_percent, found.slope_worst_percent),
            (
                error.screen_median_percent.unwrap_or(-1.0),
                found.screen_median_percent.unwrap_or(-1.0),
            ),
        ] {
            assert!(
                (said - found).abs() < 0.01,
                "{}: {said} {found}",
                valve.name
            );
        }
    }
}

#[test]
fn the_laws_meet_the_points_within_the_stated_bounds() {
    // Four types print figures that exclude each other, see their files: 12AT7 gives 3.0 and
    // 3.7 mA at the same voltages, EF86 3.0 mA at two biases a fifth of a volt apart; by the two
    // points of the 6SF5 the current rises with drive at half the rate of its slope; of the PX4 its
    // maker's curves and table are known to disagree.
    for valve in library::valves() {
        let Some(error) = valve.fit_error else {
            continue;
        };
        let (median, worst) = match valve.name.as_str() {
            "12AT7" => (3.0, 17.0),
            "EF86" | "6SF5" => (7.0, 12.0),
            "PX4" => (9.0, 16.0),
            _ => (3.0, 9.0),
        };
        assert!(error.current_median_percent <= median, "{}", valve.name);
        assert!(error.current_worst_percent <= worst, "{}", valve.name);
        assert!(error.slope_worst_percent <= 7.0, "{}", valve.name);
    }
}

/// Points that a law itself gives.
fn made(parameters: &Parameters, voltages: &[(f64, f64, f64)]) -> Vec<Point> {
    let pentode = !matches!(parameters, Parameters::Triode(_));
    voltages
        .iter()
        .map(|&(v_ak, v_sk, v_gk)| {
            let mut point = Point {
                connection: Connection::Normal,
                v_ak: Some(v_ak),
                v_sk: pentode.then_some(v_sk),
                v_gk: Some(v_gk),
                i_a: None,
                i_s: None,
                gm: None,
                mu: None,
                ra: None,
                mu_screen: None,
                cut_off: false,
                unused: None,
                source: Source {
                    text: "made".into(),
                    basis: "computed".into(),
                    confidence: String::new(),
                },
            };
            let at = parameters.currents(&point).unwrap();
            point.i_a = Some(at.anode);
            point.i_s = pentode.then_some(at.screen);
            point.gm = Some(at.gm());
            point.ra = Some(at.ra());
            point.mu = (!pentode).then(|| at.mu());
            point
        })
        .collect()
}

#[test]
fn points_made_by_a_triode_give_its_curves_back() {
    let truth = Parameters::Triode(TriodeParameters {
        mu: 20.0,
        x: 1.35,
        kg: 500.0,
        kp: 100.0,
        kvb: 350.0,
        vct: 0.5,
    });
    let at = |v, g| (v, 0.0, g);
    let points = made(
        &truth,
        &[
            at(90.0, 0.0),
            at(90.0, -2.0),
            at(150.0, -4.0),
            at(250.0, -8.0),
            at(250.0, -11.0),
            at(350.0, -12.0),
        ],
    );
    let fitted = fit(&points, &Traces::default(), ValveKind::Triode).unwrap();
    // Elsewhere on the curves; the priors, off by up to 25 %, may pull by a percent
    let elsewhere = made(
        &truth,
        &[at(200.0, -5.0), at(300.0, -11.0), at(120.0, -1.0)],
    );
    for r in compare_points(&fitted.parameters, &elsewhere) {
        assert!(r.percent().abs() < 1.0, "{r:?}");
    }
}

#[test]
fn points_made_by_a_pentode_give_its_curves_back() {
    let truth = Parameters::Pentode(CurrentSharing {
        mu: 9.0,
        x: 1.42,
        kg: 800.0,
        kp: 50.0,
        kvb: 300.0,
        vct: 0.4,
        d: 0.03,
        f: 0.09,
        b: 0.2,
        kap: 0.165,
        q: 0.6,
        n: 3.0,
    });
    let points = made(
        &truth,
        &[
            (250.0, 250.0, -12.5),
            (180.0, 180.0, -8.5),
            (315.0, 225.0, -13.0),
            (300.0, 300.0, -20.0),
            (400.0, 250.0, -16.0),
        ],
    );
    let fitted = fit(&points, &Traces::default(), ValveKind::BeamTetrode).unwrap();
    let elsewhere = made(&truth, &[(280.0, 240.0, -11.0), (350.0, 280.0, -18.0)]);
    for r in compare_points(&fitted.parameters, &elsewhere) {
        let bound = if r.quantity == Quantity::AnodeResistance {
            10.0 // the knee is held by its prior, and ra lives on it
        } else {
            1.5
        };
        assert!(r.percent().abs() < bound, "{r:?}");
    }
}

#[test]
fn one_false_point_is_reported_and_does_not_carry_the_fit() {
    let valve = library::find("300B").unwrap();
    let clean = fit(&valve.points, &Traces::default(), valve.kind).unwrap();
    let mut points = valve.points.clone();
    points[10].i_a = points[10].i_a.map(|i| 1.5 * i);
    let fitted = fit(&points, &Traces::default(), valve.kind).unwrap();
    assert!(fitted.contradicted().any(|r| r.place == Place::Point(10)));
    let current = |f: &Fit| f.residuals[0].fitted;
    assert!((current(&fitted) / current(&clean) - 1.0).abs() < 0.01);
}
