//! The likeliest state of a bench under one fault, and the evidence for the fault: Gauss–Newton over everything that is
//! not exactly known, with the Laplace approximation at the optimum.
//!
//! y = f(u, θ) + e. u are the nuisances, standard normal beforehand; θ the size of the fault, uniform in its logarithm; e
//! is Student's t, so that one wild reading does not decide. ln p(y) ≈ −F − ½ ln det H + (terms of θ), F the negative
//! logarithm of likelihood times prior at the optimum, H = 1 + Jᵀ W J with J taken there. Resistors' tolerances enter
//! through J and are so correlated over all readings as they are in fact.

use crate::bench::BenchModel;
use crate::data::Data;
use crate::fault::{Fault, Noisy};
use crate::floating::{self, Floating};
use crate::forward::{Forward, NO_COLUMN, Point, Predictions};
use crate::gram::gram;
use crate::layout::Layout;
use crate::linear::bare;
use crate::standard::Standard;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Degrees of freedom of the readings' distribution. Ours: 3 is too forgiving, 10 hardly different from normal.
pub(crate) const FREEDOM: f64 = 4.0;

/// Newton decrement at which a fit has arrived: what is left to gain is half of it. A criterion on the length of the step
/// stops too early where noise is small against what is known beforehand.
const DECREMENT: f64 = 0.02;

const MOST_STEPS: usize = 40;

/// Nuisances that move all readings together by less than this many of their standard deviations are left out.
const INSIGNIFICANT: f64 = 0.05;

/// The same of those that act through an exponent of decades.
const INSIGNIFICANT_EXPONENT: f64 = 0.003;

/// Logarithm of the range over which the size of a leak or a limit may lie.
const SIZES: f64 = 16.0;

/// A fault at its optimum.
#[derive(Clone)]
pub(crate) struct Fit {
    pub(crate) fault: Fault,
    pub(crate) values: Vec<f64>,
    scales: Vec<f64>,
    columns: Vec<usize>,
    count: usize,
    /// ln p(y | fault).
    pub(crate) evidence: f64,
    /// F: negative logarithm of likelihood times prior.
    pub(crate) objective: f64,
    /// Σ r²/D + |u|², and how many rows it has.
    pub(crate) chi2: f64,
    pub(crate) rows: usize,
    /// Standardised residuals, corrected for what each row had its own way; not finite where a row was not used.
    pub(crate) left_out: Vec<f64>,
    /// Plain standardised residuals.
    pub(crate) residuals: Vec<f64>,
    /// Factor by which noise is larger than stated.
    pub(crate) noise: f64,
    cholesky: Cholesky<f64, Dyn>,
}

/// What a fit works on.
pub(crate) struct Problem<'a> {
    pub(crate) standard: &'a Standard,
    pub(crate) bench: &'a BenchModel,
    pub(crate) data: &'a Data,
}

/// How readings weigh.
#[derive(Clone, Copy, PartialEq)]
enum Stage {
    Gauss,
    Student,
}

struct State {
    u: Vec<f64>,
    values: Vec<f64>,
    predictions: Predictions,
    residuals: Vec<f64>,
    objective: f64,
}

struct Search<'f> {
    problem: &'f Problem<'f>,
    forward: Forward<'f>,
    scales: Vec<f64>,
    columns: Vec<usize>,
    free: Vec<usize>,
    variances: Vec<f64>,
    size_column: Option<usize>,
    noise: f64,
}

impl<'a> Problem<'a> {
    /// Fits one fault from the given values of all quantities. `bound` is the best objective so far: what cannot come near it is
    /// given up early.
    pub(crate) fn fit(&self, fault: Fault, start: &[f64], bound: f64) -> Fit {
        let layout = Layout::new(self.standard, self.bench);
        let forward = Forward { standard: self.standard, bench: self.bench, layout, fault };
        let scales = layout.scales(self.standard, self.bench, fault, self.data.source_range);
        let variances = self.variances(&forward, start);
        let mut search = Search {
            problem: self,
            forward,
            columns: vec![NO_COLUMN; scales.len()],
            free: Vec::new(),
            scales,
            variances,
            size_column: None,
            noise: 1.0,
        };
        let state = search.choose_free(start);
        let state = search.run(start, state, bound);
        search.finish(state)
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
            for (k, read) in bare(self, forward.fault, start).iter().enumerate().filter(|(_, r)| r.charging) {
                let commanded = self.data.settings[k].commanded.0;
                let known = CHARGING_PART.powi(2) * (read.amperes.powi(2) + (0.2 * commanded).powi(2));
                variances[2 * k + 1] += known;
            }
        }
        variances
    }
}

