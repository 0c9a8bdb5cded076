//! What is known about a type of valve, in SI; [`crate::valve_file`] makes it from text.

use serde::Deserialize;

use crate::grid_current::GridClass;
use crate::pentode::Pentode;
use crate::rectifier::Rectifier;
use crate::stabiliser::Stabiliser;
use crate::triode::Triode;

pub use crate::kind::ValveKind;

/// How the cathode is heated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Heating {
    /// The filament is the cathode.
    Direct,
    /// A heater within the cathode.
    Indirect,
}

/// Where a figure comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// Publication, edition, page as far as known.
    pub text: String,
    /// "page" (read), "memory" (recalled, not checked), "computed" or "assumption".
    pub basis: String,
    /// The compiler's rating of the recall: "high", "medium", "low"; empty when not rated.
    pub confidence: String,
}

/// Heater or filament of all sections together.
#[derive(Clone, Debug, PartialEq)]
pub struct Heater {
    /// Voltage, V.
    pub voltage: f64,
    /// Current, A.
    pub current: f64,
    /// Direct or indirect.
    pub heating: Heating,
    /// True when the middle of the heater is brought out, so that its halves can be put in parallel.
    pub centre_tap: bool,
    /// Time from cold to half the emission, s; None when the file does not say.
    pub warm_up: Option<f64>,
    /// Where the figures come from.
    pub source: Source,
}

impl Heater {
    /// Resistance at working temperature, ohm, end to end.
    pub fn hot_resistance(&self) -> f64 {
        self.voltage / self.current
    }
}

/// Limits of one section, SI; None where none is published.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Limits {
    /// Anode voltage, V.
    pub anode_volts: Option<f64>,
    /// Anode dissipation, W.
    pub anode_watts: Option<f64>,
    /// Screen voltage, V.
    pub screen_volts: Option<f64>,
    /// Screen dissipation, W.
    pub screen_watts: Option<f64>,
    /// Voltage of anode and screen tied together, V.
    pub strapped_volts: Option<f64>,
    /// Dissipation of anode and screen tied together, W, both in one.
    pub strapped_watts: Option<f64>,
    /// Anode dissipation of all sections of the envelope together, W.
    pub all_anodes_watts: Option<f64>,
    /// Mean cathode current, A.
    pub cathode_amps: Option<f64>,
    /// Heater to cathode, V.
    pub heater_cathode_volts: Option<f64>,
    /// Grid leak with fixed bias, ohm.
    pub grid_leak_fixed: Option<f64>,
    /// Grid leak with cathode bias, ohm.
    pub grid_leak_cathode_bias: Option<f64>,
    /// Peak inverse voltage of a rectifier, V.
    pub peak_inverse_volts: Option<f64>,
    /// Repeated peak anode current of a rectifier, A, per anode.
    pub peak_anode_amps: Option<f64>,
    /// Direct output current of a rectifier, A, all anodes.
    pub dc_amps: Option<f64>,
    /// Current below which a stabiliser goes out, A.
    pub least_amps: Option<f64>,
    /// Greatest current of a stabiliser, A.
    pub most_amps: Option<f64>,
    /// Rating system: "design centre", "design maximum", "absolute maximum" or "not stated".
    pub rating: String,
    /// Where the limits come from.
    pub source: Option<Source>,
}

impl Limits {
    /// Dissipation of the anode permitted, W; with the screen tied to it, of both, where the sheet prints
    /// that, else the anode's alone.
    pub fn watts_of_anode(&self, strapped: bool) -> Option<f64> {
        let own = self.strapped_watts.filter(|_| strapped);
        own.or(self.anode_watts)
    }

    /// Anode volts permitted, V; with the screen tied to the anode what the sheet prints for that, else
    /// the lesser of anode and screen.
    pub fn volts_of_anode(&self, strapped: bool) -> Option<f64> {
        if !strapped {
            return self.anode_volts;
        }
        self.strapped_volts.or_else(|| {
            let both = [self.screen_volts, self.anode_volts];
            both.into_iter().flatten().min_by(f64::total_cmp)
        })
    }
}

