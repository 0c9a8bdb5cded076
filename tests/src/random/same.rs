//! What must not change an amplifier: other names, another order, a resistor in two halves, parts that do nothing. And
//! what changes it in one way only: time that runs faster.
//!
//! Over 400 lines because the changes stand beside what is held to be unchanged, and how far.

use measure::UnderTest;
use models::data::Capacitances;
use sim::circuit::Circuit;
use sim::grown::ToAndFro;
use sim::parts::Part;
use sim::periodic::Settling;
use sim::small_signal::Excitation;
use sim::spectrum::Spectrum;
use sim::stability::Growing;
use sim::{SimError, System};

use super::dice::Dice;
use super::stages::{Amplifier, Line, compose, resistor_keys};
use crate::examples::Opened;

/// What is compared: rest, stability, small-signal response.
#[derive(Clone, Debug)]
pub struct Figures {
    /// Volts of each node, by name.
    pub volts: Vec<(String, f64)>,
    /// What grows.
    pub growing: Option<Growing>,
    /// Volts at the load for each volt of the generator, at [`FREQUENCIES`].
    pub gains: Vec<nalgebra::Complex<f64>>,
}

/// Hz.
pub const FREQUENCIES: [f64; 9] = [10.0, 30.0, 100.0, 300.0, 1e3, 3e3, 1e4, 3e4, 1e5];

/// How far figures may lie apart.
#[derive(Clone, Copy, Debug)]
pub struct Apart {
    /// Of volts, and as many volts.
    pub volts: f64,
    /// Of a response, and of its greatest gain.
    pub response: f64,
    /// Of frequency and rate of what grows.
    pub growing: f64,
}

/// Rest is solved until volts change by 1e-10 of themselves or a nanovolt, and slopes of valves answer to volts; natural
/// frequencies are sought to 1e-6 and better.
pub const STILL: Apart = Apart {
    volts: 1e-7,
    response: 1e-6,
    growing: 1e-4,
};

/// A period of the mains closes to 1e-6 of its swing.
pub const ON_THE_MAINS: Apart = Apart {
    volts: 3e-4,
    response: 3e-3,
    growing: 1e-2,
};

/// How far apart two bands may lie between which what never settles was seen to go, a ratio: each is what some turns showed, of
/// which no two are alike.
const UNEVEN: f64 = 1.5;

/// How much farther the means of an amplifier that oscillates on its mains may lie apart: the period they are read on is one
/// it leaves, and closes on slopes that grow.
const LEFT: f64 = 10.0;

impl Apart {
    /// As much as is promised of two amplifiers of which both grow, or neither.
    fn of(self, a: &Figures, b: &Figures) -> Self {
        let moves = self.volts > STILL.volts;
        let times = if moves && a.growing.is_some() && b.growing.is_some() {
            LEFT
        } else {
            1.0
        };
        Self {
            volts: times * self.volts,
            response: times * self.response,
            growing: self.growing,
        }
    }
}

/// Whether two oscillations are one: their rates, and the frequencies they start with; of what runs away and comes back, how
/// often, and where it never settles between what.
fn same_growth(one: &Growing, other: &Growing, apart: f64) -> bool {
    let uneven = |of: &Growing| !of.swings() && of.grown.is_some_and(|grown| !grown.settles);
    let turns = std::f64::consts::TAU * one.frequency;
    if uneven(one) || uneven(other) {
        let [one_band, other_band] = [one, other].map(band);
        return !one.swings()
            && !other.swings()
            && (one.rate - other.rate).abs() <= apart * one.rate.abs()
            && one_band.lowest <= UNEVEN * other_band.highest
            && other_band.lowest <= UNEVEN * one_band.highest;
    }
    let off = (one.rate - other.rate).abs()
        + std::f64::consts::TAU * (one.frequency - other.frequency).abs();
    off <= apart * (one.rate.abs() + turns)
}

/// Between what a state that runs away comes back, Hz: as often as it does where that is even.
fn band(growing: &Growing) -> ToAndFro {
    (growing.grown)
        .and_then(|grown| grown.between)
        .unwrap_or([growing.frequency; 2].into())
}

/// The figures of an amplifier; `faster` asks the response at as many times the frequencies.
///
/// # Errors
/// Those of rest and of solving.
pub fn figures(circuit: &Circuit, of: &UnderTest<'_>, faster: f64) -> Result<Figures, SimError> {
    let system: &System = of.system;
    let volts = circuit
        .nodes()
        .map(|(node, name)| {
            let at = system.voltage_of(node) as usize;
            (name.to_owned(), of.rest.mean(|x| x[at]))
        })
        .collect();
    let bench = &of.amplifier.bench;
    let mut linear = of.linearised();
    let gains = FREQUENCIES
        .iter()
        .map(|frequency| {
            linear.tune(faster * frequency)?;
            let x = linear.response(Excitation::Source(bench.generator))?;
            Ok(linear.voltage(&x, bench.load_nodes.0, bench.load_nodes.1))
        })
        .collect::<Result<_, SimError>>()?;
    Ok(Figures {
        volts,
        growing: of.growing()?,
        gains,
    })
}

