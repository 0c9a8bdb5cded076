//! The numbers a factorisation works on.

use nalgebra::Complex;
use std::fmt::Debug;
use std::ops::{AddAssign, Mul, MulAssign, SubAssign};

/// A matrix entry; its default is zero.
pub trait Entry:
    Copy + Default + Debug + PartialEq + Mul<Output = Self> + AddAssign + SubAssign + MulAssign
{
    /// A size for comparisons: `|z|`, or a norm of the plane within √2 of it. NaN stays NaN.
    fn magnitude(self) -> f64;
    /// `1/z`.
    #[must_use]
    fn reciprocal(self) -> Self;
}

impl Entry for f64 {
    #[inline]
    fn magnitude(self) -> f64 {
        self.abs()
    }
    #[inline]
    fn reciprocal(self) -> Self {
        1.0 / self
    }
}

impl Entry for Complex<f64> {
    #[inline]
    fn magnitude(self) -> f64 {
        self.re.abs() + self.im.abs()
    }
    #[inline]
    fn reciprocal(self) -> Self {
        self.inv()
    }
}