impl Search<'_> {
    /// Frees what moves the readings at all; the state at the start.
    fn choose_free(&mut self, start: &[f64]) -> State {
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

    fn noise_of(&self, row: usize) -> f64 {
        match (self.forward.fault, row % 2) {
            (Fault::Noisy(Noisy::Voltmeter), 1) | (Fault::Noisy(Noisy::Ammeter), 0) => 1.0,
            (Fault::Noisy(_), _) => self.noise,
            _ => 1.0,
        }
    }

    fn run(&mut self, start: &[f64], mut state: State, bound: f64) -> State {
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
    fn normal(&self, state: &State, stage: Stage) -> (DMatrix<f64>, DVector<f64>) {
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
                let room = |u: f64, du: f64| (u + du).clamp(-MOST_EXPONENT, MOST_EXPONENT) - u;
                step[c] = room(u[c], step[c].clamp(-EXPONENT_STEP, EXPONENT_STEP));
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

    /// The factor that makes the residuals as large as their distribution says.
    fn fitted_noise(&self, state: &State) -> f64 {
        let rows: Vec<f64> = state
            .residuals
            .iter()
            .enumerate()
            .filter(|(row, r)| {
                r.is_finite()
                    && match self.forward.fault {
                        Fault::Noisy(Noisy::Voltmeter) => row % 2 == 0,
                        Fault::Noisy(Noisy::Ammeter) => row % 2 == 1,
                        _ => true,
                    }
            })
            .map(|(_, r)| *r)
            .collect();
        let mut noise = self.noise;
        for _ in 0..30 {
            let sum: f64 = rows.iter().map(|r| weight(r / noise, Stage::Student) * r * r).sum();
            noise = (sum / rows.len().max(1) as f64).sqrt().clamp(LEAST_NOISE, MOST_NOISE);
        }
        noise
    }

    fn finish(self, state: State) -> Fit {
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
        let half_determinant: f64 = cholesky.l_dirty().diagonal().iter().map(|d| d.ln()).sum();
        let flags: f64 =
            state.predictions.readings.iter().enumerate().map(|(k, read)| data.flags(k, read)).sum();
        let used = |row: &usize| state.residuals[*row].is_finite();
        let widths: f64 = (0..data.y.len())
            .filter(|row| data.y[*row].is_finite())
            .map(|row| -(0.5 * self.variances[row].ln() + self.noise_of(row).ln()) + peak())
            .sum();
        let rows = (0..data.y.len()).filter(used).count();
        let noise = if matches!(self.forward.fault, Fault::Noisy(_)) {
            let curvature: f64 = (0..data.y.len())
                .filter(used)
                .filter(|&row| self.noise_of(row) != 1.0)
                .map(|row| {
                    let q = (state.residuals[row] / self.noise).powi(2) / FREEDOM;
                    2.0 * (FREEDOM + 1.0) * q / (1.0 + q).powi(2)
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
            left_out: Vec::new(),
            residuals,
            noise: self.noise,
            cholesky,
        };
        let spread: Vec<f64> = self.variances.iter().map(|v| v.sqrt()).collect();
        fit.left_out = fit.leave_out(&state.predictions, &spread);
        fit
    }
}

impl Fit {
    /// Residual of each row against a fit without it: r/√(1 − h) for rows of full weight, r/√(1 + h) for those that the fit
    /// disregards; h the variance of the prediction in units of the row's.
    fn leave_out(&self, predictions: &Predictions, spread: &[f64]) -> Vec<f64> {
        let n = self.count;
        (0..self.residuals.len())
            .map(|row| {
                let r = self.residuals[row];
                if !r.is_finite() {
                    return f64::NAN;
                }
                let derivatives = DVector::from_iterator(
                    n,
                    (0..n).map(|c| predictions.jacobian[row * n + c] / spread[row]),
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
        let forward = Forward { standard: problem.standard, bench: problem.bench, layout, fault: self.fault };
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
            let noise = self.noise.powi(2);
            let variances = [own[0] * noise + spread(2 * k), own[1] * noise + spread(2 * k + 1)];
            Predictive { read, variances }
        };
        (0..data.settings.len()).map(of).collect()
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

/// Part of the current into cables that are still being charged that is not known: their capacitance, the moment.
const CHARGING_PART: f64 = 0.1;

/// A fit that is worse by so much, in logarithms, is not followed further.
const HOPELESS: f64 = 150.0;

/// Resistances of leads, crosspoints and cables move by no more than so many standard deviations in a step, and in all.
const EXPONENT_STEP: f64 = 1.5;
const MOST_EXPONENT: f64 = 6.0;

/// A noise that is less than so many times what was stated is no fault; more than so many times is none either.
const LEAST_NOISE: f64 = 2.5;
const MOST_NOISE: f64 = 1e3;

fn loss(r: f64, stage: Stage) -> f64 {
    match stage {
        Stage::Gauss => 0.5 * r * r,
        Stage::Student => 0.5 * (FREEDOM + 1.0) * (r * r / FREEDOM).ln_1p(),
    }
}

fn weight(r: f64, stage: Stage) -> f64 {
    match stage {
        Stage::Gauss => 1.0,
        Stage::Student => (FREEDOM + 1.0) / (FREEDOM + r * r),
    }
}

/// Logarithm of Student's density at its peak: Γ(5/2) / (Γ(2) √(4 π)) = 3/8 for four degrees of freedom.
fn peak() -> f64 {
    0.375f64.ln()
}