/// The figures of an amplifier file.
///
/// # Errors
/// Those of reading, in words, and of solving.
pub fn figures_of(text: &str) -> Result<Figures, String> {
    let amplifier = sheet::read(text, &[]).map_err(|faults| format!("{faults:?}"))?;
    let system = System::of(&amplifier.circuit).map_err(|faults| format!("{faults:?}"))?;
    let of = UnderTest::find(&amplifier, &system).map_err(|error| error.to_string())?;
    figures(&amplifier.circuit, &of, 1.0).map_err(|error| error.to_string())
}

/// The figures of an amplifier file whose time runs so many times faster, told as if it did not.
///
/// # Errors
/// As [`figures_of`].
pub fn faster(text: &str, times: f64) -> Result<Figures, String> {
    let mut amplifier = sheet::read(text, &[]).map_err(|faults| format!("{faults:?}"))?;
    hurry(&mut amplifier.circuit, times);
    let system = System::of(&amplifier.circuit).map_err(|faults| format!("{faults:?}"))?;
    let of = UnderTest::find(&amplifier, &system).map_err(|error| error.to_string())?;
    let mut found = figures(&amplifier.circuit, &of, times).map_err(|error| error.to_string())?;
    if let Some(growing) = &mut found.growing {
        growing.frequency /= times;
        growing.rate /= times;
        if let Some(grown) = &mut growing.grown {
            let bands = grown.between.iter_mut();
            let bands = bands.flat_map(|band| [&mut band.lowest, &mut band.highest]);
            let told = grown.frequency.iter_mut().chain(&mut grown.bursts);
            told.chain(bands).for_each(|hertz| *hertz /= times);
        }
    }
    Ok(found)
}

/// How many times faster an amplifier may be without a burst of its own passing the megahertz above which none is looked for.
fn hurried(plain: &Figures) -> f64 {
    let grown = plain.growing.and_then(|growing| growing.grown);
    let bursts = grown.and_then(|grown| grown.bursts).unwrap_or(0.0);
    if bursts < 1e5 { 10.0 } else { 0.1 }
}

/// Lets time run so many times faster: farads, henries and webers are divided by it.
fn hurry(circuit: &mut Circuit, times: f64) {
    let ids: Vec<_> = circuit.parts().map(|(id, _)| id).collect();
    for id in ids {
        match &mut circuit.part_mut(id).part {
            Part::Capacitor(capacitor) => capacitor.c /= times,
            Part::Inductor(inductor) => {
                inductor.core.l0 /= times;
                inductor.core.lambda_s /= times;
                inductor.core.gap *= times;
                inductor.linear = inductor.linear.map(|l| l / times);
                inductor.capacitance /= times;
            }
            Part::Transformer(transformer) => {
                transformer.core.l0 /= times;
                transformer.core.lambda_s /= times;
                transformer.core.gap *= times;
                for winding in &mut transformer.windings {
                    winding.leakage /= times;
                    winding.capacitance /= times;
                }
            }
            Part::Valve(valve) => {
                let slower = |c: &mut Capacitances| {
                    for farads in [
                        &mut c.anode_grid,
                        &mut c.grid_cathode,
                        &mut c.anode_cathode,
                        &mut c.grid_screen,
                    ] {
                        *farads /= times;
                    }
                };
                slower(&mut valve.kind.capacitances);
                let others = valve.kind.other_sections.iter_mut();
                others.for_each(|other| slower(&mut other.capacitances));
                valve.stray_anode_grid /= times;
            }
            Part::Loudspeaker(speaker) => {
                speaker.le /= times;
                speaker.fs *= times;
            }
            Part::Resistor(_)
            | Part::Device(_)
            | Part::Diodes(_)
            | Part::Source(_)
            | Part::Pot(_)
            | Part::Switch(_) => {}
        }
    }
}

/// Whether one is at the mirrored rest of the other, as of two like halves of which either may conduct: nodes that differ have
/// exchanged their volts in pairs. Which of the two is found may hang on the order of the parts.
fn mirrored(a: &Figures, b: &Figures, apart: f64) -> bool {
    let near = |one: f64, other: f64| (one - other).abs() <= apart * (1.0 + one.abs());
    let of_both = a.volts.iter().filter_map(|(name, volts)| {
        let (_, other) = b.volts.iter().find(|(other, _)| other == name)?;
        (!near(*volts, *other)).then_some((*volts, *other))
    });
    let differ: Vec<(f64, f64)> = of_both.collect();
    let exchanged = |&(one, other): &(f64, f64)| {
        let mut pairs = differ.iter();
        pairs.any(|&(there, here)| near(one, here) && near(other, there))
    };
    !differ.is_empty() && differ.iter().all(exchanged)
}

