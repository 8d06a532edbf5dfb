//! What the blocks make of the hypotheses: linear Gaussian algebra, one Cholesky factor for each hypothesis.

use super::bank::{Bank, DRIFT, FIRST_EXPONENTIAL, LEVEL, dot};
use super::knowledge::Knowledge;

/// Hypotheses with less than this are left out of means.
const NEGLIGIBLE: f64 = 1e-4;
/// Exponentials whose amplitude is expected to be below this part of the allowed bias are left out.
const INVISIBLE: f64 = 0.1;
/// The level is free: its prior standard deviation, by the step.
const LEVEL_FREE: f64 = 1e3;

/// How large the unknowns of one hypothesis may be.
#[derive(Clone, Debug)]
pub(crate) struct Prior {
    log_weight: f64,
    ln_tau: f64,
    /// Unknowns that it has, in the order of the bank, and their standard deviations.
    active: Vec<usize>,
    deviations: Vec<f64>,
}

/// Sizes in the signal's unit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Scales {
    pub(crate) step: f64,
    pub(crate) bias: f64,
    pub(crate) drift_per_s: f64,
}

/// One for each hypothesis of the knowledge.
pub(crate) fn priors(knowledge: &Knowledge, columns: &[f64], scales: Scales) -> Vec<Prior> {
    let of = |hypothesis: super::knowledge::Hypothesis| {
        let mut active = vec![LEVEL];
        let mut deviations = vec![LEVEL_FREE * scales.step];
        if scales.drift_per_s > 0.0 {
            active.push(DRIFT);
            deviations.push(scales.drift_per_s);
        }
        // Faster than the dictionary goes is as fast as it goes.
        let hypothesis = super::knowledge::Hypothesis { tau: hypothesis.tau.max(columns[0]), ..hypothesis };
        for (j, column) in columns.iter().enumerate() {
            let deviation = scales.step * hypothesis.amplitude(*column);
            if deviation > INVISIBLE * scales.bias {
                active.push(FIRST_EXPONENTIAL + j);
                deviations.push(deviation);
            }
        }
        Prior { log_weight: hypothesis.weight.ln(), ln_tau: hypothesis.tau.ln(), active, deviations }
    };
    knowledge.hypotheses().map(of).collect()
}

/// Mean and standard deviation.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Spread {
    pub(crate) mean: f64,
    pub(crate) deviation: f64,
}

/// The signal without its transient, at some time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Level {
    pub(crate) value: f64,
    /// Variance from the readings' noise.
    pub(crate) noise: f64,
    /// Variance from what the readings leave open.
    pub(crate) open: f64,
}

/// Weights and unknowns after the blocks.
#[derive(Clone, Debug)]
pub(crate) struct Posterior {
    /// One for each hypothesis.
    pub(crate) weights: Vec<f64>,
    /// Chi-squared by degrees of freedom of the likeliest, for the noise as it was taken.
    pub(crate) misfit: f64,
    pub(crate) ln_tau: f64,
    origin: f64,
    kept: Vec<(f64, Solved)>,
}

impl Posterior {
    /// For noise of `ratio` times the specified variance, over those hypotheses that `alive` holds for.
    pub(crate) fn of(bank: &Bank, priors: &[Prior], ratio: f64, alive: impl Fn(usize) -> bool) -> Self {
        let solve = |(m, prior): (usize, &Prior)| (m, Solved::of(bank, prior, ratio));
        let solved: Vec<(usize, Solved)> =
            priors.iter().enumerate().filter(|(m, _)| alive(*m)).map(solve).collect();
        let most = solved.iter().map(|(_, one)| one.log_weight).fold(f64::NEG_INFINITY, f64::max);
        let mut weights = vec![0.0; priors.len()];
        for (m, one) in &solved {
            weights[*m] = (one.log_weight - most).exp();
        }
        let sum: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|weight| *weight /= sum);
        let ln_tau = weights.iter().zip(priors).map(|(weight, prior)| weight * prior.ln_tau).sum();
        let best = solved.iter().find(|(_, one)| one.log_weight == most);
        let remaining = best.map_or(0.0, |(_, one)| bank.remaining(&one.unknowns(bank.size())));
        let misfit = remaining / ratio / freedom(bank);
        let weighed = solved.into_iter().map(|(m, one)| (weights[m], one));
        let kept = weighed.filter(|(weight, _)| *weight > NEGLIGIBLE).collect();
        Self { weights, misfit, ln_tau, origin: bank.origin, kept }
    }

    /// What of the transient is in a reading, or a mean of readings, in which exponentials of amplitude one are so large.
    pub(crate) fn bias(&self, exponentials: &[f64]) -> Spread {
        let seen = self.kept.iter().map(|(weight, solved)| {
            let c = solved.select(|unknown| match unknown.checked_sub(FIRST_EXPONENTIAL) {
                Some(j) => exponentials[j],
                None => 0.0,
            });
            let (mean, variance, _) = solved.project(&c);
            (*weight, mean, variance)
        });
        let (mean, within, between) = mixture(seen.collect());
        Spread { mean, deviation: (within + between).sqrt() }
    }

    /// The end of the transient, for the time `at`.
    pub(crate) fn level(&self, at: f64) -> Level {
        let seen: Vec<(f64, f64, f64, f64)> = self
            .kept
            .iter()
            .map(|(weight, solved)| {
                let e = solved.select(|unknown| match unknown {
                    LEVEL => 1.0,
                    DRIFT => at,
                    _ => 0.0,
                });
                let (mean, variance, open) = solved.project(&e);
                (*weight, mean, variance, open)
            })
            .collect();
        let (value, within, between) = mixture(seen.iter().map(|one| (one.0, one.1, one.2)).collect());
        let (_, open, _) = mixture(seen.iter().map(|one| (one.0, one.1, one.3)).collect());
        Level { value: value + self.origin, noise: (within - open).max(0.0), open: open + between }
    }
}

