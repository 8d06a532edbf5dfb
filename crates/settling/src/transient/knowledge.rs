//! What is believed of a transient's shape: weights over hypotheses, before and between legs.

use super::Unusable;
use super::shape::{Main, Tail, amplitude, dictionary};
use serde::{Deserialize, Serialize};

/// Distance of the hypotheses' main time constants, in ln.
const GRID: f64 = 0.35;
/// How far around the estimate they go, in standard deviations of ln tau.
const SPAN: f64 = 2.6;
/// Kinds of tail and how much each is believed before any leg. Choices, not measurements: most benches absorb something
/// between 1e-4 and 1e-2; what is rarer has a weight that a few readings can overturn when they show it.
const TAILS: [(Tail, f64); 6] = [
    (Tail::Absorption { share: 3e-6, reach: 30.0 }, 0.10),
    (Tail::Absorption { share: 5e-5, reach: 30.0 }, 0.22),
    (Tail::Absorption { share: 5e-4, reach: 30.0 }, 0.32),
    (Tail::Absorption { share: 3e-3, reach: 30.0 }, 0.32),
    (Tail::Absorption { share: 3e-2, reach: 30.0 }, 0.03),
    (Tail::Power { exponent: 0.5 }, 0.01),
];
/// How much it is believed that there is one main exponential, or several. Where one is enough the readings say so.
const MAINS: [(Main, f64); 2] = [(Main::Single, 0.5), (Main::Several, 0.5)];
/// How much of the belief before the first leg stays, whatever is seen.
const KEPT: f64 = 0.03;
/// What a hypothesis takes from its neighbour between legs: the next configuration is not the same circuit.
const BLUR_TIME: f64 = 0.3;
const BLUR_TAIL: f64 = 0.1;

/// Weights over hypotheses, each a main time constant and a kind of tail.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Knowledge {
    time_constants: Vec<f64>,
    /// What comes first and what comes after; tails in order for each kind of beginning.
    shapes: Vec<(Main, Tail)>,
    /// For each time constant in turn, one for each shape.
    weights: Vec<f64>,
    original: Vec<f64>,
    legs: u32,
}

impl Knowledge {
    /// Before the first leg: the main time constant is about `tau_s` (R·C, say), within a factor of `factor` as one
    /// standard deviation, and not below `floor_s`, the filter of the meter or source.
    ///
    /// # Errors
    /// Unless the times are above zero (`floor_s` may be zero) and the factor is above 1.
    pub fn from_estimate(tau_s: f64, factor: f64, floor_s: f64) -> Result<Self, Unusable> {
        Unusable::unless(tau_s > 0.0 && tau_s.is_finite(), "time constant", tau_s, "above zero")?;
        Unusable::unless(factor > 1.0 && factor.is_finite(), "factor of the estimate", factor, "above 1")?;
        Unusable::unless(floor_s >= 0.0 && floor_s.is_finite(), "floor of time", floor_s, "zero or above")?;
        let (centre, sd) = (tau_s.max(floor_s).ln(), factor.ln());
        let steps = (SPAN * sd / GRID).ceil() as i32;
        let times = (-steps..=steps).map(|k| (f64::from(k) * GRID, (centre + f64::from(k) * GRID).exp()));
        let kept: Vec<(f64, f64)> = times.filter(|(_, tau)| *tau >= 0.999 * floor_s).collect();
        let weights = kept.iter().flat_map(|(away, _)| {
            let of_time = (-0.5 * (away / sd).powi(2)).exp();
            let shapes = MAINS.iter().flat_map(|(_, main)| TAILS.iter().map(move |(_, tail)| main * tail));
            shapes.map(move |of_shape| of_time * of_shape)
        });
        let weights = normalised(weights.collect());
        Ok(Self {
            time_constants: kept.iter().map(|(_, tau)| *tau).collect(),
            shapes: MAINS.iter().flat_map(|(main, _)| TAILS.iter().map(|(tail, _)| (*main, *tail))).collect(),
            original: weights.clone(),
            weights,
            legs: 0,
        })
    }

    /// What an audit leg that disagrees makes of it: tails twice as large that reach twice as far, and what the legs
    /// taught of tails is forgotten.
    #[must_use]
    pub fn widened(&self) -> Self {
        let wider = |(main, tail): &(Main, Tail)| match *tail {
            Tail::Absorption { share, reach } => {
                (*main, Tail::Absorption { share: 2.0 * share, reach: 2.0 * reach })
            }
            power @ Tail::Power { .. } => (*main, power),
        };
        let count = self.shapes.len();
        let sum = |weights: &[f64]| weights.iter().sum::<f64>();
        let weights = self.weights.chunks(count).zip(self.original.chunks(count)).flat_map(|(now, first)| {
            let factor = sum(now) / sum(first);
            first.iter().map(move |weight| factor * weight)
        });
        let weights = normalised(weights.collect());
        Self { shapes: self.shapes.iter().map(wider).collect(), weights, ..self.clone() }
    }

    /// Legs learnt from.
    pub fn legs(&self) -> u32 {
        self.legs
    }

    /// The main time constant, in seconds: geometric mean, and the factor that is one standard deviation.
    pub fn time_constant(&self) -> (f64, f64) {
        let by_time = self.time_constants.iter().zip(self.weights.chunks(self.shapes.len()));
        let (mut mean, mut square) = (0.0, 0.0);
        for (tau, weights) in by_time {
            let weight: f64 = weights.iter().sum();
            mean += weight * tau.ln();
            square += weight * tau.ln().powi(2);
        }
        (mean.exp(), (square - mean * mean).max(0.0).sqrt().exp())
    }

