//! Where power comes from and where it goes: supplies and loudspeakers.

use super::error::Bounds;
use super::fields::Fields;
use super::log::Log;
use super::parts::{Made, between, poles};
use crate::parts::{Loudspeaker, Part, Source, Waveform};
use crate::quantity::Unit;

pub(super) fn supply(fields: &mut Fields<'_>, log: &mut Log) -> Option<Made> {
    let volts = fields.need_value(log, "supply", Unit::Volt, Bounds::NotNegative);
    let nodes = poles(fields, log);
    let resistance = fields
        .value(log, "resistance", Unit::Ohm, Bounds::NotNegative)
        .unwrap_or(0.0);
    Some((
        Part::Source(Source {
            waveform: Waveform::Dc(volts),
            resistance,
        }),
        nodes?,
    ))
}

pub(super) fn ac_supply(fields: &mut Fields<'_>, log: &mut Log) -> Option<Made> {
    let volts_rms = fields.need_value(log, "ac_supply", Unit::Volt, Bounds::NotNegative);
    let frequency = fields.need_value(log, "frequency", Unit::Hertz, Bounds::Positive);
    let nodes = between(fields, log);
    let resistance = fields
        .value(log, "resistance", Unit::Ohm, Bounds::NotNegative)
        .unwrap_or(0.0);
    let amplitude = volts_rms * std::f64::consts::SQRT_2;
    let waveform = Waveform::Sine {
        amplitude,
        frequency,
        phase: 0.0,
        offset: 0.0,
    };
    Some((
        Part::Source(Source {
            waveform,
            resistance,
        }),
        nodes?,
    ))
}

/// What a moving-coil loudspeaker is like when nobody measured it.
/// Source    engineering figures, from memory: Re is 0.8 of the rating, the rest mid-size cones
mod typical_loudspeaker {
    pub(super) const RE_OF_RATED: f64 = 0.8;
    pub(super) const LE: f64 = 0.5e-3;
    pub(super) const FS: f64 = 55.0;
    pub(super) const QMS: f64 = 4.0;
    pub(super) const QES: f64 = 0.6;
}

pub(super) fn loudspeaker(fields: &mut Fields<'_>, log: &mut Log) -> Option<Made> {
    use typical_loudspeaker::{FS, LE, QES, QMS, RE_OF_RATED};
    let rated = fields.need_value(log, "loudspeaker", Unit::Ohm, Bounds::Positive);
    let nodes = between(fields, log);
    let re = fields.value_or_assume(log, "re", Unit::Ohm, Bounds::Positive, RE_OF_RATED * rated);
    let le = fields.value_or_assume(log, "le", Unit::Henry, Bounds::NotNegative, LE);
    let fs = fields.value_or_assume(log, "fs", Unit::Hertz, Bounds::Positive, FS);
    let qms = fields.value_or_assume(log, "qms", Unit::Number, Bounds::Positive, QMS);
    let qes = fields.value_or_assume(log, "qes", Unit::Number, Bounds::Positive, QES);
    Some((
        Part::Loudspeaker(Loudspeaker {
            re,
            le,
            fs,
            qms,
            qes,
            rated,
        }),
        nodes?,
    ))
}
