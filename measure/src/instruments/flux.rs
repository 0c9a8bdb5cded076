//! The flux that a core's is told against: one definition for every report, both as peaks.
//!
//! ```text
//! λ_s = √2 V_s/(2πf)          mains transformer, V_s the mains volts stated as those where it saturates
//! L(λ) = L(0)/2               any other core, with its gap
//! ```
//!
//! Source    the flux of a sine of volts, its peak to its peak; the half is how chokes are stated
//! Care      a mains transformer works in the bend by design, beyond the half of its inductance: against that it would
//!           stand at 120 % on the mains it is made for

use sim::amplifier::Taps;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::parts::Part;

/// Whether a part is a transformer that the mains feeds.
pub(crate) fn is_of_the_mains(
    circuit: &Circuit,
    (mains, taps): (Option<PartId>, &[Taps]),
    part: PartId,
) -> bool {
    let placed = circuit.part(part);
    let joined = || {
        let live = mains.map(|mains| &circuit.part(mains).nodes);
        let at = |node: &NodeId| {
            *node != NodeId::CHASSIS && live.is_some_and(|live| live.contains(node))
        };
        placed.nodes.iter().any(at)
    };
    matches!(placed.part, Part::Transformer(_))
        && (taps.iter().any(|taps| taps.part == part) || joined())
}

/// The flux linkage at which the core of a part saturates, Wb; none of a part without one, or of one that never does.
pub(crate) fn of_saturation(
    circuit: &Circuit,
    fed: (Option<PartId>, &[Taps]),
    part: PartId,
) -> Option<f64> {
    let core = circuit.part(part).part.core()?;
    let flux = if is_of_the_mains(circuit, fed, part) {
        core.lambda_s
    } else {
        core.saturation_flux()
    };
    flux.is_finite().then_some(flux)
}
