//! Krylov subspaces of a matrix known only by what it does to a vector.
//!
//! ```text
//! A·V_m = V_{m+1}·H_m,   V orthonormal, v_1 = b/|b|;   GMRES: x = V_m y with |b − A x| least
//! ```
//!
//! Symbols   V `[m+1][n]` basis;  H `[m+1][m]` Hessenberg matrix;  n size, m products taken
//! Source    Saad & Schultz, SIAM J. Sci. Stat. Comput. 7 (1986) 856 (from memory)
//! Care      m products of A and O(n·m²) beside them; the basis is kept, there is no restart

use nalgebra::{DMatrix, DVector};

/// An orthonormal basis of b, A·b, A²·b … with the projection of A onto it.
#[derive(Clone, Debug)]
pub struct Krylov {
    basis: Vec<Vec<f64>>,
    /// Column j has j + 2 entries.
    columns: Vec<Vec<f64>>,
    /// |b|.
    size: f64,
}

/// Below this share of its length before, what orthogonalisation leaves of a vector is rounding: the
/// subspace holds all that A makes of b.
const EXHAUSTED: f64 = 1e-14;

impl Krylov {
    /// The subspace of b alone; `b` `[n]`.
    pub fn new(b: &[f64]) -> Self {
        let size = norm(b);
        let basis = if size > 0.0 {
            vec![b.iter().map(|value| value / size).collect()]
        } else {
            Vec::new()
        };
        Self {
            basis,
            columns: Vec::new(),
            size,
        }
    }

    /// Products taken.
    pub fn products(&self) -> usize {
        self.columns.len()
    }

    /// The vector A is to be applied to next; none when the subspace is complete.
    pub fn next(&self) -> Option<&[f64]> {
        self.basis.get(self.columns.len()).map(Vec::as_slice)
    }

    /// Takes A times [`Krylov::next`], `[n]`.
    pub fn push(&mut self, mut product: Vec<f64>) {
        let before = norm(&product);
        let mut column = vec![0.0; self.basis.len() + 1];
        // Twice: once leaves rounding of the size of what was taken out.
        for _ in 0..2 {
            for (h, v) in column.iter_mut().zip(&self.basis) {
                let share = dot(v, &product);
                *h += share;
                for (p, v) in product.iter_mut().zip(v) {
                    *p -= share * v;
                }
            }
        }
        let rest = norm(&product);
        column[self.basis.len()] = rest;
        self.columns.push(column);
        if rest > EXHAUSTED * before {
            for p in &mut product {
                *p /= rest;
            }
            self.basis.push(product);
        }
    }

    /// The projection of A, `[m × m]`; its eigenvalues approximate the outermost of A's.
    pub fn projection(&self) -> DMatrix<f64> {
        let m = self.products();
        DMatrix::from_fn(m, m, |row, column| {
            self.columns[column].get(row).copied().unwrap_or(0.0)
        })
    }

    /// What of A·V·y lies outside the subspace, as a share of |b|.
    pub fn escaping(&self, y: &DVector<f64>) -> f64 {
        let last = self.columns.last().and_then(|column| column.last());
        match (last, y.as_slice().last()) {
            (Some(h), Some(y)) => (h * y).abs() / self.size,
            _ => 0.0,
        }
    }

    /// Shares of `x` `[n]` along the first m vectors of the basis.
    pub fn along(&self, x: &[f64]) -> DVector<f64> {
        DVector::from_iterator(
            self.products(),
            self.basis.iter().take(self.products()).map(|v| dot(v, x)),
        )
    }

    /// x ← x + V·shares.
    pub fn add(&self, shares: &DVector<f64>, x: &mut [f64]) {
        for (share, v) in shares.iter().zip(&self.basis) {
            for (x, v) in x.iter_mut().zip(v) {
                *x += share * v;
            }
        }
    }

    /// The shares y of the solution of A·x = b in the subspace and the share of b left over.
    fn least_squares(&self) -> Option<(DVector<f64>, f64)> {
        let m = self.products();
        if m == 0 || self.size == 0.0 {
            return None;
        }
        let h = DMatrix::from_fn(m + 1, m, |row, column| {
            self.columns[column].get(row).copied().unwrap_or(0.0)
        });
        let mut right = DVector::zeros(m + 1);
        right[0] = self.size;
        let qr = h.clone().qr();
        let y = qr
            .r()
            .solve_upper_triangular(&(qr.q().transpose() * &right))?;
        let left = (right - h * &y).norm() / self.size;
        Some((y, left))
    }
}

