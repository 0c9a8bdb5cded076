//! The rows as printed: `published/amplifiers.toml` and `published/resistance_coupled.toml`.

use serde::Deserialize;

/// One `[[amplifier]]`. Volts, ohms, watts, milliamperes; currents of a pair are those of both valves.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "the header of the file says what each key is")]
pub struct Amplifier {
    pub r#type: String,
    pub circuit: String,
    pub class: String,
    pub connection: String,
    pub valves: u32,
    pub va_v: Option<f64>,
    pub vb_v: Option<f64>,
    pub vg1_v: Option<f64>,
    pub vg2_v: Option<f64>,
    pub vg2_supply_v: Option<f64>,
    pub rk_ohm: Option<f64>,
    pub rk_shared: Option<bool>,
    pub rg2_ohm: Option<f64>,
    pub ul_tap_percent: Option<f64>,
    pub drive_peak_v: Option<f64>,
    pub drive_rms_per_grid_v: Option<f64>,
    pub load_ohm: Option<f64>,
    pub power_w: Option<f64>,
    pub thd_percent: Option<f64>,
    pub h2_percent: Option<f64>,
    pub h2_db_below: Option<f64>,
    pub h3_db_below: Option<f64>,
    pub ia_zero_ma: Option<f64>,
    pub ia_max_ma: Option<f64>,
    pub ig2_zero_ma: Option<f64>,
    pub ig2_max_ma: Option<f64>,
    pub ik_zero_ma: Option<f64>,
    pub ik_max_ma: Option<f64>,
    pub currents_are: Option<String>,
    pub drive_peak_is: Option<String>,
    pub basis: String,
    pub confidence: String,
    #[serde(default)]
    pub note: String,
    pub source: String,
    #[serde(default)]
    pub doubt: String,
    #[serde(default)]
    pub doubted: Vec<String>,
}

/// One `[[stage]]`.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "the header of the file says what each key is")]
pub struct Stage {
    pub r#type: String,
    pub connection: String,
    pub vb_v: Option<f64>,
    pub ra_ohm: f64,
    pub rg_next_ohm: f64,
    pub rk_ohm: Option<f64>,
    pub rg2_ohm: Option<f64>,
    pub gain: f64,
    pub eo_peak_v: Option<f64>,
    pub vo_rms_v: Option<f64>,
    pub thd_percent: Option<f64>,
    pub ia_ma: Option<f64>,
    pub ik_ma: Option<f64>,
    pub cathode_bypassed: bool,
    pub basis: String,
    pub confidence: String,
    #[serde(default)]
    pub note: String,
    pub source: String,
    #[serde(default)]
    pub doubt: String,
    #[serde(default)]
    pub doubted: Vec<String>,
}

/// All amplifier rows, in the order of the file.
///
/// # Panics
/// When the file does not have its form.
pub fn amplifiers() -> Vec<Amplifier> {
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct File {
        amplifier: Vec<Amplifier>,
    }
    let text = include_str!("../../published/amplifiers.toml");
    let file: File = toml::from_str(text).unwrap_or_else(|e| panic!("amplifiers.toml: {e}"));
    file.amplifier
}

/// All resistance-coupled rows, in the order of the file.
///
/// # Panics
/// When the file does not have its form.
pub fn stages() -> Vec<Stage> {
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct File {
        stage: Vec<Stage>,
    }
    let text = include_str!("../../published/resistance_coupled.toml");
    let file: File =
        toml::from_str(text).unwrap_or_else(|e| panic!("resistance_coupled.toml: {e}"));
    file.stage
}

impl Amplifier {
    /// A pair in push-pull.
    ///
    /// # Panics
    /// When the row says neither SE nor PP.
    pub fn is_pair(&self) -> bool {
        match self.circuit.as_str() {
            "SE" => false,
            "PP" => true,
            other => panic!("circuit {other}"),
        }
    }

    /// Grid current is driven.
    pub fn is_class_2(&self) -> bool {
        self.class.ends_with('2')
    }

    /// Screen tied to anode.
    pub fn is_strapped(&self) -> bool {
        self.connection == "triode-connected"
    }

    /// Screen on a tap of the output transformer.
    pub fn is_ultra_linear(&self) -> bool {
        self.connection == "ultra-linear"
    }

    /// A screen of its own.
    pub fn has_screen(&self) -> bool {
        ["pentode", "tetrode"].contains(&self.connection.as_str())
    }

    /// Idle current through the cathodes as printed, mA; where the screen current is not printed, without it.
    pub fn cathode_milliamps(&self) -> Option<f64> {
        self.ik_zero_ma
            .or_else(|| Some(self.ia_zero_ma? + self.ig2_zero_ma.unwrap_or(0.0)))
    }

    /// Bias, V, above zero: as printed, or cathode resistor times printed current.
    pub fn bias(&self) -> Option<f64> {
        if let Some(volts) = self.vg1_v
            && self.rk_ohm.is_none()
        {
            return Some(-volts);
        }
        let each = if self.is_pair() && self.rk_shared == Some(false) {
            0.5
        } else {
            1.0
        };
        Some(1e-3 * each * self.rk_ohm? * self.cathode_milliamps()?)
    }

    /// Total distortion as printed, per cent; from the printed harmonics where only these are given.
    pub fn distortion(&self) -> Option<f64> {
        let decibels = |below: f64| 10f64.powf(-below / 20.0);
        self.thd_percent.or(self.h2_percent).or_else(|| {
            Some(100.0 * decibels(self.h2_db_below?).hypot(decibels(self.h3_db_below?)))
        })
    }

    /// The drive as printed, V peak, from grid to grid for a pair.
    pub fn drive(&self) -> Option<f64> {
        let sides = if self.is_pair() { 2.0 } else { 1.0 };
        self.drive_peak_v
            .or_else(|| Some(sides * std::f64::consts::SQRT_2 * self.drive_rms_per_grid_v?))
    }

    /// What tells the row from others.
    pub fn label(&self) -> String {
        let volts = self
            .va_v
            .or(self.vb_v)
            .map_or("?".into(), |v| format!("{v}"));
        let screen = self
            .vg2_v
            .or(self.vg2_supply_v)
            .map_or(String::new(), |v| format!("/{v}"));
        let bias = match (self.rk_ohm, self.vg1_v) {
            (Some(ohms), _) => format!(", {ohms} Ω"),
            (None, Some(volts)) => format!(", {volts} V"),
            (None, None) => String::new(),
        };
        let load = self
            .load_ohm
            .map_or(String::new(), |ohms| format!(", {}k", ohms / 1e3));
        let how = match self.connection.as_str() {
            "triode-connected" => " strapped".to_owned(),
            "ultra-linear" => format!(" {} %", self.ul_tap_percent.unwrap_or(f64::NAN)),
            _ => String::new(),
        };
        format!(
            "{} {} {}{how}, {volts}{screen} V{bias}{load}",
            self.r#type, self.circuit, self.class
        )
    }
}

impl Stage {
    /// What tells the row from others.
    pub fn label(&self) -> String {
        let supply = self.vb_v.map_or("?".into(), |v| format!("{v}"));
        format!(
            "{}, {supply} V, {}k into {}k",
            self.r#type,
            self.ra_ohm / 1e3,
            self.rg_next_ohm / 1e3
        )
    }
}