    /// Seconds after a step of 1 at which, with probability `quantile`, not more than `allowed` of it remains. For
    /// phases in which the dead time must be the same in every leg.
    ///
    /// # Errors
    /// Unless `allowed` and `quantile` are between 0 and 1.
    pub fn dead_time(&self, quantile: f64, allowed: f64) -> Result<f64, Unusable> {
        for (what, value) in [("quantile", quantile), ("allowed residual", allowed)] {
            Unusable::unless(value > 0.0 && value < 1.0, what, value, "between 0 and 1")?;
        }
        let columns = dictionary(self.shortest() / 2.0, 60.0 * self.longest());
        let shapes: Vec<(f64, Vec<f64>)> = self
            .hypotheses()
            .filter(|one| one.weight > 1e-9)
            .map(|one| {
                let variances = columns.iter().map(|tau| one.amplitude(*tau).powi(2));
                (one.weight, variances.collect())
            })
            .collect();
        let above = |seconds: f64| -> f64 {
            let remains: Vec<f64> = columns.iter().map(|tau| (-2.0 * seconds / tau).exp()).collect();
            let exceeds = |variances: &Vec<f64>| {
                let variance: f64 = variances.iter().zip(&remains).map(|(v, r)| v * r).sum();
                outside_normal(allowed / variance.sqrt().max(1e-300))
            };
            shapes.iter().map(|(weight, variances)| weight * exceeds(variances)).sum()
        };
        let (mut low, mut high) = (1e-3 * self.shortest(), 1e6 * self.longest());
        while high / low > 1.001 {
            let middle = (low * high).sqrt();
            if above(middle) > 1.0 - quantile { low = middle } else { high = middle }
        }
        Ok(high)
    }

    /// What a leg's posterior makes of it. Weights are blurred, since the next circuit is not quite the same, and a part of
    /// the first belief stays.
    pub(crate) fn after(&self, posterior: &[f64]) -> Self {
        let count = self.shapes.len();
        let mut blurred = vec![0.0; posterior.len()];
        for (m, weight) in posterior.iter().enumerate() {
            let (time, shape) = (m / count, m % count);
            for (next_time, of_time) in neighbours(time, self.time_constants.len(), BLUR_TIME) {
                for (next_shape, of_shape) in self.like(shape) {
                    blurred[next_time * count + next_shape] += weight * of_time * of_shape;
                }
            }
        }
        let kept = blurred.iter().zip(&self.original).map(|(now, first)| (1.0 - KEPT) * now + KEPT * first);
        Self { weights: normalised(kept.collect()), legs: self.legs + 1, ..self.clone() }
    }

    /// Shapes that a shape's weight goes to: absorptions next to it in size.
    fn like(&self, shape: usize) -> Vec<(usize, f64)> {
        let absorptions = TAILS.iter().filter(|(tail, _)| matches!(tail, Tail::Absorption { .. })).count();
        let (main, tail) = (shape / TAILS.len() * TAILS.len(), shape % TAILS.len());
        if tail >= absorptions {
            return vec![(shape, 1.0)];
        }
        neighbours(tail, absorptions, BLUR_TAIL).map(|(next, part)| (main + next, part)).collect()
    }

    pub(crate) fn hypotheses(&self) -> impl Iterator<Item = Hypothesis> + '_ {
        let count = self.shapes.len();
        self.weights.iter().enumerate().map(move |(m, weight)| Hypothesis {
            tau: self.time_constants[m / count],
            shape: self.shapes[m % count],
            weight: *weight,
        })
    }

    pub(crate) fn shortest(&self) -> f64 {
        self.time_constants[0]
    }

    pub(crate) fn longest(&self) -> f64 {
        self.time_constants[self.time_constants.len() - 1]
    }
}

/// One way in which the signal may settle.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Hypothesis {
    pub(crate) tau: f64,
    pub(crate) shape: (Main, Tail),
    pub(crate) weight: f64,
}

impl Hypothesis {
    /// Standard deviation of the amplitude of the exponential with time constant `column`, by the step.
    pub(crate) fn amplitude(&self, column: f64) -> f64 {
        amplitude((column / self.tau).ln(), self.shape.0, self.shape.1)
    }
}

fn normalised(mut weights: Vec<f64>) -> Vec<f64> {
    let sum: f64 = weights.iter().sum();
    weights.iter_mut().for_each(|weight| *weight /= sum);
    weights
}

/// Where a weight goes along one axis, and how much of it.
fn neighbours(at: usize, count: usize, blur: f64) -> impl Iterator<Item = (usize, f64)> {
    let inside = move |k: &(usize, f64)| k.0 < count;
    let all = [(at.wrapping_sub(1), blur), (at, 1.0), (at + 1, blur)].into_iter().filter(inside);
    let sum: f64 = all.clone().map(|(_, weight)| weight).sum();
    all.map(move |(k, weight)| (k, weight / sum))
}

/// Probability that a standard normal number is farther than `z` from zero. Abramowitz and Stegun 1964, 7.1.26 (error
/// below 1.5e-7).
fn outside_normal(z: f64) -> f64 {
    let x = z / std::f64::consts::SQRT_2;
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let series = [0.254_829_592, -0.284_496_736, 1.421_413_741, -1.453_152_027, 1.061_405_429];
    t * series.iter().rev().fold(0.0, |sum, c| sum * t + c) * (-x * x).exp()
}