/// Solves A·x = b to `tolerance` of |b|, in at most `most` products; returns x `[n]` and the share of
/// |b| left over. `apply` is A.
pub fn gmres(
    b: &[f64],
    tolerance: f64,
    most: usize,
    mut apply: impl FnMut(&[f64]) -> Vec<f64>,
) -> (Vec<f64>, f64) {
    let mut krylov = Krylov::new(b);
    let mut x = vec![0.0; b.len()];
    let mut best = None;
    while krylov.products() < most {
        let Some(next) = krylov.next() else { break };
        let product = apply(next);
        krylov.push(product);
        let Some((y, left)) = krylov.least_squares() else {
            break;
        };
        let done = left <= tolerance;
        best = Some((y, left));
        if done {
            break;
        }
    }
    match best {
        Some((y, left)) => {
            krylov.add(&y, &mut x);
            (x, left)
        }
        None => (x, if krylov.size > 0.0 { 1.0 } else { 0.0 }),
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn norm(a: &[f64]) -> f64 {
    dot(a, a).sqrt()
}

#[cfg(test)]
mod tests {
    use super::{Krylov, gmres};
    use nalgebra::{DMatrix, DVector};

    /// A matrix that is not symmetric and has a spread of eigenvalues.
    fn matrix(n: usize) -> DMatrix<f64> {
        DMatrix::from_fn(n, n, |i, j| {
            let (i, j) = (i as f64, j as f64);
            if (i - j).abs() < 0.5 {
                1.0 + i
            } else {
                0.3 * (1.7 * i - 0.9 * j).sin() / (1.0 + (i - j).abs())
            }
        })
    }

    #[test]
    fn gmres_solves_what_lu_solves() {
        let a = matrix(30);
        let b = DVector::from_fn(30, |i, _| (0.4 * i as f64).cos());
        let exact = a.clone().lu().solve(&b).expect("invertible");
        let (x, left) = gmres(b.as_slice(), 1e-12, 30, |v| {
            (&a * DVector::from_column_slice(v)).as_slice().to_vec()
        });
        assert!(left <= 1e-12);
        // Condition about 40 times the tolerance.
        let error = (DVector::from_vec(x) - &exact).norm() / exact.norm();
        assert!(error < 1e-10, "{error:e}");
    }

    #[test]
    fn a_rank_one_change_of_the_identity_takes_two_products() {
        let n = 50;
        let u: Vec<f64> = (0..n).map(|k| f64::from(k).sin()).collect();
        let b: Vec<f64> = (0..n).map(|k| f64::from(k).cos()).collect();
        let mut products = 0;
        let (x, left) = gmres(&b, 1e-12, 20, |v| {
            products += 1;
            let share: f64 = 3.0 * v.iter().zip(&u).map(|(v, u)| v * u).sum::<f64>() / 25.0;
            v.iter().zip(&u).map(|(v, u)| v + share * u).collect()
        });
        assert_eq!(products, 2);
        assert!(left < 1e-12);
        assert!(x.iter().all(|x| x.is_finite()));
    }

    #[test]
    fn a_zero_right_side_has_a_zero_solution() {
        let (x, left) = gmres(&[0.0; 4], 1e-9, 4, <[f64]>::to_vec);
        assert_eq!((x, left), (vec![0.0; 4], 0.0));
    }

    #[test]
    fn the_projection_finds_the_outermost_eigenvalue() {
        let n = 40;
        // Diagonal: 0.98, then 0.5ᵏ: what a cycle of an amplifier does to its states.
        let apply = |v: &[f64]| -> Vec<f64> {
            v.iter()
                .enumerate()
                .map(|(k, v)| v * if k == 0 { 0.98 } else { 0.5_f64.powi(k as i32) })
                .collect()
        };
        let mut krylov = Krylov::new(&vec![1.0; n]);
        for _ in 0..8 {
            let Some(next) = krylov.next() else { break };
            let product = apply(next);
            krylov.push(product);
        }
        let most = krylov
            .projection()
            .complex_eigenvalues()
            .iter()
            .map(|z| z.norm())
            .fold(0.0, f64::max);
        assert!((most - 0.98).abs() < 1e-9, "{most}");
    }
}
