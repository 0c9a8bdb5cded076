use super::*;
use crate::drawn;
use sheet::read;
use sim::System;

fn file(parts: &str) -> String {
    drawn::text(parts, ("in", "0R"), "RL")
}

/// 100 V behind 1 kΩ and 2.2 kΩ.
fn source() -> String {
    file(
        r#"HT = { supply = "100V", positive = "ht", negative = "chassis" }
R1 = { resistor = "1k", between = ["ht", "a"] }
R2 = { resistor = "2k2", between = ["a", "chassis"] }
RL = { resistor = "1k", between = ["in", "chassis"] }"#,
    )
}

fn stage() -> String {
    file(
        r#"HT = { supply = "250V", positive = "ht", negative = "chassis" }
V1 = { valve = "6J5", anode = "a", grid = "in", cathode = "k" }
R1 = { resistor = "47k", between = ["ht", "a"] }
R2 = { resistor = "1k5", between = ["k", "chassis"] }
C1 = { capacitor = "1u", between = ["a", "out"] }
RL = { resistor = "470k", between = ["out", "chassis"] }"#,
    )
}

fn choose(text: &str, parts: &str, wanted: &str, between: Option<&str>) -> Choice {
    let amplifier = read(text, &[]).unwrap();
    let question = ChooseOf::parse(parts, wanted, between, &amplifier.circuit).unwrap();
    question.run(&|set| read(text, set).ok(), None, &|_| {})
}

fn values(choice: &Choice) -> Vec<f64> {
    choice.solutions.iter().map(|s| s.value).collect()
}

/// Met as promised, 0.1 % of the target.
fn met(choice: &Choice) {
    assert!(!choice.solutions.is_empty(), "{choice:#?}");
    for solution in &choice.solutions {
        assert!(
            (solution.gives / choice.target - 1.0).abs() < 1e-3,
            "{solution:?}"
        );
    }
}

#[test]
fn a_divider_is_its_closed_form() {
    // V = E·R2/(R1 + R2): 25 V from 100 V and 1 kΩ is R2 = 333.3 Ω; dlnV/dlnR = 3/4, so 1e-4 of V is 1.4e-4 of R
    let choice = choose(&source(), "R2", "volts at a = 25V", None);
    met(&choice);
    let [r] = values(&choice)[..] else {
        panic!("{choice:#?}")
    };
    assert!((r / (1e3 / 3.0) - 1.0).abs() < 1.5e-4, "{r}");
    let solution = &choice.solutions[0];
    assert!(solution.nearest && !solution.oscillates);
    let beside: Vec<_> = solution
        .preferred
        .iter()
        .map(|p| (p.value, p.series))
        .collect();
    assert_eq!(
        beside,
        [
            (330.0, Series::E12),
            (360.0, Series::E24),
            (390.0, Series::E12)
        ]
    );
    for preferred in &solution.preferred {
        let exact = 100.0 * preferred.value / (1e3 + preferred.value);
        assert!((preferred.gives.unwrap() / exact - 1.0).abs() < 1e-9);
    }
    // 25 V across 333 Ω is 1.875 W: twice that is under 5 W
    assert!((solution.dissipation.unwrap() / 1.875 - 1.0).abs() < 1e-3);
    assert_eq!(solution.rating, Some(5.0));
    assert_eq!(choice.present, Some(2200.0));
    assert!((choice.present_gives.unwrap() / 68.75 - 1.0).abs() < 1e-9);
}

#[test]
fn the_watts_of_a_resistor_have_two_solutions() {
    // P = E²R/(R + r)²: R² + (2r − E²/P)·R + r² = 0
    let (e, r, p) = (100.0_f64, 1e3_f64, 2.0_f64);
    let half = 0.5 * (e * e / p - 2.0 * r);
    let root = (half * half - r * r).sqrt();
    let choice = choose(&source(), "R2", "R2 watts = 2W", None);
    met(&choice);
    let found = values(&choice);
    assert_eq!(found.len(), 2, "{found:?}");
    // dlnP/dlnR = (r − R)/(r + R) is ±0.45 there
    for (found, exact) in found.iter().zip([half - root, half + root]) {
        assert!((found / exact - 1.0).abs() < 3e-4, "{found} {exact}");
    }
    let nearest: Vec<bool> = choice.solutions.iter().map(|s| s.nearest).collect();
    assert_eq!(nearest, [false, true]);
    // Close to the maximum both lie between neighbours of the grid
    let close = choose(&source(), "R2", "R2 watts = 2.4998W", None);
    assert_eq!(close.solutions.len(), 2, "{:?}", values(&close));
}

#[test]
fn what_cannot_be_reached_is_told_with_what_can() {
    let choice = choose(&source(), "R2", "R2 watts = 3W", None);
    assert!(choice.solutions.is_empty() && choice.jumps.is_empty());
    // The maximum is E²/4r at R = r; the grid of 24 a decade misses it by no more than 2.4 % in R
    let most = choice.greatest.unwrap();
    assert!((most.value / 1e3 - 1.0).abs() < 0.05, "{most:?}");
    assert!((most.gives.unwrap() / 2.5 - 1.0).abs() < 1e-3);
    // Without a bracket the search went on for three decades
    assert!((choice.from - 2.2).abs() < 1e-9 && (choice.to - 2.2e6).abs() < 1e-3);
    let choice = choose(&source(), "R2", "volts at a = 25V", Some("1k..10k"));
    assert!(choice.solutions.is_empty());
    assert!((choice.least.unwrap().gives.unwrap() / 50.0 - 1.0).abs() < 1e-6);
}

