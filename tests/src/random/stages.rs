//! Random amplifiers that work: two to four stages joined as drawings join them, with and without a power stage,
//! with and without feedback of either sign, on direct supplies or on mains, rectifier and smoothing.

use sim::quantity::{Unit, engineering};

use super::dice::Dice;

/// A part of an amplifier: its designator and the keys of its line.
#[derive(Clone, Debug)]
pub struct Line {
    /// Designator.
    pub name: String,
    /// What stands between the braces.
    pub keys: String,
    /// Ohms and ends of a resistor.
    pub resistor: Option<(f64, [String; 2])>,
}

/// An amplifier as lines that can still be changed.
#[derive(Clone, Debug, Default)]
pub struct Amplifier {
    /// The parts list.
    pub lines: Vec<Line>,
    /// The part the output is taken across.
    pub load: String,
    /// Whether it has a supply from the mains.
    pub on_the_mains: bool,
    nodes: usize,
}

impl Amplifier {
    /// As an amplifier file.
    pub fn text(&self) -> String {
        let lines: Vec<String> = self
            .lines
            .iter()
            .map(|line| format!("{} = {{ {} }}", line.name, line.keys))
            .collect();
        format!(
            "[amplifier]\ntitle = \"Composed amplifier\"\nsource = \"drawn by lot\"\n[parts]\n{}\n[bench]\ngenerator = {{ into = \"in\", resistance = \"600R\" }}\nload = \"{}\"\n",
            lines.join("\n"),
            self.load
        )
    }

    /// Adds a part of these keys.
    pub fn part(&mut self, letter: &str, keys: &str) -> String {
        let name = format!("{letter}{}", self.lines.len() + 1);
        self.lines.push(Line {
            name: name.clone(),
            keys: keys.to_owned(),
            resistor: None,
        });
        name
    }

    /// Adds a resistor.
    pub fn resistor(&mut self, a: &str, b: &str, ohms: f64) -> String {
        // Four digits of it, as a person might write.
        let digits = 10_f64.powf(3.0 - ohms.log10().floor());
        let ohms = (ohms * digits).round() / digits;
        let name = self.part("R", &resistor_keys(a, b, ohms));
        if let Some(line) = self.lines.last_mut() {
            line.resistor = Some((ohms, [a.to_owned(), b.to_owned()]));
        }
        name
    }

    fn capacitor(&mut self, a: &str, b: &str, farads: f64) {
        let value = engineering(farads, Unit::Farad);
        self.part(
            "C",
            &format!("capacitor = \"{value}\", between = [\"{a}\", \"{b}\"]"),
        );
    }

    fn node(&mut self) -> String {
        self.nodes += 1;
        format!("n{}", self.nodes)
    }

    fn triode(&mut self, kind: &str, anode: &str, grid: &str, cathode: &str) {
        self.part(
            "V",
            &format!(
                "valve = \"{kind}\", anode = \"{anode}\", grid = \"{grid}\", cathode = \"{cathode}\""
            ),
        );
    }

    /// Through a capacitor to a leak; the grid.
    fn coupled(&mut self, from: &str, farads: f64, leak: f64) -> String {
        let grid = self.node();
        self.capacitor(from, &grid, farads);
        self.resistor(&grid, "chassis", leak);
        grid
    }
}

/// The keys of a resistor's line, every digit of its ohms.
pub fn resistor_keys(a: &str, b: &str, ohms: f64) -> String {
    format!("resistor = \"{ohms}R\", between = [\"{a}\", \"{b}\"]")
}

/// Small triodes with an anode load and a cathode resistor that suit them.
const SMALL: [(&str, f64, f64); 4] = [
    ("ECC83", 220e3, 1.8e3),
    ("ECC81", 100e3, 1.0e3),
    ("ECC82", 47e3, 1.5e3),
    ("6SN7GT", 47e3, 1.2e3),
];

/// Output pentodes: load of one and of a pair from anode to anode, cathode resistor of one.
const POWER: [(&str, f64, f64, f64); 3] = [
    ("EL84", 5e3, 8e3, 140.0),
    ("6V6GT", 5e3, 9e3, 300.0),
    ("EL34", 2.5e3, 6e3, 250.0),
];

