//! One random case: drawn, put to the library, and judged.
//!
//! Over 400 lines because it is one list: every kind of case, and what must hold of it.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use measure::at_rest::readings;
use measure::at_rest::voltages::{ValveAtRest, Voltages, chart};
use measure::judged::check::CheckOf;
use measure::small_signal::noise::NoiseOf;
use measure::small_signal::response::ResponseOf;
use measure::small_signal::response::equalisation::Target;
use measure::{Measurement, UnderTest};
use models::library;
use models::library::Library;
use models::valve_file;
use sheet::{FileError, FileErrorKind, Sheet, rework};
use sim::amplifier::Amplifier;
use sim::parts::Part;
use sim::{SimError, System};
use toml::de::{DeTable, DeValue};

use super::balance::imbalances;
use super::dice::Dice;
use super::drawing::{Fed, draw};
use super::spoilt::spoil;
use crate::source::root;

/// How a case ended, where nothing is wrong.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// With an answer.
    Answered,
    /// It was read, and there is no answer; why, without figures.
    NoAnswer(String),
    /// It was refused, every fault at its place.
    Refused,
}

/// What is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Random circuits on direct supplies.
    Circuits,
    /// Random circuits with alternating supplies.
    Mains,
    /// Spoilt amplifier files.
    Files,
    /// Spoilt reworks.
    Reworks,
    /// Spoilt readings of a meter.
    Readings,
    /// Spoilt curves that a response should follow.
    Targets,
    /// Spoilt sheets of traced curves, and their fit.
    Traced,
    /// Spoilt valve files.
    Valves,
}

