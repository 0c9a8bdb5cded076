//! Spreads against those that can be told by hand.
//!
//! Over 400 lines because each check brings its circuit and its closed form.

use super::*;
use crate::drawn;
use sim::System;

fn file(parts: &str) -> Amplifier {
    let parts = format!("{parts}\nRL = {{ resistor = \"1k\", between = [\"in\", \"chassis\"] }}");
    drawn::amplifier(&parts, ("in", "0R"), "RL")
}

/// 300 V over resistors in series, `stated` behind each; the node after the k-th is `nk`.
fn chain(ohms: &[f64], stated: &str) -> Amplifier {
    let mut parts =
        "HT = { supply = \"300V\", positive = \"n0\", negative = \"chassis\" }\n".to_owned();
    for (k, r) in ohms.iter().enumerate() {
        let to = if k + 1 == ohms.len() {
            "chassis".to_owned()
        } else {
            format!("n{}", k + 1)
        };
        let line =
            format!("R{k} = {{ resistor = \"{r}R\", between = [\"n{k}\", \"{to}\"]{stated} }}\n");
        parts.push_str(&line);
    }
    file(&parts)
}

/// Nothing varies but what the file states.
const NOTHING: Allowed = Allowed {
    parts: 0.0,
    capacitors: 0.0,
    inductors: 0.0,
    valves: 0.0,
    mu: 0.0,
    mains: (1.0, 1.0),
};

fn ask(amplifier: &Amplifier, figures: &[&str], allowed: Allowed, samples: usize) -> Spread {
    seeded(amplifier, figures, allowed, samples, 1)
}

fn seeded(
    amplifier: &Amplifier,
    figures: &[&str],
    allowed: Allowed,
    samples: usize,
    seed: u64,
) -> Spread {
    let figures = figures.iter();
    let question = SpreadOf {
        asked: figures
            .map(|text| Asked {
                figure: Figure::parse(text, &amplifier.circuit).unwrap(),
                least: None,
                greatest: None,
            })
            .collect(),
        allowed,
        samples,
        seed,
    };
    let system = System::of(&amplifier.circuit).unwrap();
    question.about(amplifier, &system).unwrap()
}

/// Within four standard errors, by chance missed once in 16000, and a bias.
fn estimates(estimate: Estimate, exact: f64, bias: f64) {
    let error = estimate.error.unwrap();
    assert!(error > 0.0);
    assert!(
        (estimate.value - exact).abs() < 4.0 * error + bias,
        "{estimate:?} {exact}"
    );
}

/// n3 of ten resistors: volts, slopes by each resistance and supply, per unit.
fn tap(ohms: &[f64]) -> (f64, Vec<f64>) {
    let (above, below): (f64, f64) = (ohms[..3].iter().sum(), ohms[3..].iter().sum());
    let all = above + below;
    let slopes = ohms
        .iter()
        .enumerate()
        .map(|(k, r)| 300.0 * r * if k < 3 { -below } else { above } / (all * all));
    (300.0 * below / all, slopes.collect())
}

const TEN: [f64; 10] = [
    1e3, 2.2e3, 470.0, 3.3e3, 680.0, 1.5e3, 820.0, 2.7e3, 560.0, 1.2e3,
];

#[test]
fn linear_circuits_obey_the_law_of_propagation() {
    // JCGM 100, 5.1.2, with u = tolerance/√3: the standard deviation of samples and the first-order one
    for ohms in [&[1e3, 2e3, 0.0, 0.0][..2], &TEN[..]] {
        let amplifier = chain(ohms, ", tolerance = \"1%\"");
        let u = 0.01 / 3_f64.sqrt();
        let (point, exact, slopes) = if ohms.len() == 2 {
            let slope = 300.0 * 2.0 / 9.0;
            ("volts at n1", 200.0, vec![-slope, slope])
        } else {
            let (volts, slopes) = tap(ohms);
            ("volts at n3", volts, slopes)
        };
        let exact_u = u * slopes.iter().map(|s| s * s).sum::<f64>().sqrt();
        let spread = ask(&amplifier, &[point], NOTHING, 4000);
        let figure = &spread.figures[0];
        // A divider bends: second order moves the mean by u² of the volts at most, 3.3e-5, and u by as much
        let bias = u * u * exact;
        let found = figure.distribution.as_ref().unwrap();
        estimates(found.mean, exact, bias);
        estimates(found.deviation, exact_u, bias);
        // Z of the note to 5.1.3 leaves third order: u² again
        let first = figure.first_order.unwrap();
        assert!((first / exact_u - 1.0).abs() < u * u, "{first} {exact_u}");
        assert_eq!(figure.shares.len(), ohms.len());
        for share in &figure.shares {
            let k: usize = share.part[1..].parse().unwrap();
            let expected = (u * slopes[k] / exact_u).powi(2);
            assert!((share.share.unwrap() - expected).abs() < u, "{share:?}");
            assert!(share.stated);
        }
        assert!(
            figure
                .shares
                .windows(2)
                .all(|two| two[0].share >= two[1].share)
        );
        assert_eq!((figure.found, spread.samples), (4000, 4000));
    }
}

