//! The way to the likeliest state of a bench under one fault: Gauss–Newton, first with normal weights, which has one valley,
//! then with Student's.

use crate::fault::{Fault, Noisy};
use crate::fit::Problem;
use crate::floating::{self, Floating};
use crate::forward::{Forward, NO_COLUMN, Point, Predictions};
use crate::gram::gram;
use crate::student::{Stage, loss, peak, weight};
use nalgebra::{Cholesky, DMatrix, DVector};

/// Newton decrement at which a fit has arrived: what is left to gain is half of it. A criterion on the length of the step
/// stops too early where noise is small against what is known beforehand.
const DECREMENT: f64 = 0.02;

const MOST_STEPS: usize = 40;

/// Nuisances that move all readings together by less than this many of their standard deviations are left out.
const INSIGNIFICANT: f64 = 0.05;

/// The same of those that act through an exponent of decades.
const INSIGNIFICANT_EXPONENT: f64 = 0.003;

/// A fit that is worse by so much, in logarithms, is not followed further.
const HOPELESS: f64 = 150.0;

/// Resistances of leads, crosspoints and cables move by no more than so many standard deviations in a step, and in all.
const EXPONENT_STEP: f64 = 1.5;
const MOST_EXPONENT: f64 = 6.0;

/// A noise that is less than so many times what was stated is no fault; more than so many times is none either.
pub(crate) const LEAST_NOISE: f64 = 2.5;
pub(crate) const MOST_NOISE: f64 = 1e3;

/// Where a search stands.
pub(crate) struct State {
    pub(crate) u: Vec<f64>,
    pub(crate) values: Vec<f64>,
    pub(crate) predictions: Predictions,
    pub(crate) residuals: Vec<f64>,
    pub(crate) objective: f64,
}

/// A search for one fault.
pub(crate) struct Search<'f> {
    pub(crate) problem: &'f Problem<'f>,
    pub(crate) forward: Forward<'f>,
    pub(crate) scales: Vec<f64>,
    pub(crate) columns: Vec<usize>,
    pub(crate) free: Vec<usize>,
    pub(crate) variances: Vec<f64>,
    /// The part of each that is the meter's own noise.
    pub(crate) own: Vec<f64>,
    pub(crate) size_column: Option<usize>,
    pub(crate) noise: f64,
}