/// Capacitances between electrodes of one section, F.
///
/// Rule: published "input" is grid to everything but the anode, "output" anode to everything but
/// the grid. In a triode they are grid-cathode and anode-cathode. In a pentode 42 % of the input is
/// taken to go to the screen (assumed, see the source of the constant) and the output to the
/// cathode, where suppressor or beam plates are. The first published row of a type is used, and
/// for a further section its own where the file marks one; socket and wiring come on top.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Capacitances {
    /// Anode to control grid, F.
    pub anode_grid: f64,
    /// Control grid to cathode, F.
    pub grid_cathode: f64,
    /// Anode to cathode, F.
    pub anode_cathode: f64,
    /// Control grid to screen grid, F.
    pub grid_screen: f64,
}

/// Capacitances of one section that differ from those of the first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SectionCapacitances {
    /// Which section, from 2 on.
    pub section: u32,
    /// Its capacitances.
    pub capacitances: Capacitances,
}

/// The base: which electrode is at which pin.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Base {
    /// Name of the base, e.g. "octal", "noval (B9A)".
    pub name: String,
    /// What each pin joins, from pin 1 on; empty when the file does not say.
    pub pins: Vec<String>,
    /// What the cap on top joins; None without one.
    pub top_cap: Option<String>,
    /// Where the pins come from.
    pub source: Source,
}

/// A type that is nearly the same.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Near {
    /// Type designation.
    pub name: String,
    /// In what it differs.
    pub differs: String,
}

/// How the electrodes of a published point are joined.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Connection {
    /// As the kind of valve says.
    #[default]
    Normal,
    /// Screen tied to anode; anode figures are for both together.
    Strapped,
}

/// One published characteristic point, SI.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// How the electrodes are joined.
    pub connection: Connection,
    /// Anode to cathode, V.
    pub v_ak: Option<f64>,
    /// Screen to cathode, V.
    pub v_sk: Option<f64>,
    /// Grid to cathode, V; from the published currents where a cathode resistor is given.
    pub v_gk: Option<f64>,
    /// Anode current, A.
    pub i_a: Option<f64>,
    /// Screen current, A.
    pub i_s: Option<f64>,
    /// Mutual conductance, S.
    pub gm: Option<f64>,
    /// Amplification factor.
    pub mu: Option<f64>,
    /// Anode resistance, ohm.
    pub ra: Option<f64>,
    /// Amplification factor of control grid against screen.
    pub mu_screen: Option<f64>,
    /// A cut-off point, good to a factor only.
    pub cut_off: bool,
    /// Why the point takes no part in the fit; None when it does.
    pub unused: Option<String>,
    /// Where the point comes from.
    pub source: Source,
}

/// One published drop of a rectifier.
#[derive(Clone, Debug, PartialEq)]
pub struct Drop {
    /// Anode to cathode, V.
    pub voltage: f64,
    /// Current of that anode, A.
    pub current: f64,
    /// Why it is not used; None when it is.
    pub unused: Option<String>,
    /// Where it comes from.
    pub source: Source,
}

/// What follows the rectifier in a published operation.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Filter {
    /// A reservoir capacitor.
    Capacitor,
    /// A choke.
    Choke,
    /// Whatever there is: the row is a limit.
    Any,
}

/// One published operation of a rectifier, SI; what a row does not say is None. Kept to be predicted,
/// never to be fitted to.
#[derive(Clone, Debug, PartialEq)]
pub struct Operation {
    /// What follows the rectifier.
    pub filter: Filter,
    /// Mains volts rms for each anode, off load, V.
    pub volts_rms: Option<f64>,
    /// Mains frequency, Hz.
    pub frequency: Option<f64>,
    /// Resistance of the supply in each anode, ohm.
    pub supply_ohms: Option<f64>,
    /// Reservoir capacitor, F.
    pub reservoir: Option<f64>,
    /// Choke, H.
    pub choke: Option<f64>,
    /// Direct current out, A.
    pub dc_amps: Option<f64>,
    /// Direct volts at the reservoir, or behind the choke, V.
    pub dc_volts: Option<f64>,
    /// Peak inverse volts at that current, V.
    pub peak_inverse_volts: Option<f64>,
    /// Where the row comes from.
    pub source: Source,
}

/// Published figures of a stabiliser.
#[derive(Clone, Debug, PartialEq)]
pub struct Discharge {
    /// Maintaining volts, V.
    pub voltage: f64,
    /// The current at which it keeps them, A.
    pub current: f64,
    /// Slope resistance, ohm.
    pub slope_ohms: f64,
    /// Volts needed to strike, V; no part of the law.
    pub strike_volts: Option<f64>,
    /// Where the figures come from.
    pub source: Source,
}

