//! What can be wrong with an amplifier file. What the reader had to assume is a note of the amplifier.
//!
//! No sentence of advice is written here: whoever prints a fault words it for the reader.
//!
//! Over 400 lines because it is one table: every fault with its words.

use std::ops::Range;

use models::valve_file::DataErrorKind;

use sim::circuit::CircuitError;
use sim::quantity::QuantityError;

/// A fault and its place.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{kind}")]
pub struct FileError {
    /// Bytes of the file; empty for a fault of a `--set` argument.
    pub span: Range<usize>,
    /// What is wrong.
    pub kind: FileErrorKind,
    /// Other places that belong to it, e.g. the other parts of a loop.
    pub also: Vec<Range<usize>>,
}

/// What a value must be besides having the right unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bounds {
    /// Any finite number.
    Any,
    /// Zero or more.
    NotNegative,
    /// More than zero.
    Positive,
    /// From 0 % to 100 %.
    Share,
}

impl Bounds {
    /// Whether `value` is inside.
    pub fn hold(self, value: f64) -> bool {
        value.is_finite()
            && match self {
                Self::Any => true,
                Self::NotNegative => value >= 0.0,
                Self::Positive => value > 0.0,
                Self::Share => (0.0..=1.0).contains(&value),
            }
    }

    /// In words, to follow "must be".
    pub fn words(self) -> &'static str {
        match self {
            Self::Any => "a number",
            Self::NotNegative => "zero or more",
            Self::Positive => "more than zero",
            Self::Share => "between 0 % and 100 %",
        }
    }
}

