//! The factorisation with given pivots.
//!
//! ```text
//! u_jk = a_jk − Σ_{m<j} l_jm u_mk,   l_ik = (a_ik − Σ_{m<k} l_im u_mk) / u_kk
//! ```
//!
//! Symbols   j, k, m steps;  i the step of a row;  places and targets are the plan's
//! Source    Gilbert and Peierls, SIAM J. Sci. Stat. Comput. 9 (1988) 862
//! Care      the pivot's place holds `1/u_kk`

use super::pivot::{self, Choice};
use super::plan::{self, Column, Plan};
use super::room::{Room, Roomy};
use super::{Entry, Singular, Symbolic};

/// The factors of one matrix, its pivots, and the scratch of solutions.
///
/// The first [`factor`](Self::factor) after [`new`](Self::new) reserves for the layouts to come, see
/// `room`: nothing allocates after it, other pivots included, unless n > 80 and they bring four times
/// the fill. A clone has the same reserve.
#[derive(Clone, Debug)]
pub struct Factors<T> {
    /// The pivots that `plan` was made for, and those of the last choice.
    pub(super) choice: Choice,
    chosen: Choice,
    choosing: pivot::Work<T>,
    laying_out: plan::Work,
    pub(super) plan: Plan,
    /// `[entries]` L and U, as the plan lays them out.
    pub(super) lu: Roomy<T>,
    /// `[tail entries]` The tail before its varying entries and its own elimination, S0.
    base: Roomy<T>,
    /// `[varying]` The varying entries taken last.
    pub(super) varying: Vec<T>,
    /// `[n]` By step: reciprocal of the largest magnitude in the pivot row when pivots were chosen.
    pub(super) scale: Vec<f64>,
    /// `[n]` By row, of the last values that pivots were looked for.
    row_scales: Vec<f64>,
    /// `[n]` By step: largest magnitude in the column of L + U when pivots were chosen, rows scaled.
    pub(super) reference: Vec<f64>,
    /// `[n]`
    pub(super) scratch: Vec<T>,
    /// The first step redone by the last factorisation.
    pub(super) changed: usize,
    state: State,
}

/// What of the factors can be relied on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum State {
    /// Nothing: no pivots yet.
    Unpivoted,
    /// Pivots and layout.
    Pivoted,
    /// Also head, border and S0.
    Based,
    /// Everything.
    Factored,
}

impl<T: Entry> Factors<T> {
    /// Factors without pivots yet.
    pub fn new(symbolic: &Symbolic) -> Self {
        let n = symbolic.n();
        Self {
            choice: Choice::new(n),
            chosen: Choice::new(n),
            choosing: pivot::Work::new(symbolic),
            laying_out: plan::Work::new(n),
            plan: Plan::default(),
            lu: Roomy::default(),
            base: Roomy::default(),
            varying: Vec::new(),
            scale: vec![1.0; n],
            row_scales: vec![1.0; n],
            reference: vec![0.0; n],
            scratch: vec![T::default(); n],
            changed: 0,
            state: State::Unpivoted,
        }
    }

    /// Chooses the pivots for these values, `[nnz]` or longer, and factorises. Allocates the first time.
    ///
    /// # Errors
    /// [`Singular`] at a value that is not finite or a column without a usable pivot. The former pivots,
    /// if any, are kept.
    ///
    /// # Panics
    /// When `values` is too short.
    pub fn factor(&mut self, symbolic: &Symbolic, values: &[T]) -> Result<(), Singular> {
        let values = &values[..symbolic.nnz()];
        self.state = self.state.min(State::Pivoted);
        all_finite(symbolic, values)?;
        pivot::row_scales(symbolic, values, &mut self.row_scales);
        pivot::choose(
            symbolic,
            values,
            &self.row_scales,
            &mut self.choosing,
            &mut self.chosen,
        )?;
        // New pivots are often the old ones
        let first = self.state == State::Unpivoted;
        if first || self.chosen != self.choice {
            std::mem::swap(&mut self.choice, &mut self.chosen);
            self.plan.lay_out(
                symbolic,
                &self.choice,
                &mut self.choosing.reach,
                &mut self.laying_out,
            );
            if first {
                self.reserve(symbolic.n());
            }
            let entries = self.plan.rows.len();
            self.lu.resize(entries, T::default());
            self.base.resize(entries - self.plan.third, T::default());
            self.varying.resize(self.plan.varying.len(), T::default());
        }
        for (scale, &row) in self.scale.iter_mut().zip(&self.plan.row_of_step) {
            *scale = self.row_scales[row as usize];
        }
        self.state = State::Pivoted;
        self.refactor(symbolic, values)?;
        self.set_reference();
        Ok(())
    }

    /// Reserves for other layouts, by the size of the first.
    fn reserve(&mut self, n: usize) {
        let room = Room::of(n, self.plan.taken());
        self.plan.reserve(room);
        self.laying_out.reserve(room);
        self.choosing.reach.lower.reserve_all(room.lower);
        self.choosing.lower.reserve_all(room.lower);
        self.lu.reserve_all(room.entries);
        self.base.reserve_all(room.entries);
    }

