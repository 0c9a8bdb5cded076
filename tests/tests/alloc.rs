//! A step asks for no memory: everything is laid out before the first.

#![allow(unsafe_code, reason = "a global allocator cannot be written without")]

use std::alloc::{GlobalAlloc, Layout, System as Heap};
use std::cell::Cell;

use checks::examples::EXAMPLES;
use sim::lu::{Factors, Pattern, Symbolic};
use sim::periodic::{Approach, Settling};
use sim::transient::{Method, Stepper};
use sim::{SimError, Tolerances};

/// The system's allocator, counting.
struct Counting;

thread_local! {
    /// Requests of this thread, so that tests running beside each other do not count for each other.
    static REQUESTS: Cell<u64> = const { Cell::new(0) };
}

fn count() {
    REQUESTS.with(|requests| requests.set(requests.get() + 1));
}

fn requests() -> u64 {
    REQUESTS.with(Cell::get)
}

// SAFETY: every call goes to the system's allocator unchanged; counting touches a thread-local without
// a destructor, which asks for no memory itself.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count();
        unsafe { Heap.alloc(layout) }
    }

    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        unsafe { Heap.dealloc(at, layout) }
    }

    unsafe fn realloc(&self, at: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count();
        unsafe { Heap.realloc(at, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

#[test]
fn the_counter_counts() {
    let before = requests();
    let kept = std::hint::black_box(vec![1_u8]);
    assert_eq!(requests() - before, 1);
    drop(kept);
}

#[test]
fn no_allocation_between_the_first_and_the_last_step() {
    const GRID: f64 = 1.0 / 96e3;
    const STEPS: u32 = 960;
    let mut repivoted = 0;
    for example in EXAMPLES {
        let opened = example.open(&[]);
        for method in [Method::TrBdf2, Method::Trapezoidal] {
            let mut ws = opened
                .driven(example.overdrive)
                .expect("an operating point");
            let mut stepper = Stepper::new(
                &opened.system,
                method,
                Tolerances::default(),
                0.0,
                true,
                &mut ws,
            );
            // The operating point and the first step choose pivots and reserve for others.
            stepper.advance(GRID, &mut ws).expect("a step");
            let (before, pivots) = (requests(), ws.counts.factorisations);
            for k in 2..=STEPS {
                stepper
                    .advance(f64::from(k) * GRID, &mut ws)
                    .expect("a step");
            }
            let asked = requests() - before;
            repivoted += ws.counts.factorisations - pivots;
            // The run was no easy one: the grid was too coarse at times.
            let counts = ws.counts;
            assert!(counts.error_failures > 0, "{}: {counts:?}", example.name);
            assert_eq!(asked, 0, "{} {method:?}: asked {asked} times", example.name);
        }
    }
    // The third amplifier's entries grow 1e4 to 1e6 times with the pivots of rest: new ones are part of
    // what is tested.
    assert!(repivoted > 0, "no run chose pivots anew");
}

/// A band with two far diagonals: least fill while the pivots stay on the diagonal, more in the
/// orders that values of many sizes ask for. A copy must have the reserve too.
#[test]
fn other_pivots_ask_for_nothing_up_to_80_unknowns() {
    for n in [2, 7, 30, 80] {
        let column = |c: usize| {
            let mut rows = [0, 1, 7, 25].map(|far| (c + far) % n).to_vec();
            rows.sort_unstable();
            rows.dedup();
            rows
        };
        let columns: Vec<Vec<usize>> = (0..n).map(column).collect();
        let mut pattern = Pattern {
            n,
            column_starts: vec![0],
            rows: columns.concat(),
        };
        let ends = columns.iter().scan(0, |end, rows| {
            *end += rows.len();
            Some(*end)
        });
        pattern.column_starts.extend(ends);
        let varying: Vec<bool> = (0..pattern.nnz()).map(|entry| entry % 5 == 0).collect();
        let symbolic = Symbolic::analyse(&pattern, &varying).expect("a full diagonal");
        let on_diagonal = columns.iter().enumerate().flat_map(|(c, rows)| {
            rows.iter()
                .map(move |&row| if row == c { 4.0 } else { 0.5 })
        });
        let mut original = Factors::new(&symbolic);
        original
            .factor(&symbolic, &on_diagonal.collect::<Vec<f64>>())
            .expect("pivots");
        let least = original.entries();
        let mut copy = original.clone();
        for factors in [&mut original, &mut copy] {
            let mut most = least;
            for turn in 1..50_u32 {
                // No pattern, over six powers of ten: fractions of multiples of an irrational number
                let size =
                    |entry: usize| (entry as f64 * f64::from(turn).sqrt() * 0.618_034).fract();
                let values: Vec<f64> = (0..pattern.nnz())
                    .map(|entry| 10_f64.powf(6.0 * size(entry)))
                    .collect();
                let before = requests();
                let pivots = factors.factor(&symbolic, &values);
                assert_eq!(requests() - before, 0, "{n} unknowns: {pivots:?}");
                most = most.max(factors.entries());
            }
            println!("{n} unknowns: {least} entries, then up to {most}");
            assert!(n < 30 || most > least, "no other pivots: {most} entries");
        }
    }
}

#[test]
fn waiting_for_the_settled_state_allocates_nothing_more_by_the_cycle() {
    for example in EXAMPLES {
        let opened = example.open(&[]);
        let asked = |most_cycles: u32| {
            let mut ws = opened
                .driven(example.half_power)
                .expect("an operating point");
            // Never satisfied, so that it runs all its cycles.
            let settling = Settling {
                periodicity: 0.0,
                most_cycles,
                approach: Approach::Waiting,
                ..Settling::default()
            };
            let before = requests();
            let outcome = opened.settle(&settling, &mut ws);
            let asked = requests() - before;
            assert!(
                matches!(outcome, Err(SimError::NotPeriodic(_))),
                "{outcome:?}"
            );
            asked
        };
        let (few, many) = (asked(4), asked(12));
        assert_eq!(
            few, many,
            "{}: eight cycles more asked for memory",
            example.name
        );
    }
}
