//! Random circuits as amplifier files: parts of every kind and valves of every type, in stages with values as
//! drawings have them and between any nodes at all, with islands, loops and shorts.
//!
//! What the reader refuses for a loose end, an electrode without a path or a loop without resistance is given what
//! it lacks, so that most are legal.
//!
//! Over 400 lines because it is one list: what may be drawn.

use std::collections::BTreeSet;
use std::fmt::Write;

use models::data::ValveModel;
use models::library;
use sheet::FileErrorKind;
use sim::circuit::CircuitError;
use sim::quantity::{Unit, engineering};

use super::dice::Dice;

/// Rails and other nodes that any part may stand at.
const RAILS: [&str; 4] = ["ht", "ht2", "bias", "chassis"];

/// What is drawn so far.
struct Sheet<'d> {
    dice: &'d mut Dice,
    lines: Vec<String>,
    nodes: Vec<String>,
    parts: usize,
}

impl Sheet<'_> {
    fn line(&mut self, letter: &str, keys: &str) -> String {
        self.parts += 1;
        let name = format!("{letter}{}", self.parts);
        self.lines.push(format!("{name} = {{ {keys} }}"));
        name
    }

    /// A node of its own.
    fn fresh(&mut self) -> String {
        let node = format!("n{}", self.nodes.len());
        self.nodes.push(node.clone());
        node
    }

    /// A node that is there already, or a rail.
    fn any(&mut self) -> String {
        if self.nodes.is_empty() || self.dice.chance(0.3) {
            return (*self.dice.pick(&RAILS)).to_owned();
        }
        self.dice.pick(&self.nodes).clone()
    }

    /// A node that is there already, or one of its own.
    fn some(&mut self) -> String {
        if self.dice.chance(0.4) {
            self.fresh()
        } else {
            self.any()
        }
    }

    /// Another node than this one.
    fn other(&mut self, than: &str) -> String {
        for _ in 0..8 {
            let node = self.any();
            if node != than {
                return node;
            }
        }
        self.fresh()
    }

    /// From one node to another; where they are the same, to some other.
    fn resistor(&mut self, a: &str, b: &str, (least, most): (f64, f64)) -> String {
        let b = if a == b { self.other(a) } else { b.to_owned() };
        let value = self.dice.value(least, most, Unit::Ohm);
        self.line(
            "R",
            &format!("resistor = \"{value}\", between = [\"{a}\", \"{b}\"]"),
        )
    }

    fn capacitor(&mut self, a: &str, b: &str, (least, most): (f64, f64)) {
        let b = if a == b { self.other(a) } else { b.to_owned() };
        let value = self.dice.value(least, most, Unit::Farad);
        if self.dice.chance(0.3) {
            let leak = if self.dice.chance(0.5) {
                ", rating = \"450V\""
            } else {
                ""
            };
            self.line(
                "C",
                &format!(
                    "electrolytic = \"{value}\", positive = \"{a}\", negative = \"{b}\"{leak}"
                ),
            );
            return;
        }
        let esr = if self.dice.chance(0.2) {
            let ohms = self.dice.value(0.1, 1e3, Unit::Ohm);
            format!(", esr = \"{ohms}\"")
        } else {
            String::new()
        };
        self.line(
            "C",
            &format!("capacitor = \"{value}\", between = [\"{a}\", \"{b}\"]{esr}"),
        );
    }

    /// A type of valve by what it is.
    fn valve_type(&mut self, fits: fn(&ValveModel) -> bool) -> String {
        let types: Vec<&str> = library::valves()
            .iter()
            .filter(|valve| fits(&valve.model))
            .map(|valve| valve.name.as_str())
            .collect();
        (*self.dice.pick(&types)).to_owned()
    }
}

const fn is_triode(model: &ValveModel) -> bool {
    matches!(model, ValveModel::Triode(_))
}
const fn is_pentode(model: &ValveModel) -> bool {
    matches!(model, ValveModel::Pentode(_))
}
const fn is_rectifier(model: &ValveModel) -> bool {
    matches!(model, ValveModel::Rectifier(_))
}
const fn is_stabiliser(model: &ValveModel) -> bool {
    matches!(model, ValveModel::Stabiliser(_))
}

