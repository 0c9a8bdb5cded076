//! What every device between an anode and a cathode has in common: one current, in at the one and out at
//! the other, that answers to the volts between them.

use crate::device::Local;
use crate::guard::Sloped;

/// Its terminals.
pub(crate) const TERMINALS: &[&str] = &["anode", "cathode"];

/// `[2·2]`: both currents answer to both voltages.
pub(crate) const PATTERN: &[bool] = &[true; 4];

/// Writes the current `i`, A, with its slope, S, into both terminals.
#[inline]
pub(crate) fn flow(i: Sloped, out: &mut Local<'_>) {
    out.f.copy_from_slice(&[i.value, -i.value]);
    out.df
        .copy_from_slice(&[i.slope, -i.slope, -i.slope, i.slope]);
}
