//! Shooting: the start of a cycle is corrected until the cycle closes.
//!
//! The monodromy matrix of one cycle serves several corrections as long as each shrinks the residual
//! well; its cycles are run by the same steps, so that they are a smooth function of their start. What is
//! accepted is a cycle that was run and closes on itself.
//!
//! Source   Aprille & Trick, Proc. IEEE 60 (1972) 108 (from memory)

use super::monodromy::Monodromy;
use super::run::{NEAR, Run};
use super::{Approach, Period, Settling};
use crate::error::SimError;
use crate::system::Workspace;
use crate::transient::sensitivity::Sensitivity;

/// Cycles run before shooting starts from rest, and again after a correction that made things worse.
pub(super) const RUN_IN: u32 = 3;

/// A correction that leaves more than this share of the residual calls for a new monodromy matrix.
const SLOW: f64 = 0.1;

/// Where the kept steps come from.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Steps {
    /// A cycle that was far from closing.
    Far,
    /// The next cycle keeps its own.
    Anew,
    /// A cycle near the settled one.
    Near,
}

/// Settles `run` by shooting; by waiting when half of the cycles allowed have led nowhere.
pub(super) fn settle(
    mut run: Run<'_>,
    settling: &Settling,
    ws: &mut Workspace,
) -> Result<Period, SimError> {
    let mut whole = Sensitivity::whole(run.system);
    let is_small = whole.stores.len() <= settling.whole_matrix;
    let mut monodromy: Option<Monodromy> = None;
    let mut patience = settling.run_in;
    let mut last = f64::INFINITY;
    // Steps kept far from the settled cycle are not those its error asks for.
    let mut steps = Steps::Far;
    while run.cycles < settling.most_cycles / 2 {
        let renew = patience == 0 && monodromy.is_none();
        let cycle = if renew && is_small {
            whole.begin(run.system);
            run.cycle_with(&mut whole, ws)
        } else if renew || steps == Steps::Anew {
            run.cycle_keeping_steps(ws)
        } else {
            run.cycle(ws)
        };
        let residual = match cycle {
            Ok(residual) => residual,
            Err(error) => {
                if !run.step_back(ws) {
                    return Err(error);
                }
                (monodromy, patience, last) = (None, RUN_IN, f64::INFINITY);
                run.free_steps();
                continue;
            }
        };
        if steps == Steps::Anew {
            steps = Steps::Near;
        } else if steps == Steps::Far && residual < NEAR {
            steps = Steps::Anew;
        }
        if renew {
            monodromy = if is_small {
                Monodromy::whole(&whole)
            } else {
                Monodromy::slow(&mut run, ws)
            };
        }
        if residual <= settling.periodicity {
            if steps == Steps::Anew {
                continue;
            }
            if !renew && monodromy.is_none() {
                // It closes; whether it lasts takes the matrix of one cycle more.
                patience = 0;
                continue;
            }
            let multiplier = monodromy.as_ref().and_then(Monodromy::multiplier);
            return run.finish(multiplier, Approach::Shooting, ws);
        }
        if patience > 0 {
            patience -= 1;
            continue;
        }
        if !renew && residual > SLOW * last {
            // The matrix has served its time; after a step for the worse, look around first.
            monodromy = None;
            run.free_steps();
            patience = if residual > last { RUN_IN } else { 0 };
            last = f64::INFINITY;
            continue;
        }
        last = residual;
        let corrected = monodromy
            .as_ref()
            .is_some_and(|monodromy| monodromy.correct(&mut run, ws));
        if !corrected {
            (monodromy, patience) = (None, RUN_IN);
            run.free_steps();
        }
    }
    run.wait(ws)
}
