//! The page of an audition in a real browser: played, switched, answered, counted. Where there is no browser the
//! check says so and passes; `GRIDLEAK_BROWSER=required` makes it fail there.

use std::f64::consts::TAU;
use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};

mod browser;
mod drawings;

use browser::Browser;
use drawings::{ATTENUATOR, STAGE};

/// Run before the page's own script. It makes chance certain where the address asks for it (`#0` or `#1`: the order as
/// given, X always A or always B), and lets the check see gains and starts.
const BEFORE: &str = r"
const wanted = location.hash.slice(1);
if (wanted === '0' || wanted === '1') {
  const order = [2, 1]; // each track of three swapped with itself
  crypto.getRandomValues = (bytes) => bytes.fill(order.length > 0 ? order.shift() : Number(wanted));
}
window.gains = [];
const Plain = window.GainNode;
window.GainNode = function (...all) { const made = new Plain(...all); window.gains.push(made); return made; };
window.starts = [];
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (...all) {
  window.starts.push([...all, this.buffer.length, this.context.sampleRate]);
  return start.apply(this, all);
};
";

/// A recording of two seconds, two decaying tones a second, and its audition.
fn audition(folder: &Path) -> String {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 44_100,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(folder.join("tones.wav"), spec).expect("a new file");
    for k in 0..88_200 {
        let t = f64::from(k) / 44_100.0;
        let fade = (-3.0 * (t % 0.5)).exp();
        for frequency in [330.0, 440.0] {
            let sample = 0.5 * fade * (TAU * frequency * t).sin();
            #[allow(clippy::cast_possible_truncation, reason = "within 16 bit")]
            writer
                .write_sample((32_767.0 * sample) as i16)
                .expect("it fits");
        }
    }
    writer.finalize().expect("it is closed");
    std::fs::write(folder.join("attenuator.toml"), ATTENUATOR).expect("it can be written");
    std::fs::write(folder.join("stage.toml"), STAGE).expect("it can be written");
    let run = Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .current_dir(folder)
        .args([
            "audition",
            "attenuator.toml",
            "stage.toml",
            "tones.wav",
            "-o",
            "out",
        ])
        .args(["--level", "input 0.5V", "--accuracy", "-50dB"])
        .output()
        .expect("the program runs");
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    format!("file://{}", folder.join("out/audition.html").display())
}

fn words(browser: &Browser, right: u32, trials: u32) -> Value {
    browser.run(&format!("return oddsInWords({right}, {trials})"))
}

#[test]
fn the_page_of_an_audition_in_a_browser() {
    let Some(browser) = Browser::open() else {
        return;
    };
    let folder = tempfile::tempdir().expect("a temporary folder");
    let page = audition(folder.path());
    browser.before_each_page(BEFORE);

    odds(&browser, &page);
    open_comparison(&browser, &page);
    blind_test(&browser, &page);
    keys(&browser, &page);
    x_shows_nowhere(&browser, &page);
    chance(&browser, &page);

    assert_eq!(
        browser.console(),
        Vec::<String>::new(),
        "nothing in the console"
    );
    let requests = browser.requests();
    assert!(
        requests.iter().any(|address| address.starts_with("file:")),
        "the page itself is seen"
    );
    let beyond = |address: &&String| {
        !["file:", "data:"]
            .iter()
            .any(|own| address.starts_with(own))
    };
    let asked: Vec<&String> = requests.iter().filter(beyond).collect();
    assert!(asked.is_empty(), "nothing is asked of a network: {asked:?}");
}

/// Source    tail of the binomial distribution for p = 1/2: National Bureau of Standards, Applied Mathematics Series 6
///           (1950), to its four figures (from memory), and counting all answers a guesser can give
fn odds(browser: &Browser, page: &str) {
    browser.load(page);
    let odds = |right: u32, trials: u32| {
        let odds = browser.run(&format!("return odds({right}, {trials})"));
        odds.as_f64().expect("a number")
    };
    for (right, trials, table) in [
        (4, 5, 0.1875),
        (8, 10, 0.0547),
        (9, 10, 0.0107),
        (10, 10, 0.0010),
        (12, 16, 0.0384),
        (15, 20, 0.0207),
        (18, 25, 0.0216),
    ] {
        // Half of the last figure printed.
        assert!(
            (odds(right, trials) - table).abs() < 5e-5,
            "{right} of {trials}"
        );
    }
    for trials in 1..=11_u32 {
        let right = trials * 2 / 3;
        let ways = (0..1_u32 << trials)
            .filter(|answers| answers.count_ones() >= right)
            .count();
        #[allow(
            clippy::float_cmp,
            reason = "both are whole numbers over a power of two"
        )]
        let same = odds(right, trials) == ways as f64 / f64::from(1_u32 << trials);
        assert!(same, "{right} of {trials}");
    }
    // 2⁻ᵐ, exact in a float however small; half for one more than half of an odd number, by symmetry.
    assert!((odds(200, 200) / 2_f64.powi(-200) - 1.0).abs() < 1e-15);
    assert!((odds(51, 101) - 0.5).abs() < 1e-15);
    assert_eq!(words(browser, 8, 10), json!("1 of 18 runs"));
    assert_eq!(words(browser, 12, 16), json!("1 of 26 runs"));
    assert_eq!(words(browser, 1, 1), json!("50 of 100 runs"));
    assert_eq!(words(browser, 0, 5), json!("every run"));
}