#[test]
fn one_value_alone_gives_its_own_rectangle() {
    // Volts of a divider are as the supply's: rectangular, 200 V ±5 %, all quantiles known
    let amplifier = chain(&[1e3, 2e3], "");
    let allowed = Allowed {
        mains: (0.95, 1.05),
        ..NOTHING
    };
    let spread = ask(&amplifier, &["volts at n1"], allowed, 2000);
    let figure = &spread.figures[0];
    let found = figure.distribution.as_ref().unwrap();
    estimates(found.deviation, 20.0 / 12_f64.sqrt(), 0.0);
    for quantile in &found.quantiles {
        let exact = 190.0 + 20.0 * quantile.share;
        let (value, error) = (quantile.value, quantile.error);
        estimates(Estimate { value, error }, exact, 0.0);
    }
    assert!(found.least > 190.0 && found.greatest < 210.0);
    // Linear: first order is exact, to the solver's tolerance
    assert!((figure.first_order.unwrap() * 12_f64.sqrt() - 20.0).abs() < 1e-6);
    assert_eq!(figure.shares.len(), 1);
    assert_eq!(figure.shares[0].part, "supplies");
    let near = |corner: Corner, exact: f64| {
        assert!((corner.value.unwrap() - exact).abs() < 1e-6, "{corner:?}");
        assert!(
            (corner.first_order.unwrap() - exact).abs() < 1e-6,
            "{corner:?}"
        );
    };
    near(figure.lowest, 190.0);
    near(figure.highest, 210.0);
}

#[test]
fn the_worst_case_is_the_corner_of_the_closed_form() {
    let amplifier = chain(&TEN, "");
    let allowed = Allowed {
        parts: 0.1,
        mains: (0.95, 1.05),
        ..NOTHING
    };
    let spread = ask(&amplifier, &["volts at n3"], allowed, 500);
    let figure = &spread.figures[0];
    let (above, below): (f64, f64) = (TEN[..3].iter().sum(), TEN[3..].iter().sum());
    let corner = |supply: f64, above: f64, below: f64| supply * below / (above + below);
    let lowest = corner(285.0, 1.1 * above, 0.9 * below);
    let highest = corner(315.0, 0.9 * above, 1.1 * below);
    // The solver's tolerance on such volts
    let near = |found: Option<f64>, exact: f64| {
        assert!(
            (found.unwrap() / exact - 1.0).abs() < 1e-9,
            "{found:?} {exact}"
        );
    };
    near(figure.lowest.value, lowest);
    near(figure.highest.value, highest);
    assert_eq!(figure.beyond_corners, 0);
    for share in figure
        .shares
        .iter()
        .filter(|share| share.part != "supplies")
    {
        let down = share.part.as_str() < "R3";
        let stands = (share.in_lowest, share.in_highest);
        let expected = if down {
            (Stand::High, Stand::Low)
        } else {
            (Stand::Low, Stand::High)
        };
        assert_eq!(stands, expected, "{share:?}");
    }
    // To first order, Σ|slope|·tolerance, the slopes from u: third order, u² with ten of them alike
    let (drawn, slopes) = tap(&TEN);
    let sum = 0.1 * slopes.iter().map(|s| s.abs()).sum::<f64>() + 0.05 * drawn;
    let first = figure.highest.first_order.unwrap() - drawn;
    assert!((first / sum - 1.0).abs() < 0.01, "{first} {sum}");
}

#[test]
fn a_value_about_which_a_figure_is_even_stays_as_drawn_in_one_corner() {
    let varied = Varied {
        parts: Vec::new(),
        quantity: varied::Quantity::Resistance,
        low: 0.9,
        high: 1.1,
        stated: false,
    };
    let effect = Effect::new(Some(0.0), Some(2.0), Some(3.0), &varied);
    let order = FirstOrder::new(Some(0.0), vec![effect]);
    let of = std::slice::from_ref(&varied);
    let ratios = |high| corners::ratios(&order.stands(high), of);
    assert_eq!(ratios(false), [1.0]);
    assert_eq!(ratios(true), [1.1]);
    let without = FirstOrder::new(None, vec![Effect::new(None, None, Some(1.0), &varied)]);
    assert_eq!(without.deviation(), None);
    assert_eq!(without.corner_sum(true), None);
}

