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
    /// That state at that peak, V.
    pub(super) fn at(drive: f64, settled: Settled) -> Self {
        Self { drive, settled }
    }

    /// The start of a period settled at that peak, V.
    pub(crate) fn of(drive: f64, period: &Period) -> Self {
        Self {
            drive,
            settled: period.neighbour(),
        }
    }
}

impl Start<'_> {
    /// The settled state at this drive by those of the drives nearest to it, one of which may be none at all, `rest`: on
    /// the parabola through three where it lies between them, else on the line through two.
    pub(super) fn nearest(self, rest: Option<&Settled>) -> Option<Settled> {
        let Self::Nearest(drive, neighbours) = self else {
            return rest.cloned();
        };
        let rest = rest.map(|settled| (0.0, settled));
        let driven = neighbours.iter().map(|other| (other.drive, &other.settled));
        let mut near: Vec<(f64, &Settled)> = rest.into_iter().chain(driven).collect();
        near.sort_by(|a, b| (a.0 - drive).abs().total_cmp(&(b.0 - drive).abs()));
        near.dedup_by(|a, b| a.0.to_bits() == b.0.to_bits());
        near.truncate(3);
        let beyond = |below: bool| near.iter().all(|(at, _)| (*at < drive) == below);
        if beyond(true) || beyond(false) {
            near.truncate(2);
        }
        let parts: Vec<(f64, &Settled)> = (0..near.len())
            .map(|k| (lagrange(&near, k, drive), near[k].1))
            .collect();
        Settled::mixed(&parts)
    }
}

/// Share of the state at place `k` in the polynomial through all of them.
fn lagrange(places: &[(f64, &Settled)], k: usize, drive: f64) -> f64 {
    let at = places[k].0;
    let others = places.iter().enumerate().filter(|(other, _)| *other != k);
    others
        .map(|(_, (other, _))| (drive - other) / (at - other))
        .product()
}
