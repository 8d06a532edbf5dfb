//! The likeliest state of a bench under one fault, and the evidence for the fault: Gauss–Newton over everything that is
//! not exactly known, with the Laplace approximation at the optimum.
//!
//! y = f(u, θ) + e. u are the nuisances, standard normal beforehand; θ the size of the fault, uniform in its logarithm; e
//! is Student's t, so that one wild reading does not decide. ln p(y) ≈ −F − ½ ln det H + (terms of θ), F the negative
//! logarithm of likelihood times prior at the optimum, H = 1 + Jᵀ W J with J taken there. Resistors' tolerances enter
//! through J and are so correlated over all readings as they are in fact.

use crate::bench::{BenchModel, range_for};
use crate::data::Data;
use crate::fault::{Fault, Noisy};
use crate::forward::{Forward, NO_COLUMN, Point, Predictions};
use crate::layout::Layout;
use crate::linear::bare;
use crate::search::Search;
use crate::standard::Standard;
use crate::student::{Stage, weight};
use nalgebra::{Cholesky, DVector, Dyn};

/// A fault at its optimum.
#[derive(Clone)]
pub(crate) struct Fit {
    pub(crate) fault: Fault,
    pub(crate) values: Vec<f64>,
    pub(crate) scales: Vec<f64>,
    pub(crate) columns: Vec<usize>,
    pub(crate) count: usize,
    /// ln p(y | fault).
    pub(crate) evidence: f64,
    /// F: negative logarithm of likelihood times prior.
    pub(crate) objective: f64,
    /// Σ r²/D + |u|², and how many rows it has.
    pub(crate) chi2: f64,
    pub(crate) rows: usize,
    /// How many of the instruments' words the fault does not explain.
    pub(crate) wrong_flags: usize,
    /// Standardised residuals, corrected for what each row had its own way; not finite where a row was not used.
    pub(crate) left_out: Vec<f64>,
    /// Plain standardised residuals.
    pub(crate) residuals: Vec<f64>,
    /// Standard deviation of each row.
    pub(crate) sigma: Vec<f64>,
    /// The part of each row's variance that is the meter's own noise.
    pub(crate) own: Vec<f64>,
    /// Factor by which a meter's own noise is larger than stated.
    pub(crate) noise: f64,
    pub(crate) cholesky: Cholesky<f64, Dyn>,
}

/// What a fit works on.
pub(crate) struct Problem<'a> {
    pub(crate) standard: &'a Standard,
    pub(crate) bench: &'a BenchModel,
    pub(crate) data: &'a Data,
}

impl<'a> Problem<'a> {
    /// Fits one fault from the given values of all quantities. `bound` is the best objective so far: what cannot come near it is
    /// given up early.
    pub(crate) fn fit(&self, fault: Fault, start: &[f64], bound: f64) -> Fit {
        let layout = Layout::new(self.standard, self.bench);
        let forward = Forward { standard: self.standard, bench: self.bench, layout, fault, beside: None };
        let scales = layout.scales(self.standard, self.bench, fault, self.data.source_range);
        let variances = self.variances(&forward, start);
        let own = self.own(&forward, &variances);
        let mut search = Search {
            problem: self,
            forward,
            columns: vec![NO_COLUMN; scales.len()],
            free: Vec::new(),
            scales,
            own,
            variances,
            size_column: None,
            noise: 1.0,
        };
        let state = search.choose_free(start);
        let state = search.run(start, state, bound);
        search.finish(state)
    }

    /// The part of each variance that is the meter's own noise, whatever it shows: the rest goes with the value.
    fn own(&self, forward: &Forward<'_>, variances: &[f64]) -> Vec<f64> {
        let of =
            |k: usize| self.data.variances(self.bench, k, forward.ranges(&self.data.settings[k]), 0.0, 0.0);
        let own = (0..self.data.settings.len()).flat_map(of);
        own.zip(variances).map(|(own, variance)| (own / variance).min(1.0)).collect()
    }

    /// The fit of a bench that is as it was told to be.
    pub(crate) fn nominal(&self) -> Vec<f64> {
        vec![0.0; Layout::new(self.standard, self.bench).count()]
    }

