//! A bench without fault, linearised once where it is nominal: enough to say where a search should start and which faults to
//! look at first, never to decide. The second order of a tolerance of 1 % is a hundred times the noise.

use crate::fault::Fault;
use crate::fit::Problem;
use crate::forward::{Forward, NO_COLUMN, Point, Predicted, Predictions};
use crate::gram::gram;
use crate::layout::Layout;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Part of a reading that the linearisation may be off by.
const SECOND_ORDER: f64 = 3e-4;

/// Derivatives of a good bench's readings, and what can be fitted with them.
pub(crate) struct Linear {
    predictions: Predictions,
    variances: Vec<f64>,
    cholesky: Option<Cholesky<f64, Dyn>>,
}

impl Linear {
    /// For starts: what is of second order counts as scatter.
    pub(crate) fn nominal(problem: &Problem<'_>) -> Self {
        Self::new(problem, Fault::Good, SECOND_ORDER)
    }

    /// For distances, where what one fault frees of a good bench is free.
    pub(crate) fn freed(problem: &Problem<'_>, freed: Fault) -> Self {
        Self::new(problem, freed, 0.0)
    }

    fn new(problem: &Problem<'_>, freed: Fault, second_order: f64) -> Self {
        let layout = Layout::new(problem.standard, problem.bench);
        let fault = if freed == Fault::AllScaled { freed } else { Fault::Good };
        let forward =
            Forward { standard: problem.standard, bench: problem.bench, layout, fault, beside: None };
        let data = problem.data;
        let scales = layout.scales(problem.standard, problem.bench, freed, data.source_range);
        let mut columns = vec![NO_COLUMN; scales.len()];
        let mut count = 0;
        for (column, _) in columns.iter_mut().zip(&scales).filter(|(_, scale)| **scale > 0.0) {
            *column = count;
            count += 1;
        }
        let values = problem.nominal();
        let mut predictions = Predictions::default();
        let point = Point { values: &values, scales: &scales, columns: &columns, count };
        forward.predict(&data.settings, &data.groups, point, &mut predictions);
        let of = |k: usize| {
            let read = predictions.readings[k];
            let own =
                data.variances(problem.bench, k, forward.ranges(&data.settings[k]), read.volts, read.amperes);
            let largest = |y: f64, m: f64| if y.is_finite() { y.abs().max(m.abs()) } else { m.abs() };
            [
                own[0] + (second_order * largest(data.y[2 * k], read.volts)).powi(2),
                own[1] + (second_order * largest(data.y[2 * k + 1], read.amperes)).powi(2),
            ]
        };
        let variances: Vec<f64> = (0..data.settings.len()).flat_map(of).collect();
        let scaled: Vec<f64> = predictions
            .jacobian
            .chunks_exact(count)
            .zip(&variances)
            .flat_map(|(row, variance)| row.iter().map(|x| x / variance.sqrt()))
            .collect();
        let hessian = DMatrix::identity(count, count) + gram(count, &scaled);
        Self { predictions, variances, cholesky: Cholesky::new(hessian) }
    }

    pub(crate) fn readings(&self) -> &[Predicted] {
        &self.predictions.readings
    }

    /// Residuals r of what is observed against some prediction, in units of their standard deviation; r' (1 + J J')⁻¹ r.
    fn marginal(&self, residuals: &[f64]) -> f64 {
        let count = self.predictions.columns;
        let mut gradient = DVector::zeros(count);
        let mut sum = 0.0;
        for (row, &r) in residuals.iter().enumerate().filter(|(_, r)| r.is_finite()) {
            let sigma = self.variances[row].sqrt();
            sum += r * r;
            for c in 0..count {
                gradient[c] += self.predictions.jacobian[row * count + c] * r / sigma;
            }
        }
        let taken = self.cholesky.as_ref().map_or(0.0, |cholesky| gradient.dot(&cholesky.solve(&gradient)));
        (sum - taken).max(0.0)
    }

    /// How badly the readings fit a fault with these values, all else fitted as in a good bench; flags count too.
    pub(crate) fn score(&self, problem: &Problem<'_>, fault: Fault, values: &[f64]) -> f64 {
        let data = problem.data;
        let readings = bare(problem, fault, values);
        let mut residuals = vec![f64::NAN; data.y.len()];
        let mut flags = 0.0;
        for (k, read) in readings.iter().enumerate() {
            let [volts, amperes] = read.unknown_charge();
            if !read.floats {
                residuals[2 * k] = (data.y[2 * k] - read.volts) / (self.variances[2 * k] + volts).sqrt();
            }
            residuals[2 * k + 1] =
                (data.y[2 * k + 1] - read.amperes) / (self.variances[2 * k + 1] + amperes).sqrt();
            flags += if read.floats { 12.0 } else { 0.0 } - data.flags(k, read);
        }
        self.marginal(&residuals) + 2.0 * flags
    }

    /// Squared distance between the readings of a good bench and of one with a fault, over what is not known of the bench.
    pub(crate) fn distance(&self, problem: &Problem<'_>, fault: Fault, values: &[f64]) -> f64 {
        self.apart(&bare(problem, fault, values), self.readings())
    }

    /// The same between two predictions. A reading that floats under one of them only parts them as a missing flag would.
    pub(crate) fn apart(&self, one: &[Predicted], other: &[Predicted]) -> f64 {
        let mut residuals = vec![f64::NAN; 2 * one.len()];
        let mut flags = 0.0;
        for (k, (a, b)) in one.iter().zip(other).enumerate() {
            if a.floats || b.floats {
                flags += if a.floats == b.floats { 0.0 } else { FLOATS };
            } else {
                residuals[2 * k] = (a.volts - b.volts) / self.variances[2 * k].sqrt();
            }
            residuals[2 * k + 1] = (a.amperes - b.amperes) / self.variances[2 * k + 1].sqrt();
            let shown = |p: &Predicted| (p.need > 1.0, p.volt_load > 1.0, p.ampere_load > 1.0);
            flags += if shown(a) == shown(b) { 0.0 } else { FLAG };
        }
        self.marginal(&residuals) + flags
    }
}

/// What a flag parts, as a squared distance.
const FLAG: f64 = 11.0;

/// What a voltage that floats under one of two faults parts: it would have to come within a ten-thousandth of its range by
/// chance, 2 ln 10⁴ for each way round.
const FLOATS: f64 = 37.0;

/// Predictions without derivatives.
pub(crate) fn bare(problem: &Problem<'_>, fault: Fault, values: &[f64]) -> Vec<Predicted> {
    let layout = Layout::new(problem.standard, problem.bench);
    let columns = vec![NO_COLUMN; values.len()];
    let mut predictions = Predictions::default();
    let forward = Forward { standard: problem.standard, bench: problem.bench, layout, fault, beside: None };
    let point = Point { values, scales: values, columns: &columns, count: 0 };
    forward.predict(&problem.data.settings, &problem.data.groups, point, &mut predictions);
    predictions.readings
}