/// The law of one section, ready to evaluate.
#[derive(Clone, Debug, PartialEq)]
pub enum ValveModel {
    /// A triode.
    Triode(Triode),
    /// A pentode or beam tetrode.
    Pentode(Pentode),
    /// One anode of a rectifier.
    Rectifier(Rectifier),
    /// A gas discharge.
    Stabiliser(Stabiliser),
}

impl ValveModel {
    /// True of a law with a grid that controls the current.
    pub fn amplifies(&self) -> bool {
        match self {
            Self::Triode(_) | Self::Pentode(_) => true,
            Self::Rectifier(_) | Self::Stabiliser(_) => false,
        }
    }

    /// True of a rectifier.
    pub fn is_rectifier(&self) -> bool {
        match self {
            Self::Rectifier(_) => true,
            Self::Triode(_) | Self::Pentode(_) | Self::Stabiliser(_) => false,
        }
    }

    /// True where the current comes off a hot cathode.
    pub fn emits(&self) -> bool {
        match self {
            Self::Triode(_) | Self::Pentode(_) | Self::Rectifier(_) => true,
            Self::Stabiliser(_) => false,
        }
    }
}

/// Errors of the stored parameters against the points they were fitted to, as stored in the file.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FitError {
    /// Median of the anode currents, cut-off points apart, percent.
    pub current_median_percent: f64,
    /// Worst of the anode currents, cut-off points apart, percent.
    pub current_worst_percent: f64,
    /// Median of mutual conductance and amplification factor, percent.
    pub slope_median_percent: f64,
    /// Worst of mutual conductance and amplification factor, percent.
    pub slope_worst_percent: f64,
    /// Median of the screen currents, percent; None where none is published.
    pub screen_median_percent: Option<f64>,
}

/// Published noise of a valve by itself, as volts at its grid.
#[derive(Clone, Debug, PartialEq)]
pub struct GridNoise {
    /// V rms.
    pub volts: f64,
    /// The band, Hz.
    pub from: f64,
    /// Its end, Hz.
    pub to: f64,
    /// Where it comes from.
    pub source: Source,
}

/// Everything known about one type.
#[derive(Clone, Debug, PartialEq)]
pub struct ValveType {
    /// Type designation.
    pub name: String,
    /// Other designations of electrically the same valve.
    pub aliases: Vec<String>,
    /// Types that are nearly the same.
    pub near: Vec<Near>,
    /// Base and pins; None when the file does not say.
    pub base: Option<Base>,
    /// Kind of valve.
    pub class: ValveKind,
    /// Like sections in one envelope.
    pub sections: u32,
    /// Heater or filament; None in a cold-cathode tube.
    pub heater: Option<Heater>,
    /// Limits of one section.
    pub limits: Limits,
    /// Capacitances of one section.
    pub capacitances: Capacitances,
    /// Sections whose capacitances are published apart.
    pub other_sections: Vec<SectionCapacitances>,
    /// Law of one section.
    pub model: ValveModel,
    /// Published points.
    pub points: Vec<Point>,
    /// Published drops of a rectifier.
    pub drops: Vec<Drop>,
    /// Published operations of a rectifier.
    pub operations: Vec<Operation>,
    /// Published figures of a stabiliser.
    pub discharge: Option<Discharge>,
    /// Published noise at the grid; None of most types.
    pub grid_noise: Option<GridNoise>,
    /// How well the law meets the points; None for a rectifier or stabiliser.
    pub fit_error: Option<FitError>,
    /// True when the file stores no parameters and the law was fitted to its points on reading.
    pub fitted_on_reading: bool,
    /// The class whose grid current was assumed because the file gives none; None when it does, and of
    /// rectifiers and stabilisers.
    pub grid_class: Option<GridClass>,
    /// What else a user should know.
    pub note: String,
    /// Where the type's data come from.
    pub source: Source,
}

impl ValveType {
    /// Capacitances of a section, counted from 1: its own where they are published, else the first's.
    pub fn capacitances_of(&self, section: u32) -> Capacitances {
        let own = self
            .other_sections
            .iter()
            .find(|row| row.section == section);
        own.map_or(self.capacitances, |row| row.capacitances)
    }
}
