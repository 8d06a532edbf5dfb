//! Blocks as equations: level, drift and exponentials of a dictionary, weighted by the noise. Holds sums that grow by a
//! block at a time. Knows no hypothesis.

use super::blocks::Block;
use super::shape::{dictionary, mean_of_exponential};
use super::{Noise, flicker};

/// Unknowns before the exponentials: level and drift.
pub(crate) const LEVEL: usize = 0;
pub(crate) const DRIFT: usize = 1;
pub(crate) const FIRST_EXPONENTIAL: usize = 2;

/// Slowest exponential by the longest wait.
const SLOWEST: f64 = 5.0;

/// Sums over the blocks of a leg.
#[derive(Clone, Debug)]
pub(crate) struct Bank {
    noise: Noise,
    /// Time constants of the exponentials.
    pub(crate) columns: Vec<f64>,
    blocks: Vec<Block>,
    rows: Vec<Vec<f64>>,
    /// Rows and values after multiplication with the inverse of the noise's Cholesky factor.
    white_rows: Vec<Vec<f64>>,
    white_values: Vec<f64>,
    /// The factor, a row for each block; kept only where there is 1/f noise, since it is diagonal without.
    factor: Vec<Vec<f64>>,
    /// Of the 1/f noise's covariance.
    level: f64,
    /// Sum of white rows with themselves, a square row by row, and with the values.
    pub(crate) gram: Vec<f64>,
    pub(crate) right: Vec<f64>,
    /// Subtracted from all values, so that rounding is that of the step and not of the level.
    pub(crate) origin: f64,
}

/// A window of the newest blocks: the mean of its readings.
#[derive(Clone, Debug)]
pub(crate) struct Window {
    pub(crate) from: f64,
    pub(crate) to: f64,
    /// Middle of the readings' time.
    pub(crate) at: f64,
    pub(crate) readings: u32,
    pub(crate) mean: f64,
    /// Mean of each exponential over the readings.
    pub(crate) exponentials: Vec<f64>,
    /// Variance from noise as specified.
    pub(crate) variance: f64,
}

impl Bank {
    /// For time constants from `shortest`, as far as the first reading can tell them apart, to some longest waits: what is
    /// slower than that is a level with a drift.
    pub(crate) fn new(noise: Noise, shortest: f64, first: &Block, longest_wait: f64) -> Self {
        let least = shortest.max(first.from / 20.0).max((first.to - first.from) / 40.0);
        let columns = dictionary(least, (SLOWEST * longest_wait).max(2.0 * least));
        let size = FIRST_EXPONENTIAL + columns.len();
        Self {
            noise,
            columns,
            blocks: Vec::new(),
            rows: Vec::new(),
            white_rows: Vec::new(),
            white_values: Vec::new(),
            factor: Vec::new(),
            level: flicker::level(20.0 * longest_wait),
            gram: vec![0.0; size * size],
            right: vec![0.0; size],
            origin: first.mean,
        }
    }

    pub(crate) fn size(&self) -> usize {
        self.right.len()
    }

    pub(crate) fn blocks(&self) -> &[Block] {
        &self.blocks
    }

    pub(crate) fn take(&mut self, block: Block) {
        let mut row = vec![1.0, 0.5 * (block.from + block.to)];
        row.extend(self.columns.iter().map(|tau| mean_of_exponential(*tau, block.from, block.to)));
        self.whiten(&block, &row);
        self.rows.push(row);
        self.blocks.push(block);
    }

    /// Sum of squares that remains, in units of the specified noise.
    pub(crate) fn remaining(&self, unknowns: &[f64]) -> f64 {
        let residuals =
            self.white_rows.iter().zip(&self.white_values).map(|(row, value)| value - dot(row, unknowns));
        residuals.map(|residual| residual * residual).sum()
    }