/// Everything that can be pressed has a name for a screen reader.
fn named(browser: &Browser) {
    let labels = browser.labels(
        ":is(button, input, select):not([hidden] *, dialog:not([open]) *, details:not([open]) *)",
    );
    assert!(labels.len() > 8, "{labels:?}");
    assert!(
        labels.iter().all(|label| !label.trim().is_empty()),
        "{labels:?}"
    );
}

fn open_comparison(browser: &Browser, page: &str) {
    browser.load(&format!("{page}#0"));
    named(browser);
    let hidden = browser.run("return document.getElementById('open').outerHTML + document.getElementById('blind').outerHTML");
    for name in [
        "Attenuator",
        "attenuator",
        "triode",
        "stage.toml",
        "recording itself",
    ] {
        assert!(
            !hidden.as_str().expect("text").contains(name),
            "{name} is hidden"
        );
    }
    assert_eq!(
        browser.run("return document.getElementById('data')"),
        Value::Null
    );

    browser.click("#play");
    browser.wait("gains.length === 4 && starts.length === 3");
    // When, where in the track, length and rate: every track alike, to the sample.
    assert_eq!(
        browser.run("return new Set(starts.map(String)).size"),
        json!(1),
        "one start"
    );
    assert_eq!(
        browser.run("return starts[0].slice(2)"),
        json!([88_200, 44_100]),
        "nothing is resampled"
    );
    // The first gain is the volume's; the others are the tracks'.
    let heard = |track: usize| {
        browser.click(&format!("#tracks button:nth-child({track})"));
        browser.wait(&format!(
            "gains.slice(1).every((gain, k) => Math.abs(gain.gain.value - (k === {} ? 1 : 0)) < 1e-6)",
            track - 1
        ));
        let pressed = browser.run(
            "return [...document.querySelectorAll('#tracks button')].map((b) => b.ariaPressed)",
        );
        let expected: Vec<&str> = (1..=3)
            .map(|k| if k == track { "true" } else { "false" })
            .collect();
        assert_eq!(pressed, json!(expected));
    };
    heard(2);
    heard(3);
    assert_eq!(
        browser.run("return starts.length"),
        json!(3),
        "switching starts nothing anew"
    );
    // Three seconds of tracks that last two: the loop closes.
    let before = browser
        .run("return gains[0].context.currentTime")
        .as_f64()
        .expect("a time");
    browser.wait(&format!("gains[0].context.currentTime > {before} + 3"));
    let place = browser.run("return Number(document.getElementById('position').value)");
    assert!((0.0..2.0).contains(&place.as_f64().expect("a place")));

    // From the middle; near the end the loop would be too short to be one.
    browser.run("const p = document.getElementById('position'); p.value = '1'; p.dispatchEvent(new Event('input'))");
    browser.click("#loop-from");
    browser.wait("document.getElementById('loop-text').textContent.startsWith('Loop: 0:01.')");
    browser.click("#loop-all");
    browser.screenshot("open.png");
    browser.click("#reveal");
    let tracks = browser.text("#tracks");
    for name in [
        "the recording itself",
        "Attenuator",
        "One triode stage",
        "before matching",
    ] {
        assert!(tracks.contains(name), "{name} in {tracks}");
    }
    browser.screenshot("revealed.png");
    browser.click("#play");
    assert_eq!(browser.text("#play"), "Play");
}

