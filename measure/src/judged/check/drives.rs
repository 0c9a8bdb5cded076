//! Pairs driven in phase and valves without drive, as findings.

use super::{Code, Finding, Weight};
use crate::UnderTest;
use crate::small_signal::drives::{Fault, Wrong, faults};
use sim::error::SimError;

/// Each pair and each valve that is not driven as it should be.
pub(super) fn findings(of: &UnderTest<'_>) -> Result<Vec<Finding>, SimError> {
    let finding = |fault: Fault| {
        let names = fault.parts.iter();
        let names = names.map(|part| of.circuit.part(*part).name.clone());
        let (code, why) = match fault.wrong {
            Wrong::InPhase => (
                Code::InPhase,
                "The halves of a winding want opposite currents; alike they leave no signal in its core, and next to nothing comes out.",
            ),
            Wrong::NoDrive => (
                Code::NoDrive,
                "What comes after it has nothing to amplify, or only what the other half gives.",
            ),
        };
        Finding {
            parts: names.collect(),
            quantity: fault.share.map_or(
                "",
                |_| "drive over that of its like, or of the stage before",
            ),
            value: fault.share,
            ..Finding::new(code, Weight::DoesNotWork, fault.what, why, fault.look)
        }
    };
    Ok(faults(of)?.into_iter().map(finding).collect())
}
