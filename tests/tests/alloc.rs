//! A step asks for no memory: everything is laid out before the first.

#![allow(unsafe_code, reason = "a global allocator cannot be written without")]

use std::alloc::{GlobalAlloc, Layout, System as Heap};
use std::cell::Cell;

use checks::examples::EXAMPLES;
use sim::lu::{Factors, Pattern, Symbolic};
use sim::periodic::Settling;
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

/// Full matrices are the worst that a reserve is made for. A copy must have the reserve as well.
#[test]
fn other_pivots_ask_for_nothing_in_matrices_of_up_to_80_unknowns() {
    for n in [1, 2, 7, 30, 80] {
        let pattern = Pattern {
            n,
            column_starts: (0..=n).map(|c| c * n).collect(),
            rows: (0..n * n).map(|k| k % n).collect(),
        };
        let varying: Vec<bool> = (0..n * n).map(|k| k / n > n / 2 && k % 3 == 0).collect();
        let symbolic = Symbolic::analyse(&pattern, &varying).expect("a full matrix");
        let mut original = Factors::new(&symbolic);
        // Values without a pattern: the fractions of multiples of the golden section
        let mut values: Vec<f64> = (0..n * n).map(|k| (k as f64 * 0.618_034).fract()).collect();
        original.factor(&symbolic, &values).expect("pivots");
        let mut copy = original.clone();
        for factors in [&mut original, &mut copy] {
            for turn in 1..20_u32 {
                for (k, value) in values.iter_mut().enumerate() {
                    *value = ((k as f64 + 0.5) * f64::from(turn).sqrt() * 0.618_034).fract();
                }
                let before = requests();
                let pivots = factors.factor(&symbolic, &values);
                assert_eq!(
                    requests() - before,
                    0,
                    "{n} unknowns, turn {turn}: {pivots:?}"
                );
            }
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
                shooting: false,
                ..Settling::default()
            };
            let before = requests();
            let outcome = opened.settle(&settling, &mut ws);
            let asked = requests() - before;
            assert!(
                matches!(outcome, Err(SimError::NotPeriodic { .. })),
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