#[test]
fn what_acts_in_the_corner_only_is_found_there() {
    // A balanced bridge: as drawn the supply does nothing to the volts across it, in the corner it multiplies
    // them. Open-circuit volts E (R2/(R1 + R2) - R4/(R3 + R4)) behind R1 ‖ R2 + R3 ‖ R4, into 10 kΩ, which is held.
    let mut amplifier = file(
        r#"HT = { supply = "100V", positive = "ht", negative = "chassis" }
R1 = { resistor = "1k", between = ["ht", "a"] }
R2 = { resistor = "1k", between = ["a", "chassis"] }
R3 = { resistor = "1k", between = ["ht", "b"] }
R4 = { resistor = "1k", between = ["b", "chassis"] }
RB = { resistor = "10k", between = ["a", "b"] }"#,
    );
    amplifier.bench.load = amplifier.circuit.find_part("RB").unwrap();
    let allowed = Allowed {
        parts: 0.1,
        mains: (0.95, 1.05),
        ..NOTHING
    };
    let spread = ask(&amplifier, &["RB current", "RB volts"], allowed, 50);
    let open = 105.0 * (1.1 / 2.0 - 0.9 / 2.0);
    let behind = 2.0 * 1e3 * 1.1 * 0.9 / 2.0;
    let exact = open / (10e3 + behind);
    // The current has a sign; the volts have none, so each resistor alone moves them up, either way.
    let [current, volts] = &spread.figures[..] else {
        panic!("two figures")
    };
    for (corner, exact) in [
        (current.highest, exact),
        (current.lowest, -exact),
        (volts.highest, 10e3 * exact),
    ] {
        // The solver's tolerance on such volts
        let off = (corner.value.unwrap() / exact - 1.0).abs();
        assert!(off < 1e-7 && corner.swept, "{corner:?} {exact}");
    }
    assert!(volts.lowest.value.unwrap() < 1e-9, "{:?}", volts.lowest);
    let supply = current.shares.iter().find(|share| share.part == "supplies");
    let supply = supply.unwrap();
    let stands = (supply.in_lowest, supply.in_highest);
    assert_eq!(stands, (Stand::High, Stand::High));
    assert!(supply.share.unwrap() < 1e-12);
}

/// Both sections of a 6SN7GT on fixed volts, nothing else in the way.
fn fixed() -> Amplifier {
    file(
        r#"HT = { supply = "250V", positive = "ht", negative = "chassis" }
GB = { supply = "8V", positive = "chassis", negative = "g" }
V1a = { valve = "6SN7GT", envelope = "V1", anode = "ht", grid = "g", cathode = "chassis" }
V1b = { valve = "6SN7GT", envelope = "V1", anode = "ht", grid = "g", cathode = "chassis" }"#,
    )
}

#[test]
fn valves_spread_in_current_each_section_by_itself() {
    let allowed = Allowed {
        valves: 0.1,
        mu: 0.05,
        ..NOTHING
    };
    let figures = ["V1a anode current", "balance V1a V1b"];
    let spread = ask(&fixed(), &figures, allowed, 2000);
    let current = &spread.figures[0];
    let drawn = current.drawn.unwrap();
    // At fixed volts the current is as drawn times a ratio between 0.9 and 1.1, whatever mu
    let found = current.distribution.as_ref().unwrap();
    estimates(found.deviation, 0.2 * drawn / 12_f64.sqrt(), 0.0);
    assert!(found.least > 0.9 * drawn && found.greatest < 1.1 * drawn);
    assert_eq!(spread.varied, 4);
    let first = &current.shares[0];
    assert_eq!(
        (first.part.as_str(), first.quantity),
        ("V1a", "current and gm")
    );
    assert!((first.share.unwrap() - 1.0).abs() < 1e-6);
    // (a − b)/((a + b)/2) of two such: √2 of 0.2/√12, and a little more for the division (1/12 of u² each)
    let balance = spread.figures[1].distribution.as_ref().unwrap();
    let u = 0.2 / 12_f64.sqrt();
    estimates(balance.deviation, 2_f64.sqrt() * u, u * u * u);
    estimates(balance.mean, 0.0, 0.0);
}

