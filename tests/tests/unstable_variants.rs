//! Drawings that oscillate in twenty ways, on an ideal supply and on their mains, and what stands idle beside them.
//!
//! The witness of a frequency is the transient: the circuit pushed off its rest and followed while the oscillation is
//! still small, or, where it runs away without swinging, once it repeats itself.

use checks::examples::{EXAMPLES, Opened};
use measure::UnderTest;
use sim::Tolerances;
use sim::error::SimError;
use sim::stability::{Growing, growing};
use sim::transient::{Method, transient};

/// The push-pull amplifier with feedback.
fn amplifier() -> String {
    let example = EXAMPLES
        .iter()
        .find(|example| example.name.starts_with("03_"));
    example.expect("it is there").text()
}

/// The same on the mains: a transformer and a rectifier valve in the place of the ideal supply. Our own design.
fn on_its_mains(text: &str) -> String {
    let supply = text.lines().find(|line| line.starts_with("HT1"));
    let supply = supply.expect("it has a supply");
    text.replace(
        supply,
        r#"M1  = { mains = "230V", frequency = "50Hz", between = ["n", "l"] }
T2  = { mains_transformer = "230V", primary = ["n", "l"], primary_resistance = "10R", secondaries = [ { volts = "250-0-250V", nodes = ["x", "chassis", "y"], current = "120mA", resistance = "100R" } ] }
V5  = { valve = "EZ81", anodes = ["x", "y"], cathode = "ht1" }"#,
    )
}

/// A variant: replacements in the file, each seen to be there.
fn changed(text: &str, changes: &[(&str, &str)]) -> String {
    changes.iter().fold(text.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "the file has {from:?}");
        text.replace(from, to)
    })
}

const FEEDBACK: &str = r#"R16 = { resistor = "2k2""#;
const LEAD: &str = r#"C6  = { capacitor = "470p", between = ["out", "f"]"#;
const PHASE: &str = r#"secondary = ["out", "chassis"]"#;
const OTHER_PHASE: &str = r#"secondary = ["chassis", "out"]"#;