impl Kind {
    /// All of them, by the words they are asked for with.
    pub const ALL: [(&'static str, Self); 8] = [
        ("circuits", Self::Circuits),
        ("mains", Self::Mains),
        ("files", Self::Files),
        ("reworks", Self::Reworks),
        ("readings", Self::Readings),
        ("targets", Self::Targets),
        ("traced", Self::Traced),
        ("valves", Self::Valves),
    ];

    /// What case `number` of a seed is about: the text.
    pub fn text(self, seed: u64, number: u64) -> String {
        let dice = &mut Dice::new(seed, number);
        match self {
            Self::Circuits => draw(dice, Fed::Directly),
            Self::Mains => draw(dice, Fed::FromTheMains),
            Self::Files => {
                let whole = if dice.chance(0.3) {
                    draw(dice, Fed::Directly)
                } else {
                    read(dice.pick::<&str>(&AMPLIFIERS))
                };
                spoil(&whole, dice)
            }
            Self::Reworks => spoil(&read(dice.pick::<&str>(&REWORKS)), dice),
            Self::Readings => spoil(READINGS, dice),
            Self::Targets => spoil(TARGET, dice),
            Self::Traced => {
                // A few rows: the fit of all of them costs seconds and reads no other way.
                let whole = read(TRACED);
                let mut lines: Vec<&str> = whole.lines().collect();
                while lines.len() > 25 {
                    lines.remove(10 + dice.below(lines.len() - 10));
                }
                spoil(&(lines.join("\n") + "\n"), dice)
            }
            Self::Valves => {
                let types = library::valves();
                let name = &types[dice.below(types.len())].name;
                spoil(&read(&format!("models/valves/{name}.toml")), dice)
            }
        }
    }

    /// Puts a text of this kind to the library.
    ///
    /// # Errors
    /// What must not be, in words.
    pub fn judge(self, text: &str) -> Result<Outcome, String> {
        match self {
            Self::Circuits | Self::Mains => amplifier(text, |_| true, text.len().is_multiple_of(8)),
            // Alternating ones cost seconds, and are judged as drawn.
            Self::Files => amplifier(text, |amplifier| !alternates(amplifier), false),
            Self::Reworks => on_base(text),
            Self::Readings => taken(text),
            Self::Targets => target(text),
            Self::Traced => traced(text),
            Self::Valves => valve(text),
        }
    }
}

/// Amplifiers that are spoilt; the last has every key.
const AMPLIFIERS: [&str; 5] = [
    "examples/01_single_ended_6v6/amplifier.toml",
    "examples/02_hall_2a3_push_pull/amplifier.toml",
    "examples/03_el84_push_pull_feedback/amplifier.toml",
    "examples/07_misprint/amplifier.toml",
    "cli/src/amplifier_file.toml",
];

/// Reworks that are spoilt.
const REWORKS: [&str; 5] = [
    "examples/05_hall_2a3_to_6l6/amplifier.toml",
    "examples/06_hall_silicon_rectifier/amplifier.toml",
    "examples/09_balancing_transformer/mismatched.toml",
    "examples/09_balancing_transformer/near_the_mains.toml",
    "examples/09_balancing_transformer/trim.toml",
];

const TRACED: &str = "examples/valves/traced_triode.csv";

/// Readings taken on example 01, invented.
const READINGS: &str = "# taken on a cold evening\nV2 anode, 270V, 20k/V, 500V\nV2 cathode, 7V, 10M\n\nht, 268V, 500 ohms per volt, 500V\nV1 grid, 0.1V\n";

/// A curve, invented.
const TARGET: &str =
    "hertz,decibels\n# invented\n20,18.5\n100,12\n500,3\n1000,0\n3000,-4.5\n10000,-13\n20000,-19\n";

fn read(path: &str) -> String {
    let path = root().join(path);
    fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Fails on a figure that is none; texts are passed over.
fn not_a_number(answer: &impl std::fmt::Debug) -> Result<(), String> {
    let printed = format!("{answer:?}").replace("\\\"", "");
    let figures: Vec<&str> = printed.split('"').step_by(2).collect();
    let figures = figures.join("…");
    match figures.find("NaN") {
        Some(at) => {
            let from = figures[..at].rfind(['{', '[']).unwrap_or(0);
            Err(format!("not a number: {}", &figures[from..at + 3]))
        }
        None => Ok(()),
    }
}

/// Whether every fault says where it is.
fn places(text: &str, faults: &[FileError]) -> Result<Outcome, String> {
    if faults.is_empty() {
        return Err("refused without a fault".to_owned());
    }
    for fault in faults {
        // What is absent stands nowhere.
        let absent = matches!(fault.kind, FileErrorKind::MissingTable { .. });
        let placed = text
            .get(fault.span.clone())
            .is_some_and(|words| !words.is_empty());
        // The parser of TOML may point behind the last letter.
        let at_end = matches!(fault.kind, FileErrorKind::Syntax { .. })
            && fault.span.end <= text.len()
            && text.is_char_boundary(fault.span.start);
        if !placed && !absent && !at_end {
            return Err(format!("{fault} stands nowhere: {:?}", fault.span));
        }
        if fault.to_string().trim().is_empty() {
            return Err(format!("a fault without words: {:?}", fault.kind));
        }
    }
    Ok(Outcome::Refused)
}

/// Whether it has an alternating supply, and rests on a period.
fn alternates(amplifier: &Amplifier) -> bool {
    let sources = amplifier.circuit.parts();
    let mut sources = sources.filter_map(|(_, placed)| placed.part.source());
    sources.any(|source| source.waveform.alternates())
}

/// Reads an amplifier file and judges its rest where that is wanted, and more.
fn amplifier(
    text: &str,
    solve: impl Fn(&Amplifier) -> bool,
    ask_more: bool,
) -> Result<Outcome, String> {
    match sheet::read_with(text, &[], &Library::default()) {
        Err(faults) => places(text, &faults),
        Ok(sheet) => {
            nothing_dropped(text, &sheet)?;
            if !solve(&sheet.amplifier) {
                return Ok(Outcome::Answered);
            }
            solved(&sheet.amplifier, ask_more)
        }
    }
}

/// Keys whose values are nodes.
const NODE_KEYS: [&str; 17] = [
    "between",
    "positive",
    "negative",
    "ends",
    "wiper",
    "common",
    "primary",
    "secondary",
    "winding",
    "nodes",
    "anode",
    "anodes",
    "screen",
    "grid",
    "cathode",
    "filament",
    "heater",
];

/// The nodes that are written under a key of a part, or of what it holds.
fn nodes_written<'a>(value: &'a DeValue<'a>, key: &str, found: &mut BTreeSet<&'a str>) {
    match value {
        DeValue::String(text) => {
            if NODE_KEYS.contains(&key) {
                found.insert(text.trim());
            }
        }
        DeValue::Array(list) => list
            .iter()
            .for_each(|inner| nodes_written(inner.get_ref(), key, found)),
        DeValue::Table(table) => {
            for (inner, value) in table {
                let inner: &str = inner.get_ref();
                // The contacts of a switch stand under names of their own.
                let key = if key == "positions" { "nodes" } else { inner };
                nodes_written(value.get_ref(), key, found);
            }
        }
        DeValue::Integer(_) | DeValue::Float(_) | DeValue::Boolean(_) | DeValue::Datetime(_) => {}
    }
}

/// Every part that is written is in the circuit, at every node that is written with it.
fn nothing_dropped(text: &str, sheet: &Sheet) -> Result<(), String> {
    let circuit = &sheet.amplifier.circuit;
    let table = DeTable::parse(text).map_err(|error| format!("read, and no TOML: {error}"))?;
    let Some(DeValue::Table(parts)) = table.get_ref().get("parts").map(toml::Spanned::get_ref)
    else {
        return Err("read without [parts]".to_owned());
    };
    for (name, line) in parts {
        let name: &str = name.get_ref();
        let Some(id) = circuit.find_part(name) else {
            return Err(format!("{name} is dropped"));
        };
        let mut written = BTreeSet::new();
        nodes_written(line.get_ref(), "", &mut written);
        let joined: BTreeSet<&str> = circuit
            .part(id)
            .nodes
            .iter()
            .map(|node| circuit.node_name(*node))
            .collect();
        for node in written {
            // The chassis has several names, none of which is that of another node.
            let chassis = circuit.find_node(node).is_none() && joined.contains("chassis");
            if !joined.contains(node) && !chassis {
                return Err(format!("{name} is not joined to {node}"));
            }
        }
    }
    Ok(())
}

/// Every part has its row in the chart.
fn nothing_left_out(amplifier: &Amplifier, chart: &Voltages) -> Result<(), String> {
    let mut rows: BTreeSet<&str> = BTreeSet::new();
    rows.extend(chart.valves.iter().map(|row| row.part.as_str()));
    rows.extend(chart.rectifiers.iter().map(|row| row.part.as_str()));
    rows.extend(chart.stabilisers.iter().map(|row| row.part.as_str()));
    rows.extend(chart.resistors.iter().map(|row| row.part.as_str()));
    rows.extend(chart.capacitors.iter().map(|row| row.part.as_str()));
    rows.extend(chart.windings.iter().map(|row| row.part.as_str()));
    rows.extend(chart.supplies.iter().map(|row| row.part.as_str()));
    for (_, placed) in amplifier.circuit.parts() {
        let charted = match &placed.part {
            Part::Resistor(_)
            | Part::Pot(_)
            | Part::Capacitor(_)
            | Part::Inductor(_)
            | Part::Transformer(_)
            | Part::Valve(_)
            | Part::Source(_) => rows.contains(placed.name.as_str()),
            // No rows of their own: what flows in them is seen in the balance.
            Part::Device(_) | Part::Diodes(_) | Part::Switch(_) | Part::Loudspeaker(_) => true,
        };
        if !charted {
            return Err(format!("{} is not in the chart", placed.name));
        }
    }
    Ok(())
}

/// Why there is no answer, without figures and names.
fn reason(error: &SimError) -> Outcome {
    let words = match error {
        SimError::NoOperatingPoint { .. } => "no operating point",
        SimError::OneWay { .. } => "hangs on a rectifier",
        SimError::Stuck { .. } => "stuck",
        SimError::Undetermined { .. } => "undetermined",
        SimError::NotPeriodic(_) => "not periodic",
        SimError::Oscillates { .. } => "oscillates",
        SimError::Repeats { .. } => "repeats itself slowly",
        SimError::Bursts { .. } => "bursts",
        SimError::Question(_) => "no such question",
    };
    Outcome::NoAnswer(words.to_owned())
}

/// More evaluations of all devices than any rest of a still circuit may take: a hang, counted. The worst of ten
/// thousand random circuits takes a sixth of it.
const MOST_EVALUATIONS: u64 = 100_000;

fn solved(amplifier: &Amplifier, ask_more: bool) -> Result<Outcome, String> {
    let system = System::of(&amplifier.circuit)
        .map_err(|faults| format!("read, and has faults: {faults:?}"))?;
    let under = match UnderTest::find(amplifier, &system) {
        Ok(under) => under,
        Err(error) => return Ok(reason(&error)),
    };
    let chart = match chart(&under) {
        Ok(chart) => chart,
        Err(error) => return Ok(reason(&error)),
    };
    let evaluations = under.workspace().counts.evaluations;
    if chart.mains.is_none() && evaluations > MOST_EVALUATIONS {
        return Err(format!("{evaluations} evaluations"));
    }
    not_a_number(&without_cut_off(&chart))?;
    nothing_left_out(amplifier, &chart)?;
    if let Some(worst) = imbalances(&under, &chart).into_iter().max_by(|a, b| {
        (a.amps / a.allowed)
            .abs()
            .total_cmp(&(b.amps / b.allowed).abs())
    }) {
        return Err(format!(
            "{:e} A left over at {} where {:e} A are rounding",
            worst.amps, worst.node, worst.allowed
        ));
    }
    if ask_more {
        more(&under)?;
    }
    Ok(Outcome::Answered)
}

/// The chart without the amplification factor of valves that are cut off, which have none.
fn without_cut_off(chart: &Voltages) -> Voltages {
    let mut chart = chart.clone();
    let cut_off = |valve: &&mut ValveAtRest| valve.gm == 0.0 && valve.ra.is_infinite();
    for valve in chart.valves.iter_mut().filter(cut_off) {
        valve.mu = 0.0;
    }
    chart
}

/// A few questions more, whose answers must be numbers.
fn more(under: &UnderTest<'_>) -> Result<(), String> {
    let silent = &|_| ();
    let (circuit, bench) = (under.circuit, &under.amplifier.bench);
    if let Ok(answer) = ResponseOf::bench(circuit, bench, (1.0, 1e6)).ask(under, silent) {
        not_a_number(&answer)?;
    }
    if let Ok(answer) = NoiseOf::bench(bench).ask(under, silent) {
        not_a_number(&answer)?;
    }
    if let Ok(answer) = (CheckOf { quick: true }).ask(under, silent) {
        not_a_number(&(answer.findings, answer.halves, answer.left_out))?;
    }
    Ok(())
}

/// Reads a rework with the base it names, if that is one it may name.
fn on_base(text: &str) -> Result<Outcome, String> {
    let mut texts = vec![text.to_owned()];
    while let Some((base, _)) = rework::base(&texts[texts.len() - 1]) {
        let name = Path::new(&base).components().rev().take(2);
        let name: Vec<_> = name
            .map(|part| part.as_os_str().to_string_lossy())
            .collect();
        let found = match name.as_slice() {
            [file, folder] if folder != ".." => {
                fs::read_to_string(root().join("examples").join(&**folder).join(&**file))
            }
            [file, ..] => {
                let beside = root().join("examples/09_balancing_transformer");
                fs::read_to_string(beside.join(&**file))
            }
            [] => break,
        };
        match found {
            Ok(base) if texts.len() < 8 => texts.push(base),
            _ => break,
        }
    }
    let last = texts.last().map_or("", String::as_str);
    if rework::base(last).is_some() {
        // A base that is not there, or stands on itself: whoever opens files tells of it.
        return Ok(Outcome::Refused);
    }
    let texts: Vec<&str> = texts.iter().map(String::as_str).collect();
    let whole = texts.concat();
    match rework::read(&texts, |text| {
        sheet::read_with(text, &[], &Library::default())
    }) {
        Ok(sheet) => {
            if alternates(&sheet.amplifier) {
                return Ok(Outcome::Answered);
            }
            solved(&sheet.amplifier, false)
        }
        Err(faults) if faults.is_empty() => Err("refused without a fault".to_owned()),
        Err(faults) => {
            for fault in &faults {
                if fault.span.end > whole.len() + texts.len() {
                    return Err(format!("{fault} stands behind the end: {:?}", fault.span));
                }
            }
            Ok(Outcome::Refused)
        }
    }
}

fn taken(text: &str) -> Result<Outcome, String> {
    let drawing = read(AMPLIFIERS[0]);
    let amplifier = sheet::read(&drawing, &[]).map_err(|faults| format!("{faults:?}"))?;
    match readings::read(text, &amplifier.circuit) {
        Ok(taken) if taken.is_empty() => Err("no reading, and no fault".to_owned()),
        Ok(taken) => {
            not_a_number(&taken)?;
            // One line a reading: none is passed over.
            let lines = text
                .lines()
                .map(str::trim)
                .filter(|line| !line.is_empty() && !line.starts_with('#'));
            let lines = lines.count();
            if lines == taken.len() {
                Ok(Outcome::Answered)
            } else {
                Err(format!("{lines} lines, {} readings", taken.len()))
            }
        }
        Err(faults) if faults.iter().all(|f| f.to_string().contains("line ")) => {
            Ok(Outcome::Refused)
        }
        Err(faults) if faults == [readings::TakenError::Empty] => Ok(Outcome::Refused),
        Err(faults) => Err(format!("a fault without a line: {faults:?}")),
    }
}

fn target(text: &str) -> Result<Outcome, String> {
    match Target::table(text) {
        Ok(target) => {
            for frequency in [20.0, 100.0, 1e3, 1e4, 2e4] {
                if let Some(decibels) = target.decibels(frequency)
                    && !decibels.is_finite()
                {
                    return Err(format!("{decibels} dB at {frequency} Hz"));
                }
            }
            Ok(Outcome::Answered)
        }
        Err(faults) => {
            for fault in &faults {
                if text.get(fault.span.clone()).is_none() {
                    return Err(format!("{} stands nowhere: {:?}", fault.kind, fault.span));
                }
            }
            if faults.is_empty() {
                return Err("refused without a fault".to_owned());
            }
            Ok(Outcome::Refused)
        }
    }
}

fn traced(text: &str) -> Result<Outcome, String> {
    match valve_file::read_traced(text, None) {
        Ok(traced) => {
            let traces = models::fit::Traces::new(traced.rows, None);
            let Some(fit) = models::fit::fit(&[], &traces, traced.kind) else {
                return Ok(Outcome::NoAnswer("nothing to fit".to_owned()));
            };
            not_a_number(&fit)?;
            Ok(Outcome::Answered)
        }
        Err(faults) => {
            for fault in &faults {
                if text.get(fault.span.clone()).is_none() {
                    return Err(format!("{} stands nowhere: {:?}", fault.kind, fault.span));
                }
            }
            if faults.is_empty() {
                return Err("refused without a fault".to_owned());
            }
            Ok(Outcome::Refused)
        }
    }
}

fn valve(text: &str) -> Result<Outcome, String> {
    match valve_file::read(text) {
        Ok(mut valve) => {
            // Errors of a fit that the file does not state are none, and nowhere printed.
            valve.fit_error = None;
            not_a_number(&valve)?;
            Ok(Outcome::Answered)
        }
        Err(faults) => {
            for fault in &faults {
                if text.get(fault.span.clone()).is_none() || fault.to_string().is_empty() {
                    return Err(format!("{fault} stands nowhere: {:?}", fault.span));
                }
            }
            if faults.is_empty() {
                return Err("refused without a fault".to_owned());
            }
            Ok(Outcome::Refused)
        }
    }
}
