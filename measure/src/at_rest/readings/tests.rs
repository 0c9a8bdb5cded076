use super::change::Departure;
use super::*;
use crate::drawn;
use models::data::ValveModel;
use sim::System;
use sim::amplifier::Amplifier;
use sim::parts::Part;

fn file(parts: &str) -> Amplifier {
    drawn::amplifier(parts, ("in", "600R"), "RL")
}

/// 170 V behind 68 k: 340 V on two of 136 k.
fn divider() -> Amplifier {
    file(
        r#"HT = { supply = "340V", positive = "ht", negative = "chassis" }
R1 = { resistor = "136k", between = ["ht", "a"] }
R2 = { resistor = "136k", between = ["a", "chassis"] }
RL = { resistor = "1k", between = ["in", "chassis"] }"#,
    )
}

/// A triode stage coupled to a grid leak.
fn stage() -> Amplifier {
    file(
        r#"HT = { supply = "250V", positive = "ht", negative = "chassis" }
V1 = { valve = "6J5", anode = "a", grid = "in", cathode = "k" }
R1 = { resistor = "47k", between = ["ht", "a"] }
R2 = { resistor = "1k5", between = ["k", "chassis"] }
C1 = { capacitor = "0.1u", between = ["a", "g2"] }
R3 = { resistor = "470k", between = ["g2", "chassis"] }
V2 = { valve = "6J5", anode = "b", grid = "g2", cathode = "k2" }
R4 = { resistor = "22k", between = ["ht", "b"] }
R5 = { resistor = "1k", between = ["k2", "chassis"] }
C2 = { electrolytic = "25u", positive = "k2", negative = "chassis", rating = "25V" }
RL = { resistor = "470k", between = ["out", "chassis"] }
C3 = { capacitor = "0.1u", between = ["b", "out"] }"#,
    )
}

fn ask(amplifier: &Amplifier, meters: &[&str], taken: &str) -> Readings {
    let question = ReadingsOf {
        meters: meters.iter().map(|m| Meter::parse(m).unwrap()).collect(),
        ranges: RANGES.to_vec(),
        allowed: Allowed::default(),
        taken: if taken.is_empty() {
            Vec::new()
        } else {
            read(taken, &amplifier.circuit).unwrap()
        },
    };
    let system = System::of(&amplifier.circuit).unwrap();
    question.about(amplifier, &system).unwrap()
}

#[test]
fn a_meter_loads_by_ohms_law() {
    // (meter, range, what 170 V behind 68 kΩ shows); V·R_m/(R_m + R_s), no range for 10 MΩ
    let cases = [
        ("500 ohms per volt", 250.0, 110.1),
        ("1000 ohms per volt", 250.0, 133.6),
        ("20k/V", 250.0, 167.7),
        ("500 ohms per volt", 500.0, 133.6),
        ("100 ohms per volt", 250.0, 45.7),
        ("10M", 0.0, 168.9),
        ("1M", 0.0, 159.2),
    ];
    let amplifier = divider();
    for (meter, range, rounded) in cases {
        let line = if range > 0.0 {
            format!("a, 100V, {meter}, {range}V")
        } else {
            format!("a, 100V, {meter}")
        };
        let answer = ask(&amplifier, &[], &line);
        let read = &answer.verdict.unwrap().readings[0];
        let ohms = Meter::parse(meter).unwrap().resistance(range);
        let exact = 170.0 * ohms / (ohms + 68e3);
        // The solver's tolerance on such volts, and the rounding of the printed figure
        assert!(
            (read.expected / exact - 1.0).abs() < 1e-9,
            "{meter} {read:?}"
        );
        assert!((read.expected - rounded).abs() < 0.06, "{meter} {read:?}");
    }
}

