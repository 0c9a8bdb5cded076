//! What can stand on a chassis: the parts of a circuit in SI units, without names or places.
//!
//! Every part says how many nodes it joins, in which order and with what paths between them; `system/stamps.rs`
//! says what equations it brings. Taps of a winding are separate [`Winding`]s in series, made by whoever reads the file.

use models::AnyDevice;
use models::core::Core;
use models::diode::Diode;
use nalgebra::Complex;

mod kind;
mod paths;
mod stray;
mod valve;
mod waveform;

pub use stray::Stray;
pub use valve::{HeaterWiring, Valve, Wiring, halves_in_parallel};
pub use waveform::Waveform;

/// A part, with everything the equations need.
#[derive(Clone, Debug)]
pub enum Part {
    /// Nodes `[a, b]`.
    Resistor(Resistor),
    /// Nodes `[positive, negative]`; the order matters for an electrolytic only.
    Capacitor(Capacitor),
    /// Nodes `[a, b]`.
    Inductor(Inductor),
    /// Nodes `[start, finish]` of each winding in turn.
    Transformer(Transformer),
    /// Nodes `[anode, (second anode,) (screen,) (grid,) cathode]`, with two ends of a filament for the
    /// cathode and the heater's behind, as far as drawn; [`Valve::wiring`] sorts them.
    Valve(Box<Valve>),
    /// Nodes in the order of the device's terminals: diodes, transistors and test devices.
    Device(AnyDevice),
    /// Nodes as its junctions count them.
    Diodes(Diodes),
    /// Nodes `[positive, negative]`.
    Source(Source),
    /// Nodes `[top, wiper, bottom]`.
    Pot(Pot),
    /// Nodes `[common, contact, contact, …]`.
    Switch(Switch),
    /// Nodes `[positive, negative]`.
    Loudspeaker(Loudspeaker),
}

impl Part {
    /// A resistor of `r`, Ω.
    pub fn resistor(r: f64) -> Self {
        Self::Resistor(Resistor { r })
    }

    /// A capacitor of `c`, F, without losses.
    pub fn capacitor(c: f64) -> Self {
        Self::Capacitor(Capacitor {
            c,
            esr: 0.0,
            leakage: 0.0,
            polar: false,
        })
    }

    /// A linear inductor of `l`, H, with its winding resistance, Ω.
    pub fn inductor(l: f64, resistance: f64) -> Self {
        Self::Inductor(Inductor {
            core: Core::linear(l),
            linear: Some(l),
            resistance,
            capacitance: 0.0,
            capacitance_loss: 0.0,
            loss: f64::INFINITY,
            stray: None,
        })
    }
}

/// A linear resistance, ohms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Resistor {
    /// Resistance, Ω; positive.
    pub r: f64,
}

/// A capacitor with the two losses that matter in an old amplifier.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Capacitor {
    /// Capacitance, F; positive.
    pub c: f64,
    /// Equivalent series resistance, Ω; zero for none.
    pub esr: f64,
    /// Leakage conductance, S; zero for none.
    pub leakage: f64,
    /// True for an electrolytic: its polarity is then checked.
    pub polar: bool,
}

/// An inductor or choke: one winding on one core.
#[derive(Clone, Debug)]
pub struct Inductor {
    /// The magnetising curve, referred to the winding.
    pub core: Core,
    /// Inductance, H, of a curve that is a straight line: the current is then the only unknown; none where it
    /// bends.
    pub linear: Option<f64>,
    /// Winding resistance, Ω.
    pub resistance: f64,
    /// Winding capacitance, F.
    pub capacitance: f64,
    /// Resistance in series with that capacitance, Ω; zero for none.
    pub capacitance_loss: f64,
    /// Core loss as a resistance across the winding's flux, Ω; infinite for none.
    pub loss: f64,
    /// What stray fields of the mains induce in the winding.
    pub stray: Option<Stray>,
}

/// Any number of windings on one core, an auto-transformer included (windings then share nodes).
///
/// Winding `j` of `n_j` relative turns:  v_j = R_j i_j + L_j di_j/dt + n_j dλ/dt;
/// the core:  Σ n_j i_j = i_m(λ) + (dλ/dt)/R_loss.
#[derive(Clone, Debug)]
pub struct Transformer {
    /// The magnetising curve, referred to a winding of one relative turn (the whole primary).
    pub core: Core,
    /// Core loss as a resistance across the whole primary, Ω; infinite for none.
    pub loss: f64,
    /// The windings, at least one.
    pub windings: Vec<Winding>,
}