    /// The newest blocks that begin at `from` of the leg or later; at least one.
    pub(crate) fn window(&self, from: f64) -> Window {
        let begin = self.blocks.partition_point(|block| block.from < from).min(self.blocks.len() - 1);
        let blocks = &self.blocks[begin..];
        let measured: f64 = blocks.iter().map(|block| block.measured).sum();
        let mut exponentials = vec![0.0; self.columns.len()];
        let (mut mean, mut at) = (0.0, 0.0);
        for (block, row) in blocks.iter().zip(&self.rows[begin..]) {
            let share = block.measured / measured;
            mean += share * (block.mean - self.origin);
            at += share * row[DRIFT];
            for (sum, value) in exponentials.iter_mut().zip(&row[FIRST_EXPONENTIAL..]) {
                *sum += share * value;
            }
        }
        Window {
            from: blocks[0].from,
            to: blocks[blocks.len() - 1].to,
            at,
            readings: blocks.iter().map(|block| block.readings).sum(),
            mean: mean + self.origin,
            exponentials,
            variance: self.noise.variance(measured) + self.flicker_of(blocks, measured),
        }
    }

    /// Variance of a window's mean by 1/f noise, against the mean of the noise over the leg and the like.
    fn flicker_of(&self, blocks: &[Block], measured: f64) -> f64 {
        if self.noise.corner_hz == 0.0 {
            return 0.0;
        }
        let mut sum = 0.0;
        for (k, one) in blocks.iter().enumerate() {
            for (l, other) in blocks[..=k].iter().enumerate() {
                let twice = if l < k { 2.0 } else { 1.0 };
                let shares = one.measured * other.measured / (measured * measured);
                sum += twice * shares * flicker::covariance((one.from, one.to), (other.from, other.to));
            }
        }
        let leg = self.blocks[self.blocks.len() - 1].to - self.blocks[0].from;
        self.noise.flicker() * (sum + flicker::level(leg))
    }

    /// Adds a block's equation to the sums, free of what its noise has in common with earlier ones.
    fn whiten(&mut self, block: &Block, row: &[f64]) {
        let mut variance = self.noise.variance(block.measured);
        let mut white = row.to_vec();
        let mut value = block.mean - self.origin;
        if self.noise.corner_hz > 0.0 {
            let own = self.common(block, block);
            let mut factors: Vec<f64> = Vec::with_capacity(self.blocks.len() + 1);
            for (k, earlier) in self.blocks.iter().enumerate() {
                let known = &self.factor[k];
                let factor = (self.common(block, earlier) - dot(&known[..k], &factors)) / known[k];
                factors.push(factor);
                value -= factor * self.white_values[k];
                for (target, source) in white.iter_mut().zip(&self.white_rows[k]) {
                    *target -= factor * source;
                }
            }
            // What is left cannot be less than the white part; rounding could make it so.
            variance = (variance + own - dot(&factors, &factors)).max(variance);
            factors.push(variance.sqrt());
            self.factor.push(factors);
        }
        let scale = variance.sqrt().recip();
        white.iter_mut().for_each(|entry| *entry *= scale);
        self.add(white, value * scale);
    }

    fn common(&self, one: &Block, other: &Block) -> f64 {
        self.noise.flicker() * (flicker::covariance((one.from, one.to), (other.from, other.to)) + self.level)
    }

    fn add(&mut self, row: Vec<f64>, value: f64) {
        let size = self.size();
        for (i, left) in row.iter().enumerate() {
            for (sum, right) in self.gram[i * size..(i + 1) * size].iter_mut().zip(&row) {
                *sum += left * right;
            }
            self.right[i] += left * value;
        }
        self.white_rows.push(row);
        self.white_values.push(value);
    }
}

/// Sum of products, in four sums that do not wait for one another.
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let count = a.len().min(b.len());
    let (a, b) = (a[..count].chunks_exact(4), b[..count].chunks_exact(4));
    let rest: f64 = a.remainder().iter().zip(b.remainder()).map(|(x, y)| x * y).sum();
    let mut sums = [0.0; 4];
    for (x, y) in a.zip(b) {
        for k in 0..4 {
            sums[k] += x[k] * y[k];
        }
    }
    rest + (sums[0] + sums[1]) + (sums[2] + sums[3])
}
