//! Potential and stream function of one sheet on one mesh: two answers on either side of the truth, and their mean.
//!
//! At zero field R_potential ≤ R ≤ R_stream as quadratic forms of the currents (principles of Dirichlet and Thomson), so that
//! the mean is off by half the difference Δ at most: |δR_xy| ≤ ½ √(xᵀΔx · yᵀΔy) for current patterns x, y. This holds for
//! straight edges and constant conductance; on arcs, up to the error of the curved elements.
//!
//! At a Hall angle there is no such order. A bound from the fields of both (Prager & Synge, Quart. Appl. Math. 5, 241, 1947,
//! carried over to t ≠ 0) holds but is useless: at one end of each contact the field is as singular as r^(−1/2−θ/π), and the
//! energy of the error goes down as h^(1−2θ/π) with the innermost elements, while the error of the terminals, in which that
//! singularity meets the adjoint's opposite one, goes down as h at every angle.

use super::krylov::Krylov;
use faer::{Mat, MatRef, Side, linalg::solvers::Solve};

/// Both problems, or the potential alone where the stream function has many values.
pub(crate) struct Bracket {
    pub(crate) potential: Krylov,
    pub(crate) stream: Option<Krylov>,
}

/// Impedances among the terminals, the last one at zero: from the potential, from the stream function.
pub(crate) struct Pair {
    pub(crate) lower: Mat<f64>,
    pub(crate) upper: Option<Mat<f64>>,
}

impl Pair {
    pub(crate) fn mean(&self) -> Mat<f64> {
        self.upper.as_ref().map_or_else(|| self.lower.clone(), |upper| (&self.lower + upper) * 0.5)
    }
}

impl Bracket {
    /// In units of the sheet resistance; none if the Hall angle is too near to a right angle.
    pub(crate) fn impedances(&mut self, t: f64) -> Option<Pair> {
        let lower = inverse(&self.potential.schur(t)?) * (1.0 + t * t);
        let Some(stream) = &mut self.stream else { return Some(Pair { lower, upper: None }) };
        // Drops e = Dψ over the gaps, ψ = L I, V = Lᵀ e with L lower triangular, as the last of each is zero.
        let drops = stream.schur(-t)?;
        let sums = ones_below(drops.nrows());
        Some(Pair { lower, upper: Some(sums.transpose() * &drops * &sums) })
    }

    /// Half the difference of the two answers at `t`, and half of that at zero field, relative to the geometric mean of the
    /// two-terminal resistances of the two pairs of contacts.
    pub(crate) fn half_spreads(&mut self, t: f64) -> Option<[f64; 2]> {
        let mut half = |t: f64| {
            let pair = self.impedances(t)?;
            let mean = pair.mean();
            Some(0.5 * relative_norm(&(pair.upper? - &pair.lower), &symmetric(&mean)))
        };
        Some([half(t)?, half(0.0)?])
    }
}

pub(crate) fn inverse(matrix: &Mat<f64>) -> Mat<f64> {
    let size = matrix.nrows();
    matrix.partial_piv_lu().solve(Mat::<f64>::identity(size, size))
}

pub(crate) fn symmetric(matrix: &Mat<f64>) -> Mat<f64> {
    (matrix + matrix.transpose()) * 0.5
}

fn ones_below(size: usize) -> Mat<f64> {
    Mat::from_fn(size, size, |i, j| f64::from(u8::from(j <= i)))
}

/// Largest |xᵀAy| over √(xᵀBx yᵀBy), or a little more: A's norm as the root of the sum of squares.
pub(crate) fn relative_norm(form: &Mat<f64>, to: &Mat<f64>) -> f64 {
    scaled(form, to).norm_l2()
}

/// L⁻¹ A L⁻ᵀ with B = L Lᵀ.
fn scaled(form: &Mat<f64>, to: &Mat<f64>) -> Mat<f64> {
    let Ok(factor) = to.llt(Side::Lower) else {
        return Mat::from_fn(form.nrows(), form.ncols(), |_, _| f64::INFINITY);
    };
    let half = |matrix: MatRef<'_, f64>| {
        let mut solved = matrix.to_owned();
        factor.L().solve_lower_triangular_in_place(solved.as_mut());
        solved
    };
    half(half(form.as_ref()).transpose()).transpose().to_owned()
}