/// One winding, or the part of a winding between two taps.
#[derive(Clone, Debug, PartialEq)]
pub struct Winding {
    /// What the drawing calls it, e.g. "primary 1" or "secondary 0-15 ohm".
    pub name: String,
    /// Turns relative to the whole primary; positive.
    pub turns: f64,
    /// Winding resistance, Ω.
    pub resistance: f64,
    /// Leakage inductance in series, H.
    pub leakage: f64,
    /// Capacitance across it, F.
    pub capacitance: f64,
    /// Resistance in series with that capacitance, Ω; zero for none. It damps the ringing with the
    /// leakage inductance, as the loss in the insulation and in the iron does.
    pub capacitance_loss: f64,
    /// Current it is made for, A rms; none when nobody says.
    pub rated_current: Option<f64>,
    /// What stray fields of the mains induce in it.
    pub stray: Option<Stray>,
}

/// Like diodes in one part: both halves of a bi-phase rectifier, or a bridge.
#[derive(Clone, Debug, PartialEq)]
pub struct Diodes {
    /// The law of each.
    pub diode: Diode,
    /// Nodes of the part that it has.
    pub terminals: usize,
    /// Anode and cathode of each, counted among the nodes of the part.
    pub junctions: Vec<(usize, usize)>,
}

impl Diodes {
    /// Two diodes with one cathode; nodes `[anode, anode, cathode]`.
    pub fn bi_phase(diode: Diode) -> Self {
        Self {
            diode,
            terminals: 3,
            junctions: vec![(0, 2), (1, 2)],
        }
    }

    /// Four diodes; nodes `[alternating, alternating, positive, negative]`.
    pub fn bridge(diode: Diode) -> Self {
        Self {
            diode,
            terminals: 4,
            junctions: vec![(0, 2), (1, 2), (3, 0), (3, 1)],
        }
    }
}

/// A voltage source behind a resistance: HT supply, mains winding or signal generator.
#[derive(Clone, Debug)]
pub struct Source {
    /// Open-circuit volts against time.
    pub waveform: Waveform,
    /// Source resistance, Ω; may be zero.
    pub resistance: f64,
}

/// A potentiometer at a setting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pot {
    /// End-to-end resistance, Ω.
    pub r: f64,
    /// Fraction of the track between bottom and wiper, 0…1, after the law of the track.
    pub fraction: f64,
}

impl Pot {
    /// The least resistance between wiper and either end, as a part of the track (common practice, no
    /// source).
    pub const END: f64 = 1e-3;

    /// Resistance from top to wiper and from wiper to bottom, Ω.
    pub fn halves(&self) -> (f64, f64) {
        let lower = self.fraction.clamp(Self::END, 1.0 - Self::END);
        (self.r * (1.0 - lower), self.r * lower)
    }
}

/// A selector at a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Switch {
    /// The contact joined to the common node, counted from 0; none when all are open.
    pub closed: Option<usize>,
}

impl Switch {
    /// Ω of an open contact (common practice, no source: above 10 GΩ).
    pub const OPEN: f64 = 1e11;
}

/// A moving-coil loudspeaker by its published small-signal parameters.
///
/// ```text
/// Z = Re + jωLe + (Res ‖ jωLces ‖ 1/jωCmes)
/// ```
///
/// Source   Thiele, JAES 19 (1971); Small, JAES 20 (1972) (from memory)
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loudspeaker {
    /// Voice-coil resistance, Ω.
    pub re: f64,
    /// Voice-coil inductance, H; may be zero.
    pub le: f64,
    /// Resonance, Hz.
    pub fs: f64,
    /// Mechanical Q.
    pub qms: f64,
    /// Electrical Q.
    pub qes: f64,
    /// Rated impedance, Ω, the resistance that stands for it when power is stated.
    pub rated: f64,
}

impl Loudspeaker {
    /// What a moving-coil loudspeaker of a rated impedance, Ω, is like when nobody measured it.
    ///
    /// Source   engineering figures, from memory: Re is 0.8 of the rating; Le, like Re, goes as the square of
    ///          the turns that fill one gap, with 0.5 mH at 15 Ω; the rest mid-size cones
    pub fn typical(rated: f64) -> Self {
        Self {
            re: 0.8 * rated,
            le: 0.5e-3 / 15.0 * rated,
            fs: 55.0,
            qms: 4.0,
            qes: 0.6,
            rated,
        }
    }

    /// Its impedance at a frequency, Hz; Ω.
    pub fn impedance(&self, frequency: f64) -> Complex<f64> {
        let omega = std::f64::consts::TAU * frequency;
        let detuning = frequency / self.fs - self.fs / frequency;
        let res = self.re * self.qms / self.qes;
        let motional = res / Complex::new(1.0, self.qms * detuning);
        Complex::new(self.re, omega * self.le) + motional
    }
}