/// Joins the circuit of the supply: what feeds the anodes is `ht`.
fn supply(amplifier: &mut Amplifier, dice: &mut Dice) {
    if !amplifier.on_the_mains {
        let volts = dice.between(240.0, 330.0);
        amplifier.part(
            "HT",
            &format!(
                "supply = \"{volts:.0}V\", positive = \"ht\", negative = \"chassis\", resistance = \"120R\""
            ),
        );
        amplifier.capacitor("ht", "chassis", dice.between(8e-6, 100e-6));
        return;
    }
    amplifier.part(
        "M",
        "mains = \"230V\", frequency = \"50Hz\", between = [\"l\", \"chassis\"], resistance = \"1R\"",
    );
    amplifier.part(
        "T",
        "mains_transformer = \"230V\", primary = [\"l\", \"chassis\"], primary_resistance = \"8R\", secondaries = [ { volts = \"260-0-260V\", nodes = [\"x\", \"chassis\", \"y\"], current = \"120mA\", resistance = \"90R\" } ]",
    );
    if dice.chance(0.5) {
        amplifier.part(
            "V",
            "valve = \"GZ34\", anodes = [\"x\", \"y\"], cathode = \"ht0\"",
        );
    } else {
        amplifier.part(
            "D",
            "diode = \"silicon\", anodes = [\"x\", \"y\"], cathode = \"ht0\"",
        );
    }
    amplifier.capacitor("ht0", "chassis", dice.between(8e-6, 32e-6));
    if dice.chance(0.5) {
        amplifier.part(
            "L",
            "choke = \"8H\", between = [\"ht0\", \"ht\"], resistance = \"250R\"",
        );
    } else {
        amplifier.resistor("ht0", "ht", dice.between(150.0, 600.0));
    }
    amplifier.capacitor("ht", "chassis", dice.between(16e-6, 50e-6));
}

/// A rail of its own behind a resistor.
fn decoupled(amplifier: &mut Amplifier, dice: &mut Dice) -> String {
    if dice.chance(0.3) {
        return "ht".to_owned();
    }
    let rail = amplifier.node();
    amplifier.resistor("ht", &rail, dice.between(4.7e3, 47e3));
    amplifier.capacitor(&rail, "chassis", dice.between(4e-6, 32e-6));
    rail
}

/// A common cathode; its anode, and where feedback may join its cathode.
fn common_cathode(amplifier: &mut Amplifier, dice: &mut Dice, grid: &str) -> (String, String) {
    let (kind, load, bias) = *dice.pick(&SMALL);
    let rail = decoupled(amplifier, dice);
    let [anode, cathode, foot] = [(); 3].map(|()| amplifier.node());
    amplifier.triode(kind, &anode, grid, &cathode);
    amplifier.resistor(&anode, &rail, load * dice.between(0.7, 1.4));
    amplifier.resistor(&cathode, &foot, bias * dice.between(0.8, 1.3));
    amplifier.resistor(&foot, "chassis", 100.0);
    if dice.chance(0.5) {
        amplifier.capacitor(&cathode, &foot, 47e-6);
    }
    (anode, foot)
}

/// A transformer with what iron has; its secondary joined so that feedback is of either sign.
fn output_transformer(
    amplifier: &mut Amplifier,
    dice: &mut Dice,
    (ohms, primary): (f64, &str),
    saturates: &str,
) {
    let leakage = dice.between(5e-3, 40e-3);
    let henries = dice.between(15.0, 60.0);
    let (start, finish) = if dice.chance(0.5) {
        ("out", "chassis")
    } else {
        ("chassis", "out")
    };
    amplifier.part(
        "T",
        &format!(
            "transformer = \"{ohms}R : 8R\", primary = {primary}, secondary = [\"{start}\", \"{finish}\"], primary_resistance = \"250R\", secondary_resistance = \"0.4R\", primary_inductance = \"{henries:.2}H\", leakage_inductance = \"{leakage:.5}H\", capacitance = \"500p\", core_loss = \"80k\"{saturates}"
        ),
    );
    amplifier.load = amplifier.resistor("out", "chassis", 8.0);
}