fn blind_test(browser: &Browser, page: &str) {
    browser.load(&format!("{page}#0"));
    browser.click("input[value=blind]");
    browser.run("const b = document.getElementById('pick-b'); b.value = '2'; b.dispatchEvent(new Event('change'))");
    browser.run("const b = document.getElementById('pick-b'); b.value = '0'; b.dispatchEvent(new Event('change'))");
    assert!(browser.text("#score").contains("the same track"));
    browser.run("const b = document.getElementById('pick-b'); b.value = '2'; b.dispatchEvent(new Event('change'))");
    let may = || browser.run("return !document.getElementById('is-a').disabled");
    assert_eq!(may(), json!(false));
    browser.click("#play");
    browser.wait("starts.length === 3");
    browser.click("#hear-b");
    assert_eq!(may(), json!(false), "X has not been heard");
    browser.click("#hear-x");
    assert_eq!(may(), json!(true));
    // X is A here, the first track.
    browser.wait("gains[1].gain.value > 0.999 && gains[3].gain.value < 0.001");
    browser.click("#is-a");
    let score = browser.text("#score");
    assert!(
        score.contains("1 of 1 right; a guesser does as well in 50 of 100 runs"),
        "{score}"
    );
    assert_eq!(may(), json!(false), "the next X has not been heard");
    browser.click("#hear-x");
    browser.click("#is-b");
    let score = browser.text("#score");
    assert!(
        score.contains("wrong") && score.contains("1 of 2 right"),
        "{score}"
    );
    assert!(score.contains("75 of 100 runs"), "{score}");
    browser.click("summary");
    let log = browser.text("#log");
    assert!(
        log.contains("A: Track 1") && log.contains("B: Track 3"),
        "{log}"
    );
    assert!(!log.contains("recording itself"), "names are hidden: {log}");
    assert!(
        log.contains("    1  A  A  right") && log.contains("    2  A  B  wrong"),
        "{log}"
    );
    browser.screenshot("blind.png");
    browser.devtools(
        "Emulation.setEmulatedMedia",
        &json!({ "features": [{ "name": "prefers-color-scheme", "value": "dark" }] }),
    );
    browser.screenshot("blind_dark.png");
    browser.devtools("Emulation.setEmulatedMedia", &json!({ "features": [] }));

    named(browser);
    browser.click("#reset");
    browser.screenshot("confirm.png");
    browser.click("#confirm-no");
    assert!(
        browser.text("#score").contains("1 of 2 right"),
        "nothing is lost unasked"
    );
    browser.click("#reset");
    browser.click("#confirm-yes");
    assert!(browser.text("#score").starts_with("Trial 1 of 16"));
}

fn keys(browser: &Browser, page: &str) {
    browser.load(&format!("{page}#1"));
    browser.click("input[value=blind]");
    browser.run("document.activeElement.blur()");
    browser.press(&[" "]);
    browser.wait("starts.length === 3");
    browser.press(&["x"]);
    assert_eq!(
        browser.run("return document.getElementById('hear-x').ariaPressed"),
        json!("true")
    );
    browser.press(&["\u{e008}", "B"]);
    let score = browser.text("#score");
    assert!(score.contains("X was B: right"), "{score}");
    browser.click("#keys");
    browser.run("document.activeElement.blur()");
    browser.press(&["b"]);
    assert_eq!(
        browser.run("return document.getElementById('hear-b').ariaPressed"),
        json!("false"),
        "keys that are switched off do nothing"
    );
}

/// The page is the same to the last letter whichever X is.
fn x_shows_nowhere(browser: &Browser, page: &str) {
    let seen = |x: u32| {
        browser.load(&format!("{page}#{x}"));
        browser.click("input[value=blind]");
        browser.click("#hear-x");
        browser.run("return document.documentElement.outerHTML + Object.keys(window).sort()")
    };
    assert!(seen(0) == seen(1), "X can be read from the page");
}

/// Fifty trials always answered A, and a dozen orders. Of fair chance fewer than 10 or more than 40 right come once in
/// 2·10⁵ runs, and one and the same first track of three twelve times once in 1.7·10⁵.
fn chance(browser: &Browser, page: &str) {
    browser.load(page);
    browser.click("input[value=blind]");
    browser.run("const t = document.getElementById('trials'); t.value = '50'; t.dispatchEvent(new Event('change'))");
    browser.click("#play");
    browser.wait("starts.length === 3");
    browser.run("for (let k = 0; k < 50; k += 1) { for (const id of ['hear-x', 'is-a']) document.getElementById(id).click(); }");
    let score = browser.text("#score");
    assert!(score.starts_with("Done."), "{score}");
    let right: u32 = score
        .split("Score ")
        .nth(1)
        .and_then(|rest| rest.split(' ').next())
        .and_then(|number| number.parse().ok())
        .expect("a score");
    assert!((10..=40).contains(&right), "{right} of 50");
    let mut firsts = std::collections::BTreeSet::new();
    for _ in 0..12 {
        browser.load(page);
        browser.click("#reveal");
        firsts.insert(browser.text("#tracks button:first-child span:nth-of-type(1)"));
        if firsts.len() > 1 {
            return;
        }
    }
    panic!("the order is never another: {firsts:?}");
}
