//! The evidence for a fault at its optimum, by Laplace's approximation with the curvature that the likelihood has there.

use crate::fault::Fault;
use crate::fit::Fit;
use crate::gram::gram;
use crate::search::{LEAST_NOISE, MOST_NOISE, Search, State};
use crate::student::{FREEDOM, Stage, curvature, peak};
use nalgebra::{Cholesky, DMatrix, Dyn};

/// Logarithm of the range over which the size of a leak or a limit may lie.
const SIZES: f64 = 16.0;

/// A word of the instruments that is less likely than e to this is not explained.
const UNEXPLAINED: f64 = -4.0;

impl Search<'_> {
    /// The fit that a search ended with.
    pub(crate) fn finish(self, state: State) -> Fit {
        let n = self.free.len();
        let (mut hessian, _) = self.normal(&state, Stage::Student);
        let mut sizes = 0.0;
        if let Some(c) = self.size_column {
            // Where the readings say nothing of a size, it is no fault that they could show.
            hessian[(c, c)] += 1.0;
            sizes = (2.0 * std::f64::consts::PI).sqrt().ln() - SIZES.ln();
        }
        let data = self.problem.data;
        let solvable = Cholesky::new(hessian);
        let evidence = if solvable.is_some() { 0.0 } else { f64::NEG_INFINITY };
        let cholesky = solvable.unwrap_or_else(|| Cholesky::pack_dirty(DMatrix::identity(n, n)));
        let half_determinant = self.half_determinant(&state).unwrap_or_else(|| half_logarithm(&cholesky));
        let words = data.words(&state.predictions.readings);
        let flags: f64 = words.iter().sum();
        let used = |row: &usize| state.residuals[*row].is_finite();
        let widths: f64 = (0..data.y.len())
            .filter(|row| data.y[*row].is_finite())
            .map(|row| -(0.5 * self.variances[row].ln() + self.noise_of(row).ln()) + peak())
            .sum();
        let rows = (0..data.y.len()).filter(used).count();
        let noise = if matches!(self.forward.fault, Fault::Noisy(_)) {
            let curvature: f64 = (0..data.y.len())
                .filter(used)
                .filter(|&row| self.is_noisy(row))
                .map(|row| {
                    let q = (state.residuals[row] / self.noise_of(row)).powi(2) / FREEDOM;
                    self.leverage(row).powi(2) * 2.0 * (FREEDOM + 1.0) * q / (1.0 + q).powi(2)
                })
                .sum();
            0.5 * (2.0 * std::f64::consts::PI / curvature.max(1.0)).ln()
                - (MOST_NOISE / LEAST_NOISE).ln().ln()
        } else {
            0.0
        };
        let lattice = data.lattice(self.problem.bench, self.forward.fault);
        let evidence =
            evidence - state.objective + widths - half_determinant + sizes + noise + flags + lattice;
        let prior: f64 = state
            .u
            .iter()
            .enumerate()
            .filter(|&(c, _)| Some(c) != self.size_column)
            .map(|(_, u)| u * u)
            .sum();
        let residuals: Vec<f64> =
            state.residuals.iter().enumerate().map(|(row, r)| r / self.noise_of(row)).collect();
        let chi2 = prior + residuals.iter().filter(|r| r.is_finite()).map(|r| r * r).sum::<f64>();
        let mut fit = Fit {
            fault: self.forward.fault,
            values: state.values,
            scales: self.scales,
            columns: self.columns,
            count: n,
            evidence,
            objective: state.objective - flags,
            chi2,
            rows,
            wrong_flags: words.iter().filter(|word| **word < UNEXPLAINED).count(),
            left_out: Vec::new(),
            residuals,
            sigma: self.variances.iter().map(|v| v.sqrt()).collect(),
            own: self.own.clone(),
            noise: self.noise,
            cholesky,
        };
        fit.left_out = fit.leave_out(&state.predictions);
        fit
    }

    /// ½ ln det of the second derivatives of F; nothing where these are not those of a minimum.
    fn half_determinant(&self, state: &State) -> Option<f64> {
        let n = self.free.len();
        let (mut convex, mut concave) = (Vec::new(), Vec::new());
        for (row, derivatives) in state.predictions.jacobian.chunks_exact(n.max(1)).enumerate() {
            let noise = self.noise_of(row);
            let curvature = curvature(state.residuals[row] / noise);
            if curvature.is_finite() {
                let factor = curvature.abs().sqrt() / (self.variances[row].sqrt() * noise);
                let side = if curvature > 0.0 { &mut convex } else { &mut concave };
                side.extend(derivatives.iter().map(|derivative| derivative * factor));
            }
        }
        let hessian = DMatrix::identity(n, n) + gram(n, &convex) - gram(n, &concave);
        Cholesky::new(hessian).map(|cholesky| half_logarithm(&cholesky))
    }
}

fn half_logarithm(cholesky: &Cholesky<f64, Dyn>) -> f64 {
    cholesky.l_dirty().diagonal().iter().map(|d| d.ln()).sum()
}