/// Something that may be drawn: one or a few parts.
type Block = fn(&mut Sheet<'_>);

/// All of them, each with how often it is drawn.
const BLOCKS: &[(usize, Block)] = &[
    (6, anywhere),
    (4, triode_stage),
    (3, pentode_stage),
    (2, follower),
    (2, pair),
    (2, series_pair),
    (3, diode),
    (2, bridge),
    (2, rectifier),
    (1, stabiliser),
    (2, pot),
    (2, switch),
    (2, choke),
    (2, transformer),
    (1, windings),
    (1, autotransformer),
    (1, loudspeaker),
    (1, island),
    (1, loop_of_parts),
    (1, short),
    (1, signal),
    (1, heater),
];

/// Blocks with an alternating supply, which cost seconds instead of milliseconds.
const ALTERNATING: &[Block] = &[half_wave, full_wave, filament];

fn anywhere(sheet: &mut Sheet<'_>) {
    let a = sheet.some();
    let b = sheet.other(&a);
    if sheet.dice.chance(0.6) {
        sheet.resistor(&a, &b, (100.0, 1e6));
    } else {
        sheet.capacitor(&a, &b, (10e-12, 100e-6));
    }
}

/// Grid, anode and cathode of a stage with its resistors.
fn triode_stage(sheet: &mut Sheet<'_>) {
    let kind = sheet.valve_type(is_triode);
    let (grid, anode, cathode) = (sheet.some(), sheet.fresh(), sheet.fresh());
    let current = if sheet.dice.chance(0.1) {
        ", current = \"80%\""
    } else {
        ""
    };
    sheet.line(
        "V",
        &format!(
            "valve = \"{kind}\", anode = \"{anode}\", grid = \"{grid}\", cathode = \"{cathode}\"{current}"
        ),
    );
    let rail = if sheet.dice.chance(0.8) { "ht" } else { "ht2" };
    sheet.resistor(&anode, rail, (4.7e3, 270e3));
    sheet.resistor(&cathode, "chassis", (220.0, 4.7e3));
    sheet.resistor(&grid, "chassis", (47e3, 1e6));
    if sheet.dice.chance(0.6) {
        sheet.capacitor(&cathode, "chassis", (1e-6, 100e-6));
    }
    let next = sheet.some();
    if next != anode && sheet.dice.chance(0.7) {
        sheet.capacitor(&anode, &next, (1e-9, 1e-6));
    }
}

fn pentode_stage(sheet: &mut Sheet<'_>) {
    let kind = sheet.valve_type(is_pentode);
    let (grid, anode, cathode) = (sheet.some(), sheet.fresh(), sheet.fresh());
    let strapped = sheet.dice.chance(0.2);
    let screen = if strapped {
        anode.clone()
    } else {
        sheet.fresh()
    };
    sheet.line(
        "V",
        &format!(
            "valve = \"{kind}\", anode = \"{anode}\", screen = \"{screen}\", grid = \"{grid}\", cathode = \"{cathode}\""
        ),
    );
    sheet.resistor(&anode, "ht", (1e3, 220e3));
    if !strapped {
        sheet.resistor(&screen, "ht", (100.0, 1e6));
        if sheet.dice.chance(0.5) {
            sheet.capacitor(&screen, "chassis", (10e-9, 10e-6));
        }
    }
    sheet.resistor(&cathode, "chassis", (100.0, 3.3e3));
    let returned = if sheet.dice.chance(0.2) {
        "bias"
    } else {
        "chassis"
    };
    sheet.resistor(&grid, returned, (47e3, 1e6));
}

fn follower(sheet: &mut Sheet<'_>) {
    let kind = sheet.valve_type(is_triode);
    let (grid, cathode) = (sheet.any(), sheet.fresh());
    sheet.line(
        "V",
        &format!("valve = \"{kind}\", anode = \"ht\", grid = \"{grid}\", cathode = \"{cathode}\""),
    );
    sheet.resistor(&cathode, "chassis", (2.2e3, 100e3));
}

/// Two valves on one cathode resistor.
fn pair(sheet: &mut Sheet<'_>) {
    let kind = sheet.valve_type(is_triode);
    let (first, second, cathode) = (sheet.some(), sheet.some(), sheet.fresh());
    for grid in [&first, &second] {
        let anode = sheet.fresh();
        sheet.line(
            "V",
            &format!(
                "valve = \"{kind}\", anode = \"{anode}\", grid = \"{grid}\", cathode = \"{cathode}\""
            ),
        );
        sheet.resistor(&anode, "ht", (22e3, 220e3));
        sheet.resistor(grid, "chassis", (47e3, 1e6));
    }
    sheet.resistor(&cathode, "chassis", (470.0, 100e3));
}

/// One valve on the anode of another.
fn series_pair(sheet: &mut Sheet<'_>) {
    let kind = sheet.valve_type(is_triode);
    let [anode, middle, cathode] = [(); 3].map(|()| sheet.fresh());
    let [upper, lower] = [(); 2].map(|()| sheet.some());
    for (anode, grid, cathode) in [(&anode, &upper, &middle), (&middle, &lower, &cathode)] {
        sheet.line(
            "V",
            &format!(
                "valve = \"{kind}\", anode = \"{anode}\", grid = \"{grid}\", cathode = \"{cathode}\""
            ),
        );
        sheet.resistor(grid, "chassis", (47e3, 1e6));
    }
    sheet.resistor(&upper, "ht", (100e3, 1e6));
    sheet.resistor(&anode, "ht", (4.7e3, 220e3));
    sheet.resistor(&cathode, "chassis", (220.0, 4.7e3));
}

fn diode(sheet: &mut Sheet<'_>) {
    let cathode = sheet.some();
    let anode = sheet.other(&cathode);
    if sheet.dice.chance(0.7) {
        sheet.line(
            "D",
            &format!("diode = \"silicon\", anode = \"{anode}\", cathode = \"{cathode}\""),
        );
        return;
    }
    let second = sheet.other(&anode);
    sheet.line(
        "D",
        &format!(
            "diode = \"silicon\", anodes = [\"{anode}\", \"{second}\"], cathode = \"{cathode}\""
        ),
    );
}

fn bridge(sheet: &mut Sheet<'_>) {
    let (a, positive) = (sheet.some(), sheet.some());
    let (b, negative) = (sheet.other(&a), sheet.other(&positive));
    sheet.line(
        "D",
        &format!(
            "bridge = \"silicon\", between = [\"{a}\", \"{b}\"], positive = \"{positive}\", negative = \"{negative}\""
        ),
    );
    sheet.resistor(&positive, &negative, (1e3, 100e3));
}

fn rectifier(sheet: &mut Sheet<'_>) {
    let kind = sheet.valve_type(is_rectifier);
    let (first, cathode) = (sheet.some(), sheet.some());
    let second = sheet.other(&first);
    let anodes = if sheet.dice.chance(0.5) {
        format!("anode = \"{first}\"")
    } else {
        format!("anodes = [\"{first}\", \"{second}\"]")
    };
    sheet.line(
        "V",
        &format!("valve = \"{kind}\", {anodes}, cathode = \"{cathode}\""),
    );
}

fn stabiliser(sheet: &mut Sheet<'_>) {
    let kind = sheet.valve_type(is_stabiliser);
    let anode = sheet.fresh();
    sheet.line(
        "V",
        &format!("valve = \"{kind}\", anode = \"{anode}\", cathode = \"chassis\""),
    );
    sheet.resistor(&anode, "ht", (2.2e3, 47e3));
}

fn pot(sheet: &mut Sheet<'_>) {
    let (top, wiper) = (sheet.some(), sheet.some());
    let bottom = sheet.other(&top);
    let value = sheet.dice.value(10e3, 1e6, Unit::Ohm);
    let travel = sheet.dice.below(101);
    let law = *sheet.dice.pick(&["linear", "log", "reverse log"]);
    sheet.line(
        "P",
        &format!(
            "pot = \"{value}\", ends = [\"{top}\", \"{bottom}\"], wiper = \"{wiper}\", law = \"{law}\", setting = \"{travel}%\""
        ),
    );
}

fn switch(sheet: &mut Sheet<'_>) {
    let (common, first, second) = (sheet.any(), sheet.some(), sheet.some());
    let at = *sheet.dice.pick(&["up", "down", "off"]);
    sheet.line(
        "S",
        &format!(
            "switch = \"{at}\", common = \"{common}\", positions = {{ up = \"{first}\", down = \"{second}\", off = [] }}"
        ),
    );
}

fn choke(sheet: &mut Sheet<'_>) {
    let a = sheet.some();
    let b = sheet.other(&a);
    let henries = sheet.dice.value(1.0, 30.0, Unit::Henry);
    let ohms = sheet.dice.value(10.0, 2e3, Unit::Ohm);
    let iron = *sheet.dice.pick(&[
        "",
        ", saturates = \"90mA\"",
        ", saturates = \"30mA\", hysteresis = \"0.5mA\"",
        ", capacitance = \"100p\"",
    ]);
    let keys = match sheet.dice.below(3) {
        0 => format!("choke = \"{henries}\", resistance = \"{ohms}\"{iron}"),
        1 => format!("inductor = \"{henries}\", resistance = \"{ohms}\""),
        _ => format!("field = \"{ohms}\", inductance = \"{henries}\"{iron}"),
    };
    sheet.line("L", &format!("{keys}, between = [\"{a}\", \"{b}\"]"));
}

fn transformer(sheet: &mut Sheet<'_>) {
    let [first, last] = [(); 2].map(|()| sheet.some());
    let [start, finish] = [(); 2].map(|()| sheet.some());
    let primary = if sheet.dice.chance(0.4) {
        format!("[\"{first}\", \"ht\", \"{last}\"]")
    } else {
        format!("[\"{first}\", \"{last}\"]")
    };
    let impedance = sheet.dice.value(2e3, 20e3, Unit::Ohm);
    let henries = sheet.dice.value(5.0, 100.0, Unit::Henry);
    let more = *sheet.dice.pick(&[
        "",
        ", saturates = \"10W at 30Hz\", core_loss = \"100k\"",
        ", leakage_inductance = \"20mH\", capacitance = \"500p\"",
        ", saturates = \"15W at 30Hz\", leakage_inductance = \"10mH\"",
    ]);
    sheet.line(
        "T",
        &format!(
            "transformer = \"{impedance} : 8R\", primary = {primary}, secondary = [\"{start}\", \"{finish}\"], primary_inductance = \"{henries}\", primary_resistance = \"250R\", secondary_resistance = \"0.5R\"{more}"
        ),
    );
    sheet.resistor(&start, &finish, (4.0, 16.0));
}

fn windings(sheet: &mut Sheet<'_>) {
    let ends = [(); 6].map(|()| sheet.some());
    let mut list = Vec::new();
    for pair in ends.chunks_exact(2) {
        let turns = sheet.dice.below(3000) + 10;
        let ohms = sheet.dice.value(0.1, 300.0, Unit::Ohm);
        list.push(format!(
            "{{ nodes = [\"{}\", \"{}\"], turns = \"{turns}\", resistance = \"{ohms}\" }}",
            pair[0], pair[1]
        ));
    }
    let list = list.join(", ");
    sheet.line(
        "T",
        &format!("transformer = [ {list} ], primary_inductance = \"20H\""),
    );
}

fn autotransformer(sheet: &mut Sheet<'_>) {
    let [a, middle] = [(); 2].map(|()| sheet.some());
    let henries = sheet.dice.value(5.0, 100.0, Unit::Henry);
    sheet.line(
        "T",
        &format!(
            "autotransformer = \"{henries}\", winding = [\"{a}\", \"{middle}\", \"ht\"], taps = [\"50%\"], resistance = \"200R\""
        ),
    );
}

fn loudspeaker(sheet: &mut Sheet<'_>) {
    let a = sheet.some();
    let b = sheet.other(&a);
    let more = *sheet.dice.pick(&[
        "",
        ", re = \"6R\", le = \"0.3mH\", fs = \"60Hz\", qms = \"3\", qes = \"0.5\"",
    ]);
    sheet.line(
        "LS",
        &format!("loudspeaker = \"8R\", between = [\"{a}\", \"{b}\"]{more}"),
    );
}

/// Parts that nothing joins to the rest.
fn island(sheet: &mut Sheet<'_>) {
    let [a, b] = [(); 2].map(|()| sheet.fresh());
    sheet.resistor(&a, &b, (1e3, 1e6));
    sheet.capacitor(&a, &b, (1e-9, 10e-6));
    if sheet.dice.chance(0.5) {
        let volts = sheet.dice.value(1.0, 100.0, Unit::Volt);
        sheet.line(
            "B",
            &format!(
                "supply = \"{volts}\", positive = \"{a}\", negative = \"{b}\", resistance = \"10R\""
            ),
        );
    }
    // Out of reach of what comes later.
    sheet.nodes.truncate(sheet.nodes.len() - 2);
    for node in [a, b] {
        let name = format!("island_{node}");
        for line in &mut sheet.lines {
            *line = line.replace(&format!("\"{node}\""), &format!("\"{name}\""));
        }
    }
}

fn loop_of_parts(sheet: &mut Sheet<'_>) {
    let start = sheet.some();
    let mut at = start.clone();
    for _ in 0..=sheet.dice.below(3) {
        let next = sheet.fresh();
        if sheet.dice.chance(0.5) {
            sheet.resistor(&at, &next, (10.0, 1e5));
        } else {
            sheet.line(
                "L",
                &format!(
                    "inductor = \"1H\", between = [\"{at}\", \"{next}\"], resistance = \"1R\""
                ),
            );
        }
        at = next;
    }
    sheet.resistor(&at, &start, (10.0, 1e5));
}

/// Next to nothing between two nodes.
fn short(sheet: &mut Sheet<'_>) {
    let a = sheet.any();
    let b = sheet.other(&a);
    let value = engineering(sheet.dice.between(1e-6, 1.0), Unit::Ohm);
    sheet.line(
        "R",
        &format!("resistor = \"{value}\", between = [\"{a}\", \"{b}\"]"),
    );
}

fn signal(sheet: &mut Sheet<'_>) {
    let a = sheet.some();
    let b = sheet.other(&a);
    let volts = sheet.dice.value(0.01, 10.0, Unit::Volt);
    sheet.line(
        "B",
        &format!(
            "signal = \"{volts}\", wave = \"sine\", frequency = \"1kHz\", positive = \"{a}\", negative = \"{b}\", resistance = \"600R\""
        ),
    );
}

/// An indirectly heated valve with its heater on a direct supply.
fn heater(sheet: &mut Sheet<'_>) {
    let (grid, cathode) = (sheet.any(), sheet.fresh());
    let [h1, h2] = [(); 2].map(|()| sheet.fresh());
    sheet.line(
        "V",
        &format!(
            "valve = \"6J5\", anode = \"ht\", grid = \"{grid}\", cathode = \"{cathode}\", heater = [\"{h1}\", \"{h2}\"]"
        ),
    );
    sheet.resistor(&cathode, "chassis", (1e3, 22e3));
    sheet.line(
        "B",
        &format!(
            "supply = \"6.3V\", positive = \"{h1}\", negative = \"{h2}\", resistance = \"0.1R\""
        ),
    );
    sheet.resistor(&h2, "chassis", (10.0, 1e3));
}

fn half_wave(sheet: &mut Sheet<'_>) {
    let [x, out] = [(); 2].map(|()| sheet.fresh());
    let volts = sheet.dice.value(6.0, 300.0, Unit::Volt);
    let ohms = sheet.dice.value(1.0, 200.0, Unit::Ohm);
    sheet.line(
        "B",
        &format!(
            "ac_supply = \"{volts}\", frequency = \"50Hz\", between = [\"{x}\", \"chassis\"], resistance = \"{ohms}\""
        ),
    );
    if sheet.dice.chance(0.5) {
        sheet.line(
            "D",
            &format!("diode = \"silicon\", anode = \"{x}\", cathode = \"{out}\""),
        );
    } else {
        let kind = sheet.valve_type(is_rectifier);
        sheet.line(
            "V",
            &format!("valve = \"{kind}\", anode = \"{x}\", cathode = \"{out}\""),
        );
    }
    sheet.capacitor(&out, "chassis", (4e-6, 100e-6));
    sheet.resistor(&out, "chassis", (1e3, 100e3));
    sheet.resistor(&out, "ht2", (1e3, 100e3));
}

fn full_wave(sheet: &mut Sheet<'_>) {
    let [l, x, y, out] = [(); 4].map(|()| sheet.fresh());
    sheet.line(
        "M",
        &format!(
            "mains = \"230V\", frequency = \"50Hz\", between = [\"{l}\", \"chassis\"], resistance = \"1R\""
        ),
    );
    sheet.line(
        "T",
        &format!(
            "mains_transformer = \"230V\", primary = [\"{l}\", \"chassis\"], primary_resistance = \"8R\", secondaries = [ {{ volts = \"250-0-250V\", nodes = [\"{x}\", \"chassis\", \"{y}\"], current = \"100mA\", resistance = \"80R\" }} ]"
        ),
    );
    if sheet.dice.chance(0.5) {
        sheet.line(
            "D",
            &format!("diode = \"silicon\", anodes = [\"{x}\", \"{y}\"], cathode = \"{out}\""),
        );
    } else {
        let kind = *sheet.dice.pick(&["GZ34", "EZ81", "5Y3GT", "5U4G"]);
        sheet.line(
            "V",
            &format!("valve = \"{kind}\", anodes = [\"{x}\", \"{y}\"], cathode = \"{out}\""),
        );
    }
    sheet.capacitor(&out, "chassis", (8e-6, 50e-6));
    sheet.line(
        "L",
        &format!("choke = \"10H\", between = [\"{out}\", \"ht2\"], resistance = \"300R\""),
    );
    sheet.capacitor("ht2", "chassis", (8e-6, 50e-6));
    sheet.resistor("ht2", "chassis", (10e3, 100e3));
}

/// A directly heated triode with its filament on an alternating supply.
fn filament(sheet: &mut Sheet<'_>) {
    let [a, g, f1, f2] = [(); 4].map(|()| sheet.fresh());
    sheet.line(
        "V",
        &format!(
            "valve = \"2A3\", anode = \"{a}\", grid = \"{g}\", filament = [\"{f1}\", \"{f2}\"]"
        ),
    );
    sheet.line(
        "B",
        &format!(
            "ac_supply = \"2.5V\", frequency = \"50Hz\", between = [\"{f1}\", \"{f2}\"], resistance = \"0.02R\""
        ),
    );
    sheet.line(
        "P",
        &format!(
            "pot = \"50R\", ends = [\"{f1}\", \"{f2}\"], wiper = \"chassis\", setting = \"50%\""
        ),
    );
    sheet.resistor(&a, "ht", (1e3, 10e3));
    sheet.resistor(&g, "bias", (47e3, 470e3));
}

/// What a random circuit is fed from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fed {
    /// Direct supplies alone: it rests at a point.
    Directly,
    /// Alternating supplies as well: it rests on their period.
    FromTheMains,
}

