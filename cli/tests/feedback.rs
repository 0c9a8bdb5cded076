//! `feedback` as its user meets it.

use std::path::Path;
use std::process::Output;

mod bench;

use bench::{Bench, in_repository, stderr};

const DOMESTIC: &str = "examples/03_el84_push_pull_feedback/amplifier.toml";

fn run(arguments: &[&str]) -> Output {
    in_repository(&[&["feedback"], arguments].concat())
}

fn answer(arguments: &[&str]) -> String {
    bench::answer(&run(arguments))
}

/// Everything up to what was assumed.
const EXPECTED: &str = "\
Domestic amplifier, two EL84 in push-pull with feedback
Source: own design, invented for this example

Feedback lowers the gain by 18.1 dB at 1.00 kHz, through R16 and C6 from `out` to `f`: 161 without, 19.9 with.
Stable with the rated load; phase margin 57° at 4.46 Hz and 42° at 87.9 kHz; gain margin 32.8 dB at 794 kHz.
The response with feedback peaks above mid band by 1.6 dB at 4.63 Hz, where the feedback lowers the gain by 0.1 dB; 2.8 dB at 89.6 kHz, where the feedback raises the gain by 3.2 dB.
UNSTABLE with other loads: 8.00 Ω and 470 nF, 8.00 Ω and 2.00 µF, 100 nF alone, 470 nF alone and 2.00 µF alone.

Conditions: small signals about rest, gain from the generator's open circuit to the load of 8.00 Ω; the loop
  is cut where it leaves the output, both ends of the cut loaded as before; stable or not is by natural
  frequencies. Square wave of 10.0 kHz from a generator of 43.2 mV peak, 861 mV at the rated load (a sine of that
  peak: 46.3 mW); its figures are those of a single edge.

Margins with the rated load
  where          frequency   margin
  loop gain one    4.46 Hz    57.0°
  loop gain one   87.9 kHz    42.3°
  phase 180°       794 kHz  32.8 dB

Loads, above mid band
  load                by itself               phase margin        at  gain margin        at    peak  feedback there        at
  8.00 Ω, rated       stable                           42°  87.9 kHz      32.8 dB   794 kHz  2.8 dB         +3.2 dB  89.6 kHz
  8.00 Ω and 100 nF   stable                           26°  97.3 kHz       5.0 dB   130 kHz  8.2 dB        +10.2 dB   107 kHz
  8.00 Ω and 470 nF   oscillates at 87.4 kHz          -49°  98.6 kHz      -5.3 dB  83.6 kHz       -               -         -
  8.00 Ω and 2.00 µF  oscillates at 66.5 kHz          -63°  75.5 kHz      -3.8 dB  66.8 kHz       -               -         -
  open                stable                           68°   101 kHz      16.2 dB  1.51 MHz  1.0 dB         -6.5 dB  55.5 kHz
  100 nF alone        oscillates at 151 kHz           -85°   172 kHz     -17.3 dB   143 kHz       -               -         -
  470 nF alone        oscillates at 88.0 kHz          -96°   105 kHz     -14.3 dB  85.3 kHz       -               -         -
  2.00 µF alone       oscillates at 65.2 kHz          -77°  76.2 kHz      -4.6 dB  66.2 kHz       -               -         -

Square wave, overshoot of the step and rise time from 10 to 90 %
  load               overshoot   ringing  left a cycle later  cycles to a tenth  rise time
  8.00 Ω, rated         24.5 %  95.2 kHz              11.5 %                1.5    2.79 µs
  8.00 Ω and 100 nF     40.9 %   108 kHz              44.2 %                3.0    2.42 µs
  open                  13.2 %  64.1 kHz              5.93 %                1.0    2.99 µs

";

#[test]
fn the_domestic_amplifier_prints_this() {
    let text = answer(&[DOMESTIC]);
    let ours = text.split("Assumed,").next().expect("it has a start");
    assert_eq!(ours, EXPECTED);
    assert_eq!(text, answer(&[DOMESTIC]), "to the byte");
}

#[test]
fn what_tone_controls_lift_is_not_put_on_the_feedback() {
    // Treble lifted by 20 dB before the first grid, outside the loop.
    let plain = std::fs::read_to_string(bench::example("03_el84_push_pull_feedback"));
    let plain = plain.expect("the example is there");
    let before = r#"R2  = { resistor = "4k7", between = ["in", "g1"], rating = "0.5W" }"#;
    assert!(plain.contains(before));
    let lifted = r#"R2  = { resistor = "470k", between = ["in", "g1"] }
C90 = { capacitor = "470p", between = ["in", "g1"] }
R90 = { resistor = "47k", between = ["g1", "chassis"] }"#;
    let bench = Bench::with(&[("amp.toml", &plain.replace(before, lifted))]);
    let text = bench.answer(&["feedback", "amp.toml"]);
    assert!(
        text.contains("where the feedback raises the gain by"),
        "{text}"
    );
    let answer = bench.json(&["feedback", "amp.toml", "--json"]);
    let peak = &answer["answer"]["loads"][0]["peak"];
    let decibels = |key: &str| peak[key].as_f64().expect("a figure");
    // The feedback makes 1.9 dB of it: 47.6° at a loop gain of one are -20 log (2 sin 23.8°).
    assert!(decibels("height_db") > 15.0, "{peak}");
    assert!((decibels("raised_db") - 1.9).abs() < 0.1, "{peak}");
}

