//! The commands: one file each; this is the list.

mod audition;
mod check;
mod choose;
mod compare;
mod completions;
mod curves;
mod distortion;
mod effect;
mod explain;
mod feedback;
mod fit;
mod hum;
mod impedance;
mod listen;
mod noise;
mod power;
mod readings;
mod response;
mod spread;
mod supply;
mod switch_on;
mod valves;
mod voltages;
mod waveform;

pub(crate) use waveform::quantity;

use clap::Subcommand;

use crate::Options;
use crate::failure::Failure;

/// What can be asked.
#[derive(Debug, Subcommand)]
#[allow(
    clippy::large_enum_variant,
    reason = "one of it is made in the life of the program"
)]
pub(crate) enum Command {
    /// Every voltage, current and dissipation with no signal, and what is over its rating.
    Voltages(voltages::Arguments),
    /// What a voltmeter shows at every electrode, how far it may lie off, and readings against it.
    Readings(readings::Arguments),
    /// The value of a part for which a figure becomes what is wanted, and the preferred values beside it.
    Choose(choose::Arguments),
    /// What each part does: gain, response, feedback, volts, power and hum with it and without.
    Effect(effect::Arguments),
    /// How far figures may lie from the drawing's: tolerances, valves and mains, and what makes the most of it.
    Spread(spread::Arguments),
    /// Reads the drawing like a sceptical engineer: dangers, ratings, misprints, the two halves compared.
    Check(check::Arguments),
    /// Volts against time at chosen nodes, as CSV and SVG.
    Waveform(waveform::Arguments),
    /// Watts and distortion against drive, and what gives up first.
    Power(power::Arguments),
    /// Distortion against power and frequency, intermodulation, power bandwidth, limit in the bass.
    Distortion(distortion::Arguments),
    /// Gain and phase against frequency, limits of the band, peaks, and curves for each setting.
    Response(response::Arguments),
    /// Output impedance, damping factor, what a loudspeaker makes of it, and the input impedance.
    Impedance(impedance::Arguments),
    /// A recording through the amplifier: WAV in, WAV out, with meters while it plays.
    Listen(listen::Arguments),
    /// Amplifiers with the same recording, equally loud, on a page to compare them blind.
    Audition(audition::Arguments),
    /// Noise at the load, signal-to-noise ratio, and which part makes the noise.
    Noise(noise::Arguments),
    /// Hum on the amplifier's own mains, what makes it, and what to change first.
    Hum(hum::Arguments),
    /// The overall feedback: its amount, margins, loads that make it oscillate, square waves.
    Feedback(feedback::Arguments),
    /// From cold at switch-on: volts of every capacitor and surges of current until the HT has settled.
    SwitchOn(switch_on::Arguments),
    /// The power supply on its mains: volts, ripple, stresses, taps, regulation, discharge.
    Supply(supply::Arguments),
    /// The valve library: which types there are, the data sheet of one, and what is like it.
    Valves(valves::Arguments),
    /// Parameters of a valve from its published points and traced curves, with their spread.
    Fit(fit::Arguments),
    /// Two or more amplifiers or reworks side by side: figures, parts changed, what gets worse.
    Compare(compare::Arguments),
    /// Characteristics of a valve type, load lines and push-pull pairs; or a valve of a file on its own.
    Curves(curves::Arguments),
    /// What the words in brackets of a message mean, and how to mend it.
    Explain(explain::Arguments),
    /// Completions for a shell, to be sourced by it.
    Completions(completions::Arguments),
}

/// Runs a command.
pub(crate) fn run(command: &Command, options: &Options) -> Result<(), Failure> {
    match command {
        Command::Voltages(arguments) => voltages::run(arguments, options),
        Command::Readings(arguments) => readings::run(arguments, options),
        Command::Choose(arguments) => choose::run(arguments, options),
        Command::Effect(arguments) => effect::run(arguments, options),
        Command::Spread(arguments) => spread::run(arguments, options),
        Command::Check(arguments) => check::run(arguments, options),
        Command::Waveform(arguments) => waveform::run(arguments, options),
        Command::Power(arguments) => power::run(arguments, options),
        Command::Distortion(arguments) => distortion::run(arguments, options),
        Command::Response(arguments) => response::run(arguments, options),
        Command::Impedance(arguments) => impedance::run(arguments, options),
        Command::Listen(arguments) => listen::run(arguments, options),
        Command::Audition(arguments) => audition::run(arguments, options),
        Command::Noise(arguments) => noise::run(arguments, options),
        Command::Hum(arguments) => hum::run(arguments, options),
        Command::Feedback(arguments) => feedback::run(arguments, options),
        Command::SwitchOn(arguments) => switch_on::run(arguments, options),
        Command::Supply(arguments) => supply::run(arguments, options),
        Command::Valves(arguments) => valves::run(arguments, options),
        Command::Fit(arguments) => fit::run(arguments, options),
        Command::Compare(arguments) => compare::run(arguments, options),
        Command::Curves(arguments) => curves::run(arguments, options),
        Command::Explain(arguments) => explain::run(arguments, options),
        Command::Completions(arguments) => completions::run(arguments),
    }
}