#[test]
fn the_valve_reacts_to_the_meter() {
    // Grid at −4 V, cathode on the chassis: (HT − v)/R = i_a(v) + v/R_m, bisected with the valve's law alone.
    let amplifier = file(
        r#"HT = { supply = "250V", positive = "ht", negative = "chassis" }
GB = { supply = "4V", positive = "chassis", negative = "in" }
V1 = { valve = "6J5", anode = "a", grid = "in", cathode = "chassis" }
R1 = { resistor = "47k", between = ["ht", "a"] }
RL = { resistor = "1k", between = ["in", "chassis"] }"#,
    );
    let circuit = &amplifier.circuit;
    let Part::Valve(valve) = &circuit.part(circuit.find_part("V1").unwrap()).part else {
        panic!("a valve")
    };
    let ValveModel::Triode(triode) = &valve.kind.model else {
        panic!("a triode")
    };
    let exact = |meter: f64| {
        let (mut low, mut high) = (0.0, 250.0);
        for _ in 0..200 {
            let v = 0.5 * (low + high);
            let into = (250.0 - v) / 47e3 - triode.currents(v, -4.0).anode - v / meter;
            if into > 0.0 { low = v } else { high = v }
        }
        low
    };
    let answer = ask(&amplifier, &["500 ohms per volt", "20k/V", "10M"], "");
    let anode = answer
        .points
        .iter()
        .find(|p| p.point == "V1 anode")
        .unwrap();
    // 1 TΩ of insulation beside 10 kΩ, and Newton's tolerance
    assert!((anode.volts / exact(f64::INFINITY) - 1.0).abs() < 1e-7);
    for shown in &anode.shown {
        assert!(
            (shown.volts / exact(shown.meter_ohms) - 1.0).abs() < 1e-7,
            "{shown:?}"
        );
    }
    let ranges: Vec<_> = anode.shown.iter().map(|shown| shown.range).collect();
    assert_eq!(ranges, [Some(250.0), Some(250.0), None]);
    // What the meter sees is the load resistor beside ra
    let ra = triode.currents(anode.volts, -4.0).ra();
    let both = 47e3 * ra / (47e3 + ra);
    assert!((anode.source_ohms.unwrap() / both - 1.0).abs() < 1e-6);
}

#[test]
fn the_band_of_a_divider_is_its_closed_form() {
    let answer = ask(&divider(), &[], "a, 170V");
    let band = answer.verdict.unwrap().readings[0].band;
    // ∂V/∂ln R = E·R1·R2/(R1 + R2)² = 85 V for either; steps of 2 % bend it by 1 %
    let one = 0.1 * 85.0;
    assert!((band.parts / (one * f64::sqrt(2.0)) - 1.0).abs() < 0.011);
    assert!((band.mains_low + 8.5).abs() < 1e-6 && (band.mains_high - 8.5).abs() < 1e-6);
    assert!((band.worst / (2.0 * one + 8.5) - 1.0).abs() < 0.011);
    assert!((band.likely / (one * f64::sqrt(3.0)) - 1.0).abs() < 0.011);
}

/// The stage with a change.
fn changed(change: Departure) -> Amplifier {
    let mut amplifier = stage();
    amplifier.circuit = change.made(&amplifier.circuit);
    amplifier
}