    /// Factorises with the present pivots; every value, `[nnz]` or longer, may be new. Does not
    /// allocate, except that without pivots it is [`factor`](Self::factor).
    ///
    /// # Errors
    /// [`Singular`] at a value that is not finite or a pivot without a finite reciprocal. Other pivots
    /// may still exist: try [`factor`](Self::factor).
    ///
    /// # Panics
    /// When `values` is too short.
    pub fn refactor(&mut self, symbolic: &Symbolic, values: &[T]) -> Result<(), Singular> {
        if self.state == State::Unpivoted {
            return self.factor(symbolic, values);
        }
        let values = &values[..symbolic.nnz()];
        self.state = State::Pivoted;
        self.changed = 0;
        all_finite(symbolic, values)?;
        let plan = &self.plan;
        self.lu.fill(T::default());
        for &(entry, place) in &plan.constant {
            self.lu[place as usize] = values[entry as usize];
        }
        let (head, tail) = plan.columns.split_at(plan.head);
        let rows = &plan.rows[..];
        eliminate(&plan.columns, head, rows, plan.head_targets(), &mut self.lu)
            .map_err(|step| self.singular(step))?;
        // The head's share of the tail
        let (done, open) = self.lu.split_at_mut(plan.second);
        let mut targets = plan.border_targets();
        debug_assert_eq!(tail.len() + 1, plan.border.len());
        for entry in plan.second..plan.third {
            let u = open[entry - plan.second];
            let lower = &done[plan.columns[rows[entry] as usize].lower()];
            let (now, later) = targets.split_at(lower.len());
            targets = later;
            for (&l, &target) in lower.iter().zip(now) {
                open[target as usize] -= l * u;
            }
        }
        self.base.copy_from_slice(&self.lu[plan.third..]);
        self.state = State::Based;
        self.finish(symbolic, values)
    }

    /// Factorises with the present pivots when only the varying entries of `values`, `[nnz]` or longer,
    /// have changed since the last [`factor`](Self::factor) or [`refactor`](Self::refactor): redoes the
    /// tail and no more. After one of these has failed it does all that [`refactor`](Self::refactor) does.
    ///
    /// # Errors
    /// As [`refactor`](Self::refactor).
    ///
    /// # Panics
    /// When `values` is too short.
    pub fn refactor_varying(&mut self, symbolic: &Symbolic, values: &[T]) -> Result<(), Singular> {
        if self.state < State::Based {
            return self.refactor(symbolic, values);
        }
        let values = &values[..symbolic.nnz()];
        self.state = State::Based;
        self.changed = self.plan.head;
        self.lu[self.plan.third..].copy_from_slice(&self.base);
        self.finish(symbolic, values)
    }

    /// Adds the varying entries to the tail and eliminates it.
    fn finish(&mut self, symbolic: &Symbolic, values: &[T]) -> Result<(), Singular> {
        let plan = &self.plan;
        let open = &mut self.lu[plan.third..];
        let mut finite = true;
        for (&(entry, place), copy) in plan.varying.iter().zip(&mut self.varying) {
            let value = values[entry as usize];
            *copy = value;
            open[place as usize] += value;
            finite &= value.magnitude().is_finite();
        }
        if !finite {
            let taken = plan.varying.iter().map(|&(entry, _)| entry as usize);
            let mut bad = taken.filter(|&entry| !values[entry].magnitude().is_finite());
            let column = bad
                .next()
                .map_or(0, |entry| symbolic.pattern.column_of(entry));
            return Err(Singular { column });
        }
        let tail = &plan.columns[plan.head..];
        eliminate(
            &plan.columns,
            tail,
            &plan.rows,
            plan.tail_targets(),
            &mut self.lu,
        )
        .map_err(|step| self.singular(plan.head + step))?;
        self.state = State::Factored;
        Ok(())
    }

    fn singular(&self, step: usize) -> Singular {
        Singular {
            column: self.plan.column_of_step[step] as usize,
        }
    }

    /// Whether [`solve`](Self::solve) may be called.
    pub fn is_factored(&self) -> bool {
        self.state == State::Factored
    }

    /// The number of steps which [`refactor_varying`](Self::refactor_varying) skips.
    pub fn head(&self) -> usize {
        self.plan.head
    }

    /// The number of entries of L and U together, the unit diagonal not counted.
    pub fn entries(&self) -> usize {
        self.lu.len()
    }
}

/// Names the first column with a value that is not finite.
fn all_finite<T: Entry>(symbolic: &Symbolic, values: &[T]) -> Result<(), Singular> {
    // Without an early exit the common case is a few vector instructions
    if values
        .iter()
        .fold(true, |ok, value| ok & value.magnitude().is_finite())
    {
        return Ok(());
    }
    let bad = values
        .iter()
        .position(|value| !value.magnitude().is_finite());
    bad.map_or(Ok(()), |entry| {
        Err(Singular {
            column: symbolic.pattern.column_of(entry),
        })
    })
}

/// Eliminates the `chosen` columns in place, `lu` `[entries]`; else the number of the one that failed.
#[inline]
fn eliminate<T: Entry>(
    columns: &[Column],
    chosen: &[Column],
    rows: &[u32],
    mut targets: &[u32],
    lu: &mut [T],
) -> Result<(), usize> {
    for (number, &column) in chosen.iter().enumerate() {
        let (done, open) = lu.split_at_mut(column.start as usize);
        let open = &mut open[..(column.end - column.start) as usize];
        for (offset, &j) in rows[column.upper()].iter().enumerate() {
            let u = open[offset];
            let lower = &done[columns[j as usize].lower()];
            let (now, later) = targets.split_at(lower.len());
            targets = later;
            for (&l, &target) in lower.iter().zip(now) {
                open[target as usize] -= l * u;
            }
        }
        let (pivot, lower) = open[column.upper().len()..]
            .split_first_mut()
            .ok_or(number)?;
        let reciprocal = pivot.reciprocal();
        let size = reciprocal.magnitude();
        if !(size > 0.0 && size.is_finite()) {
            return Err(number);
        }
        *pivot = reciprocal;
        for l in lower {
            *l *= reciprocal;
        }
    }
    Ok(())
}
