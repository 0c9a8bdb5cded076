//! Shooting: the start of a cycle is corrected until the cycle closes.
//!
//! The monodromy matrix of one cycle serves several corrections as long as each shrinks the residual
//! well; its cycles are run by the same steps, so that they are a smooth function of their start. One handed on from a
//! coarser search or from a neighbouring state serves as well as one's own while it does that. What is accepted is a
//! cycle that was run and closes on itself.
//!
//! ```text
//! RunIn(n) ─► … ─► RunIn(0) ─► Known ─► Corrected ─► Corrected ─► … ─► closed
//!    ▲                ▲          │           │
//!    │                └── slow ──│───────────┤
//!    └─── no matrix, worse, lost ┴───────────┘
//! ```
//!
//! Source   Aprille & Trick, Proc. IEEE 60 (1972) 108 (from memory)

use std::sync::Arc;

use super::aim::{Aim, Followed};
use super::monodromy::{Correction, Monodromy};
use super::run::{NEAR, Run};
use super::{Approach, Period, Settling};
use crate::error::SimError;
use crate::transient::Choice;
use crate::transient::sensitivity::Sensitivity;
use crate::workspace::Workspace;

/// Cycles run before shooting starts from rest, and again after a correction that made things worse.
pub(super) const RUN_IN: u32 = 3;

/// A correction that leaves more than this share of the residual calls for a new monodromy matrix; of long steps, whose
/// matrix is had for the time of a few of their cycles and serves the fine ones.
const SLOW: f64 = 0.2;
const SLOW_COARSE: f64 = 0.02;

/// Cycles after which a coarse search is over where it is near: the fine one goes on from there.
const LONG: u32 = 12;

/// Growth, 1/s, above which a matrix handed on does not tell that a state lasts. It is that of other steps or another drive:
/// between this and the growth that counts lies room for the difference.
const DECAYS: f64 = 0.0;

/// Change of ln drive beyond which the steps of a cycle are not those of the next.
const FAR: f64 = 3e-3;

/// A monodromy matrix and whether it is that of a cycle of this search.
#[derive(Clone, Debug)]
struct Matrix {
    of: Arc<Monodromy>,
    own: bool,
}

/// Where the search stands between two cycles.
enum Phase {
    /// So many cycles are still run as they come; the one after them brings its matrix.
    RunIn(u32),
    /// A matrix is known that has corrected nothing here yet; none when the one a cycle brought is of no use, and
    /// another has to bring one.
    Known(Option<Matrix>),
    /// The cycle just run started from a correction by the matrix; the residual before that.
    Corrected(Matrix, f64),
}

impl Phase {
    fn own(monodromy: Option<Monodromy>) -> Self {
        Self::Known(monodromy.map(|of| Matrix {
            of: Arc::new(of),
            own: true,
        }))
    }

    /// The phase when the residual before the last correction tells nothing any more.
    fn afresh(self) -> Self {
        match self {
            Self::Corrected(matrix, _) => Self::Known(Some(matrix)),
            Self::RunIn(_) | Self::Known(_) => self,
        }
    }
}

/// Where the kept steps come from: those of a cycle far from the settled one are not those its error asks for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Steps {
    /// A cycle far from closing, if any are kept.
    Far,
    /// A cycle has come near for the first time: the next keeps its own.
    Due,
    /// A cycle near the settled one.
    Near,
}

impl Steps {
    /// The steps of a cycle that brings its matrix: once near, the cycle stays the function of its start that it was.
    fn measured(self) -> Choice {
        match self {
            Self::Far | Self::Due => Choice::Kept,
            Self::Near => Choice::Again,
        }
    }
}

