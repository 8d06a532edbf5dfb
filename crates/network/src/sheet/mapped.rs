//! A uniform sheet without holes as discs that have its conductances: exact at every Hall angle.

use super::bracket::{Bracket, inverse, relative_norm, symmetric};
use crate::EdgeArcs;
use faer::Mat;

/// Discs with the lower, the upper and the mean conductances of the sheet at zero field.
pub(crate) struct Mapped {
    lower: EdgeArcs,
    upper: EdgeArcs,
    pub(crate) mean: EdgeArcs,
}

impl Mapped {
    /// None if a disc does not have the conductances to within their uncertainty.
    pub(crate) fn new(bracket: &mut Bracket) -> Option<Self> {
        let pair = bracket.impedances(0.0)?;
        let mean = pair.mean();
        let upper = pair.upper.as_ref()?;
        let fit = |impedances: &Mat<f64>| Some(EdgeArcs::fit(&admittances(&inverse(impedances))).ok()?.0);
        let (lower_arcs, upper_arcs, mean_arcs) = (fit(&pair.lower)?, fit(upper)?, fit(&mean)?);
        let spread = relative_norm(&(upper - &pair.lower), &symmetric(&mean));
        let found = impedances(&mean_arcs, 0.0)?;
        let misfit = relative_norm(&(found - &mean), &symmetric(&mean));
        (misfit <= spread).then_some(Self { lower: lower_arcs, upper: upper_arcs, mean: mean_arcs })
    }

    /// Half the difference between the outer two at a Hall angle.
    pub(crate) fn bound(&self, t: f64) -> Option<f64> {
        let [lower, mean, upper] = [&self.lower, &self.mean, &self.upper].map(|arcs| impedances(arcs, t));
        Some(0.5 * relative_norm(&(upper? - lower?), &symmetric(&mean?)))
    }
}

/// Impedances of a disc with arcs, the last contact at zero.
fn impedances(arcs: &EdgeArcs, t: f64) -> Option<Mat<f64>> {
    let rows = arcs.conductances(t).ok()?;
    let size = rows.len() - 1;
    Some(inverse(&Mat::from_fn(size, size, |k, j| rows[k][j])))
}

/// All admittances from those without the last terminal: rows and columns add up to zero.
pub(crate) fn admittances(reduced: &Mat<f64>) -> Vec<Vec<f64>> {
    let size = reduced.nrows();
    let mut rows = vec![vec![0.0; size + 1]; size + 1];
    for k in 0..size {
        for j in 0..size {
            let y = reduced[(k, j)];
            rows[k][j] = y;
            rows[k][size] -= y;
            rows[size][j] -= y;
            rows[size][size] += y;
        }
    }
    rows
}