/// The readings of an amplifier, as a file of the same meter.
fn written(amplifier: &Amplifier) -> String {
    let answer = ask(amplifier, &["20k/V"], "");
    let lines = answer.points.iter();
    let lines = lines.map(|point| format!("{}, {}V", point.point, point.shown[0].volts));
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn what_is_as_drawn_is_within_its_band() {
    let verdict = ask(&stage(), &["20k/V"], &written(&stage()))
        .verdict
        .unwrap();
    assert!(verdict.readings.iter().all(|r| r.place == Standing::Within));
    assert!(verdict.misfit < 1e-6 && verdict.explained_by.is_empty());
    assert!(verdict.valves.is_empty());
}

#[test]
fn a_fault_that_was_put_in_is_among_those_named() {
    let circuit = stage().circuit;
    let part = |name| circuit.find_part(name).unwrap();
    let cases = [
        (Departure::Open(part("R2")), "R2", "open"),
        (Departure::Open(part("R4")), "R4", "open"),
        (Departure::Scale(part("R1"), 2.5), "R1", "of its value"),
        (Departure::Scale(part("V1"), 0.4), "V1", "of its current"),
        (Departure::Leak(part("C1"), 400e3), "C1", "leaking through"),
        (Departure::Short(part("C2")), "C2", "short-circuited"),
    ];
    for (change, name, fault) in cases {
        let readings = written(&changed(change));
        let verdict = ask(&stage(), &["20k/V"], &readings).verdict.unwrap();
        let named = verdict.explained_by.iter();
        let found = named
            .clone()
            .find(|e| e.part == name && e.fault.contains(fault));
        let found = found.unwrap_or_else(|| panic!("{name} {fault}: {:#?}", verdict.explained_by));
        // A size is found again: the steps it is read at are 1 % in resistance and 2 % in ohms of a leak, and
        // between sizes solved for a straight line stands for a curve.
        let put_in = match change {
            Departure::Scale(_, size) | Departure::Leak(_, size) => Some(size),
            Departure::Dead(_)
            | Departure::Open(_)
            | Departure::Short(_)
            | Departure::Meter(..) => None,
        };
        assert_eq!(put_in.is_some(), found.size.is_some());
        if let Some((put_in, size)) = put_in.zip(found.size) {
            assert!((size.value / put_in - 1.0).abs() < 0.05, "{name}: {size:?}");
            assert!(size.low.is_some_and(|low| low < put_in), "{name}: {size:?}");
            assert!(
                size.high.is_some_and(|high| high > put_in),
                "{name}: {size:?}"
            );
        }
        // What was put in as it is looked for leaves nothing.
        let exact = matches!(change, Departure::Open(_) | Departure::Short(_));
        let left = verdict.explained_by[0].misfit;
        assert!(!exact || left < 1e-3, "{name}: {verdict:#?}");
        assert!(left < 0.3 * verdict.misfit, "{name}: {verdict:#?}");
        assert_eq!(verdict.unsolved, 0);
    }
    // Anode high and cathode low is little current, by whatever fault.
    let weak = written(&changed(Departure::Scale(part("V1"), 0.4)));
    let verdict = ask(&stage(), &["20k/V"], &weak).verdict.unwrap();
    let valve = verdict.valves.iter().find(|v| v.valve == "V1").unwrap();
    assert_eq!(valve.signs, ["anode high", "cathode low"]);
    assert_eq!(valve.current.as_deref(), Some("less"));
    assert!(
        valve
            .faults
            .iter()
            .any(|fault| fault.starts_with("V1 weak"))
    );
}

#[test]
fn the_band_of_a_fitted_size_is_its_closed_form() {
    // One reading of a divider: a = E·R2/(s·R1 + R2), and χ² is 1 where it is off by the likely band.
    let amplifier = divider();
    let verdict = ask(&amplifier, &[], "a, 100V").verdict.unwrap();
    let sigma = verdict.readings[0].likely();
    let size = |volts: f64| 340.0 / volts - 1.0;
    let found = verdict.explained_by.iter().find(|of| of.part == "R1");
    let found = found.and_then(|of| of.size).expect("R1 explains it");
    // Sizes are read in steps of 0.6 %, along straight lines between solutions 1.33 apart: p bends by s(1-s)/(1+s)³ of
    // 340 V over that, under 0.4 V, 2 % of the size.
    for (found, exact) in [
        (found.value, size(100.0)),
        (found.low.unwrap(), size(100.0 + sigma)),
        (found.high.unwrap(), size(100.0 - sigma)),
    ] {
        assert!((found / exact - 1.0).abs() < 0.02, "{found} {exact}");
    }
}

#[test]
fn what_readings_cannot_show_is_listed() {
    // Two valves share a cathode resistor: one weak one among them is hardly seen at the cathode.
    let amplifier = file(
        r#"HT = { supply = "300V", positive = "ht", negative = "chassis" }
V1 = { valve = "6J5", anode = "a", grid = "in", cathode = "k" }
V2 = { valve = "6J5", anode = "b", grid = "in", cathode = "k" }
R1 = { resistor = "1k", between = ["ht", "a"] }
R2 = { resistor = "1k", between = ["ht", "b"] }
R3 = { resistor = "470R", between = ["k", "chassis"] }
C1 = { electrolytic = "100u", positive = "k", negative = "chassis", rating = "25V" }
RL = { resistor = "470k", between = ["in", "chassis"] }"#,
    );
    let lines = "k, {}V".replace(
        "{}",
        &ask(&amplifier, &[], "")
            .points
            .iter()
            .find(|p| p.point == "V1 cathode")
            .unwrap()
            .volts
            .to_string(),
    );
    let verdict = ask(&amplifier, &[], &lines).verdict.unwrap();
    assert!(verdict.explained_by.is_empty());
    let parts = |fault: &str| {
        let of = verdict.unseen.iter().find(|of| of.fault == fault);
        of.map(|of| of.parts.clone()).unwrap_or_default()
    };
    assert_eq!(parts("open or dried up"), ["C1"]);
    assert_eq!(parts("drifted to double"), ["R1", "R2", "RL"]);
    // A short at the cathode is seen, and no line says otherwise.
    assert!(!parts("short-circuited").contains(&"C1".to_owned()));
    let all: Vec<&String> = verdict.unseen.iter().flat_map(|of| &of.parts).collect();
    assert!(all.len() > 3, "{:#?}", verdict.unseen);
    assert_eq!(parts("weak (70 % of the current)"), ["V1", "V2"]);
    assert_eq!(parts("without emission"), [""; 0]);
}

#[test]
fn every_fault_of_a_readings_file_is_told() {
    let circuit = stage().circuit;
    let faults = read(
        "V3 anode, 10V\na, 10\nk, 1V, 20k/A\nk\nk, 1V,, 0V\nk, 1V, 1e-308/V\nk, 1V,, 1e-308V\n",
        &circuit,
    )
    .unwrap_err();
    assert_eq!(faults.len(), 7, "{faults:?}");
    assert!(
        matches!(&faults[0], TakenError::NoPoint { line: 1, nearest: Some(n), .. } if n.ends_with("anode"))
    );
    assert!(matches!(
        read("# nothing\n\n", &circuit).unwrap_err()[..],
        [TakenError::Empty]
    ));
    let read = read("v1  ANODE, 10V\nV1 plate, 11V\n", &circuit).unwrap();
    assert!(read.iter().all(|taken| taken.point.name == "V1 anode"));
}

#[test]
fn how_far_a_fault_may_be_off_widens_its_band() {
    // Open R2: the divider stands at 340 V instead of 170 V. A reading of 320 V is 20 V off it, where a fifth of those 170 V
    // and the likely band together are one standard deviation.
    let verdict = ask(&divider(), &[], "a, 320V").verdict.unwrap();
    let sigma = verdict.readings[0].likely().hypot(0.2 * 170.0);
    let found = verdict.explained_by.iter().find(|of| of.part == "R2");
    let found = found.expect("it explains the reading");
    assert_eq!((found.fault.as_str(), found.size), ("open", None));
    // R_L of the meter, none here, and the insulation of an open resistor.
    assert!(
        (found.misfit * sigma / 20.0 - 1.0).abs() < 1e-3,
        "{found:?}"
    );
}

#[test]
fn a_heater_on_alternating_volts_takes_no_tolerance_from_the_direct_supply() {
    let heated = file(
        r#"HT = { supply = "300V", positive = "ht", negative = "chassis" }
R1 = { resistor = "10k", between = ["ht", "a"] }
R2 = { resistor = "20k", between = ["a", "chassis"] }
HS = { ac_supply = "6.3V", frequency = "50Hz", between = ["h1", "h2"] }
R3 = { resistor = "100R", between = ["h1", "chassis"] }
R4 = { resistor = "100R", between = ["h2", "chassis"] }
RL = { resistor = "1k", between = ["in", "chassis"] }"#,
    );
    let answer = ask(&heated, &["10M"], "");
    let ht = answer.points.iter().find(|point| point.node == "ht");
    let band = ht.expect("a point").band;
    // What supplies are allowed, of 300 V.
    let low = 300.0 * (1.0 - Allowed::default().mains.0);
    assert!((band.mains_low + low).abs() < 1e-3, "{}", band.mains_low);
}
