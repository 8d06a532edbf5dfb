//! How readings weigh: as normal while a fit is on its way, by Student's t where it ends.

/// Degrees of freedom of the readings' distribution. Ours: 3 is too forgiving, 10 hardly different from normal.
pub(crate) const FREEDOM: f64 = 4.0;

/// How readings weigh.
#[derive(Clone, Copy, PartialEq)]
pub(crate) enum Stage {
    Gauss,
    Student,
}

/// Negative logarithm of the density against its peak, of a residual in its own width.
pub(crate) fn loss(r: f64, stage: Stage) -> f64 {
    match stage {
        Stage::Gauss => 0.5 * r * r,
        Stage::Student => 0.5 * (FREEDOM + 1.0) * (r * r / FREEDOM).ln_1p(),
    }
}

/// What multiplies r in the derivative of the loss.
pub(crate) fn weight(r: f64, stage: Stage) -> f64 {
    match stage {
        Stage::Gauss => 1.0,
        Stage::Student => (FREEDOM + 1.0) / (FREEDOM + r * r),
    }
}

/// Second derivative of Student's loss.
pub(crate) fn curvature(r: f64) -> f64 {
    (FREEDOM + 1.0) * (FREEDOM - r * r) / (FREEDOM + r * r).powi(2)
}

/// Logarithm of Student's density at its peak: Γ(5/2) / (Γ(2) √(4 π)) = 3/8 for four degrees of freedom.
pub(crate) fn peak() -> f64 {
    0.375f64.ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weight_and_curvature_are_the_derivatives_of_the_loss() {
        let h = 1e-4;
        for r in [0.0, 0.5, 1.9, 2.1, 7.0] {
            let (below, here, above) =
                (loss(r - h, Stage::Student), loss(r, Stage::Student), loss(r + h, Stage::Student));
            assert!(((above - below) / (2.0 * h) - weight(r, Stage::Student) * r).abs() < 1e-7);
            assert!(((above - 2.0 * here + below) / (h * h) - curvature(r)).abs() < 1e-6);
        }
    }
}