/// What is wrong with an amplifier file.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FileErrorKind {
    /// The text is no TOML; the message is the parser's.
    #[error("{message}")]
    Syntax {
        /// The parser's message.
        message: String,
    },
    /// One name on two lines.
    #[error("{name} is listed twice")]
    ListedTwice {
        /// The designator or key.
        name: String,
    },
    /// A whole table is absent.
    #[error("there is no [{table}]")]
    MissingTable {
        /// Its name.
        table: &'static str,
    },
    /// A key that must be there is not.
    #[error("{owner} has no `{key}`")]
    MissingKey {
        /// The designator or table.
        owner: String,
        /// What it is, e.g. "resistor".
        what: &'static str,
        /// The key.
        key: &'static str,
    },
    /// A key that nothing reads.
    #[error("`{key}` is no key of a {what}")]
    UnknownKey {
        /// The key.
        key: String,
        /// What it stands in, e.g. "resistor".
        what: &'static str,
        /// The known key most like it.
        nearest: Option<&'static str>,
        /// All keys known there.
        known: Vec<&'static str>,
    },
    /// The first key of a part is no kind of part.
    #[error("`{key}` is no kind of part")]
    UnknownKind {
        /// The designator.
        part: String,
        /// The key.
        key: String,
        /// The kind most like it.
        nearest: Option<&'static str>,
    },
    /// The kind of a part is there but not in front.
    #[error("`{kind}` must come first")]
    KindNotFirst {
        /// The designator.
        part: String,
        /// The kind.
        kind: &'static str,
    },
    /// A part without keys.
    #[error("{part} says nothing")]
    EmptyPart {
        /// The designator.
        part: String,
    },
    /// Text where a list must be, and the like.
    #[error("`{key}` must be {wanted}, not {found}")]
    WrongType {
        /// The key.
        key: String,
        /// What must be there.
        wanted: &'static str,
        /// What is there.
        found: &'static str,
    },
    /// A value that cannot be read.
    #[error("`{key}`: {error}")]
    Quantity {
        /// The key.
        key: String,
        /// Why.
        error: QuantityError,
    },
    /// A value that can be read but cannot be.
    #[error("`{key}` must be {}", wanted.words())]
    OutOfBounds {
        /// The key.
        key: String,
        /// What it must be.
        wanted: Bounds,
    },
    /// A text of several values that does not have their form.
    #[error("`{key}` is written like `{example}`")]
    Form {
        /// The key.
        key: String,
        /// A good one.
        example: &'static str,
    },
    /// A valve type the library does not hold.
    #[error("valve type `{name}` is unknown")]
    UnknownValve {
        /// The type asked for.
        name: String,
        /// The type most like it.
        nearest: Option<String>,
    },
    /// A type that the file brings with it is faulty.
    #[error("{0}")]
    ValveType(DataErrorKind),
    /// An electrode the valve has is joined to nothing.
    #[error("the {electrode} of {part} is joined to nothing")]
    MissingElectrode {
        /// The designator.
        part: String,
        /// The valve type.
        valve: String,
        /// Triode, pentode or rectifier.
        kind: &'static str,
        /// The electrode.
        electrode: &'static str,
    },
    /// An electrode the valve does not have is joined.
    #[error("a {kind} has no {electrode}")]
    NoSuchElectrode {
        /// The valve type.
        valve: String,
        /// Triode, pentode or rectifier.
        kind: &'static str,
        /// The electrode.
        electrode: String,
    },
    /// A filament on a valve that has a cathode.
    #[error("{valve} has a cathode, not a filament")]
    NoFilament {
        /// The valve type.
        valve: String,
    },
    /// A heater on a valve whose filament is its cathode.
    #[error("{valve} has a filament, not a heater")]
    NoHeater {
        /// The valve type.
        valve: String,
    },
    /// One valve joined both by its filament and by a cathode.
    #[error("{part} has both a filament and a cathode")]
    FilamentAndCathode {
        /// The designator.
        part: String,
        /// The valve type.
        valve: String,
    },
    /// One heater for all sections, drawn with two of them.
    #[error("the heater of envelope {envelope} is drawn twice")]
    HeaterTwice {
        /// The envelope.
        envelope: String,
    },
    /// More sections in an envelope than the type holds.
    #[error("envelope {envelope} holds more than {sections} sections")]
    EnvelopeFull {
        /// The envelope.
        envelope: String,
        /// The valve type.
        valve: String,
        /// Sections of the type.
        sections: usize,
    },
    /// Three nodes on a winding whose volts say nothing of a centre tap.
    #[error("`{key}` of a winding with a centre tap is written {halves}")]
    CentreTap {
        /// The key of the volts.
        key: String,
        /// Its two halves, as they are written.
        halves: String,
    },
    /// Too few or too many nodes in a list.
    #[error("`{key}` lists {found} nodes")]
    NodeCount {
        /// The key.
        key: String,
        /// Least number.
        least: usize,
        /// Greatest number.
        most: Option<usize>,
        /// Number there.
        found: usize,
    },
    /// Both ends of a part on one node.
    #[error("both ends of {part} are on {node}")]
    SameNode {
        /// The designator.
        part: String,
        /// The node.
        node: String,
    },
    /// A winding of n nodes needs n − 2 taps.
    #[error("`{key}` lists {found} taps, not {wanted}")]
    TapCount {
        /// The key.
        key: String,
        /// Nodes between the ends.
        wanted: usize,
        /// Taps given.
        found: usize,
    },
    /// Taps out of order, or beyond the ends.
    #[error("taps must rise from one end of the winding to the other")]
    TapOrder {
        /// The key.
        key: String,
    },
    /// A track law nobody makes.
    #[error("track law `{found}` is unknown")]
    UnknownLaw {
        /// What was asked for.
        found: String,
    },
    /// A shape no signal has.
    #[error("wave `{found}` is unknown")]
    UnknownWave {
        /// What was asked for.
        found: String,
    },
    /// Too few or too many frequencies for the shape of the signal.
    #[error("`frequency` lists {found} tones, not {wanted}")]
    ToneCount {
        /// Tones of the shape.
        wanted: usize,
        /// Tones given.
        found: usize,
    },
    /// A position the switch does not have.
    #[error("switch {part} has no position `{found}`")]
    UnknownPosition {
        /// The designator.
        part: String,
        /// What was asked for.
        found: String,
        /// The positions there are.
        positions: Vec<String>,
    },
    /// A part named elsewhere that is not in the parts list.
    #[error("there is no part {name}")]
    UnknownPart {
        /// The designator asked for.
        name: String,
        /// The one most like it.
        nearest: Option<String>,
    },
    /// A load that cannot take power.
    #[error("{name} cannot be the load")]
    LoadKind {
        /// The designator.
        name: String,
    },
    /// A node named elsewhere that no part joins.
    #[error("no part joins node `{name}`")]
    UnknownNode {
        /// The node asked for.
        name: String,
        /// The one most like it.
        nearest: Option<String>,
    },
    /// A figure that means nothing without another one.
    #[error("`{key}` needs `{needs}`")]
    Needs {
        /// The figure given.
        key: String,
        /// The figure wanted.
        needs: &'static str,
    },
    /// Leakage inductance as great as the inductance itself.
    #[error("leakage inductance is not below the inductance of the winding")]
    LeakageTooGreat,
    /// An inductance above what the gap alone allows.
    #[error("inductance is above what the gap allows")]
    GapTooWide {
        /// Inductance of the gap alone, H.
        gap: f64,
    },
    /// More than one mains.
    #[error("the mains is {first} already")]
    SecondMains {
        /// Designator of the first.
        first: String,
    },
    /// Nominal volts outside the band stated for them.
    #[error("the mains does not lie between `low` and `high`")]
    MainsBand {
        /// V rms.
        nominal: f64,
    },
    /// A tap the primary does not have.
    #[error("{part} has no tap {found}")]
    UnknownTap {
        /// The designator.
        part: String,
        /// What was asked for.
        found: String,
        /// The taps there are.
        taps: Vec<String>,
    },
    /// Volts of a secondary both on load and off load.
    #[error("`volts` and `off_load` state the same twice")]
    VoltsTwice,
    /// A core loss that alone exceeds the current off load.
    #[error("the core loss alone takes more than the magnetising current")]
    CoreLossTooGreat,
    /// Winding resistances that take most of the volts.
    #[error("the winding resistances take more than half of the volts")]
    DropTooGreat,
    /// A part that has no value to set.
    #[error("{part} has no value to set")]
    NotSettable {
        /// The designator.
        part: String,
        /// What it is.
        what: &'static str,
    },
    /// An argument that is not PART=VALUE.
    #[error("`{argument}` is not PART=VALUE")]
    SetForm {
        /// The argument.
        argument: String,
    },
    /// A fault of a value set from outside the file.
    #[error("{part}={value}: {fault}")]
    Set {
        /// The designator.
        part: String,
        /// The value.
        value: String,
        /// What is wrong with it.
        fault: Box<FileErrorKind>,
    },
    /// A rework removes or replaces a part that its base does not have.
    #[error("the base has no part {name}")]
    NotInBase {
        /// The designator.
        name: String,
        /// The one of the base most like it.
        nearest: Option<String>,
    },
    /// A rework adds a part that its base has.
    #[error("the base has a part {name} already")]
    InBase {
        /// The designator.
        name: String,
    },
    /// A rework removes and replaces one part.
    #[error("{name} is both removed and replaced")]
    RemovedToo {
        /// The designator.
        name: String,
    },
    /// A value alone for a part that has several.
    #[error("{part} has no single value")]
    NoSingleValue {
        /// The designator.
        part: String,
        /// The key that says what it is.
        key: String,
    },
    /// One end is left of a node that a rework cut.
    #[error("node {node} is left with one end")]
    LeftOver {
        /// The node.
        node: String,
        /// The parts removed or replaced that were joined to it.
        gone: Vec<String>,
    },
    /// A fault of the circuit as a whole.
    #[error("{0}")]
    Circuit(CircuitError),
}