/// Twenty drawings that oscillate.
fn unstable() -> Vec<(String, String)> {
    let base = amplifier();
    let mut found = Vec::new();
    let mut add = |name: String, changes: &[(&str, &str)]| {
        found.push((name, changed(&base, changes)));
    };
    // Too much feedback.
    for ohms in ["100R", "150R", "220R", "270R", "330R", "390R", "470R"] {
        let to = format!(r#"R16 = {{ resistor = "{ohms}""#);
        add(format!("feedback of {ohms}"), &[(FEEDBACK, &to)]);
    }
    // Without its lead, and with the step network left out.
    for (ohms, lead) in [("470R", "1p"), ("680R", "1p"), ("820R", "10p")] {
        let to = format!(r#"R16 = {{ resistor = "{ohms}""#);
        let c6 = LEAD.replace("470p", lead);
        let step = (
            r#"capacitor = "100p", between = ["a1", "z1"]"#,
            r#"capacitor = "1p", between = ["a1", "z1"]"#,
        );
        add(
            format!("{ohms} without a lead"),
            &[(FEEDBACK, &to), (LEAD, &c6), step],
        );
    }
    // Feedback of the wrong sign, much of it to little.
    for ohms in ["2k2", "3k3", "4k7", "8k2", "10k"] {
        let to = format!(r#"R16 = {{ resistor = "{ohms}""#);
        add(
            format!("wrong sign, {ohms}"),
            &[(FEEDBACK, &to), (PHASE, OTHER_PHASE)],
        );
    }
    // Wires that lie too near each other.
    for (farads, from) in [("33p", "a4"), ("68p", "a4"), ("47p", "a3")] {
        let stray =
            format!("CX = {{ capacitor = \"{farads}\", between = [\"{from}\", \"g1\"] }}\n[bench]");
        add(
            format!("{farads} from {from} to g1"),
            &[("[bench]", &stray)],
        );
    }
    // Three coupling time constants within the loop.
    for (ohms, lead, coupling) in [("680R", "4.7u", "5n"), ("560R", "4.7u", "5n")] {
        let feedback = format!(r#"R16 = {{ resistor = "{ohms}", between = ["out", "fb"]"#);
        let c6 = LEAD.replace("\"f\"", "\"fb\"");
        let series =
            format!("CF = {{ capacitor = \"{lead}\", between = [\"fb\", \"f\"] }}\n[bench]");
        let [c3, c4] = ["a2", "k2"].map(|from| {
            (
                format!(r#"capacitor = "0.1u", between = ["{from}""#),
                format!(r#"capacitor = "{coupling}", between = ["{from}""#),
            )
        });
        add(
            format!("low down, {ohms}"),
            &[
                (
                    r#"R16 = { resistor = "2k2", between = ["out", "f"]"#,
                    &feedback,
                ),
                (LEAD, &c6),
                ("[bench]", &series),
                (&c3.0, &c3.1),
                (&c4.0, &c4.1),
                (
                    r#"primary_inductance = "50H""#,
                    r#"primary_inductance = "5H""#,
                ),
            ],
        );
    }
    found
}

/// Turns in the time of growing 2.7-fold below which nothing has swung.
const RUNS_AWAY: f64 = 0.05;

/// Hertz at which the load's volts rise through their mean, followed from rest pushed by a nanovolt, while nothing has
/// moved by a hundredth of a volt; none when they get there without swinging.
fn seen(opened: &Opened, found: Growing) -> Option<f64> {
    let mut ws = opened.driven(1e-9).expect("rest");
    let (a, b) = opened.load();
    let voltages: Vec<usize> = (0..opened.system.len())
        .filter(|&k| opened.system.unknowns()[k].is_voltage())
        .collect();
    let start = ws.x.clone();
    let mut small = None;
    // Fifty steps a turn: the trapezoidal rule is then a thousandth slow.
    let step = f64::min(0.02 / found.rate, 0.02 / found.frequency);
    let mut volts: Vec<f64> = Vec::new();
    let tolerances = Tolerances {
        local_error: f64::INFINITY,
        ..Tolerances::default().closer(1e-6)
    };
    let mut watch = |_: f64, x: &[f64]| {
        if small.is_none() && voltages.iter().any(|&k| (x[k] - start[k]).abs() > 0.01) {
            small = Some(volts.len());
        }
        volts.push(x[a] - x[b]);
    };
    let run = (0.0, 8000.0 * step, step);
    transient(
        &opened.system,
        Method::Trapezoidal,
        run,
        true,
        &tolerances,
        &mut ws,
        &mut watch,
    )
    .ok()?;
    let rest = volts[0];
    let small = volts
        .iter()
        .position(|v| (v - rest).abs() > 0.1)
        .unwrap_or(volts.len());
    let crossings: Vec<f64> = (0..small - 1)
        .filter(|&k| volts[k] < rest && volts[k + 1] >= rest)
        .map(|k| k as f64 + (rest - volts[k]) / (volts[k + 1] - volts[k]))
        .collect();
    // The last few: the first are of what else was pushed.
    let late = &crossings[crossings.len().checked_sub(4)?..];
    Some(3.0 / (step * (late[3] - late[0])))
}

#[test]
fn twenty_drawings_that_oscillate_are_named_by_their_frequency() {
    let drawings = unstable();
    assert_eq!(drawings.len(), 20);
    let mut faults = Vec::new();
    for (name, text) in &drawings {
        let opened = Opened::read(text, &[]);
        let ws = opened.driven(0.0).expect("rest");
        let found = growing(&opened.system, &mut ws.clone()).expect("it has an answer");
        let Some(found) = found else {
            faults.push(format!("{name}: called stable"));
            continue;
        };
        if found.frequency <= 0.0 {
            faults.push(format!("{name}: without a frequency"));
        }
        // What runs away without swinging repeats itself far more slowly than it grows.
        if found.frequency > RUNS_AWAY * found.rate
            && let Some(seen) = seen(&opened, found)
            && (found.frequency / seen - 1.0).abs() > 0.02
        {
            faults.push(format!("{name}: {found:?}, seen at {seen} Hz"));
        }
        let mains = Opened::read(&on_its_mains(text), &[]);
        let frequency = match UnderTest::find(&mains.amplifier, &mains.system) {
            Err(SimError::Oscillates { frequency, .. }) => frequency,
            Err(SimError::Repeats { period }) => Some(1.0 / period),
            Ok(of) => match of.growing() {
                Ok(Some(growing)) => Some(growing.frequency),
                stable => {
                    faults.push(format!("{name} on its mains: {stable:?}"));
                    continue;
                }
            },
            Err(other) => {
                faults.push(format!("{name} on its mains: {other}"));
                continue;
            }
        };
        println!("{name}: {found:?}; on its mains {frequency:?}");
        if frequency.is_none_or(|hertz| hertz <= 0.0) {
            faults.push(format!("{name} on its mains: without a frequency"));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn what_stands_idle_beside_it_makes_no_amplifier_unstable() {
    let base = amplifier();
    let mut count = 0;
    for idle in [
        // Slow: hours behind an open contact, a leaking block, an island.
        "S9 = { switch = \"open\", common = \"a1\", positions = { open = [], closed = \"i1\" } }\nC91 = { capacitor = \"10u\", between = [\"i1\", \"chassis\"] }",
        "R91 = { resistor = \"100M\", between = [\"ht1\", \"i1\"] }\nC91 = { capacitor = \"100u\", between = [\"i1\", \"chassis\"] }",
        "C91 = { capacitor = \"1u\", between = [\"i1\", \"i2\"] }\nR91 = { resistor = \"1k\", between = [\"i1\", \"i2\"] }",
        "R91 = { resistor = \"10M\", between = [\"out\", \"i1\"] }\nC91 = { capacitor = \"10u\", between = [\"i1\", \"chassis\"] }",
        // Fast: a stopper with a picofarad, a bead.
        "R91 = { resistor = \"10R\", between = [\"a1\", \"i1\"] }\nC91 = { capacitor = \"0.1p\", between = [\"i1\", \"chassis\"] }",
        "L91 = { inductor = \"100nH\", between = [\"g3\", \"i1\"], resistance = \"1R\" }\nR91 = { resistor = \"1M\", between = [\"i1\", \"chassis\"] }",
        "L91 = { inductor = \"1H\", between = [\"i1\", \"chassis\"], resistance = \"100R\" }\nC91 = { capacitor = \"1n\", between = [\"i1\", \"i2\"] }\nR91 = { resistor = \"10M\", between = [\"i2\", \"ht2\"] }",
        "R91 = { resistor = \"1R\", between = [\"chassis\", \"i1\"] }\nC91 = { capacitor = \"1000u\", between = [\"i1\", \"i2\"] }\nR92 = { resistor = \"1R\", between = [\"i2\", \"chassis\"] }",
        "C91 = { capacitor = \"1p\", between = [\"a3\", \"a4\"] }",
        "R91 = { resistor = \"1000M\", between = [\"g3\", \"i1\"] }\nC91 = { capacitor = \"1u\", between = [\"i1\", \"chassis\"] }",
    ] {
        for ohms in ["2k2", "4k7"] {
            let to = format!(r#"R16 = {{ resistor = "{ohms}""#);
            let text = changed(
                &base,
                &[(FEEDBACK, &to), ("[bench]", &format!("{idle}\n[bench]"))],
            );
            let opened = Opened::read(&text, &[]);
            let ws = opened.driven(0.0).expect("rest");
            assert_eq!(growing(&opened.system, &mut ws.clone()), Ok(None), "{idle}");
            let mains = Opened::read(&on_its_mains(&text), &[]);
            let of = mains.under_test();
            assert_eq!(of.growing(), Ok(None), "{idle}, on its mains");
            count += 1;
        }
    }
    assert_eq!(count, 20);
}

#[test]
fn an_oscillation_that_has_locked_to_the_mains_is_no_hum() {
    // Feedback of the wrong sign that relaxes about a hundred times a second falls into step with the ripple: the cycle
    // closes, and between its jumps some valve is cut off at every moment.
    for ohms in ["1k", "1k05", "1k1"] {
        let to = format!(r#"R16 = {{ resistor = "{ohms}""#);
        let text = changed(&amplifier(), &[(FEEDBACK, &to), (PHASE, OTHER_PHASE)]);
        let mains = Opened::read(&on_its_mains(&text), &[]);
        let of = UnderTest::find(&mains.amplifier, &mains.system).expect("its cycle closes");
        let (a, b) = mains.load();
        let volts: Vec<f64> = of.rest.samples().iter().map(|x| x[a] - x[b]).collect();
        // Volts of the load rise through zero so often in a fiftieth of a second.
        let rises = (0..volts.len())
            .filter(|&k| volts[k] < 0.0 && volts[(k + 1) % volts.len()] >= 0.0)
            .count();
        let seen = 50.0 * rises as f64;
        let found = of.growing().expect("it has an answer").expect("it grows");
        assert!(
            (found.frequency / seen - 1.0).abs() < 0.01,
            "{ohms}: {found:?}, seen at {seen} Hz"
        );
    }
}
