//! Where power comes from and where it goes: supplies and loudspeakers.

use super::draft::Draft;
use super::error::Bounds;
use super::fields::Fields;
use super::terminals::{Made, between, poles};
use sim::parts::{Loudspeaker, Part, Source, Waveform};
use sim::quantity::Unit;

pub(super) fn supply(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let volts = fields.need_value(draft, "supply", Unit::Volt, Bounds::NotNegative);
    let nodes = poles(fields, draft);
    let resistance = fields
        .value(draft, "resistance", Unit::Ohm, Bounds::NotNegative)
        .unwrap_or(0.0);
    Some((
        Part::Source(Source {
            waveform: Waveform::Dc(volts),
            resistance,
        }),
        nodes?,
    ))
}

pub(super) fn ac_supply(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let volts_rms = fields.need_value(draft, "ac_supply", Unit::Volt, Bounds::NotNegative);
    let frequency = fields.need_value(draft, "frequency", Unit::Hertz, Bounds::Positive);
    let nodes = between(fields, draft);
    let resistance = fields
        .value(draft, "resistance", Unit::Ohm, Bounds::NotNegative)
        .unwrap_or(0.0);
    let amplitude = volts_rms * std::f64::consts::SQRT_2;
    let waveform = Waveform::Alternating {
        amplitude,
        frequency,
        phase: 0.0,
    };
    Some((
        Part::Source(Source {
            waveform,
            resistance,
        }),
        nodes?,
    ))
}

pub(super) fn loudspeaker(fields: &mut Fields<'_>, draft: &mut Draft) -> Option<Made> {
    let rated = fields.need_value(draft, "loudspeaker", Unit::Ohm, Bounds::Positive);
    let nodes = between(fields, draft);
    let typical = Loudspeaker::typical(rated);
    let re = fields.value_or_assume(draft, "re", Unit::Ohm, Bounds::Positive, typical.re);
    let le = fields.value_or_assume(draft, "le", Unit::Henry, Bounds::NotNegative, typical.le);
    let fs = fields.value_or_assume(draft, "fs", Unit::Hertz, Bounds::Positive, typical.fs);
    let qms = fields.value_or_assume(draft, "qms", Unit::Number, Bounds::Positive, typical.qms);
    let qes = fields.value_or_assume(draft, "qes", Unit::Number, Bounds::Positive, typical.qes);
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
