//! Dense elimination in diagonal-excess form, real or complex. Knows conductances and currents, not what they stand
//! for.
//!
//! Row k of the system reads (e_k + Σ_j g_kj) x_k − Σ_j g_kj x_j = b_k. The diagonal is never stored: each pivot is
//! the sum of what is left in its row.

use std::ops::{Add, AddAssign, Div, Mul};

/// What the elimination needs of a number: `f64` or `Complex64`.
pub(crate) trait Scalar:
    Copy + Default + PartialEq + Add<Output = Self> + AddAssign + Mul<Output = Self> + Div<Output = Self>
{
    /// 1 / self.
    fn reciprocal(self) -> Self;
}

impl Scalar for f64 {
    fn reciprocal(self) -> Self {
        self.recip()
    }
}

impl Scalar for num_complex::Complex64 {
    fn reciprocal(self) -> Self {
        self.inv()
    }
}

/// A system of `count` unknowns; filled, then factored in place, then solved for any number of right-hand sides.
pub(crate) struct Elimination<T> {
    count: usize,
    /// Off-diagonals g_kj by rows; the diagonal entries are never read.
    pub(crate) between: Vec<T>,
    /// Excess e_k: conductance to the reference.
    pub(crate) excess: Vec<T>,
    inverse_pivot: Vec<T>,
}

impl<T: Scalar> Elimination<T> {
    pub(crate) fn new(count: usize) -> Self {
        let zero = T::default();
        Self {
            count,
            between: vec![zero; count * count],
            excess: vec![zero; count],
            inverse_pivot: vec![zero; count],
        }
    }

    pub(crate) fn factor(&mut self) {
        let n = self.count;
        for m in 0..n {
            let (above, below) = self.between.split_at_mut((m + 1) * n);
            let pivot_row = &above[m * n + m + 1..];
            let pivot = pivot_row.iter().fold(self.excess[m], |sum, &g| sum + g);
            let inverse = pivot.reciprocal();
            self.inverse_pivot[m] = inverse;
            let excess = self.excess[m];
            for (row, e) in below.chunks_exact_mut(n).zip(&mut self.excess[m + 1..]) {
                if row[m] == T::default() {
                    continue;
                }
                let share = row[m] * inverse;
                row[m] = share;
                for (g, &p) in row[m + 1..].iter_mut().zip(pivot_row) {
                    *g += share * p;
                }
                *e += share * excess;
            }
        }
    }

    /// Replaces the right-hand side by the solution; `factor` comes first.
    pub(crate) fn solve(&self, b: &mut [T]) {
        let n = self.count;
        for k in 1..n {
            let (known, rest) = b.split_at_mut(k);
            for (&share, &x) in self.between[k * n..].iter().zip(known.iter()) {
                rest[0] += share * x;
            }
        }
        for k in (0..n).rev() {
            let (rest, known) = b.split_at_mut(k + 1);
            let row = &self.between[k * n + k + 1..(k + 1) * n];
            let sum = row.iter().zip(known.iter()).fold(rest[k], |sum, (&g, &x)| sum + g * x);
            rest[k] = sum * self.inverse_pivot[k];
        }
    }
}