fn single_ended(amplifier: &mut Amplifier, dice: &mut Dice, from: &str) {
    let (kind, load, _, bias) = *dice.pick(&POWER);
    let grid = amplifier.coupled(from, dice.between(22e-9, 220e-9), 470e3);
    let [anode, cathode] = [(); 2].map(|()| amplifier.node());
    amplifier.part(
        "V",
        &format!(
            "valve = \"{kind}\", anode = \"{anode}\", screen = \"ht\", grid = \"{grid}\", cathode = \"{cathode}\""
        ),
    );
    amplifier.resistor(&cathode, "chassis", bias * dice.between(0.9, 1.3));
    if dice.chance(0.7) {
        amplifier.capacitor(&cathode, "chassis", 100e-6);
    }
    output_transformer(
        amplifier,
        dice,
        (load, &format!("[\"{anode}\", \"ht\"]")),
        "",
    );
}

fn push_pull(amplifier: &mut Amplifier, dice: &mut Dice, from: &str) {
    let (kind, _, load, bias) = *dice.pick(&POWER);
    let rail = decoupled(amplifier, dice);
    let halves = if dice.chance(0.5) {
        // Concertina, coupled.
        let grid = amplifier.coupled(from, 100e-9, 1e6);
        let [anode, cathode, tail] = [(); 3].map(|()| amplifier.node());
        amplifier.triode("6SN7GT", &anode, &grid, &cathode);
        amplifier.resistor(&anode, &rail, 22e3);
        amplifier.resistor(&cathode, &tail, 820.0);
        amplifier.resistor(&tail, "chassis", 22e3);
        [anode, cathode]
    } else {
        // Long-tailed pair, its second grid at the chassis.
        let grid = amplifier.coupled(from, 100e-9, 1e6);
        let [a, b, tail] = [(); 3].map(|()| amplifier.node());
        let second = amplifier.node();
        amplifier.triode("ECC83", &a, &grid, &tail);
        amplifier.triode("ECC83", &b, &second, &tail);
        amplifier.resistor(&second, "chassis", 1e6);
        amplifier.resistor(&a, &rail, 100e3);
        amplifier.resistor(&b, &rail, 110e3);
        amplifier.resistor(&tail, "chassis", dice.between(820.0, 4.7e3));
        [a, b]
    };
    let shared = amplifier.node();
    let mut anodes = Vec::new();
    for half in &halves {
        let grid = amplifier.coupled(half, 100e-9, 330e3);
        let anode = amplifier.node();
        amplifier.part(
            "V",
            &format!(
                "valve = \"{kind}\", anode = \"{anode}\", screen = \"ht\", grid = \"{grid}\", cathode = \"{shared}\""
            ),
        );
        anodes.push(anode);
    }
    amplifier.resistor(&shared, "chassis", 0.5 * bias * dice.between(0.9, 1.3));
    amplifier.capacitor(&shared, "chassis", 100e-6);
    let primary = format!("[\"{}\", \"ht\", \"{}\"]", anodes[0], anodes[1]);
    output_transformer(
        amplifier,
        dice,
        (load, &primary),
        ", saturates = \"15W at 30Hz\"",
    );
}

/// An amplifier of two to four stages.
pub fn compose(dice: &mut Dice, on_the_mains: bool) -> Amplifier {
    let mut amplifier = Amplifier {
        on_the_mains,
        ..Amplifier::default()
    };
    supply(&mut amplifier, dice);
    amplifier.resistor("in", "chassis", 1e6);
    let (mut at, foot) = common_cathode(&mut amplifier, dice, "in");
    if dice.chance(0.5) {
        let grid = amplifier.coupled(&at, dice.between(10e-9, 220e-9), 470e3);
        if dice.chance(0.5) {
            at = common_cathode(&mut amplifier, dice, &grid).0;
        } else {
            let [cathode, tap] = [(); 2].map(|()| amplifier.node());
            amplifier.triode("ECC82", "ht", &grid, &cathode);
            amplifier.resistor(&cathode, &tap, 1e3);
            amplifier.resistor(&tap, "chassis", 22e3);
            at = cathode;
        }
    }
    match dice.below(3) {
        0 => {
            // A preamplifier: what it gives stands across a resistor.
            let out = amplifier.coupled(&at, 470e-9, 1e6);
            amplifier.load = amplifier.resistor(&out, "chassis", 470e3);
            if dice.chance(0.4) {
                amplifier.resistor(&out, &foot, dice.between(22e3, 470e3));
            }
        }
        last => {
            if last == 1 {
                single_ended(&mut amplifier, dice, &at);
            } else {
                push_pull(&mut amplifier, dice, &at);
            }
            if dice.chance(0.6) {
                amplifier.resistor("out", &foot, dice.between(470.0, 22e3));
            }
        }
    }
    amplifier
}