#[test]
fn mu_alone_moves_the_gain_as_its_formula_does() {
    // A stage with a load R and a bypassed cathode: gain mu R/(R + ra), ra = mu/gm, gm held
    let amplifier = file(
        r#"HT = { supply = "250V", positive = "ht", negative = "chassis" }
V1 = { valve = "6J5", anode = "a", grid = "in", cathode = "k" }
R1 = { resistor = "47k", between = ["ht", "a"] }
R2 = { resistor = "1k5", between = ["k", "chassis"] }
C1 = { electrolytic = "1000u", positive = "k", negative = "chassis" }
C2 = { capacitor = "10u", between = ["a", "out"] }
R3 = { resistor = "10M", between = ["out", "chassis"] }"#,
    );
    let mut amplifier = amplifier;
    amplifier.bench.load = amplifier.circuit.find_part("R3").unwrap();
    amplifier.bench.load_nodes = (
        amplifier.circuit.find_node("out").unwrap(),
        sim::circuit::NodeId::CHASSIS,
    );
    let allowed = Allowed {
        mu: 0.05,
        ..NOTHING
    };
    let spread = ask(&amplifier, &["gain"], allowed, 2);
    let gain = &spread.figures[0];
    let system = System::of(&amplifier.circuit).unwrap();
    let rest = Study::new(&amplifier, &system).rest().unwrap().clone();
    let valve = &rest.valves[0];
    let load = 47e3 * 10e6 / 10.047e6;
    let formula = |mu: f64| mu * load / (load + mu / valve.gm);
    // The law's rounded hinge takes a little of the change of mu (see `models::specimen`)
    let u = 0.05 / 3_f64.sqrt();
    let expected = 0.5 * (formula(valve.mu * (1.0 + u)) - formula(valve.mu * (1.0 - u)));
    let change = gain.shares[0].change.unwrap();
    assert!((gain.drawn.unwrap() / formula(valve.mu) - 1.0).abs() < 1e-3);
    assert!((change / expected - 1.0).abs() < 0.1, "{change} {expected}");
}

#[test]
fn a_seed_is_an_answer_whatever_the_threads() {
    let amplifier = fixed();
    let with = |threads: usize, seed: u64| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
        let figures = ["V1a anode current", "V1b anode watts"];
        let ask = || seeded(&amplifier, &figures, Allowed::default(), 200, seed);
        format!("{:?}", pool.build().unwrap().install(ask))
    };
    assert_eq!(with(1, 7), with(3, 7));
    assert_ne!(with(1, 7), with(1, 8));
}

#[test]
fn limits_count_what_lies_beyond_them() {
    let amplifier = chain(&[1e3, 2e3], ", rating = \"20.5W\"");
    let system = System::of(&amplifier.circuit).unwrap();
    let asked = |text: &str, least, greatest| Asked {
        figure: Figure::parse(text, &amplifier.circuit).unwrap(),
        least,
        greatest,
    };
    let question = SpreadOf {
        asked: vec![
            asked("volts at n1", Some(195.0), Some(207.5)),
            asked("R1 watts", None, None),
            asked("R1 current", None, None),
        ],
        allowed: Allowed {
            mains: (0.95, 1.05),
            ..NOTHING
        },
        samples: 2000,
        seed: 3,
    };
    let spread = question.about(&amplifier, &system).unwrap();
    // Rectangular from 190 to 210 V: 5 below, 2.5 above of 20. 20 W·r² over 20.5 W is r over √1.025. Each to
    // four binomial errors.
    let beyond = |figure: usize, share: f64| {
        let limit = spread.figures[figure].limit.unwrap();
        let off = (limit.beyond as f64 / 2000.0 - share).abs();
        assert!(
            off < 4.0 * (share * (1.0 - share) / 2000.0).sqrt(),
            "{limit:?}"
        );
        limit.asked
    };
    assert!(beyond(0, 0.375));
    assert!(!beyond(1, (1.05 - 1.025_f64.sqrt()) / 0.1));
    assert!(spread.figures[2].limit.is_none());
}

#[test]
fn the_load_is_held_and_capacitors_do_nothing_to_a_rest() {
    let amplifier = chain(&[1e3, 2e3], "");
    let spread = ask(&amplifier, &["volts at n1"], Allowed::default(), 10);
    assert_eq!(spread.varied, 3, "two resistors and the supply");
    let figures = usual(
        &fixed(),
        Study::new(&fixed(), &System::of(&fixed().circuit).unwrap())
            .rest()
            .unwrap(),
    );
    let words: Vec<String> = figures.iter().map(ToString::to_string).collect();
    assert_eq!(words, ["V1b anode current", "V1b anode watts"]);
}

#[test]
fn a_choke_spreads_by_the_tolerance_of_iron() {
    // |G| = 1/√(1 + x²) with x = ωL/R = 1: dG = -2^(-3/2) dL/L, and L is rectangular within 20 %.
    let parts =
        "L1 = { inductor = \"159.15494mH\", between = [\"in\", \"a\"], resistance = \"0.001R\" }
RL = { resistor = \"1k\", between = [\"a\", \"chassis\"] }";
    let amplifier = drawn::amplifier(parts, ("in", "0R"), "RL");
    let allowed = Allowed {
        inductors: 0.2,
        capacitors: 0.05,
        ..NOTHING
    };
    let spread = ask(&amplifier, &["gain"], allowed, 100);
    let exact = 0.2 / 3_f64.sqrt() * 0.125_f64.sqrt();
    let first = spread.figures[0].first_order.unwrap();
    // The slope is a difference over a small part of the tolerance: third order is left.
    assert!((first / exact - 1.0).abs() < 0.02, "{first} {exact}");
}