impl Search<'_> {
    /// Frees what moves the readings at all; the state at the start.
    pub(crate) fn choose_free(&mut self, start: &[f64]) -> State {
        let layout = self.forward.layout;
        self.free = (0..self.scales.len()).filter(|&q| self.scales[q] > 0.0).collect();
        self.number();
        let mut state = self.state(start, &self.at_start(start), Stage::Gauss);
        let n = self.free.len();
        let mut weight = vec![0.0; n];
        for (row, derivatives) in state.predictions.jacobian.chunks_exact(n).enumerate() {
            if self.problem.data.y[row].is_finite() {
                for (sum, derivative) in weight.iter_mut().zip(derivatives) {
                    *sum += derivative * derivative / self.variances[row];
                }
            }
        }
        let keep = |c: &usize| {
            let q = self.free[*c];
            let least = if layout.is_exponent(q) { INSIGNIFICANT_EXPONENT } else { INSIGNIFICANT };
            weight[*c] > least * least || q == layout.size() || start[q] != 0.0
        };
        let kept: Vec<usize> = (0..n).filter(keep).collect();
        let all = std::mem::take(&mut state.predictions.jacobian);
        state.predictions.jacobian =
            all.chunks_exact(n).flat_map(|row| kept.iter().map(|&c| row[c])).collect();
        state.predictions.columns = kept.len();
        state.u = kept.iter().map(|&c| state.u[c]).collect();
        self.free = kept.iter().map(|&c| self.free[c]).collect();
        self.number();
        state
    }

    fn at_start(&self, start: &[f64]) -> Vec<f64> {
        let size = self.forward.layout.size();
        self.free.iter().map(|&q| if q == size { 0.0 } else { start[q] / self.scales[q] }).collect()
    }

    fn number(&mut self) {
        self.columns.fill(NO_COLUMN);
        for (column, &quantity) in self.free.iter().enumerate() {
            self.columns[quantity] = column;
        }
        let column = self.columns[self.forward.layout.size()];
        self.size_column = (column != NO_COLUMN).then_some(column);
    }

    /// `u` is the whole of each quantity in its own standard deviation, the size of the fault excepted, whose `u` is what it
    /// moved from the start.
    fn state(&self, start: &[f64], u: &[f64], stage: Stage) -> State {
        let mut values = start.to_vec();
        for (column, &quantity) in self.free.iter().enumerate() {
            let from = if Some(column) == self.size_column { start[quantity] } else { 0.0 };
            values[quantity] = from + self.scales[quantity] * u[column];
        }
        let mut predictions = Predictions::default();
        let point =
            Point { values: &values, scales: &self.scales, columns: &self.columns, count: self.free.len() };
        let data = self.problem.data;
        self.forward.predict(&data.settings, &data.groups, point, &mut predictions);
        let mut residuals = vec![f64::NAN; data.y.len()];
        for (k, predicted) in predictions.readings.iter().enumerate() {
            if !predicted.floats {
                residuals[2 * k] = (data.y[2 * k] - predicted.volts) / self.variances[2 * k].sqrt();
            }
            residuals[2 * k + 1] = (data.y[2 * k + 1] - predicted.amperes) / self.variances[2 * k + 1].sqrt();
        }
        let prior: f64 =
            u.iter().enumerate().filter(|&(c, _)| Some(c) != self.size_column).map(|(_, u)| u * u).sum();
        let misfit: f64 = residuals
            .iter()
            .enumerate()
            .filter(|(_, r)| r.is_finite())
            .map(|(row, r)| loss(r / self.noise_of(row), stage))
            .sum();
        let floating = self.floating(&predictions);
        State { objective: misfit + 0.5 * prior + floating, u: u.to_vec(), values, predictions, residuals }
    }

    /// What inputs that float cost, counted from the density of a reading at its predicted value, as all others are.
    fn floating(&self, predictions: &Predictions) -> f64 {
        let data = self.problem.data;
        let list: Vec<Floating> = predictions
            .readings
            .iter()
            .enumerate()
            .filter(|(k, predicted)| predicted.floats && data.y[2 * k].is_finite())
            .map(|(k, predicted)| Floating {
                shown: data.y[2 * k],
                expected: predicted.volts,
                sigma: self.variances[2 * k].sqrt(),
                limit: data.settings[k].voltage_limit.0,
            })
            .collect();
        if list.is_empty() {
            0.0
        } else {
            list.iter().map(|f| f.sigma.ln()).sum::<f64>().mul_add(-1.0, peak() * list.len() as f64)
                - floating::density(&list)
        }
    }

    /// How many times its usual standard deviation a row has: a meter that is noisy is so by as much wherever it measures.
    pub(crate) fn noise_of(&self, row: usize) -> f64 {
        let own = if self.is_noisy(row) { self.own[row] } else { 0.0 };
        (1.0 + own * (self.noise * self.noise - 1.0)).sqrt()
    }

    pub(crate) fn is_noisy(&self, row: usize) -> bool {
        match self.forward.fault {
            Fault::Noisy(Noisy::Voltmeter) => row.is_multiple_of(2),
            Fault::Noisy(Noisy::Ammeter) => row % 2 == 1,
            Fault::Noisy(Noisy::Both) => true,
            _ => false,
        }
    }

    pub(crate) fn run(&mut self, start: &[f64], mut state: State, bound: f64) -> State {
        if matches!(self.forward.fault, Fault::Noisy(_)) {
            for _ in 0..6 {
                self.noise = self.fitted_noise(&state);
                state = self.state(start, &state.u, Stage::Student);
                state = self.descend(start, state, Stage::Student, 8, f64::INFINITY).0;
            }
            return state;
        }
        let (state, _) = self.descend(start, state, Stage::Gauss, 25, bound);
        let state = self.state(start, &state.u, Stage::Student);
        if state.objective > bound + HOPELESS {
            return state;
        }
        let (state, _) = self.descend(start, state, Stage::Student, MOST_STEPS, f64::INFINITY);
        state
    }

    /// Steps until the decrement is small, or nothing is gained. `bound` stops what converges far from it.
    fn descend(
        &self,
        start: &[f64],
        mut state: State,
        stage: Stage,
        most: usize,
        bound: f64,
    ) -> (State, usize) {
        let mut damping = 0.0;
        for step in 0..most {
            let (hessian, gradient) = self.normal(&state, stage);
            let Some((du, decrement)) = self.newton(&state.u, &hessian, &gradient, damping) else {
                return (state, step);
            };
            let enough = if stage == Stage::Gauss { 1e-4 * state.objective } else { 0.0 };
            if decrement < DECREMENT.max(enough.min(0.5)) {
                return (state, step);
            }
            let promised = (state.objective - 0.5 * decrement) / state.residuals.len() as f64;
            if stage == Stage::Gauss
                && promised > self.far(step)
                && self.robust(&state) > bound + 2.0 * HOPELESS
            {
                return (state, step);
            }
            let mut length = 1.0;
            let mut better = None;
            for _ in 0..6 {
                let u: Vec<f64> = state.u.iter().zip(du.iter()).map(|(u, d)| u + length * d).collect();
                let next = self.state(start, &u, stage);
                if next.objective < state.objective {
                    better = Some(next);
                    break;
                }
                length *= 0.35;
            }
            match better {
                Some(next) => {
                    damping = if length < 1.0 { (damping * 4.0).max(1e-3) } else { damping * 0.1 };
                    state = next;
                }
                None if damping < 1e3 && decrement > 1.0 => damping = (damping * 30.0).max(1e-2),
                None => return (state, step),
            }
        }
        (state, most)
    }

    /// Half of the mean square residual that a step promises to leave where a fit leads nowhere. The first steps leave what is
    /// of second order in the tolerances.
    fn far(&self, step: usize) -> f64 {
        match (step, self.size_column) {
            (0, None) => 1e5,
            (1, None) => 1e3,
            (0..=2, Some(_)) => f64::INFINITY,
            _ => 20.0,
        }
    }

    fn robust(&self, state: &State) -> f64 {
        state.residuals.iter().filter(|r| r.is_finite()).map(|&r| loss(r, Stage::Student)).sum()
    }

    /// H = 1 + Jᵀ W J and the gradient; the size of the fault has no prior of its own.
    pub(crate) fn normal(&self, state: &State, stage: Stage) -> (DMatrix<f64>, DVector<f64>) {
        let n = self.free.len();
        let mut gradient = DVector::zeros(n);
        let mut scaled = Vec::with_capacity(state.predictions.jacobian.len());
        for (row, derivatives) in state.predictions.jacobian.chunks_exact(n.max(1)).enumerate() {
            let residual = state.residuals[row];
            if !residual.is_finite() {
                continue;
            }
            let noise = self.noise_of(row);
            let r = residual / noise;
            let root = weight(r, stage).sqrt();
            let factor = root / (self.variances[row].sqrt() * noise);
            for (sum, derivative) in gradient.iter_mut().zip(derivatives) {
                *sum += derivative * factor * root * r;
            }
            scaled.extend(derivatives.iter().map(|derivative| derivative * factor));
        }
        let mut hessian = gram(n, &scaled);
        for c in (0..n).filter(|&c| Some(c) != self.size_column) {
            hessian[(c, c)] += 1.0;
            gradient[c] -= state.u[c];
        }
        (hessian, gradient)
    }

    fn newton(
        &self,
        u: &[f64],
        hessian: &DMatrix<f64>,
        gradient: &DVector<f64>,
        damping: f64,
    ) -> Option<(DVector<f64>, f64)> {
        let mut damped = hessian.clone();
        for c in 0..damped.nrows() {
            damped[(c, c)] *= 1.0 + damping;
        }
        if let Some(c) = self.size_column {
            damped[(c, c)] += 1e-9;
        }
        let mut step = Cholesky::new(damped)?.solve(gradient);
        let decrement = step.dot(gradient);
        // What is second order in the resistors must not be taken for a lead of kilohms.
        for (c, &quantity) in self.free.iter().enumerate() {
            if self.forward.layout.is_exponent(quantity) {
                let end = u[c] + step[c].clamp(-EXPONENT_STEP, EXPONENT_STEP);
                step[c] = end.clamp(-MOST_EXPONENT, MOST_EXPONENT) - u[c];
            }
        }
        if let Some(c) = self.size_column {
            let most = 2.0;
            if step[c].abs() > most {
                let shorter = most / step[c].abs();
                step *= shorter.max(0.2);
                step[c] = step[c].clamp(-most, most);
            }
        }
        Some((step, decrement))
    }

    /// The likeliest factor of a meter's own noise: where Σ e (w r²/n² − 1) is nothing, n the factor of a row's standard
    /// deviation and e = d ln n / d ln s.
    fn fitted_noise(&mut self, state: &State) -> f64 {
        let rows: Vec<usize> = (0..state.residuals.len())
            .filter(|&k| state.residuals[k].is_finite() && self.is_noisy(k))
            .collect();
        let (mut low, mut high) = (LEAST_NOISE.ln(), MOST_NOISE.ln());
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            self.noise = middle.exp();
            let score = |&row: &usize| {
                let r = state.residuals[row] / self.noise_of(row);
                self.leverage(row) * (weight(r, Stage::Student) * r * r - 1.0)
            };
            if rows.iter().map(score).sum::<f64>() > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        (0.5 * (low + high)).exp()
    }

    /// How much a row's standard deviation follows the factor of the noise, both in logarithms.
    pub(crate) fn leverage(&self, row: usize) -> f64 {
        self.own[row] * (self.noise / self.noise_of(row)).powi(2)
    }
}
