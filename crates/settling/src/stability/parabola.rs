//! A parabola through the readings of a window, and how well it is known.

use nalgebra::{Matrix3, Vector3};

/// Least-squares parabola c0 + c1 v + c2 (v² − 1/3) on v from −1, the first reading of a window, to 1, the last.
pub(super) struct Parabola {
    coefficients: Vector3<f64>,
    covariance: Matrix3<f64>,
    scatter: f64,
}

fn basis(v: f64) -> Vector3<f64> {
    Vector3::new(1.0, v, v * v - 1.0 / 3.0)
}

impl Parabola {
    /// Fits; the scatter of a reading is what is left over, and not less than `floor`. Residuals that hang together (a
    /// filter in the instrument, digits that stand still) count for as many as are independent among them.
    pub(super) fn fit(samples: &[(f64, f64)], floor: f64) -> Option<Self> {
        let (first, last) = (samples.first()?.0, samples.last()?.0);
        let at = |time: f64| 2.0 * (time - first) / (last - first) - 1.0;
        // About the first value: sums of squares of 300.012 K would lose the millikelvins.
        let around = samples.first()?.1;
        let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
        for &(time, value) in samples {
            let row = basis(at(time));
            normal += row * row.transpose();
            right += row * (value - around);
        }
        let inverse = normal.try_inverse()?;
        let mut coefficients = inverse * right;
        let residuals: Vec<f64> = samples
            .iter()
            .map(|&(time, value)| value - around - coefficients.dot(&basis(at(time))))
            .collect();
        coefficients[0] += around;
        let freedom = samples.len() as f64 - 3.0;
        let square = residuals.iter().map(|residual| residual * residual).sum::<f64>() / freedom;
        let scatter = square.sqrt().max(floor);
        let covariance = inverse * (scatter * scatter * hanging_together(&residuals, floor));
        Some(Self { coefficients, covariance, scatter })
    }

    pub(super) fn at(&self, v: f64) -> f64 {
        self.coefficients.dot(&basis(v))
    }

    pub(super) fn mean(&self) -> f64 {
        self.coefficients[0]
    }

    pub(super) fn scatter(&self) -> f64 {
        self.scatter
    }

    /// Slope at the end of the window, for one unit of v.
    pub(super) fn slope_at_end(&self) -> f64 {
        self.coefficients[1] + 2.0 * self.coefficients[2]
    }

    /// How far the parabola at v is from its value at the end of the window, with so many standard deviations.
    pub(super) fn moved(&self, v: f64, sigmas: f64) -> f64 {
        self.bound(basis(v) - basis(1.0), 0.0, sigmas)
    }

    /// How far the parabola at v is from its mean over the window, with so many standard deviations.
    pub(super) fn off_mean(&self, v: f64, sigmas: f64) -> f64 {
        self.bound(basis(v) - Vector3::x(), 0.0, sigmas)
    }

    /// How far its straight part is from its mean at v.
    pub(super) fn drifted(&self, v: f64, sigmas: f64) -> f64 {
        self.bound(Vector3::new(0.0, v, 0.0), 0.0, sigmas)
    }

    /// How far the parabola at v is from a target.
    pub(super) fn off(&self, v: f64, target: f64, sigmas: f64) -> f64 {
        self.bound(basis(v), target, sigmas)
    }

    fn bound(&self, of: Vector3<f64>, from: f64, sigmas: f64) -> f64 {
        let variance = of.dot(&(self.covariance * of));
        (self.coefficients.dot(&of) - from).abs() + sigmas * variance.max(0.0).sqrt()
    }
}

/// Standard deviation of the end of the look ahead, in those of a reading, for so many readings spread evenly; `ahead`
/// is the time wanted over the window. Exact for many: the variances of c1 and c2 are then 3 and 45/4 over their
/// number.
pub(super) fn of_noise(ahead: f64, readings: f64) -> f64 {
    let v = 1.0 + ahead;
    ((3.0 * (v - 1.0).powi(2) + 11.25 * (v * v - 1.0).powi(2)) / readings).sqrt()
}

/// Independent readings of a window, where digits hide what is between them; ours.
const INDEPENDENT: f64 = 4.0;

/// Scatter over that of one step of the digits, up to which the digits hide what is between them. At 1.5 the noise has
/// a third of a step, and the mean of many readings is off by a twentieth of one (first Fourier term of a staircase
/// under normal noise, q/π·exp(−2π²σ²/q²)).
const HIDDEN: f64 = 1.5;

/// How many of the readings of a window are independent, by their digits alone.
pub(super) fn independent(readings: f64, scatter: f64, floor: f64) -> f64 {
    if scatter < HIDDEN * floor { readings.min(INDEPENDENT) } else { readings }
}

/// How many readings count as one: one and twice the sum of the autocorrelations before the first that is not positive.
fn hanging_together(residuals: &[f64], floor: f64) -> f64 {
    let number = residuals.len();
    let product = |lag: usize| -> f64 {
        residuals.iter().zip(&residuals[lag..]).map(|(a, b)| a * b).sum::<f64>() / (number - lag) as f64
    };
    let square = product(0);
    let readings = number as f64;
    let by_digits = readings / independent(readings, square.sqrt(), floor);
    let mut sum = 1.0;
    for lag in 1..number / 3 {
        let correlation = product(lag) / square;
        if correlation.is_nan() || correlation <= 0.0 {
            break;
        }
        sum += 2.0 * correlation;
    }
    sum.min(readings / INDEPENDENT).max(by_digits)
}