/// Settles `run` by shooting, with the matrix of a neighbouring state if one is known, and at the drive that meets an aim; by waiting when half of the
/// cycles allowed have led nowhere.
pub(super) fn settle(
    mut run: Run<'_>,
    settling: &Settling,
    known: Option<Arc<Monodromy>>,
    mut aim: Option<&mut Aim<'_>>,
    ws: &mut Workspace,
) -> Result<Period, SimError> {
    let is_small = Sensitivity::stores_of(run.system).len() <= settling.whole_matrix;
    let mut whole = is_small.then(|| Sensitivity::whole(run.system));
    let mut phase = match known {
        Some(of) => Phase::Known(Some(Matrix { of, own: false })),
        None => Phase::RunIn(settling.run_in),
    };
    let mut steps = Steps::Far;
    while run.cycles < settling.most_cycles / 2 {
        let (residual, reached) = match cycle(&mut run, phase, steps, whole.as_mut(), ws) {
            Ok(cycle) => cycle,
            Err(_) if !run.is_spent() && run.step_back(ws) => {
                phase = look_around(&mut run, RUN_IN);
                continue;
            }
            Err(error) => return Err(error),
        };
        let proposed = match &reached {
            Phase::Known(Some(matrix)) | Phase::Corrected(matrix, _) => {
                matrix.of.correction(&run, ws)
            }
            Phase::RunIn(_) | Phase::Known(None) => None,
        };
        let near = |proposed: &Correction| proposed.size <= settling.closeness;
        let roughly = run.is_coarse() && run.cycles > LONG && residual <= NEAR;
        let closes =
            residual <= settling.periodicity || proposed.as_ref().is_some_and(near) || roughly;
        let aimed = aim
            .as_mut()
            .map_or(Followed::Met, |aim| aim.follow(residual, &run.samples, ws));
        // By other steps the residual is another.
        let reached = if steps == Steps::Due {
            reached.afresh()
        } else {
            reached
        };
        steps = match steps {
            Steps::Far if residual < NEAR => Steps::Due,
            Steps::Due => Steps::Near,
            Steps::Far | Steps::Near => steps,
        };
        if let Followed::Moved(by) = aimed {
            // The residual is that of another drive.
            let along = aim.as_ref().and_then(|aim| aim.start_along());
            let proposed = match along {
                Some(along) => proposed.map(|correction| correction.with(along, by)),
                None => proposed,
            };
            phase = next(&mut run, reached.afresh(), proposed, (residual, steps), ws).afresh();
            if by.abs() > FAR {
                run.forget_steps();
                steps = Steps::Far;
            }
            continue;
        }
        if !closes || aimed == Followed::Unknown {
            phase = next(&mut run, reached, proposed, (residual, steps), ws);
            continue;
        }
        if steps == Steps::Due && run.followed() && !run.is_coarse() {
            // It closes, but by steps that are not its own: once more.
            phase = reached;
            continue;
        }
        phase = match reached {
            // It closes; whether it lasts takes the matrix of one cycle more.
            Phase::RunIn(_) => Phase::RunIn(0),
            // Whether it lasts is not known without one: it must go on closing.
            Phase::Known(None) => Phase::RunIn(RUN_IN),
            Phase::Known(Some(matrix)) | Phase::Corrected(matrix, _) => {
                if matrix.own || run.growth(matrix.of.multiplier()) < DECAYS {
                    let multiplier = Some(matrix.of.multiplier());
                    let period = run.finish(multiplier, Approach::Shooting, ws)?;
                    return Ok(period.with(matrix.of));
                }
                Phase::RunIn(0)
            }
        };
    }
    run.wait(ws)
}

/// One cycle: how far it is from closing, and the phase it leads to by itself.
fn cycle(
    run: &mut Run<'_>,
    phase: Phase,
    steps: Steps,
    whole: Option<&mut Sensitivity>,
    ws: &mut Workspace,
) -> Result<(f64, Phase), SimError> {
    match (phase, whole) {
        (Phase::RunIn(0) | Phase::Known(None), Some(whole)) => {
            whole.begin(run.system);
            let residual = run.cycle_with(whole, steps.measured(), ws)?;
            Ok((residual, Phase::own(Monodromy::whole(whole))))
        }
        (Phase::RunIn(0) | Phase::Known(None), None) => {
            let residual = run.cycle(steps.measured(), ws)?;
            Ok((residual, Phase::own(Monodromy::slow(run, ws))))
        }
        (phase, _) => {
            let choice = match steps {
                Steps::Due => Choice::Kept,
                Steps::Far | Steps::Near => Choice::Again,
            };
            Ok((run.cycle(choice, ws)?, phase))
        }
    }
}

/// What follows a cycle that does not close: the start of the next where the matrix makes it close, if it
/// still serves.
fn next(
    run: &mut Run<'_>,
    phase: Phase,
    proposed: Option<Correction>,
    (residual, steps): (f64, Steps),
    ws: &mut Workspace,
) -> Phase {
    let slow = if run.is_coarse() { SLOW_COARSE } else { SLOW };
    match phase {
        Phase::RunIn(cycles) => Phase::RunIn(cycles.saturating_sub(1)),
        Phase::Known(None) => look_around(run, RUN_IN),
        // The matrix has served its time; after a step for the worse, look around first.
        // By the same steps, near by, a matrix of one's own is all there is to be had.
        Phase::Corrected(_, before) if steps == Steps::Near && residual > slow * before => {
            Phase::RunIn(0)
        }
        Phase::Corrected(_, before) if residual > before => look_around(run, RUN_IN),
        Phase::Corrected(_, before) if residual > slow * before => look_around(run, 0),
        Phase::Known(Some(matrix)) | Phase::Corrected(matrix, _) => match proposed {
            Some(correction) => {
                matrix.of.correct(&correction, run, ws);
                Phase::Corrected(matrix, residual)
            }
            None => look_around(run, RUN_IN),
        },
    }
}

/// Drops matrix and steps, and runs so many cycles before the next.
fn look_around(run: &mut Run<'_>, cycles: u32) -> Phase {
    run.forget_steps();
    Phase::RunIn(cycles)
}
