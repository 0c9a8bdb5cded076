//! Amplifiers unlike the examples (`tests/answers/`), a rework of each, and the questions a restorer puts to them
//! with the time an answer may take.

use std::fs;
use std::path::{Path, PathBuf};

use sim::quantity::{Unit, engineering};

use crate::examples::Opened;
use crate::random::dice::Dice;
use crate::random::stages::compose;
use crate::source::root;

/// An amplifier of the set.
#[derive(Clone, Debug)]
pub struct Asked {
    /// The file's name without its ending.
    pub name: String,
    /// The amplifier file.
    pub file: PathBuf,
    /// The file with one part changed.
    pub rework: PathBuf,
    /// Whether it has a mains transformer.
    pub on_the_mains: bool,
}

/// The set, in the order of its names.
///
/// # Panics
/// When the folder cannot be read.
pub fn set() -> Vec<Asked> {
    folder("tests/answers")
}

/// One of the set, read.
///
/// # Panics
/// When there is none of that name or it has faults.
pub fn opened(name: &str) -> Opened {
    let asked = set().into_iter().find(|asked| asked.name == name);
    let file = asked.expect("it is of the set").file;
    Opened::read(&fs::read_to_string(file).expect("it is text"), &[])
}

/// The drawings of a folder, in the order of their names; where they have reworks, these stand in `reworks`.
///
/// # Panics
/// When the folder cannot be read.
pub fn folder(path: &str) -> Vec<Asked> {
    let folder = root().join(path);
    let mut found: Vec<Asked> = files(&folder)
        .into_iter()
        .map(|file| {
            let name = file.file_stem().unwrap_or_default().to_string_lossy();
            let text = fs::read_to_string(&file).expect("a file of the set is text");
            Asked {
                name: name.into_owned(),
                rework: folder
                    .join("reworks")
                    .join(file.file_name().unwrap_or_default()),
                on_the_mains: text.contains("{ mains_transformer = "),
                file,
            }
        })
        .collect();
    found.sort_by(|one, other| one.name.cmp(&other.name));
    found
}

/// So many amplifiers composed by lot (`tests/src/random/stages.rs`), every third on its mains, and a rework of each with
/// a fifth more of one resistor; written to a folder.
///
/// # Panics
/// When the folder cannot be written.
pub fn composed(count: u64, seed: u64, folder: &Path) -> Vec<Asked> {
    let reworks = folder.join("reworks");
    fs::create_dir_all(&reworks).expect("the folder can be made");
    let written = |number| {
        let mut dice = Dice::new(seed, number);
        let amplifier = compose(&mut dice, number % 3 == 2);
        let resistors: Vec<(&str, f64)> = amplifier
            .lines
            .iter()
            .filter(|line| line.name != amplifier.load)
            .filter_map(|line| Some((line.name.as_str(), line.resistor.as_ref()?.0)))
            .collect();
        let (name, ohms) = *dice.pick(&resistors);
        let asked = Asked {
            name: format!("{seed}-{number:03}"),
            file: folder.join(format!("{seed}-{number:03}.toml")),
            rework: reworks.join(format!("{seed}-{number:03}.toml")),
            on_the_mains: amplifier.on_the_mains,
        };
        let rework = format!(
            "base = \"../{}.toml\"\n[replace]\n{name} = \"{}\"\n",
            asked.name,
            engineering(1.2 * ohms, Unit::Ohm)
        );
        fs::write(&asked.file, amplifier.text()).expect("the folder can be written");
        fs::write(&asked.rework, rework).expect("the folder can be written");
        asked
    };
    (0..count).map(written).collect()
}

/// The TOML files of a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).expect("the folder is there");
    entries
        .map(|entry| entry.expect("its entries can be read").path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"))
        .collect()
}

/// A command, and the CPU seconds it may take on direct supplies and on the mains. Our own goals: what somebody at
/// the bench waits for without turning to something else.
#[derive(Clone, Copy, Debug)]
pub struct Goal {
    /// The command.
    pub command: &'static str,
    direct: f64,
    mains: f64,
}

impl Goal {
    const fn new(command: &'static str, direct: f64, mains: f64) -> Self {
        Self {
            command,
            direct,
            mains,
        }
    }

    /// The CPU seconds it may take, s.
    pub fn seconds(&self, on_the_mains: bool) -> f64 {
        if on_the_mains {
            self.mains
        } else {
            self.direct
        }
    }
}

/// Every command that is timed.
pub const GOALS: [Goal; 12] = [
    Goal::new("voltages", 1.0, 1.0),
    Goal::new("readings", 2.0, 2.0),
    Goal::new("response", 2.0, 2.0),
    Goal::new("impedance", 2.0, 2.0),
    Goal::new("feedback", 2.0, 2.0),
    Goal::new("power", 6.0, 10.0),
    Goal::new("noise", 5.0, 5.0),
    Goal::new("distortion", 12.0, 12.0),
    Goal::new("hum", 5.0, 5.0),
    Goal::new("supply", 5.0, 5.0),
    Goal::new("check", 10.0, 10.0),
    Goal::new("compare", 15.0, 15.0),
];
