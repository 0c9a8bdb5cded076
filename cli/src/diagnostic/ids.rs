//! The diagnostics there are. The text of each is what `gridleak explain ID` prints.
//!
//! Long because it is a table. The examples hold brackets that are no links.

#![allow(
    clippy::doc_link_with_quotes,
    rustdoc::broken_intra_doc_links,
    reason = "examples of files"
)]

/// Makes the closed list of ids, their printed names and their explanations.
macro_rules! ids {
    ($($(#[doc = $doc:literal])+ $name:ident = $text:literal),+ $(,)?) => {
        /// A kind of diagnostic.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(crate) enum Id { $($(#[doc = $doc])+ $name),+ }

        impl Id {
            /// All of them.
            pub(crate) const ALL: &'static [Self] = &[$(Self::$name),+];

            /// The words in the brackets of a message.
            pub(crate) fn text(self) -> &'static str {
                match self { $(Self::$name => $text),+ }
            }

            /// Meaning, why it matters, an example and how to mend it.
            pub(crate) fn explanation(self) -> &'static str {
                match self { $(Self::$name => concat!($($doc, "\n"),+)),+ }
            }
        }
    };
}

ids! {
    /// Means    The file cannot be read as TOML: a quote, bracket or comma is missing or too many.
    /// Matters  Nothing behind the slip can be understood, so only slips of this kind are listed.
    /// Example  R1 = { resistor = "47k", between = ["a", "ht" }
    /// Mend     Close what is open on the line shown; here: ["a", "ht"].
    Syntax = "syntax",
    /// Means    The file holds bytes that are no text.
    /// Matters  An amplifier file is plain UTF-8 text; a picture or a word-processor file is not.
    /// Example  gridleak voltages chassis.jpg
    /// Mend     Save the file as plain text.
    NotText = "not-text",
    /// Means    The file cannot be opened.
    /// Matters  Without it there is nothing to do.
    /// Example  gridleak voltages amplifer.toml
    /// Mend     Check the spelling of the path, and that you may read the file.
    CannotRead = "cannot-read",
    /// Means    The recording is no WAV file, is damaged or empty, or is of a kind that is not played.
    /// Matters  What cannot be read cannot be heard; half a recording would be judged as if it were whole.
    /// Example  gridleak listen amp.toml song.mp3 -o out.wav
    /// Mend     Save it as WAV: one channel or two, 8 to 32 bit or 32 bit float, 4 to 384 kHz.
    Recording = "recording",
    /// Means    A result cannot be written: the file exists, is one of those that are read, or is named twice; its ending
    /// promises another kind of file; its folder is not there or closed; or the output of the program is closed or full.
    /// Matters  What cannot be written is lost, and a drawing that was written over is lost as well. All but a disk that
    /// fills up is found before the work.
    /// Example  gridleak waveform amp.toml --csv out.csv, and out.csv is already there
    /// Mend     Give another name; or --overwrite, which never writes over a file that is read.
    CannotWrite = "cannot-write",
    /// Means    A designator or key is used on two lines.
    /// Matters  Only one of the two values can be meant.
    /// Example  R3 = … on one line and R3 = … again further down
    /// Mend     Give the second part its own designator, or delete it.
    ListedTwice = "listed-twice",
    /// Means    One of the three tables [amplifier], [parts] and [bench] is not in the file.
    /// Matters  Without a parts list there is no circuit; without a bench nobody knows where the signal
    /// enters and where the power is wanted.
    /// Example  a file that ends after its parts list
    /// Mend     Add the table, e.g. [bench] with generator = { into = "in", resistance = "600R" } and load = "R40".
    MissingTable = "missing-table",
    /// Means    A key that the part cannot do without is not there.
    /// Matters  No typical value could stand for it.
    /// Example  R1 = { resistor = "47k" }
    /// Mend     Add the key; here: between = ["a", "ht"].
    MissingKey = "missing-key",
    /// Means    A key that nothing reads.
    /// Matters  A misspelt rating or leakage that is silently skipped would give a wrong answer.
    /// Example  R1 = { resistor = "47k", beetween = ["a", "ht"] }
    /// Mend     Correct or delete it; the keys that are read there are listed.
    UnknownKey = "unknown-key",
    /// Means    The first key of a part does not say what kind of part it is.
    /// Matters  A parts list is read from the left: what it is, then where it is.
    /// Example  R1 = { resitor = "47k", between = ["a", "ht"] }
    /// Mend     Put the kind first: resistor, capacitor, electrolytic, inductor, choke, field, transformer,
    /// autotransformer, valve, diode, bridge, pot, switch, mains, mains_transformer, supply, ac_supply,
    /// signal or loudspeaker.
    UnknownKind = "unknown-kind",
    /// Means    A list, a text or a number stands where another of them belongs.
    /// Matters  It cannot be guessed what was meant.
    /// Example  between = "a, ht"
    /// Mend     Write it as the message says; here: between = ["a", "ht"].
    WrongForm = "wrong-form",
    /// Means    A value whose digits or letters cannot be read.
    /// Matters  A decade slip is the commonest fault of a parts list.
    /// Example  resistor = "4k7k"
    /// Mend     Write it as the trade does: 47k, 4k7, R47, 0.05u, 25 µF, 60mA.
    BadValue = "bad-value",
    /// Means    Digits without a unit.
    /// Matters  450 could be volts or millivolts, 0.02 microfarads or picofarads.
    /// Example  supply = "450"
    /// Mend     Add the unit: "450V". Ohms alone may go without: "470".
    MissingUnit = "missing-unit",
    /// Means    A good value of the wrong kind, such as microfarads for a resistor.
    /// Matters  Two lines or two columns of the parts list were probably mixed up.
    /// Example  R4 = { resistor = "25 µF", … }
    /// Mend     Give the value in the unit named in the message.
    WrongUnit = "wrong-unit",
    /// Means    Letters that have been used for two different units.
    /// Matters  mF meant microfarads on old drawings and means a thousand times as much today.
    /// Example  capacitor = "0.1mF"
    /// Mend     Write uF or µF for microfarads, 100u for a tenth of a millifarad; 1M for a megohm.
    AmbiguousUnit = "ambiguous-unit",
    /// Means    A value no real part has: negative, zero where there must be something, or beyond 100 %.
    /// Matters  The voltages computed from it would mean nothing.
    /// Example  resistor = "-47k"
    /// Mend     Give the value of the real part. For a joint without resistance use one node, not a resistor of zero.
    OutOfBounds = "out-of-bounds",
    /// Means    The valve type is not in the library.
    /// Matters  Without its data the valve cannot be computed.
    /// Example  valve = "ECC38"
    /// Mend     Correct the type, or take one of the same data; the type most like it is offered.
    UnknownValve = "unknown-valve",
    /// Means    The figures of a valve type that you bring are not as a valve file has them.
    /// Matters  A valve is computed from them; a slip in one of them would go through everything.
    /// Example  anode_watts = -12
    /// Mend     Correct it by the data sheet. Parameters and grid current may be left out: they are fitted and assumed.
    ValveFile = "valve-file",
    /// Means    An electrode of the valve is joined to nothing.
    /// Matters  An electrode in the air takes whatever voltage leakage gives it.
    /// Example  an EL84 without screen = …
    /// Mend     Join it. A pentode used as a triode has its screen on the anode's node.
    MissingElectrode = "missing-electrode",
    /// Means    An electrode is joined that this type does not have.
    /// Matters  Type or drawing is wrong.
    /// Example  a 6SN7 with screen = "s1"
    /// Mend     Delete the key, or correct the type.
    NoSuchElectrode = "no-such-electrode",
    /// Means    A directly heated valve is joined both by its filament and by a cathode.
    /// Matters  The filament is the cathode: there is no third wire to join.
    /// Example  a 2A3 with filament = ["f1", "f2"] and cathode = "k"
    /// Mend     Delete the cathode; its wire goes to an end of the filament, or to a tap between its ends.
    CathodeTwice = "cathode-twice",
    /// Means    Two sections of one envelope both say where its heater goes.
    /// Matters  There is one heater in the glass; drawn twice it would draw its current twice.
    /// Example  heater = ["h1", "h2"] on both lines of a 6SN7 with envelope = "V1"
    /// Mend     Leave it on one of the lines.
    HeaterTwice = "heater-twice",
    /// Means    An envelope is given more sections than the type has.
    /// Matters  A double triode has no third section; two lines probably share a designator by mistake.
    /// Example  three lines of a 6SN7 with envelope = "V1"
    /// Mend     Correct the envelope of one of them.
    EnvelopeFull = "envelope-full",
    /// Means    A list of nodes is too short or too long.
    /// Matters  Each part has its own number of terminals.
    /// Example  between = ["a", "b", "c"]
    /// Mend     Name one node for each terminal, in the order of the key.
    NodeCount = "node-count",
    /// Means    Both ends of a part are on one node.
    /// Matters  It does nothing there, so one of the nodes is a slip.
    /// Example  R1 = { resistor = "47k", between = ["a", "a"] }
    /// Mend     Correct one of the nodes, or delete the part.
    ShortedPart = "shorted-part",
    /// Means    The taps do not fit the nodes of the winding: too few, too many, or out of order; or the
    /// tap chosen of a mains transformer is not among its `taps`.
    /// Matters  Turns between neighbouring nodes must be more than none.
    /// Example  primary = ["a", "s", "ht"], primary_taps = ["43%", "50%"]
    /// Mend     One tap for each node between the ends, rising: "43%" of the turns from the first end.
    Taps = "taps",
    /// Means    A pot with a law nobody makes.
    /// Matters  The law decides what a setting in per cent of the travel is worth.
    /// Example  law = "audio taper"
    /// Mend     law = "linear", "log" or "reverse log".
    UnknownLaw = "unknown-law",
    /// Means    A signal of a shape there is none of.
    /// Matters  Distortion of every kind is measured with its own signal.
    /// Example  wave = "triangle"
    /// Mend     wave = "sine", "square" or "two tone".
    UnknownWave = "unknown-wave",
    /// Means    A signal with more or fewer frequencies than its shape has tones.
    /// Matters  Which of them is meant cannot be guessed.
    /// Example  wave = "two tone", frequency = "60Hz"
    /// Mend     frequency = ["60Hz", "7kHz"] for two tones, frequency = "1kHz" for a sine or square wave.
    Tones = "tones",
    /// Means    The switch has no such position.
    /// Matters  It would be joined to nothing.
    /// Example  switch = "brite"
    /// Mend     Choose one of its positions, or add it to positions.
    UnknownPosition = "unknown-position",
    /// Means    A designator that is not in the parts list.
    /// Matters  A load or setting that belongs to no part has no effect.
    /// Example  load = "R400" where the list has R40
    /// Mend     Correct the designator.
    UnknownPart = "unknown-part",
    /// Means    The load on the bench can take no power.
    /// Matters  Watts are stated in a resistance.
    /// Example  load = "C3"
    /// Mend     Name a resistor or a loudspeaker.
    LoadKind = "load-kind",
    /// Means    A node that no part joins.
    /// Matters  A generator or a trace on it would see nothing.
    /// Example  generator = { into = "imput", … }
    /// Mend     Correct the name; case matters.
    UnknownNode = "unknown-node",
    /// Means    A figure that means nothing without another one.
    /// Matters  15 W at 30 Hz is a flux only when the impedance it is delivered into is known.
    /// Example  a turns ratio with saturates = "15W at 30Hz"
    /// Mend     Add the key that the message names.
    NeedsAnother = "needs-another",
    /// Means    The figures of a part contradict each other: inductance and leakage of a winding, currents
    /// and resistances of a mains transformer, the mains and its band.
    /// Matters  Leakage is a part of the inductance, and a gap can only lower it.
    /// Example  primary_inductance = "20H", leakage_inductance = "25H"
    /// Mend     Check the decade: leakage is some thousandths of the inductance.
    Contradiction = "contradiction",
    /// Means    A --set that cannot be carried out.
    /// Matters  The answer would be that of the unchanged file.
    /// Example  --set R3
    /// Mend     --set PART=VALUE, e.g. --set R3=51k, --set VR1=40%, --set S1=bright.
    Setting = "setting",
    /// Means    Only one terminal is joined to the node.
    /// Matters  No current can flow there: either a part is missing from the list or the name is a slip.
    /// Example  R1 between "a1" and "ht", the anode on "al"
    /// Mend     Give both the same name, or add the missing part.
    UsedOnce = "used-once",
    /// Means    No direct current can flow between the electrode and the chassis.
    /// Matters  A grid without a leak drifts until the valve runs away; a cathode without a path carries no
    /// current; neither has a voltage that could be computed.
    /// Example  a grid joined to a coupling capacitor only
    /// Mend     A grid needs its leak, a cathode its resistor, an anode or screen its feed.
    NoDcPath = "no-dc-path",
    /// Means    Supplies or windings without resistance close a loop.
    /// Matters  The current round it is limited by nothing.
    /// Example  a 300 V and a 250 V supply on the same two nodes
    /// Mend     Give one of them its real resistance, or take it out.
    Loop = "loop",
    /// Means    No set of steady voltages was found that the circuit could have.
    /// Matters  Every other answer starts from there.
    /// Example  a cathode at 400 V through a slip of a decade
    /// Mend     Look at the node named: check the values and joints of the parts there.
    NoOperatingPoint = "no-operating-point",
    /// Means    The run could not be followed past the time named.
    /// Matters  What comes after it is unknown.
    /// Example  a relaxation with nothing to slow it down
    /// Mend     Look at the node named: a real circuit has stray capacitance and winding resistance there.
    Stuck = "stuck",
    /// Means    The circuit did not settle to a repeating cycle.
    /// Matters  Power and distortion are defined for a steady tone only.
    /// Example  an amplifier that motor-boats
    /// Mend     The message names what still moves, and by how much a cycle: look at what is joined there, at feedback and
    ///          decoupling. With a signal, `waveform` follows it from rest without seeking a cycle.
    NotPeriodic = "not-periodic",
    /// Means    A disturbance of the voltages at rest, or of a settled cycle, grows by itself.
    /// Matters  The amplifier howls, motor-boats or burns valves unheard; no figure of power holds.
    /// Example  feedback joined the wrong way round, or grids without stopper resistors
    /// Mend     Swap the ends of the winding that feeds back, fit stoppers, reduce the feedback, look at
    ///          leakage inductance and decoupling.
    Oscillates = "oscillates",
    /// Means    Nothing in the circuit determines a voltage or current.
    /// Matters  Any figure would be as good as another.
    /// Example  a winding joined to the rest nowhere
    /// Mend     Join it to the chassis, directly or through a resistor.
    Undetermined = "undetermined",
    /// Means    A table a response is to be compared with cannot be used.
    /// Matters  A deviation from half a curve would mislead.
    /// Example  gridleak response amp.toml --target curve.csv, with a line `20;19.3`
    /// Mend     Write a line a point, hertz and decibels with a comma between, in rising frequency and from below
    ///          1 kHz to above it.
    TargetCurve = "target-curve",
    /// Means    No value of the part makes the figure what is wanted.
    /// Matters  Somewhere else the limit lies: the valve, the supply, another part.
    /// Example  gridleak choose amp.toml --part R5 --so-that "V2 anode current = 2A"
    /// Mend     See what the figure reaches and at which value, and change another part first.
    NotReached = "not-reached",
    /// Means    The question cannot be asked of this circuit.
    /// Matters  There is nothing to measure.
    /// Example  a generator whose signal does not reach the load
    /// Mend     Follow the signal from the generator: volume at zero, a switch, a missing coupling capacitor.
    CannotAsk = "cannot-ask",
    /// Means    No part leads from the output back into the amplifier.
    /// Matters  Without overall feedback there is no loop gain and there are no margins.
    /// Example  gridleak feedback of an amplifier without overall feedback
    /// Mend     Nothing is wrong. Name the part with --through if a loop inside the amplifier is meant.
    NoFeedback = "no-feedback",
    /// Means    Several loops run from the output back into the amplifier.
    /// Matters  Each has its own loop gain, and which is meant cannot be guessed.
    /// Example  feedback to the first cathode, and a second resistor to the driver
    /// Mend     Name one part of the loop: --through R16. Parts named together, --through R16 --through R20,
    /// are broken together.
    WhichLoop = "which-loop",
    /// Means    Nothing in the file alternates that could be switched on.
    /// Matters  From a direct supply there is no rectifier, no ripple, no inrush and no warm-up race to tell of.
    /// Example  gridleak switch-on or gridleak supply of an amplifier whose HT is a `supply` line
    /// Mend     Draw its mains transformer, rectifier and smoothing in the place of the supply.
    NoMains = "no-mains",
    /// Means    No rectifier valve is there that silicon could stand in for.
    /// Matters  With the same rectifiers twice there is nothing to compare.
    /// Example  gridleak switch-on --silicon of an amplifier with a bridge
    /// Mend     Ask without --silicon.
    NoRectifierValve = "no-rectifier-valve",
    /// Means    A rework names itself as its base, directly or through the bases of its base.
    /// Matters  There is no amplifier at the bottom to begin with.
    /// Example  base = "mine.toml" in mine.toml
    /// Mend     Name the amplifier file, or the rework, that this one changes.
    OwnBase = "own-base",
    /// Means    A rework gives a value alone for a part that is measured by several, such as a transformer
    /// listed by its windings.
    /// Matters  It cannot be guessed which of them is meant.
    /// Example  T2 = "6k6 : 8R" under [replace], where the base has transformer = [ { name = "primary", … } ]
    /// Mend     Write the whole line.
    NoSingleValue = "no-single-value",
    /// Means    A rework took away what was joined to a node, and one end is left there.
    /// Matters  A part of which one end hangs in the air does nothing; it was forgotten, or so was what it
    /// should be joined to.
    /// Example  remove = ["R20"] without C9, which stood in series with it
    /// Mend     Remove the part too, or replace it by one that is joined elsewhere.
    LeftOver = "left-over",
    /// Means    `check --strict` found something heavier than a remark.
    /// Matters  A script that asked for it stops here.
    /// Example  gridleak check amp.toml --strict
    /// Mend     Look at each finding; ask without --strict to be told without the exit status.
    CheckStrict = "check-strict",
    /// Means    A supply looks into less resistance than any load has: a wire, a closed contact, a joint.
    /// Matters  Nothing else in the chart holds while it lasts; on the bench a fuse goes, or a transformer.
    /// Example  HT = { supply = "300V", … } with a switch that joins `ht` to the chassis
    /// Mend     Look for the joint that should be another node; set the switch as it is when playing.
    ShortCircuit = "short-circuit",
    /// Means    What comes back from the output at mid band adds to the signal.
    /// Matters  The gain rises with distortion, noise and output impedance, and the amplifier oscillates with enough of it or with another load.
    /// Example  a secondary whose ends are exchanged
    /// Mend     Swap the ends of the winding it is taken from, or of the primary, or take it to the electrode or the half where it belongs.
    PositiveFeedback = "positive-feedback",
    /// Means    The valves at both ends of a push-pull winding get the same signal, not opposite ones.
    /// Matters  Their currents cancel in the transformer, and next to nothing comes out. Small signals at the frequency of the bench tell it.
    /// Example  both coupling capacitors of a pair joined to one anode of the driver
    /// Mend     Join one of the grids to the other output of the stage before.
    InPhase = "in-phase",
    /// Means    Next to nothing of the signal arrives between the grid and the cathode of a valve in its way.
    /// Matters  What comes after it has nothing to amplify; of a pair, one half works for both.
    /// Example  a coupling capacitor joined to the wrong grid, a pot whose ends are exchanged
    /// Mend     Look at what the grid hangs on, which is named, and at what should bring the signal there.
    NoDrive = "no-drive",
    /// Means    Capacitors keep a dangerous voltage for more than a minute after switching off.
    /// Matters  It kills after the plug is pulled. Valves are taken as cold and leakage as none.
    /// Example  a reservoir of 50 µF at 400 V without a bleeder
    /// Mend     A resistor across the reservoir: 220 kΩ, 2 W brings 50 µF from 400 V to 50 V in 23 s.
    StaysCharged = "stays-charged",
    /// Means    The mains reaches the chassis without a transformer between: itself, or through heaters, contacts and resistors of less than touch current.
    /// Matters  It kills. Every metal part, and every earthed meter or oscilloscope joined to it, may be at the full mains.
    /// Example  a radio with series heaters whose chassis is one end of the mains
    /// Mend     Nothing in the drawing is wrong. Feed the set from an isolating transformer before it is opened, and keep knobs, screws and sockets insulated.
    LiveChassis = "live-chassis",
    /// Means    A position of a switch joins both ends of a winding or of a supply.
    /// Matters  What feeds it burns out. Every position is tried, not the one in the file only.
    /// Example  a tap selector whose contacts join two taps
    /// Mend     Check the contacts of that position in the drawing.
    SwitchShorts = "switch-shorts",
    /// Means    The volts from heater to cathode are beyond what the type stands.
    /// Matters  The insulation breaks down: hum, crackle, then a lost valve.
    /// Example  a cathode follower at 180 V with its heater at the chassis
    /// Mend     Lift the heater winding to a positive voltage, or take a type that stands more.
    HeaterCathode = "heater-cathode",
    /// Means    Two electrolytics stand in series with no resistors across them.
    /// Matters  Their leakages divide the volts, and one may take nearly all.
    /// Example  2 of 350 V across 600 V
    /// Mend     Put equal resistors across both, of which each carries some ten times the leakage.
    NoSharing = "no-sharing",
    /// Means    An electrolytic has its volts the wrong way round.
    /// Matters  It heats up and bursts.
    /// Example  a bias capacitor drawn with its positive end at the bias
    /// Mend     Turn it round, or mend its `positive` and `negative`.
    Reversed = "reversed",
    /// Means    A part or a valve has more volts, current or watts than its rating.
    /// Matters  It does not last. The line says under which condition: no signal, full drive, high mains, switching on.
    /// Example  a 0.5 W resistor that dissipates 0.8 W
    /// Mend     Fit a larger rating, or look at what sets the figure.
    OverRating = "over-rating",
    /// Means    Grid current shifts the bias more than the leak that the type allows for its kind of bias would.
    /// Matters  Grid current of a worn valve takes the bias away, and the valve runs away.
    /// Example  470 kΩ at an EL34 with fixed bias, which allows 500 kΩ: no finding; 1 MΩ: one
    /// Mend     A smaller leak and a larger coupling capacitor.
    GridLeak = "grid-leak",
    /// Means    A grid has no DC path of its own, only one through what is plugged in.
    /// Matters  With the input open the grid drifts.
    /// Example  a grid joined to the input socket and nothing else
    /// Mend     A grid leak to the chassis.
    GridOpen = "grid-open",
    /// Means    Two parts that answer each other in the halves of a balanced amplifier have different values or types, or end at different supplies, or a screen at its own anode.
    /// Matters  A misprint shows as an odd one out. The halves are found from the wiring alone; each way to make them alike is solved.
    /// Example  R5 = 470k and R6 = 47k, the leaks of an output pair
    /// Mend     See what each correction does; look at another print or at the chassis.
    HalvesDiffer = "halves-differ",
    /// Means    A part of one half of a balanced amplifier has no like in the other, where all around it has.
    /// Matters  A part was left out, or added, or joined to the wrong node.
    /// Example  a screen resistor at one of two output valves
    /// Mend     Compare both halves of the drawing at the nodes named.
    OneHalfOnly = "one-half-only",
    /// Means    A mains transformer is joined to the mains at a tap for other volts, the load hangs at a tap for another load, or a screen on the tap of the other half of the output transformer.
    /// Matters  Every winding stands off its rating, the output valves work into another load than was drawn for, or what should be feedback to a screen adds to the signal.
    /// Example  15 Ω at a tap for 4 Ω; 230 V at a tap for 200 V where there is one for 230 V
    /// Mend     Join the tap that is named, or mend `taps` and the impedances.
    WrongTap = "wrong-tap",
    /// Means    A supply feeds nothing, or nothing feeds an anode. With a supply joined to where grids are biased from, what it explains is no longer found.
    /// Matters  A link was lost in drawing or copying; what else was found follows from it.
    /// Example  bias smoothed at gb, grid leaks that end at bias, and nothing between them
    /// Mend     Join the nodes that are named, or give both the same name.
    MissingLink = "missing-link",
    /// Means    A cathode resistor is a decade off: with a tenth of it, or ten times it, the valve runs as usual and nothing is found of it.
    /// Matters  A decade is the commonest misprint. The circuit was solved with the other value.
    /// Example  15 kΩ for 1.5 kΩ
    /// Mend     Look at its value in another print, or on the chassis.
    CathodeResistor = "cathode-resistor",
    /// Means    A resistor is a decade off: with ten times it, or a tenth, most of what is found is gone and nothing new is found.
    /// Matters  A decade is the commonest misprint. The circuit was solved with the other value, and with those of all other resistors.
    /// Example  100 kΩ for 1 MΩ at a screen
    /// Mend     Look at its value in another print, or on the chassis; where two are named, at both.
    ResistorValue = "resistor-value",
    /// Means    A part ends at another node than it should, or a diode, a bridge or a supply stands the wrong way round: with it moved or turned, what is found is gone; or the wiring shows that it takes the signal away.
    /// Matters  One wrong node explains all the rest. Where it is a choke, a leak, a diode or a supply the circuit was solved with the other.
    /// Example  a choke to the second capacitor's node instead of the first's
    /// Mend     Look at its nodes, then check again.
    WrongNode = "wrong-node",
    /// Means    An electrolytic of less than 0.1 µF.
    /// Matters  None is made so small: the unit was slipped, and the capacitor smooths or bypasses nothing. Common practice, no source.
    /// Example  16n for 16u
    /// Mend     Look at its value in another print, or on the chassis.
    CapacitorValue = "capacitor-value",
    /// Means    One valve has no heater drawn where all others have, or nothing ties a heater winding to the chassis.
    /// Matters  What is forgotten loads no winding; what floats takes any volts against the cathodes, and hums. Common practice, no source.
    /// Example  a heater winding without centre tap or hum pot
    /// Mend     Draw the heater; tie the winding to the chassis or to a positive voltage.
    HeaterWiring = "heater-wiring",
    /// Means    The loads of a pair that is driven on one side differ by up to 25 %.
    /// Matters  Common practice, no source: it makes up for the half driven through the common cathode.
    /// Example  82k and 100k at a long-tailed pair
    /// Mend     Nothing is wrong.
    UnequalLoads = "unequal-loads",
    /// Means    Parts hang at one node and lead nowhere else.
    /// Matters  It does nothing, so a line was lost or a node misnamed.
    /// Example  two resistors from a1 to a node that nothing else joins
    /// Mend     Mend its nodes.
    CarriesNothing = "carries-nothing",
    /// Means    A valve conducts next to nothing with no signal.
    /// Matters  It passes one half wave or none.
    /// Example  a cathode resistor of 15 kΩ for 1.5 kΩ, or a bias of -60 V for -16 V
    /// Mend     Look at its cathode resistor, bias and anode supply.
    CutOff = "cut-off",
    /// Means    A grid draws current with no signal.
    /// Matters  It loads what is before it and cuts the tops of the signal.
    /// Example  a cathode resistor of 15 Ω for 150 Ω
    /// Mend     Look at its cathode resistor and bias.
    GridCurrent = "grid-current",
    /// Means    An anode sits near the bottom or the top of its supply, or its load is small against its anode resistance.
    /// Matters  There is no room to swing, or no gain. Common practice, no source.
    /// Example  1M for 100k at a triode
    /// Mend     Look at the anode resistor and the bias.
    AnodeLoad = "anode-load",
    /// Means    A coupling capacitor and the resistance it works into are 3 dB down above 100 Hz or below 0.1 Hz.
    /// Matters  The bass is cut, or the stage blocks for seconds after an overload. Common practice, no source.
    /// Example  1 nF into 470 kΩ: 339 Hz
    /// Mend     Look at both values.
    CouplingCorner = "coupling-corner",
    /// Means    A cathode bypass does its work above 100 Hz only.
    /// Matters  Below that the stage has less gain. Common practice, no source; some guitar amplifiers want it.
    /// Example  0.47 µF across 1.5 kΩ
    /// Mend     Look at its value.
    BypassCorner = "bypass-corner",
    /// Means    A grid stopper of more than 100 kΩ that takes 3 dB at 20 kHz, or a screen resistor that drops more than a fifth of the screen volts.
    /// Matters  Treble or power is lost. Common practice, no source.
    /// Example  a screen stopper of 10 kΩ for 1 kΩ
    /// Mend     Look at its value.
    Stopper = "stopper",
    /// Means    The overall feedback leaves less than 30° of phase margin or 6 dB of gain margin.
    /// Matters  It rings, and another load, specimen or supply lets it oscillate. Common practice, no source.
    /// Example  three coupling capacitors of one corner inside the loop
    /// Mend     Less feedback, or corners further apart; see `gridleak feedback`.
    LittleMargin = "little-margin",
    /// Means    The parts list states no rating, so nothing can be held against it.
    /// Matters  Only you can see what is fitted. The figures are what would be needed.
    /// Example  R7 = { resistor = "820R", between = ["k3", "chassis"] }
    /// Mend     State `rating`.
    RatingNeeded = "rating-needed",
}

#[cfg(test)]
mod tests {
    use super::Id;

    #[test]
    fn every_finding_of_check_is_explained() {
        for code in measure::judged::check::Code::ALL {
            let known = Id::ALL.iter().any(|id| id.text() == code.text());
            assert!(known, "{}", code.text());
        }
    }

    #[test]
    fn every_kind_of_part_is_listed_where_a_kind_is_unknown() {
        let text = Id::UnknownKind.explanation();
        let words: Vec<&str> = text
            .split(|letter: char| !letter.is_alphanumeric() && letter != '_')
            .collect();
        for kind in sheet::kind_names() {
            assert!(words.contains(&kind), "{kind}: {text}");
        }
    }

    #[test]
    fn every_id_says_what_why_an_example_and_how_to_mend_it() {
        for id in Id::ALL {
            for heading in [" Means ", " Matters ", " Example ", " Mend "] {
                assert!(
                    id.explanation().contains(heading),
                    "{}: {heading}",
                    id.text()
                );
            }
        }
    }
}