/// How two sets of figures differ, in words; nodes that one of them does not have are passed over.
///
/// # Errors
/// The first difference that is more than allowed.
pub fn same(a: &Figures, b: &Figures, apart: Apart) -> Result<(), String> {
    let apart = apart.of(a, b);
    if mirrored(a, b, apart.volts) {
        // From its other rest it need not amplify alike.
        return Ok(());
    }
    for (name, volts) in &a.volts {
        let Some((_, other)) = b.volts.iter().find(|(other, _)| other == name) else {
            continue;
        };
        if (volts - other).abs() > apart.volts * (1.0 + volts.abs()) {
            return Err(format!("{name}: {volts} V, {other} V"));
        }
    }
    match (&a.growing, &b.growing) {
        (None, None) => {}
        (Some(one), Some(other)) => {
            if !same_growth(one, other, apart.growing) {
                return Err(format!("{one:?}, {other:?}"));
            }
        }
        (one, other) => return Err(format!("{one:?}, {other:?}")),
    }
    let most = a.gains.iter().map(|gain| gain.norm()).fold(0.0, f64::max);
    for ((gain, other), frequency) in a.gains.iter().zip(&b.gains).zip(FREQUENCIES) {
        if (gain - other).norm() > apart.response * most {
            return Err(format!("{frequency} Hz: {gain}, {other}"));
        }
    }
    Ok(())
}

/// Amplifier `number` of a seed, every eighth on its mains, with the lots that follow.
pub fn drawn(seed: u64, number: u64) -> (Amplifier, Dice) {
    let mut dice = Dice::new(seed, number);
    let amplifier = compose(&mut dice, number % 8 == 7);
    (amplifier, dice)
}

/// A change that is none.
type Change = fn(&mut Amplifier, &mut Dice);

/// All of them, with their words.
pub const CHANGES: [(&str, Change); 6] = [
    ("another order", |amplifier, _| amplifier.lines.reverse()),
    ("a resistor in two", split),
    ("an idle island", |amplifier, _| {
        amplifier.part("RI", "resistor = \"10k\", between = [\"i1\", \"i2\"]");
        amplifier.part("CI", "capacitor = \"1u\", between = [\"i1\", \"i2\"]");
    }),
    ("a capacitor behind an open switch", |amplifier, _| {
        amplifier.part(
            "SI",
            "switch = \"off\", common = \"ht\", positions = { on = \"i3\", off = [] }",
        );
        amplifier.part("CI", "capacitor = \"10u\", between = [\"i3\", \"chassis\"]");
    }),
    ("a slow time constant far away", |amplifier, _| {
        // A thousand seconds, behind what no rail feels: behind a thousandth of that the response of an amplifier about to
        // motor-boat moved by 2e-6, ten times less behind ten times as much.
        amplifier.part("RI", "resistor = \"1000000M\", between = [\"ht\", \"i4\"]");
        amplifier.part("CI", "capacitor = \"1n\", between = [\"i4\", \"chassis\"]");
    }),
    ("a fast time constant at the supply", |amplifier, _| {
        amplifier.part("RI", "resistor = \"1000000M\", between = [\"ht\", \"i5\"]");
        amplifier.part(
            "CI",
            "capacitor = \"0.001p\", between = [\"i5\", \"chassis\"]",
        );
    }),
];

/// One of its resistors as two of half its ohms.
fn split(amplifier: &mut Amplifier, dice: &mut Dice) {
    let resistors: Vec<usize> = (0..amplifier.lines.len())
        .filter(|&k| {
            let line = &amplifier.lines[k];
            line.resistor.is_some() && line.name != amplifier.load
        })
        .collect();
    let k = *dice.pick(&resistors);
    let Some((ohms, [a, b])) = amplifier.lines[k].resistor.clone() else {
        return;
    };
    amplifier.lines[k].keys = resistor_keys(&a, "i6", 0.5 * ohms);
    amplifier.lines.push(Line {
        name: "RI".to_owned(),
        keys: resistor_keys("i6", &b, 0.5 * ohms),
        resistor: None,
    });
}

/// Other names for all its nodes, but the chassis and where the generator stands.
pub fn renamed(text: &str) -> String {
    let mut found = text.to_owned();
    for k in (1..100).rev() {
        found = found.replace(&format!("\"n{k}\""), &format!("\"a{}\"", 1000 - 7 * k));
    }
    for rail in ["ht0", "ht", "out"] {
        found = found.replace(&format!("\"{rail}\""), &format!("\"zz {rail}\""));
    }
    found
}