/// A random circuit as the text of an amplifier file.
pub fn draw(dice: &mut Dice, fed: Fed) -> String {
    let mut sheet = Sheet {
        dice,
        lines: Vec::new(),
        nodes: Vec::new(),
        parts: 0,
    };
    let ht = sheet.dice.value(150.0, 450.0, Unit::Volt);
    sheet.lines.push(format!(
        "HT = {{ supply = \"{ht}\", positive = \"ht\", negative = \"chassis\", resistance = \"100R\" }}"
    ));
    sheet.lines.push(
        "BIAS = { supply = \"40V\", positive = \"chassis\", negative = \"bias\", resistance = \"1k\" }"
            .to_owned(),
    );
    sheet.resistor("ht", "ht2", (1e3, 100e3));
    sheet.resistor("bias", "chassis", (10e3, 100e3));
    let all: usize = BLOCKS.iter().map(|(share, _)| share).sum();
    for _ in 0..=sheet.dice.below(12) {
        let mut lot = sheet.dice.below(all);
        let block = BLOCKS.iter().find(|(share, _)| {
            let found = lot < *share;
            lot = lot.wrapping_sub(*share);
            found
        });
        if let Some((_, block)) = block {
            block(&mut sheet);
        }
    }
    if fed == Fed::FromTheMains {
        sheet.dice.pick(ALTERNATING)(&mut sheet);
    }
    let out = sheet.other("chassis");
    let into = sheet.other("chassis");
    let load = sheet.resistor(&out, "chassis", (8.0, 1e6));
    let mut lines = std::mem::take(&mut sheet.lines);
    let text = |lines: &[String]| {
        let mut text = String::from(
            "[amplifier]\ntitle = \"Random circuit\"\nsource = \"drawn by lot\"\n[parts]\n",
        );
        for line in lines {
            let _ = writeln!(text, "{line}");
        }
        let _ = write!(
            text,
            "[bench]\ngenerator = {{ into = \"{into}\", resistance = \"600R\" }}\nload = \"{load}\"\n"
        );
        text
    };
    for round in 0..4 {
        let Err(faults) = sheet::read(&text(&lines), &[]) else {
            break;
        };
        let mut lacking: BTreeSet<String> = BTreeSet::new();
        for fault in faults {
            if let FileErrorKind::Circuit(
                CircuitError::UsedOnce { name, .. } | CircuitError::NoDcPath { name, .. },
            ) = fault.kind
            {
                lacking.insert(name);
            }
        }
        for (k, node) in lacking.iter().enumerate() {
            lines.push(format!(
                "RX{round}_{k} = {{ resistor = \"100k\", between = [\"{node}\", \"chassis\"] }}"
            ));
        }
    }
    text(&lines)
}
