//! Settled levels as places to set out from to others of nearly their drive.

use sim::periodic::{Neighbour as Settled, Period};

/// Where settling sets out from.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Start<'a> {
    /// From rest.
    Rest,
    /// From the settled start of the nearest drive, of that peak, V, among these; from rest without any.
    Nearest(f64, &'a [Neighbour]),
}

/// The settled start of a level, from which levels of nearly its drive settle in fewer cycles.
#[derive(Clone, Debug)]
pub(crate) struct Neighbour {
    drive: f64,
    settled: Settled,
}

impl Neighbour {
    /// The start of a period settled at that peak, V.
    pub(crate) fn of(drive: f64, period: &Period) -> Self {
        Self {
            drive,
            settled: period.neighbour(),
        }
    }
}

impl Start<'_> {
    /// The settled state on the line through the two nearest drives, one of which may be none at all, `rest`.
    pub(super) fn nearest(self, rest: Option<&Settled>) -> Option<Settled> {
        let Self::Nearest(drive, neighbours) = self else {
            return rest.cloned();
        };
        let rest = rest.map(|settled| (0.0, settled));
        let driven = neighbours.iter().map(|other| (other.drive, &other.settled));
        let mut near: Vec<(f64, &Settled)> = rest.into_iter().chain(driven).collect();
        near.sort_by(|a, b| (a.0 - drive).abs().total_cmp(&(b.0 - drive).abs()));
        match near[..] {
            [(at, nearest), (other_at, other), ..] => {
                Some(nearest.towards(other, (drive - at) / (other_at - at)))
            }
            [(_, nearest)] => Some(nearest.clone()),
            [] => None,
        }
    }
}
