//! What a valve file may say: every table and every key.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

use crate::data::{Connection, Filter, Heating, ValveKind};

/// An amplifier file as far as its valves go.
#[derive(Deserialize)]
pub(super) struct RawAmplifier {
    #[serde(default)]
    pub(super) valves: BTreeMap<String, RawValve>,
}

pub(super) type Number = Option<Spanned<f64>>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawValve {
    pub(super) r#type: Option<Spanned<String>>,
    pub(super) kind: Spanned<ValveKind>,
    #[serde(default)]
    pub(super) aliases: Vec<String>,
    #[serde(default)]
    pub(super) near: Vec<RawNear>,
    pub(super) base: Option<RawBase>,
    pub(super) sections: Spanned<u32>,
    #[serde(default)]
    pub(super) note: String,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
    #[serde(default)]
    pub(super) confidence: String,
    pub(super) heater: Option<RawHeater>,
    pub(super) limits: RawLimits,
    #[serde(default)]
    pub(super) capacitances: Vec<RawCapacitances>,
    #[serde(default)]
    pub(super) point: Vec<Spanned<RawPoint>>,
    #[serde(default)]
    pub(super) drop: Vec<RawDrop>,
    #[serde(default)]
    pub(super) operation: Vec<RawOperation>,
    pub(super) discharge: Option<RawDischarge>,
    pub(super) grid_noise: Option<RawGridNoise>,
    pub(super) model: Option<Spanned<RawModel>>,
    pub(super) grid_current: Option<RawGrid>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawNear {
    pub(super) r#type: Spanned<String>,
    pub(super) differs: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawBase {
    pub(super) name: Spanned<String>,
    #[serde(default)]
    pub(super) pins: Vec<String>,
    pub(super) top_cap: Option<String>,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
    #[serde(rename = "note")]
    pub(super) _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawHeater {
    pub(super) volts: Spanned<f64>,
    pub(super) amps: Spanned<f64>,
    pub(super) heating: Heating,
    #[serde(default)]
    pub(super) centre_tap: bool,
    pub(super) warm_up_seconds: Number,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
    #[serde(rename = "note")]
    pub(super) _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawLimits {
    pub(super) anode_volts: Number,
    pub(super) anode_watts: Number,
    pub(super) screen_volts: Number,
    pub(super) screen_watts: Number,
    pub(super) strapped_volts: Number,
    pub(super) strapped_watts: Number,
    pub(super) all_anodes_watts: Number,
    pub(super) cathode_milliamps: Number,
    pub(super) heater_cathode_volts: Number,
    pub(super) grid_leak_fixed_ohms: Number,
    pub(super) grid_leak_cathode_bias_ohms: Number,
    pub(super) peak_inverse_volts: Number,
    pub(super) peak_anode_milliamps: Number,
    pub(super) dc_milliamps: Number,
    pub(super) least_milliamps: Number,
    pub(super) most_milliamps: Number,
    pub(super) rating: String,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
    #[serde(default)]
    pub(super) confidence: String,
    #[serde(rename = "note")]
    pub(super) _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawCapacitances {
    pub(super) section: Option<Spanned<u32>>,
    pub(super) anode_grid_pf: Spanned<f64>,
    pub(super) input_pf: Spanned<f64>,
    pub(super) output_pf: Spanned<f64>,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
    #[serde(rename = "note")]
    pub(super) _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawPoint {
    #[serde(default)]
    pub(super) connection: Connection,
    pub(super) anode_volts: Number,
    pub(super) screen_volts: Number,
    pub(super) grid_volts: Option<f64>,
    pub(super) cathode_ohms: Number,
    pub(super) anode_milliamps: Number,
    pub(super) screen_milliamps: Number,
    pub(super) gm_milliamps_per_volt: Number,
    pub(super) mu: Number,
    pub(super) ra_ohms: Number,
    pub(super) mu_screen: Number,
    #[serde(default)]
    pub(super) cut_off: bool,
    pub(super) unused: Option<String>,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
    #[serde(default)]
    pub(super) confidence: String,
    #[serde(rename = "note")]
    pub(super) _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawDrop {
    pub(super) volts: Spanned<f64>,
    pub(super) anode_milliamps: Spanned<f64>,
    pub(super) unused: Option<String>,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
    #[serde(default)]
    pub(super) confidence: String,
    #[serde(rename = "note")]
    pub(super) _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawOperation {
    pub(super) filter: Filter,
    pub(super) anode_volts_rms: Number,
    pub(super) frequency_hz: Number,
    pub(super) supply_ohms: Number,
    pub(super) reservoir_microfarads: Number,
    pub(super) choke_henries: Number,
    pub(super) least_choke_henries: Number,
    pub(super) dc_milliamps: Number,
    pub(super) dc_volts: Number,
    pub(super) peak_inverse_volts: Number,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
    #[serde(default)]
    pub(super) confidence: String,
    #[serde(rename = "note")]
    pub(super) _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawDischarge {
    pub(super) maintaining_volts: Spanned<f64>,
    pub(super) milliamps: Spanned<f64>,
    pub(super) slope_ohms: Spanned<f64>,
    pub(super) strike_volts: Number,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
    #[serde(default)]
    pub(super) confidence: String,
    #[serde(rename = "note")]
    pub(super) _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawGridNoise {
    pub(super) microvolts: Spanned<f64>,
    pub(super) from_hz: Spanned<f64>,
    pub(super) to_hz: Spanned<f64>,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
    #[serde(default)]
    pub(super) confidence: String,
    #[serde(rename = "note")]
    pub(super) _note: Option<String>,
}

/// Letters of the equations, by which parameter sets go elsewhere, and what a `[model]` table calls them.
pub(super) const LETTERS: [(&str, &str); 12] = [
    ("mu", "amplification_factor"),
    ("x", "exponent"),
    ("kg", "reciprocal_perveance"),
    ("kp", "cut_off_sharpness"),
    ("kvb", "corner_volts_squared"),
    ("vct", "contact_volts"),
    ("d", "anode_penetration"),
    ("f", "screen_share"),
    ("b", "returned_share"),
    ("kap", "knee_size"),
    ("q", "knee_growth"),
    ("n", "knee_sharpness"),
];

/// The parameters under the words of the struct of each law; their units are its.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawModel {
    pub(super) law: Spanned<String>,
    pub(super) amplification_factor: Number,
    pub(super) exponent: Number,
    pub(super) reciprocal_perveance: Number,
    pub(super) cut_off_sharpness: Number,
    pub(super) corner_volts_squared: Number,
    pub(super) contact_volts: Number,
    pub(super) anode_penetration: Number,
    pub(super) screen_share: Number,
    pub(super) returned_share: Number,
    pub(super) knee_size: Number,
    pub(super) knee_growth: Number,
    pub(super) knee_sharpness: Number,
    pub(super) current_error_median_percent: Option<f64>,
    pub(super) current_error_worst_percent: Option<f64>,
    pub(super) slope_error_median_percent: Option<f64>,
    pub(super) slope_error_worst_percent: Option<f64>,
    pub(super) screen_error_median_percent: Option<f64>,
    pub(super) fitted_by: Spanned<String>,
    #[serde(rename = "note")]
    pub(super) _note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawGrid {
    pub(super) share: Spanned<f64>,
    pub(super) exponent: Spanned<f64>,
    pub(super) sharpness_per_volt: Spanned<f64>,
    pub(super) offset_volts: f64,
    pub(super) rise: f64,
    pub(super) rise_volts: Spanned<f64>,
    pub(super) source: Spanned<String>,
    pub(super) basis: Spanned<String>,
}
