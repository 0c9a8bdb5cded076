//! What a period starts from so that it closes at a frequency: (z − M)⁻¹ at many z.
//!
//! ```text
//! M = D·Q·H·Qᵀ·D⁻¹ once, D diagonal, H of Hessenberg form;   (z − M)⁻¹·r = D·Q·(z − H)⁻¹·Qᵀ·D⁻¹·r
//! ```
//!
//! Symbols   M what a period makes of the charges at its start;  z = e^{jωT}
//! Source    Laub, IEEE Trans. Autom. Control 26 (1981) 407 (from memory); balanced first, as charges and fluxes of all sizes
//!           would else be mixed: James, Langou & Lowery, arXiv 1401.5766
//! Cost      n³ once, n² for each z and each right side

use nalgebra::linalg::balancing::balance_parlett_reinsch;
use nalgebra::{Complex, DMatrix, DVector};

/// M reduced, and z − H factored at one z.
#[derive(Clone, Debug)]
pub(crate) struct Closing {
    /// `[n]` D.
    scale: DVector<f64>,
    q: DMatrix<f64>,
    h: DMatrix<f64>,
    /// `[n × n]` by rows: upper factor.
    upper: Vec<Complex<f64>>,
    /// `[n − 1]` whether a row was exchanged with the next, and what of it was taken from that.
    lower: Vec<(bool, Complex<f64>)>,
}

impl Closing {
    pub(crate) fn of(matrix: &DMatrix<f64>) -> Self {
        let n = matrix.nrows();
        let mut balanced = matrix.clone();
        let scale = balance_parlett_reinsch(&mut balanced);
        let (q, h) = if n < 3 {
            (DMatrix::identity(n, n), balanced)
        } else {
            balanced.hessenberg().unpack()
        };
        Self {
            scale,
            q,
            h,
            upper: vec![Complex::default(); n * n],
            lower: Vec::with_capacity(n),
        }
    }

    /// Factors z − H; false where it is singular.
    pub(crate) fn at(&mut self, z: Complex<f64>) -> bool {
        let n = self.h.nrows();
        for row in 0..n {
            for column in 0..n {
                self.upper[row * n + column] = Complex::new(-self.h[(row, column)], 0.0);
            }
            self.upper[row * n + row] += z;
        }
        self.lower.clear();
        for k in 1..n {
            let (above, below) = self.upper.split_at_mut(k * n);
            let (above, below) = (&mut above[(k - 1) * n..], &mut below[..n]);
            let exchanged = below[k - 1].norm_sqr() > above[k - 1].norm_sqr();
            if exchanged {
                above[k - 1..].swap_with_slice(&mut below[k - 1..]);
            }
            let factor = below[k - 1] / above[k - 1];
            for (below, above) in below[k - 1..].iter_mut().zip(&above[k - 1..]) {
                *below -= factor * above;
            }
            self.lower.push((exchanged, factor));
        }
        (0..n).all(|k| {
            let pivot = self.upper[k * n + k];
            pivot.norm().is_normal()
                && self.upper[k * n..][..n]
                    .iter()
                    .all(|u| u.norm().is_finite())
        })
    }

    /// (z − M)⁻¹·r at the z factored last.
    pub(crate) fn solve(&self, r: &DVector<Complex<f64>>) -> DVector<Complex<f64>> {
        let n = self.h.nrows();
        let mut y = turned(&self.q, &scaled(r, &self.scale, -1), true);
        for (k, &(exchanged, factor)) in self.lower.iter().enumerate() {
            if exchanged {
                y.swap_rows(k, k + 1);
            }
            let above = y[k];
            y[k + 1] -= factor * above;
        }
        for k in (0..n).rev() {
            let row = &self.upper[k * n..][..n];
            let known: Complex<f64> = (k + 1..n).map(|column| row[column] * y[column]).sum();
            y[k] = (y[k] - known) / row[k];
        }
        scaled(&turned(&self.q, &y, false), &self.scale, 1)
    }

    /// (z − M)⁻ᵀ·r at the z factored last.
    pub(crate) fn solve_transposed(&self, r: &DVector<Complex<f64>>) -> DVector<Complex<f64>> {
        let n = self.h.nrows();
        let mut y = turned(&self.q, &scaled(r, &self.scale, 1), true);
        for k in 0..n {
            let row = &self.upper[k * n..][..n];
            y[k] /= row[k];
            let known = y[k];
            for column in k + 1..n {
                y[column] -= row[column] * known;
            }
        }
        for (k, &(exchanged, factor)) in self.lower.iter().enumerate().rev() {
            let below = y[k + 1];
            y[k] -= factor * below;
            if exchanged {
                y.swap_rows(k, k + 1);
            }
        }
        scaled(&turned(&self.q, &y, false), &self.scale, -1)
    }
}

/// D·x, or D⁻¹·x.
fn scaled(x: &DVector<Complex<f64>>, scale: &DVector<f64>, power: i32) -> DVector<Complex<f64>> {
    x.zip_map(scale, |x, scale| x * scale.powi(power))
}

/// Q·x, or Qᵀ·x.
fn turned(q: &DMatrix<f64>, x: &DVector<Complex<f64>>, back: bool) -> DVector<Complex<f64>> {
    let part = |of: fn(&Complex<f64>) -> f64| {
        let x = DVector::from_iterator(x.len(), x.iter().map(of));
        if back { q.tr_mul(&x) } else { q * x }
    };
    part(|z| z.re).zip_map(&part(|z| z.im), Complex::new)
}

#[cfg(test)]
mod tests {
    use super::Closing;
    use nalgebra::{Complex, DMatrix, DVector};

    #[test]
    fn it_solves_what_a_whole_inverse_solves() {
        // Entries of no pattern, none of them large; the witness is the library's inverse of the whole matrix. What is solved
        // is its like in charges and fluxes of very different sizes, powers of two by which nothing is rounded.
        for n in [0_usize, 1, 2, 3, 9, 40] {
            let size = |k: usize| 16.0_f64.powi((k % 13) as i32 - 6);
            let entry = |i: usize, j: usize| ((7 * i + 13 * j + i * j + 1) as f64).sin() / 3.0;
            let even = DMatrix::from_fn(n, n, entry);
            let matrix = DMatrix::from_fn(n, n, |i, j| even[(i, j)] * size(i) / size(j));
            let r = DVector::from_fn(n, |k, _| Complex::new((k as f64).cos(), 0.3 * k as f64));
            let sized = |x: &DVector<Complex<f64>>, power: i32| {
                DVector::from_fn(n, |k, _| x[k] * size(k).powi(power))
            };
            let mut closing = Closing::of(&matrix);
            for z in [Complex::cis(0.1), Complex::cis(3.0)] {
                assert!(closing.at(z));
                let whole =
                    DMatrix::from_diagonal_element(n, n, z) - even.map(|m| Complex::new(m, 0.0));
                let whole = whole.try_inverse().expect("it has one");
                let most = 1.0 + r.norm() * whole.norm();
                let found = sized(&closing.solve(&sized(&r, 1)), -1);
                let off = (found - &whole * &r).norm();
                let found = sized(&closing.solve_transposed(&sized(&r, -1)), 1);
                let transposed = (found - whole.tr_mul(&r)).norm();
                // A double has 1e-16, and n² of them are added.
                assert!(
                    off.max(transposed) < 1e-11 * most,
                    "{n} {z}: {off} {transposed}"
                );
            }
        }
        let mut closing = Closing::of(&DMatrix::identity(5, 5));
        assert!(!closing.at(Complex::new(1.0, 0.0)));
    }
}
