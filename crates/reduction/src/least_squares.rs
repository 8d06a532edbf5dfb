//! Linear least squares and the straight line of JCGM 100:2008, H.3; knows nothing of volts and amperes.

use nalgebra::{DMatrix, DVector};
use quadrille_quantity::Estimate;

/// Below this, relative to its largest, a diagonal of the triangular factor counts as zero: what it belongs to cannot
/// be told from the rest. Rounding leaves 1e-16 there, a design that is worth solving 1e-6 and more.
const RANK: f64 = 1e-10;

/// Coefficients that minimise the sum of squared residuals, all observations weighing the same.
#[derive(Clone, Debug, PartialEq)]
pub struct LeastSquares {
    /// The coefficients, one for each column of the design.
    pub coefficients: DVector<f64>,
    /// Derivative of each coefficient (row) by each observation (column).
    pub by_observation: DMatrix<f64>,
    /// Observed minus fitted.
    pub residuals: DVector<f64>,
}

impl LeastSquares {
    /// Solves by orthogonal triangularisation; `None` where there are fewer observations than coefficients, or a
    /// column is, to rounding, a sum of others.
    pub fn solve(design: &DMatrix<f64>, observed: &DVector<f64>) -> Option<Self> {
        let (rows, columns) = design.shape();
        if rows < columns || columns == 0 {
            return None;
        }
        // Columns of one size, so that the rank does not depend on the units.
        let scales: Vec<f64> = design.column_iter().map(|column| column.norm()).collect();
        if scales.iter().any(|scale| !(*scale > 0.0 && scale.is_finite())) {
            return None;
        }
        let scaled = DMatrix::from_fn(rows, columns, |r, c| design[(r, c)] / scales[c]);
        let (q, r) = scaled.qr().unpack();
        let diagonal = || (0..columns).map(|k| r[(k, k)].abs());
        let largest = diagonal().fold(0.0, f64::max);
        if diagonal().any(|size| size <= RANK * largest) {
            return None;
        }
        let mut by_observation = r.solve_upper_triangular(&q.transpose())?;
        by_observation.row_iter_mut().zip(&scales).for_each(|(mut row, scale)| row /= *scale);
        let coefficients = &by_observation * observed;
        let residuals = observed - design * &coefficients;
        Some(Self { coefficients, by_observation, residuals })
    }

    /// Observations beyond those that the coefficients need.
    pub fn degrees_of_freedom(&self) -> usize {
        self.residuals.len() - self.coefficients.len()
    }

    /// Sum of the squared residuals.
    pub fn sum_of_squares(&self) -> f64 {
        self.residuals.norm_squared()
    }

    /// Standard deviation of one observation, estimated from the residuals; `None` without degrees of freedom.
    pub fn deviation(&self) -> Option<f64> {
        match self.degrees_of_freedom() {
            0 => None,
            free => Some((self.sum_of_squares() / free as f64).sqrt()),
        }
    }

    /// Covariance of the coefficients for independent observations of one standard deviation.
    pub fn covariance(&self, deviation: f64) -> DMatrix<f64> {
        &self.by_observation * self.by_observation.transpose() * (deviation * deviation)
    }
}

/// y = intercept + slope · x, with what the scatter of the points says of both.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// y at x = 0; its standard uncertainty is not a number for two points, which have no scatter.
    pub intercept: Estimate,
    /// Change of y with x; the same.
    pub slope: Estimate,
    /// Correlation coefficient of the two; it depends on the places of the points alone.
    pub correlation: f64,
    /// Standard deviation of one y from the residuals; not a number for two points.
    pub deviation: f64,
    /// Points beyond two.
    pub degrees_of_freedom: usize,
}

impl Line {
    /// By least squares (JCGM 100:2008, equations (H.13a) to (H.13f)); `None` where there are not two different x.
    pub fn fit(points: &[(f64, f64)]) -> Option<Self> {
        let design = DMatrix::from_fn(points.len(), 2, |row, column| [1.0, points[row].0][column]);
        let observed = DVector::from_iterator(points.len(), points.iter().map(|point| point.1));
        let fit = LeastSquares::solve(&design, &observed)?;
        let unscaled = fit.covariance(1.0);
        let deviation = fit.deviation().unwrap_or(f64::NAN);
        let u = |k: usize| deviation * unscaled[(k, k)].sqrt();
        Some(Self {
            intercept: Estimate::new(fit.coefficients[0], u(0)),
            slope: Estimate::new(fit.coefficients[1], u(1)),
            correlation: unscaled[(0, 1)] / (unscaled[(0, 0)] * unscaled[(1, 1)]).sqrt(),
            deviation,
            degrees_of_freedom: fit.degrees_of_freedom(),
        })
    }