    fn variances(&self, forward: &Forward<'_>, start: &[f64]) -> Vec<f64> {
        let of = |k: usize| {
            let ranges = forward.ranges(&self.data.settings[k]);
            let value = |row: usize| if self.data.y[row].is_finite() { self.data.y[row] } else { 0.0 };
            self.data.variances(self.bench, k, ranges, value(2 * k), value(2 * k + 1))
        };
        let mut variances: Vec<f64> = (0..self.data.settings.len()).flat_map(of).collect();
        if forward.fault == Fault::GuardOff {
            for (k, read) in bare(self, forward.fault, start).iter().enumerate() {
                let [volts, amperes] = read.unknown_charge();
                variances[2 * k] += volts;
                variances[2 * k + 1] += amperes;
            }
        }
        variances
    }
}

impl Fit {
    /// Residual of each row against a fit without it: r/√(1 − h) for rows of full weight, r/√(1 + h) for those that the fit
    /// disregards; h the variance of the prediction in units of the row's.
    pub(crate) fn leave_out(&self, predictions: &Predictions) -> Vec<f64> {
        let n = self.count;
        (0..self.residuals.len())
            .map(|row| {
                let r = self.residuals[row];
                if !r.is_finite() {
                    return f64::NAN;
                }
                let derivatives = DVector::from_iterator(
                    n,
                    (0..n).map(|c| predictions.jacobian[row * n + c] / self.sigma[row]),
                );
                let h = derivatives.dot(&self.cholesky.solve(&derivatives));
                let w = weight(r, Stage::Student);
                // Without the row the prediction's variance is h / (1 − w h), and the residual r / (1 − w h).
                let rest = (1.0 - w * h).max(1e-6);
                r / rest / (1.0 + h / rest).sqrt()
            })
            .collect()
    }

    /// Predictions for settings, with the variances that what is not known of the bench gives them: of voltage and current.
    pub(crate) fn predictive(&self, problem: &Problem<'_>, data: &Data) -> Vec<Predictive> {
        let layout = Layout::new(problem.standard, problem.bench);
        let forward = Forward {
            standard: problem.standard,
            bench: problem.bench,
            layout,
            fault: self.fault,
            beside: None,
        };
        let mut predictions = Predictions::default();
        let point =
            Point { values: &self.values, scales: &self.scales, columns: &self.columns, count: self.count };
        forward.predict(&data.settings, &data.groups, point, &mut predictions);
        let n = self.count;
        let of = |k: usize| {
            let read = predictions.readings[k];
            let own =
                data.variances(problem.bench, k, forward.ranges(&data.settings[k]), read.volts, read.amperes);
            let spread = |row: usize| {
                let derivatives =
                    DVector::from_iterator(n, predictions.jacobian[row * n..(row + 1) * n].iter().copied());
                derivatives.dot(&self.cholesky.solve(&derivatives))
            };
            let noise = self.noise_of(problem, data, k);
            let variances = [own[0] + noise[0] + spread(2 * k), own[1] + noise[1] + spread(2 * k + 1)];
            Predictive { read, variances }
        };
        (0..data.settings.len()).map(of).collect()
    }

    /// Variance that noise has beyond what is stated, of voltage and current.
    fn noise_of(&self, problem: &Problem<'_>, data: &Data, k: usize) -> [f64; 2] {
        let Fault::Noisy(whose) = self.fault else { return [0.0; 2] };
        let setting = &data.settings[k];
        let (volts, amperes) = (&problem.bench.voltmeter.ranges, &problem.bench.ammeter.ranges);
        let on = (range_for(volts, setting.voltage_range.0), range_for(amperes, setting.current_range.0));
        let [volt, ampere] = data.variances(problem.bench, k, on, 0.0, 0.0);
        let more = self.noise.powi(2) - 1.0;
        match whose {
            Noisy::Voltmeter => [volt * more, 0.0],
            Noisy::Ammeter => [0.0, ampere * more],
            Noisy::Both => [volt * more, ampere * more],
        }
    }

    /// The fitted value of a quantity.
    pub(crate) fn value(&self, quantity: usize) -> f64 {
        self.values[quantity]
    }
}

/// What a fit expects of a setting.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Predictive {
    pub(crate) read: crate::forward::Predicted,
    pub(crate) variances: [f64; 2],
}
