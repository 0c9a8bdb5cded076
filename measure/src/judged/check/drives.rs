//! Pairs driven in phase and valves without drive, as findings.

use super::{Code, Finding, Weight};
use crate::UnderTest;
use crate::small_signal::drives::{Fault, Wrong, faults};
use sim::circuit::PartId;
use sim::error::SimError;

/// Whether a valve is found not to work at rest, or its signal to be led astray.
fn is_cause(of: &Finding) -> bool {
    let astray = of.code == Code::WrongNode && of.weight == Weight::DoesNotWork;
    astray || [Code::CutOff, Code::GridCurrent, Code::AnodeLoad].contains(&of.code)
}

/// Puts each pair and each valve that is not driven as it should be among the findings, or, where that follows from a
/// valve that does not work at rest, into what is said of that one or of the slip behind it.
pub(super) fn find(of: &UnderTest<'_>, findings: &mut Vec<Finding>) -> Result<(), SimError> {
    for fault in faults(of)? {
        let name = |part: &PartId| of.circuit.part(*part).name.clone();
        let beside: Vec<String> = fault.beside.iter().map(name).collect();
        let cause = findings.iter_mut().find(|of| {
            let at_rest = is_cause(of).then_some(&of.parts);
            let mut parts = at_rest.into_iter().flatten().chain(&of.explained);
            parts.any(|part| beside.contains(part))
        });
        if let Some(cause) = cause {
            cause.explains.push(fault.what);
        } else {
            findings.push(told(fault, &name));
        }
    }
    Ok(())
}

fn told(fault: Fault, name: &dyn Fn(&PartId) -> String) -> Finding {
    let (code, why) = match fault.wrong {
        Wrong::InPhase => (
            Code::InPhase,
            "The halves of a winding want opposite currents; alike they leave no signal in its core, and next to nothing comes out.",
        ),
        Wrong::NoDrive => (
            Code::NoDrive,
            "What comes after it has nothing to amplify, or only what the other half gives.",
        ),
        Wrong::Against => (
            Code::InPhase,
            "It works against its own half: it draws current while they let go, gives heat in the place of power, and wears out first.",
        ),
    };
    let share = fault.share;
    Finding {
        parts: fault.parts.iter().map(name).collect(),
        quantity: share.map_or(
            "",
            |_| "drive over that of its like, of its fellow, or of the stage before",
        ),
        value: share,
        ..Finding::new(code, Weight::DoesNotWork, fault.what, why, fault.look)
    }
}