    /// y at an x, with the standard uncertainty that both coefficients give together (JCGM 100:2008, (H.15)).
    pub fn at(&self, x: f64) -> Estimate {
        let (a, b) = (self.intercept.standard_uncertainty, x * self.slope.standard_uncertainty);
        let variance = a * a + b * b + 2.0 * a * b * self.correlation;
        Estimate::new(self.intercept.value + self.slope.value * x, variance.max(0.0).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, table H.6: thermometer readings in °C and corrections in °C.
    const THERMOMETER: [(f64, f64); 11] = [
        (21.521, -0.171),
        (22.012, -0.169),
        (22.512, -0.166),
        (23.003, -0.159),
        (23.507, -0.164),
        (23.999, -0.165),
        (24.513, -0.156),
        (25.002, -0.157),
        (25.503, -0.159),
        (26.010, -0.161),
        (26.511, -0.160),
    ];

    #[track_caller]
    fn check(found: f64, printed: f64, half_a_digit: f64) {
        assert!((found - printed).abs() <= half_a_digit, "{found}, printed {printed}");
    }

    // JCGM 100:2008, H.3.3 and H.3.4, reference temperature 20 °C: y1 = −0.1712 °C, s(y1) = 0.0029 °C, y2 = 0.002 18,
    // s(y2) = 0.000 67, r = −0.930, s = 0.0035 °C; correction at 30 °C −0.1494 °C, u = 0.0041 °C. The digits
    // beyond those are computed from the same table by the same equations.
    #[test]
    fn the_calibrated_thermometer_of_h_3_comes_out_with_its_printed_digits() {
        let points: Vec<(f64, f64)> = THERMOMETER.iter().map(|(t, b)| (t - 20.0, *b)).collect();
        let line = Line::fit(&points).unwrap();
        assert_eq!(line.degrees_of_freedom, 9);
        check(line.intercept.value, -0.1712, 0.5e-4);
        check(line.intercept.standard_uncertainty, 0.0029, 0.5e-4);
        check(line.slope.value, 0.00218, 0.5e-5);
        check(line.slope.standard_uncertainty, 0.00067, 0.5e-5);
        check(line.correlation, -0.930, 0.5e-3);
        check(line.deviation, 0.0035, 0.5e-4);
        check(line.at(10.0).value, -0.1494, 0.5e-4);
        check(line.at(10.0).standard_uncertainty, 0.0041, 0.5e-4);
        check(line.intercept.value, -0.17120379, 0.5e-8);
        check(line.slope.value, 0.00218270, 0.5e-8);
        check(line.correlation, -0.93043, 0.5e-5);
        check(line.deviation, 0.00349756, 0.5e-8);
        check(line.at(10.0).value, -0.14937681, 0.5e-8);
        check(line.at(10.0).standard_uncertainty, 0.00413860, 0.5e-8);
    }

    // JCGM 100:2008, H.3.5: with the mean of the readings as reference the coefficients are not correlated.
    #[test]
    fn the_line_about_the_mean_has_no_correlation_and_the_same_course() {
        let mean = THERMOMETER.iter().map(|(t, _)| t).sum::<f64>() / 11.0;
        let about = |reference: f64| {
            let points: Vec<(f64, f64)> = THERMOMETER.iter().map(|(t, b)| (t - reference, *b)).collect();
            Line::fit(&points).unwrap()
        };
        assert!(about(mean).correlation.abs() < 1e-12);
        let (near, far) = (about(mean).at(30.0 - mean), about(20.0).at(10.0));
        check(near.value, far.value, 1e-12);
        check(near.standard_uncertainty, far.standard_uncertainty, 1e-12);
    }

    #[test]
    fn a_line_needs_two_different_places() {
        assert_eq!(Line::fit(&[]), None);
        assert_eq!(Line::fit(&[(1.0, 2.0)]), None);
        assert_eq!(Line::fit(&[(1e-9, 2.0), (1e-9, 3.0), (1e-9, 4.0)]), None);
        let two = Line::fit(&[(1e-9, 2.0), (3e-9, 8.0)]).unwrap();
        check(two.slope.value, 3e9, 1.0);
        assert!(two.slope.standard_uncertainty.is_nan());
    }

    #[test]
    fn columns_that_are_sums_of_others_have_no_solution_in_any_unit() {
        for unit in [1e-12, 1.0, 1e12] {
            let design = DMatrix::from_row_slice(4, 3, &[1., 2., 3., 4., 5., 9., -1., 2., 1., 0.5, 7., 7.5]);
            let design = DMatrix::from_fn(4, 3, |r, c| design[(r, c)] * if c == 1 { unit } else { 1.0 });
            let sum =
                DMatrix::from_fn(
                    4,
                    3,
                    |r, c| if c == 2 { design[(r, 0)] + design[(r, 1)] } else { design[(r, c)] },
                );
            assert_eq!(LeastSquares::solve(&sum, &DVector::from_element(4, 1.0)), None);
        }
    }
}
