//! Matrices like those of valve amplifiers, for tests and benches.
//!
//! ```text
//! A = G + C · 2/h,   one stage = 8 unknowns, 3 of them on a valve
//! ```
//!
//! Symbols   G conductances and branch rows, S, Ω and 1;  C capacitances, F;  h time step, s
//! Source    ours
//! Care      shared by `#[path]`, hence without imports from its parent

/// One stored entry: row, column, value, whether it varies.
pub(crate) type Triplet = (usize, usize, f64, bool);

/// A small generator of repeatable numbers in 0..1 (xorshift, Marsaglia 2003).
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Log-uniform between two positive numbers.
    pub(crate) fn log(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.next())
    }
}

struct Stamps(Vec<Triplet>);

impl Stamps {
    fn add(&mut self, row: Option<usize>, column: Option<usize>, value: f64, varying: bool) {
        if let (Some(row), Some(column)) = (row, column) {
            self.0.push((row, column, value, varying));
        }
    }

    fn conductance(&mut self, a: Option<usize>, b: Option<usize>, g: f64) {
        self.add(a, a, g, false);
        self.add(b, b, g, false);
        self.add(a, b, -g, false);
        self.add(b, a, -g, false);
    }

    /// A winding: current `branch` from `a` to `b`.
    fn winding(&mut self, a: Option<usize>, b: Option<usize>, branch: usize) {
        let branch = Some(branch);
        self.add(a, branch, 1.0, false);
        self.add(b, branch, -1.0, false);
        self.add(branch, a, 1.0, false);
        self.add(branch, b, -1.0, false);
    }
}

/// An amplifier of `stages` ≥ 2 valves in a chain, the last two in push-pull on an output transformer
/// with feedback to the first cathode: 8 `stages` unknowns, duplicates summed, sorted by column.
/// `seed` ≠ 0 draws the operating point alone: the constant entries are the same for all seeds.
pub(crate) fn amplifier(stages: usize, seed: u64) -> (usize, Vec<Triplet>) {
    let n = 8 * stages;
    let (source, primary, secondary, out) = (n - 1, [n - 2, n - 3], n - 4, n - 5);
    let mut parts = Random(0x9e37_79b9_7f4a_7c15);
    let mut point = Random(seed);
    let mut stamps = Stamps(Vec::new());
    let rate = 2.0 * 96_000.0;
    let node = |stage: usize, k: usize| Some(8 * stage + k);
    for stage in 0..stages {
        // The last valve shares the input and the supply of the one before; its other unknowns are the
        // output, the transformer's currents and the source's
        let last = stage + 1 == stages;
        let [input, grid, anode, cathode, supply] = if last {
            [
                node(stage - 1, 0),
                node(stage, 0),
                node(stage, 1),
                node(stage, 2),
                node(stage - 1, 5),
            ]
        } else {
            [0, 2, 3, 4, 5].map(|k| node(stage, k))
        };
        let (stopper, tone) = (node(stage, 1), node(stage, 6));
        stamps.conductance(input, grid, parts.log(1e-5, 1e-3));
        stamps.conductance(input, None, 1e-6);
        stamps.conductance(grid, anode, 1.6e-12 * rate);
        stamps.conductance(grid, cathode, 2e-12 * rate);
        stamps.conductance(cathode, None, parts.log(2e-4, 2e-3) + 25e-6 * rate);
        stamps.conductance(
            anode,
            supply,
            if last { 1e-9 } else { parts.log(3e-6, 1e-4) },
        );
        if !last {
            let next = if stage + 2 < stages {
                node(stage + 1, 0)
            } else {
                Some(out)
            };
            let fed = if stage == 0 { None } else { node(stage - 1, 5) };
            stamps.conductance(stopper, anode, parts.log(1e-9, 1e-7) * rate);
            stamps.conductance(stopper, tone, parts.log(1e-6, 1e-4));
            stamps.conductance(tone, next, parts.log(1e-6, 1e-4));
            stamps.conductance(tone, None, parts.log(1e-10, 1e-8) * rate);
            stamps.conductance(tone, node(stage, 7), 1e-5);
            stamps.conductance(node(stage, 7), None, 1e-9 * rate + 1e-6);
            stamps.conductance(supply, fed, 1e-4);
            stamps.conductance(
                supply,
                None,
                32e-6 * rate + if stage == 0 { 1e-2 } else { 0.0 },
            );
        }
        // Valve: anode current i(v_gk, v_ak), grid current i(v_gk)
        let (gm, ga, gg) = (
            point.log(1e-6, 8e-3),
            point.log(1e-7, 1e-4),
            point.log(1e-9, 1e-3),
        );
        for (row, sign) in [(anode, 1.0), (cathode, -1.0)] {
            stamps.add(row, grid, sign * gm, true);
            stamps.add(row, anode, sign * ga, true);
            stamps.add(row, cathode, -sign * (gm + ga), true);
        }
        for (row, sign) in [(grid, 1.0), (cathode, -1.0)] {
            stamps.add(row, grid, sign * gg, true);
            stamps.add(row, cathode, -sign * gg, true);
        }
    }
    // Signal source, an ideal one: zero diagonal
    stamps.winding(node(0, 0), None, source);
    // Output transformer: three coupled branch currents, load and feedback on the secondary
    let supply = node(stages - 2, 5);
    stamps.winding(node(stages - 2, 3), supply, primary[0]);
    stamps.winding(supply, node(stages - 1, 1), primary[1]);
    stamps.winding(Some(out), None, secondary);
    let turns = [(primary[0], 1.0), (primary[1], 1.0), (secondary, 0.05)];
    for (row, a) in turns {
        for (column, b) in turns {
            let leak = if row == column { 1.001 } else { 1.0 };
            stamps.add(Some(row), Some(column), -20.0 * rate * a * b * leak, false);
        }
    }
    stamps.conductance(Some(out), None, 0.125);
    stamps.conductance(Some(out), node(0, 4), 1e-4);
    (n, summed(stamps.0))
}

/// Sorts by column and row and sums duplicates.
pub(crate) fn summed(mut triplets: Vec<Triplet>) -> Vec<Triplet> {
    triplets.sort_by_key(|&(row, column, ..)| (column, row));
    let mut sums: Vec<Triplet> = Vec::new();
    for (row, column, value, varying) in triplets {
        match sums.last_mut() {
            Some(last) if (last.0, last.1) == (row, column) => {
                last.2 += value;
                last.3 |= varying;
            }
            _ => sums.push((row, column, value, varying)),
        }
    }
    sums
}