#[test]
fn an_amplifier_without_feedback_says_so() {
    for example in ["01_single_ended_6v6", "02_hall_2a3_push_pull"] {
        let run = run(&[&format!("examples/{example}/amplifier.toml")]);
        assert_eq!(run.status.code(), Some(1));
        assert!(run.stdout.is_empty());
        assert_eq!(
            stderr(&run).lines().next(),
            Some(
                "error[no-feedback]: no feedback from the output: no part leads from the load back into the amplifier"
            )
        );
    }
}

#[test]
fn parts_that_carry_none_are_refused_and_two_loops_are_listed() {
    for (part, id) in [
        ("R99", "error[unknown-part]"),
        ("T1", "error[which-loop]"),
        ("R4", "error[which-loop]"),
    ] {
        let run = run(&[DOMESTIC, "--through", part]);
        assert_eq!(run.status.code(), Some(2), "{part}");
        assert!(stderr(&run).contains(id), "{part}: {}", stderr(&run));
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let file = folder.path().join("two.toml");
    let text = std::fs::read_to_string(
        Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("..")
            .join(DOMESTIC),
    )
    .expect("the example is there");
    let second = "R30 = { resistor = \"100k\", between = [\"out\", \"k1\"] }\n";
    let two = text.replace("# Supply", &format!("{second}# Supply"));
    std::fs::write(&file, two).expect("the folder can be written");
    let file = file.to_str().expect("a plain path");
    let both = run(&[file]);
    assert_eq!(both.status.code(), Some(1));
    let said = stderr(&both);
    assert!(said.contains("error[which-loop]"), "{said}");
    assert!(
        said.contains("--through R16") && said.contains("--through R30"),
        "{said}"
    );
    let one = answer(&[file, "--through", "R30"]);
    assert!(one.contains("through R30 from `out` to `k1`"), "{one}");
    let together = answer(&[file, "--through", "R16", "--through", "R30"]);
    assert!(
        together.contains("through R16, C6 and R30 from `out` to `f` and `k1`"),
        "{together}"
    );
}

#[test]
fn an_unstable_amplifier_is_told_with_its_frequency() {
    let text = answer(&[DOMESTIC, "--set", "R16=470R"]);
    assert!(
        text.contains("UNSTABLE with the rated load: oscillates at 148 kHz"),
        "{text}"
    );
    assert!(!text.contains("The response with feedback peaks"));
    let document: serde_json::Value =
        serde_json::from_str(&answer(&[DOMESTIC, "--set", "R16=470R", "--json"])).expect("JSON");
    let answer = &document["answer"];
    assert!(
        answer["growing"]["frequency"]
            .as_f64()
            .is_some_and(|f| (f / 148e3 - 1.0).abs() < 0.01)
    );
    assert!(answer["peak_above"].is_null() && answer["loads"][0]["square"].is_null());
    // The open output is stable and has its figures all the same.
    let open = &answer["loads"][4];
    assert!(open["rated"] == false && open["growing"].is_null());
    assert!(
        open["square"]["overshoot"]
            .as_f64()
            .is_some_and(|ratio| ratio > 0.0)
    );
}

#[test]
fn figures_and_pictures_are_written() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name).display().to_string();
    let files = [path("t.csv"), path("t.svg"), path("square.svg")];
    let arguments = [
        DOMESTIC,
        "--csv",
        &files[0],
        "--svg",
        &files[1],
        "--square-svg",
        &files[2],
    ];
    answer(&arguments);
    let read = |k: usize| std::fs::read_to_string(&files[k]).expect("it was written");
    let csv = read(0);
    assert_eq!(
        csv.lines().next(),
        Some(
            "frequency [Hz],loop gain [dB],phase [degrees],gain with feedback [dB],gain without [dB]"
        )
    );
    assert!(
        csv.lines()
            .nth(1)
            .is_some_and(|line| line.starts_with("1,"))
    );
    assert!(
        csv.lines()
            .last()
            .is_some_and(|line| line.starts_with("10000000"))
    );
    let svg = read(1);
    for words in [
        "loop gain, dB",
        "phase, degrees",
        "phase margin 42° at 87.9 kHz",
    ] {
        assert!(svg.contains(words), "`{words}` is not in the picture");
    }
    let svg = read(2);
    for words in [
        "8.00 Ω, rated",
        "UNSTABLE with 8.00 Ω and 470 nF",
        "time, µs",
    ] {
        assert!(svg.contains(words), "`{words}` is not in the picture");
    }
    let again = run(&arguments);
    assert_eq!(again.status.code(), Some(2), "it is not written over");
}