/// The figures under the old names of the nodes.
pub fn named_back(mut figures: Figures) -> Figures {
    for (name, _) in &mut figures.volts {
        if let Some(number) = name.strip_prefix('a').and_then(|n| n.parse::<u32>().ok()) {
            *name = format!("n{}", (1000 - number) / 7);
        } else if let Some(rail) = name.strip_prefix("zz ") {
            *name = rail.to_owned();
        }
    }
    figures
}

/// What an amplifier without a rest does instead, as far as its error says so: no figure of it.
fn without_rest(why: &str) -> &'static str {
    const WORDS: [(&str, &str); 4] = [
        ("repeats itself", "no rest: repeats itself"),
        ("oscillates", "no rest: oscillates"),
        ("bursts", "no rest: bursts"),
        ("not periodic", "no rest: not periodic"),
    ];
    let found = WORDS.iter().find(|(word, _)| why.contains(word));
    found.map_or("no rest", |(_, words)| words)
}

/// Every change of one composed amplifier, each against it as it was.
///
/// # Errors
/// What changed that must not, in words; none where the amplifier itself has no rest, which is said as such.
pub fn judge(amplifier: &Amplifier, dice: &mut Dice) -> Result<&'static str, String> {
    let text = amplifier.text();
    let plain = match figures_of(&text) {
        Ok(plain) => plain,
        Err(why) => return Ok(without_rest(&why)),
    };
    let apart = if amplifier.on_the_mains {
        ON_THE_MAINS
    } else {
        STILL
    };
    for (words, change) in CHANGES {
        let mut changed = amplifier.clone();
        change(&mut changed, dice);
        figures_of(&changed.text())
            .and_then(|figures| same(&plain, &figures, apart))
            .map_err(|wrong| format!("{words}: {wrong}"))?;
    }
    figures_of(&renamed(&text))
        .and_then(|figures| same(&plain, &named_back(figures), apart))
        .map_err(|wrong| format!("other names: {wrong}"))?;
    if !amplifier.on_the_mains {
        let times = hurried(&plain);
        faster(&text, times)
            .and_then(|figures| same(&plain, &figures, apart))
            .map_err(|wrong| format!("{times} times faster: {wrong}"))?;
    }
    Ok(if plain.growing.is_some() {
        "unstable"
    } else {
        "stable"
    })
}

/// Total harmonic distortion at the load, a ratio, and its volts rms, of so many samples a period; driven to 1 W, or to 5 V
/// across what is no loudspeaker.
///
/// # Errors
/// Those of reading, in words, and of settling.
pub fn driven(text: &str, samples: usize) -> Result<(f64, f64), String> {
    let amplifier = sheet::read(text, &[]).map_err(|faults| format!("{faults:?}"))?;
    let system = System::of(&amplifier.circuit).map_err(|faults| format!("{faults:?}"))?;
    let opened = Opened { amplifier, system };
    let words = |error: SimError| error.to_string();
    let bench = &opened.amplifier.bench;
    let gain = {
        let of = UnderTest::find(&opened.amplifier, &opened.system).map_err(words)?;
        let mut linear = of.linearised();
        linear.tune(bench.frequency).map_err(words)?;
        let x = linear
            .response(Excitation::Source(bench.generator))
            .map_err(words)?;
        linear
            .voltage(&x, bench.load_nodes.0, bench.load_nodes.1)
            .norm()
    };
    let wanted = if bench.load_ohms < 100.0 { 4.0 } else { 7.0 };
    let mut ws = opened.driven(wanted / gain).map_err(words)?;
    let settling = Settling {
        samples,
        ..Settling::default()
    };
    let period = opened.settle(&settling, &mut ws).map_err(words)?;
    let (a, b) = opened.load();
    let spectrum = Spectrum::of_period(&period.of(|x| x[a] - x[b]));
    Ok((spectrum.thd(), spectrum.rms()))
}

/// What a distortion may be off by its grid: 2e-4 points is what the default tolerances promise
/// (`sim/src/tolerances.rs`), once on either side.
const POINTS: f64 = 4e-6;

/// Distortion on a grid twice as fine, and in another order of the parts.
///
/// # Errors
/// What changed that must not, in words.
pub fn judge_driven(amplifier: &Amplifier) -> Result<(), String> {
    let text = amplifier.text();
    let Ok((thd, volts)) = driven(&text, 128) else {
        return Ok(());
    };
    let mut other = amplifier.clone();
    other.lines.reverse();
    for (words, text, samples) in [("finer", &text, 256), ("another order", &other.text(), 128)] {
        let (thd_there, volts_there) = driven(text, samples)?;
        if (thd - thd_there).abs() > POINTS || (volts / volts_there - 1.0).abs() > 1e-4 {
            return Err(format!(
                "{words}: {thd} at {volts} V, {thd_there} at {volts_there} V"
            ));
        }
    }
    Ok(())
}