#[test]
fn valves_meet_currents_volts_and_gain() {
    let text = stage();
    let current = choose(&text, "R2", "V1 anode current = 2mA", None);
    met(&current);
    // Set as the answer says, the current is what was asked for
    let set = [(
        "R2".to_owned(),
        Quantity::exact(values(&current)[0], Unit::Ohm),
    )];
    let amplifier = read(&text, &set).unwrap();
    let system = System::of(&amplifier.circuit).unwrap();
    let study = Study::new(&amplifier, &system);
    assert!((study.rest().unwrap().valves[0].i_a / 2e-3 - 1.0).abs() < 1e-3);
    met(&choose(&text, "R1", "V1 anode volts = 120V", None));
    met(&choose(&text, "HT", "V1 anode volts = 120V", None));
    let gain = choose(&text, "R1", "gain = 10", None);
    met(&gain);
    // A capacitor into 470 kΩ: f = 1/2πC(R + R_a), R_a the anode's resistance; 1 % for what it is not exactly
    let bass = choose(&text, "C1", "bass limit = 10Hz", None);
    met(&bass);
    let c = values(&bass)[0];
    let output = 47e3_f64.min(40e3);
    let bounds = [1.0 / (470e3 + output), 1.0 / 470e3].map(|g| g / (std::f64::consts::TAU * 10.0));
    assert!(
        c > bounds[0] * 0.99 && c < bounds[1] * 1.01,
        "{c} {bounds:?}"
    );
}

#[test]
fn a_pair_shares_a_value_and_a_pot_has_a_setting() {
    let pair = file(
        r#"HT = { supply = "100V", positive = "ht", negative = "chassis" }
R1 = { resistor = "1k", between = ["ht", "a"] }
R2 = { resistor = "1k", between = ["a", "b"] }
R3 = { resistor = "500R", between = ["b", "chassis"] }
VR1 = { pot = "10k", ends = ["ht", "chassis"], wiper = "w", setting = "50%" }
R4 = { resistor = "10M", between = ["w", "chassis"] }
RL = { resistor = "1k", between = ["in", "chassis"] }"#,
    );
    // E·500/(2R + 500) = 50 V is R = 250 Ω
    let choice = choose(&pair, "R1, R2", "volts at b = 50V", None);
    met(&choice);
    assert!((values(&choice)[0] / 250.0 - 1.0).abs() < 3e-4);
    let choice = choose(&pair, "VR1", "volts at w = 30V", None);
    met(&choice);
    // The 10 MΩ beside 2.1 kΩ: 2e-4
    assert!(
        (values(&choice)[0] - 0.3).abs() < 3e-4,
        "{:?}",
        values(&choice)
    );
    assert!(choice.solutions[0].preferred.is_empty() && choice.solutions[0].rating.is_none());
}

#[test]
fn a_question_that_makes_no_sense_is_told_why() {
    let amplifier = read(&stage(), &[]).unwrap();
    let ask = |parts: &str, wanted: &str, between: Option<&str>| {
        ChooseOf::parse(parts, wanted, between, &amplifier.circuit).unwrap_err()
    };
    let current = "V1 anode current = 2mA";
    assert!(matches!(
        ask("R9", current, None),
        ChooseError::NoPart { .. }
    ));
    assert!(matches!(
        ask("V1", current, None),
        ChooseError::NoValue { .. }
    ));
    assert!(matches!(
        ask("R1,C1", current, None),
        ChooseError::Unlike { .. }
    ));
    assert!(matches!(
        ask("R1", "V1 anode current", None),
        ChooseError::Form(_)
    ));
    assert!(matches!(
        ask("R1", "V1 anode current = 2V", None),
        ChooseError::Target(_)
    ));
    assert!(matches!(
        ask("R1", "loudness = 2V", None),
        ChooseError::Figure(_)
    ));
    assert!(matches!(
        ask("R1", current, Some("1k")),
        ChooseError::Between(_)
    ));
    assert!(matches!(
        ask("R1", current, Some("2k..1k")),
        ChooseError::Between(_)
    ));
    assert!(matches!(
        ask("R1", current, Some("1u..2u")),
        ChooseError::Bracket(_)
    ));
}

#[test]
fn of_two_resistors_that_dissipate_differently_the_hotter_counts() {
    // R1 = R2 = 3 kΩ makes 25 V across R3. R1 then has 75²/3000 = 1.875 W, R2 beside 3 kΩ 50²/3000 = 0.833 W.
    let text = file(
        r#"HT = { supply = "100V", positive = "ht", negative = "chassis" }
R1 = { resistor = "1k", between = ["ht", "a"] }
R3 = { resistor = "1k", between = ["a", "chassis"] }
R2 = { resistor = "1k", between = ["ht", "b"] }
R4 = { resistor = "3k", between = ["b", "chassis"] }
RL = { resistor = "1k", between = ["in", "chassis"] }"#,
    );
    for parts in ["R1,R2", "R2,R1"] {
        let choice = choose(&text, parts, "volts at a = 25V", None);
        met(&choice);
        let watts = choice.solutions[0].dissipation.unwrap();
        // As close as 25 V is met.
        assert!((watts / 1.875 - 1.0).abs() < 2e-3, "{parts}: {watts}");
    }
}
