//! The way back: from conductances at zero field to a disc whose arcs have them.

use super::{EdgeArcs, integrals::Exponents};
use crate::NetworkError;
use faer::{Mat, linalg::solvers::SolveLstsq};
use std::f64::consts::TAU;

/// Relative to the larger of the two: more than this between Y_kj and Y_jk is no rounding.
const ASYMMETRY: f64 = 1e-6;
/// A step of the logits below which the next one, the square of it, does not matter.
const SMALL_STEP: f64 = 1e-8;
/// No step changes a ratio of lengths by more than the exponential of this.
const LARGEST_STEP: f64 = 3.0;
const STEPS: usize = 100;
/// Half the step of the central differences: their error is the square of it, their noise 1e-16 over it.
const DIFFERENCE: f64 = 1e-5;

impl EdgeArcs {
    /// A disc that has the symmetric admittances `admittance` (rows of Y at zero field in units of 1/R_s, three contacts
    /// at least), and the largest relative deviation among its conductances.
    ///
    /// n contacts have 2n − 3 numbers and n(n − 1)/2 conductances: from four contacts on a deviation says how far the
    /// sample is from one uniform sheet of this R_s with contacts on its edge. Logarithms of conductances are fitted,
    /// least squares, by Gauss-Newton steps. Only −Y_kj of different contacts are read.
    pub fn fit(admittance: &[Vec<f64>]) -> Result<(Self, f64), NetworkError> {
        let target = logarithms(admittance)?;
        let count = admittance.len();
        let mut logits = vec![0.0; 2 * count - 3];
        let mut misfit = misfit_of(&logits, count, &target);
        for _ in 0..STEPS {
            let step = gauss_newton(&logits, count, &misfit);
            let size = largest(&step);
            let Some(better) = shortened(&logits, &step, |logits| misfit_of(logits, count, &target), &misfit)
            else {
                break;
            };
            (logits, misfit) = better;
            if size < SMALL_STEP {
                return Ok((disc(&logits, count), largest(&misfit).exp_m1()));
            }
        }
        Err(NetworkError::NoSuchSheet { residual: largest(&misfit).exp_m1() })
    }
}

/// ln(−Y_kj) of all pairs k < j, after a check that there is something to fit.
fn logarithms(admittance: &[Vec<f64>]) -> Result<Vec<f64>, NetworkError> {
    let count = admittance.len();
    if count < 3 {
        let quantity = "a matrix of admittances to be fitted";
        return Err(NetworkError::OutOfRange {
            quantity,
            value: count as f64,
            range: "of three contacts at least",
        });
    }
    for row in admittance {
        if row.len() != count {
            let quantity = "a row of admittances";
            return Err(NetworkError::WrongLength { quantity, given: row.len(), wanted: count });
        }
    }
    let mut logarithms = Vec::with_capacity(count * (count - 1) / 2);
    for (k, j) in (0..count).flat_map(|k| (k + 1..count).map(move |j| (k, j))) {
        let (one, other) = (-admittance[k][j], -admittance[j][k]);
        for value in [one, other] {
            if !(value > 0.0 && value.is_finite()) {
                let quantity = "conductance between two contacts at zero field";
                return Err(NetworkError::OutOfRange { quantity, value, range: "above zero and finite" });
            }
        }
        let asymmetry = (one - other).abs() / one.max(other);
        if asymmetry > ASYMMETRY {
            let quantity = "relative difference of Y_kj and Y_jk at zero field";
            return Err(NetworkError::OutOfRange { quantity, value: asymmetry, range: "1e-6 or less" });
        }
        logarithms.push(((one + other) / 2.0).ln());
    }
    Ok(logarithms)
}

/// The starts of contacts 1, 2 and 3 are thirds of a turn apart, which a Möbius map can always attain. Between them,
/// each length is in proportion to the exponential of its logit, the last one's being zero.
fn disc(logits: &[f64], count: usize) -> EdgeArcs {
    let mut lengths = Vec::with_capacity(2 * count);
    let (first, rest) = logits.split_at(1);
    let (second, third) = rest.split_at(1);
    for logits in [first, second, third] {
        let top = logits.iter().copied().fold(0.0, f64::max);
        let share = |logit: &f64| (logit - top).exp();
        let total: f64 = logits.iter().map(share).sum::<f64>() + share(&0.0);
        lengths.extend(logits.iter().chain(&[0.0]).map(|logit| TAU / 3.0 * share(logit) / total));
    }
    EdgeArcs::from_lengths(lengths)
}

/// ln(conductances of the disc) − target. A conductance that rounding leaves without a logarithm makes the misfit
/// infinite or not a number, and no step goes there.
fn misfit_of(logits: &[f64], count: usize, target: &[f64]) -> Vec<f64> {
    let (rows, _) = disc(logits, count).admittance(Exponents::new(0.0));
    let pairs = (0..count).flat_map(|k| (k + 1..count).map(move |j| (k, j)));
    pairs.zip(target).map(|((k, j), target)| (-(rows[k][j] + rows[j][k]) / 2.0).ln() - target).collect()
}

/// The step that would end the misfit if it were linear in the logits, in the sense of least squares.
fn gauss_newton(logits: &[f64], count: usize, misfit: &[f64]) -> Vec<f64> {
    let zero = vec![0.0; misfit.len()];
    let beside = |m: usize, by: f64| {
        let mut moved = logits.to_vec();
        moved[m] += by;
        misfit_of(&moved, count, &zero)
    };
    let columns: Vec<Vec<f64>> = (0..logits.len())
        .map(|m| {
            let (up, down) = (beside(m, DIFFERENCE), beside(m, -DIFFERENCE));
            up.iter().zip(down).map(|(up, down)| (up - down) / (2.0 * DIFFERENCE)).collect()
        })
        .collect();
    let jacobian = Mat::from_fn(misfit.len(), logits.len(), |i, m| columns[m][i]);
    let solved = jacobian.col_piv_qr().solve_lstsq(Mat::from_fn(misfit.len(), 1, |i, _| -misfit[i]));
    let step: Vec<f64> = (0..logits.len()).map(|m| solved[(m, 0)]).collect();
    let shorter = (LARGEST_STEP / largest(&step)).min(1.0);
    step.iter().map(|x| x * shorter).collect()
}

/// The step, halved until the misfit is not worse: new logits and misfit. Rounding may make a misfit worse that is at
/// its best, which is no reason to halve.
fn shortened(
    logits: &[f64],
    step: &[f64],
    misfit_of: impl Fn(&[f64]) -> Vec<f64>,
    now: &[f64],
) -> Option<(Vec<f64>, Vec<f64>)> {
    let squares = |misfit: &[f64]| misfit.iter().map(|x| x * x).sum::<f64>();
    let floor = 1e-24;
    (0..30).map(|halvings| 0.5_f64.powi(halvings)).find_map(|part| {
        let logits: Vec<f64> = logits.iter().zip(step).map(|(x, dx)| x + part * dx).collect();
        let misfit = misfit_of(&logits);
        let accepted = squares(&misfit) <= squares(now) * (1.0 + 1e-9) + floor;
        accepted.then_some((logits, misfit))
    })
}

fn largest(values: &[f64]) -> f64 {
    values.iter().fold(0.0, |largest, value| value.abs().max(largest))
}