/// Mean of a mixture of (weight, mean, variance), and the variance within and between its parts.
fn mixture(parts: Vec<(f64, f64, f64)>) -> (f64, f64, f64) {
    let sum: f64 = parts.iter().map(|(weight, _, _)| weight).sum();
    let mean = parts.iter().map(|(weight, mean, _)| weight * mean).sum::<f64>() / sum;
    let within = parts.iter().map(|(weight, _, variance)| weight * variance).sum::<f64>() / sum;
    let between = parts.iter().map(|(weight, one, _)| weight * (one - mean).powi(2)).sum::<f64>() / sum;
    (mean, within, between)
}

/// Blocks less what a level and one exponential take.
pub(crate) fn freedom(bank: &Bank) -> f64 {
    (bank.blocks().len() as f64 - 4.0).max(3.0)
}

/// One hypothesis' unknowns, each by its prior standard deviation: their precision is one, plus what the blocks add.
#[derive(Clone, Debug)]
struct Solved {
    log_weight: f64,
    active: Vec<usize>,
    deviations: Vec<f64>,
    /// Upper Cholesky factor of the precision, row by row.
    factor: Vec<f64>,
    /// Posterior means.
    means: Vec<f64>,
}

impl Solved {
    fn of(bank: &Bank, prior: &Prior, ratio: f64) -> Self {
        let (n, size) = (prior.active.len(), bank.size());
        let mut factor = vec![0.0; n * n];
        let mut right = vec![0.0; n];
        for (i, (row, outer)) in prior.active.iter().zip(&prior.deviations).enumerate() {
            let gram = &bank.gram[row * size..(row + 1) * size];
            let scale = outer / ratio;
            for j in i..n {
                factor[i * n + j] = gram[prior.active[j]] * prior.deviations[j] * scale;
            }
            factor[i * n + i] += 1.0;
            right[i] = bank.right[*row] * outer / ratio;
        }
        let log_determinant = cholesky(&mut factor, n);
        let half = forward(&factor, &right);
        let log_weight = prior.log_weight - 0.5 * log_determinant + 0.5 * dot(&half, &half);
        let means = backward(&factor, &half);
        Self { log_weight, active: prior.active.clone(), deviations: prior.deviations.clone(), factor, means }
    }

    /// The unknowns in the order and unit of the bank.
    fn unknowns(&self, size: usize) -> Vec<f64> {
        let mut all = vec![0.0; size];
        for ((unknown, mean), deviation) in self.active.iter().zip(&self.means).zip(&self.deviations) {
            all[*unknown] = mean * deviation;
        }
        all
    }

    /// A linear form of the unknowns, by prior standard deviations.
    fn select(&self, form: impl Fn(usize) -> f64) -> Vec<f64> {
        self.active
            .iter()
            .zip(&self.deviations)
            .map(|(unknown, deviation)| form(*unknown) * deviation)
            .collect()
    }

    /// Mean and variance of a linear form, and the part of the variance that is the prior's and not the noise's.
    fn project(&self, form: &[f64]) -> (f64, f64, f64) {
        let half = forward(&self.factor, form);
        let whole = backward(&self.factor, &half);
        (dot(form, &self.means), dot(&half, &half), dot(&whole, &whole))
    }
}

/// Factorises a symmetric matrix A = UᵀU (its upper half, row by row) in place; gives the logarithm of its determinant. The
/// matrix is one plus a square, so that no pivot is below one but by rounding. Rows are taken from rows below them, since
/// that is quicker than sums of products.
fn cholesky(a: &mut [f64], n: usize) -> f64 {
    let mut log_determinant = 0.0;
    for j in 0..n {
        let (done, below) = a.split_at_mut((j + 1) * n);
        let row = &mut done[j * n..];
        let pivot = row[j].max(1.0);
        log_determinant += pivot.ln();
        let scale = pivot.sqrt().recip();
        row[j] = pivot.sqrt();
        row[j + 1..].iter_mut().for_each(|entry| *entry *= scale);
        for (k, target) in below.chunks_exact_mut(n).enumerate() {
            let i = j + 1 + k;
            subtract(&mut target[i..], row[i], &row[i..]);
        }
    }
    log_determinant
}

/// Solves Uᵀx = right.
fn forward(factor: &[f64], right: &[f64]) -> Vec<f64> {
    let n = right.len();
    let mut solution = right.to_vec();
    for i in 0..n {
        let row = &factor[i * n..(i + 1) * n];
        solution[i] /= row[i];
        let known = solution[i];
        subtract(&mut solution[i + 1..], known, &row[i + 1..]);
    }
    solution
}

/// Solves Ux = right.
fn backward(factor: &[f64], right: &[f64]) -> Vec<f64> {
    let n = right.len();
    let mut solution = right.to_vec();
    for i in (0..n).rev() {
        let row = &factor[i * n..(i + 1) * n];
        solution[i] = (solution[i] - dot(&row[i + 1..], &solution[i + 1..])) / row[i];
    }
    solution
}

fn subtract(target: &mut [f64], times: f64, row: &[f64]) {
    for (entry, other) in target.iter_mut().zip(row) {
        *entry -= times * other;
    }
}
