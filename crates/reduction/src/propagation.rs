//! Law of propagation of uncertainty for any model with correlated inputs (JCGM 100:2008, 5.2.2); knows nothing of
//! resistances.

use nalgebra::{DMatrix, DVector};

/// Values of a model's outputs with their covariance.
#[derive(Clone, Debug, PartialEq)]
pub struct Propagated {
    /// Outputs at the input values.
    pub values: DVector<f64>,
    /// Covariance of the outputs.
    pub covariance: DMatrix<f64>,
    /// Sensitivity coefficients: row per output, column per input.
    pub sensitivities: DMatrix<f64>,
}

impl Propagated {
    /// Standard uncertainty of an output.
    pub fn standard_uncertainty(&self, output: usize) -> f64 {
        self.covariance[(output, output)].max(0.0).sqrt()
    }

    /// Correlation coefficient of two outputs; not a number where one of them is exact.
    pub fn correlation(&self, a: usize, b: usize) -> f64 {
        self.covariance[(a, b)] / (self.standard_uncertainty(a) * self.standard_uncertainty(b))
    }
}

/// Outputs of `model` at `values` and their covariance C Σ Cᵀ to first order, for inputs with covariance Σ.
///
/// First order fails where the sensitivities vanish, as for the square of an input near zero (JCGM 101:2008, 9.4).
pub fn linear(model: impl Fn(&[f64]) -> Vec<f64>, values: &[f64], covariance: &DMatrix<f64>) -> Propagated {
    let outputs = DVector::from_vec(model(values));
    let scales: Vec<f64> = values
        .iter()
        .enumerate()
        .map(|(k, value)| if *value == 0.0 { covariance[(k, k)].max(0.0).sqrt() } else { value.abs() })
        .collect();
    let sensitivities = sensitivities(&model, values, &scales, outputs.len());
    let covariance = &sensitivities * covariance * sensitivities.transpose();
    Propagated { values: outputs, covariance, sensitivities }
}

/// Step relative to the input's magnitude: with the errors of order h⁴ and ε/h this loses about 12 digits' worth
/// less than the four digits any uncertainty has.
const STEP: f64 = 1e-3;

/// Derivatives by central differences at h and h/2, extrapolated to order h⁴ (Richardson).
fn sensitivities(
    model: &impl Fn(&[f64]) -> Vec<f64>,
    values: &[f64],
    scales: &[f64],
    outputs: usize,
) -> DMatrix<f64> {
    let mut result = DMatrix::zeros(outputs, values.len());
    for (input, scale) in scales.iter().enumerate() {
        // An input that is exactly zero and exact has no scale, and nothing to propagate.
        if *scale == 0.0 {
            continue;
        }
        let wide = central_difference(model, values, input, STEP * scale);
        let narrow = central_difference(model, values, input, STEP * scale / 2.0);
        for output in 0..outputs {
            result[(output, input)] = (4.0 * narrow[output] - wide[output]) / 3.0;
        }
    }
    result
}

fn central_difference(
    model: &impl Fn(&[f64]) -> Vec<f64>,
    values: &[f64],
    input: usize,
    step: f64,
) -> Vec<f64> {
    let at = |shift: f64| {
        let mut moved = values.to_vec();
        moved[input] += shift;
        (moved[input], model(&moved))
    };
    let ((x_up, up), (x_down, down)) = (at(step), at(-step));
    up.iter().zip(&down).map(|(u, d)| (u - d) / (x_up - x_down)).collect()
}
