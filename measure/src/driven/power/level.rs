//! One level of the sweep: a settled period and what it says of every valve and core.

use serde::Serialize;

use crate::instruments::peak::Peak;
use sim::periodic::Approach;

/// Highest harmonic reported.
pub(super) const HARMONICS: u32 = 9;

/// A settled level.
#[derive(Clone, Debug, Serialize)]
pub struct Level {
    /// Peak of the generator's open-circuit voltage, V.
    pub drive: f64,
    /// That as rms, V.
    pub drive_rms: f64,
    /// Output without its mean value, rms, V.
    pub output_rms: f64,
    /// Power into the rated load, W.
    pub power: f64,
    /// Total harmonic distortion against the fundamental, a ratio.
    pub thd: f64,
    /// H2…H9 against the fundamental, ratios.
    pub harmonics: Vec<f64>,
    /// Every triode and pentode.
    pub valves: Vec<ValveAtLevel>,
    /// Every core that can saturate.
    pub cores: Vec<CoreAtLevel>,
    /// The greatest volts anywhere, windings included; none of a circuit without nodes.
    pub peak: Option<Peak>,
    /// Cycles run until settled.
    pub cycles: u32,
    /// What is left to settle, relative: see [`Period::residual`](sim::periodic::Period::residual).
    pub residual: f64,
    /// Share of the steps taken whatever their error: see [`Period::forced`](sim::periodic::Period::forced).
    pub forced: f64,
    /// Whether the supplies stand at their means in it, and the ripple is left out.
    #[serde(skip)]
    pub at_means: bool,
    /// The way that led to the settled period.
    pub approach: Approach,
}

/// A valve over a cycle.
#[derive(Clone, Debug, Serialize)]
pub struct ValveAtLevel {
    /// Designator.
    pub part: String,
    /// Anode current with no signal, A.
    pub i_a_rest: f64,
    /// Mean anode current, A.
    pub i_a: f64,
    /// Greatest anode current, A.
    pub i_a_most: f64,
    /// Least anode current, A.
    pub i_a_least: f64,
    /// Mean screen current, A.
    pub i_s: f64,
    /// Greatest grid current, A.
    pub i_g_most: f64,
    /// True when, while this valve conducts least, another of its type conducts above its rest: the two
    /// work in opposition, as a push-pull pair does and parallel valves do not.
    pub opposed: bool,
    /// True for a pentode whose screen is not tied to its anode.
    pub has_screen: bool,
    /// Mean anode dissipation, W; of a strapped pentode, with its screen.
    pub p_a: f64,
    /// Mean screen dissipation, W.
    pub p_s: f64,
    /// Anode dissipation limit, W.
    pub p_a_limit: Option<f64>,
    /// Screen dissipation limit, W.
    pub p_s_limit: Option<f64>,
    /// Least anode voltage in excess of the knee, V; none for a triode.
    pub above_knee: Option<f64>,
    /// Highest anode voltage against the cathode, V.
    pub v_ak_most: f64,
}

/// A core over a cycle.
#[derive(Clone, Debug, Serialize)]
pub struct CoreAtLevel {
    /// Designator.
    pub part: String,
    /// Greatest flux as a share of the flux where the inductance has fallen to half.
    pub saturation: f64,
}
