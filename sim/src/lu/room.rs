//! Room for other pivots, so that choosing them again asks for no memory.
//!
//! ```text
//! dense:  entries n²,   below the pivots n(n−1)/2,   products Σ_k (n−1−k)² = (n−1)n(2n−1)/6
//! reserved = min(dense(n), max(dense(ANY), AGAIN · first))
//! ```
//!
//! Symbols   first, what the first layout took;  a product is one l u of the elimination
//! Source    ours
//! Valid     no layout of up to [`ANY_PIVOTS_UP_TO`] unknowns goes beyond its room, whatever the pivots
//! Care      a larger matrix may, when new pivots bring [`AGAIN`] times the fill of the first: then the
//! ```text
//!       vectors grow, once
//! ```

use std::ops::{Deref, DerefMut};

/// Unknowns up to which every order of pivots has its room: 0.9 MB of it at 80, nearly all for the
/// products, which grow with the third power. A page that no layout has used costs no memory.
const ANY_PIVOTS_UP_TO: usize = 80;

/// Room for larger matrices against their first layout. Pivots off the diagonal bring some fill, not
/// another kind of matrix.
const AGAIN: usize = 4;

/// What a layout of n unknowns may take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Room {
    /// L and U together.
    pub(super) entries: usize,
    /// L alone.
    pub(super) lower: usize,
    /// Products of the elimination.
    pub(super) products: usize,
}

impl Room {
    /// The room of every order of pivots.
    fn dense(n: usize) -> Self {
        let below = n.saturating_sub(1);
        Self {
            entries: n * n,
            lower: n * below / 2,
            products: below * n * (2 * n).saturating_sub(1) / 6,
        }
    }

    /// The room to reserve when the first layout took `first`.
    pub(super) fn of(n: usize, first: Self) -> Self {
        let (all, any) = (Self::dense(n), Self::dense(ANY_PIVOTS_UP_TO));
        let least = |all: usize, any: usize, first: usize| all.min(any.max(AGAIN * first));
        Self {
            entries: least(all.entries, any.entries, first.entries),
            lower: least(all.lower, any.lower, first.lower),
            products: least(all.products, any.products, first.products),
        }
    }
}

/// A vector whose copies keep its capacity.
#[derive(Debug)]
pub(super) struct Roomy<T>(Vec<T>);

impl<T> Roomy<T> {
    /// An empty one for `room` elements.
    pub(super) fn with_capacity(room: usize) -> Self {
        Self(Vec::with_capacity(room))
    }

    /// Makes the capacity at least `room`.
    pub(super) fn reserve_all(&mut self, room: usize) {
        self.0.reserve_exact(room.saturating_sub(self.0.len()));
    }
}

impl<T> Default for Roomy<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T: Clone> Clone for Roomy<T> {
    fn clone(&self) -> Self {
        let mut copy = Vec::with_capacity(self.0.capacity());
        copy.extend_from_slice(&self.0);
        Self(copy)
    }
}

impl<T: PartialEq> PartialEq for Roomy<T> {
    fn eq(&self, other: &Self) -> bool {
        self.0 == other.0
    }
}

impl<T> Deref for Roomy<T> {
    type Target = Vec<T>;
    fn deref(&self) -> &Vec<T> {
        &self.0
    }
}

impl<T> DerefMut for Roomy<T> {
    fn deref_mut(&mut self) -> &mut Vec<T> {
        &mut self.0
    }
}
