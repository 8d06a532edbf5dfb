//! Transients whose parameters are known, and the readings that a meter would give of them. Shares no line with the product.

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// One reading: 20 ms, a cycle of a 50 Hz line.
pub(crate) const READING_S: f64 = 0.02;

/// What falsifies readings besides white noise.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Disturbance {
    /// Corner of 1/f noise.
    pub(crate) corner_hz: f64,
    /// Probability of a spike of 10 to 100 standard deviations.
    pub(crate) spikes: f64,
    /// First readings that are off by volts.
    pub(crate) bounce: usize,
    /// Amplitude, frequency and phase of what is left of the mains.
    pub(crate) alias: (f64, f64, f64),
}

/// One transient towards the level 1, with the noise of its readings.
#[derive(Clone, Debug)]
pub(crate) struct Truth {
    /// Amplitudes and time constants.
    pub(crate) terms: Vec<(f64, f64)>,
    /// Amplitude, time and exponent of A (1 + t/tau)^-p.
    pub(crate) power: Option<(f64, f64, f64)>,
    pub(crate) drift_per_s: f64,
    /// Standard deviation of a reading of `READING_S`.
    pub(crate) white: f64,
    pub(crate) disturbance: Disturbance,
}

impl Truth {
    /// Mean of the transient over an interval.
    pub(crate) fn transient(&self, from: f64, to: f64) -> f64 {
        let exponentials: f64 = self
            .terms
            .iter()
            .map(|(a, tau)| a * tau / (to - from) * ((-from / tau).exp() - (-to / tau).exp()))
            .sum();
        let power = self.power.map_or(0.0, |(a, tau, p)| {
            let integral = |t: f64| tau / (1.0 - p) * (1.0 + t / tau).powf(1.0 - p);
            a * (integral(to) - integral(from)) / (to - from)
        });
        exponentials + power
    }

    pub(crate) fn time_constant(&self) -> f64 {
        self.power.map_or_else(|| self.terms[0].1, |(_, tau, _)| tau)
    }

    /// The level at a time: one, and what it drifts.
    pub(crate) fn level(&self, at: f64) -> f64 {
        1.0 + self.drift_per_s * at
    }

    /// The signal's step, as who reverses a current knows it.
    pub(crate) fn step(&self) -> f64 {
        self.terms.iter().map(|(a, _)| a).sum::<f64>() + self.power.map_or(0.0, |(a, ..)| a)
    }
}

pub(crate) fn log_uniform(random: &mut impl Rng, low: f64, high: f64) -> f64 {
    (low.ln() + (high / low).ln() * random.random::<f64>()).exp()
}

pub(crate) fn normal(random: &mut impl Rng) -> f64 {
    StandardNormal.sample(random)
}

/// Readings of a truth, one after the other.
pub(crate) struct Meter<'a> {
    truth: &'a Truth,
    random: ChaCha8Rng,
    flicker: Flicker,
    at: f64,
    count: usize,
}

/// 1/f noise as a sum of relaxations, three a decade, from 1 ms to 10 000 s. It goes on from leg to leg.
#[derive(Clone)]
pub(crate) struct Flicker {
    states: Vec<(f64, f64)>,
    strength: f64,
}

impl Flicker {
    pub(crate) fn new(random: &mut impl Rng, truth: &Truth) -> Self {
        let taus = (0..22).map(|k| 1e-3 * 10f64.powf(f64::from(k) / 3.0));
        // The density of a sum with equal variances v at spacing d in ln tau is v/(d f): one-sided, in the middle.
        let density = 2.0 * truth.white.powi(2) * READING_S * truth.disturbance.corner_hz;
        let strength = (density * (10f64.ln() / 3.0)).sqrt();
        let states =
            if strength > 0.0 { taus.map(|tau| (tau, normal(random))).collect() } else { Vec::new() };
        Self { states, strength }
    }

    fn next(&mut self, random: &mut impl Rng) -> f64 {
        let mut sum = 0.0;
        for (tau, state) in &mut self.states {
            let kept = (-READING_S / *tau).exp();
            *state = kept * *state + (1.0 - kept * kept).sqrt() * normal(random);
            // A reading averages what is faster than itself.
            let x = READING_S / *tau;
            let averaged = if x > 1e-3 { (2.0 / (x * x) * (x - 1.0 + (-x).exp())).sqrt() } else { 1.0 };
            sum += *state * averaged;
        }
        sum * self.strength
    }
}

impl<'a> Meter<'a> {
    pub(crate) fn new(truth: &'a Truth, seed: u64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let flicker = Flicker::new(&mut random, truth);
        Self { truth, random, flicker, at: 0.0, count: 0 }
    }

    /// The same, after a leg whose 1/f noise goes on.
    pub(crate) fn after(truth: &'a Truth, seed: u64, flicker: Flicker) -> Self {
        Self { flicker, ..Self::new(truth, seed) }
    }

    pub(crate) fn flicker(&self) -> Flicker {
        self.flicker.clone()
    }

    /// Seconds after the change.
    pub(crate) fn at(&self) -> f64 {
        self.at
    }

    /// Begin, duration and value of the next reading.
    pub(crate) fn read(&mut self) -> (f64, f64, f64) {
        let (truth, from) = (self.truth, self.at);
        let to = from + READING_S;
        let Disturbance { spikes, bounce, alias, .. } = truth.disturbance;
        let mut value = truth.level(0.5 * (from + to)) + truth.transient(from, to);
        value += truth.white * normal(&mut self.random) + self.flicker.next(&mut self.random);
        if spikes > 0.0 && self.random.random::<f64>() < spikes {
            let size = log_uniform(&mut self.random, 10.0, 100.0) * truth.white;
            value += if self.random.random::<bool>() { size } else { -size };
        }
        if self.count < bounce {
            value += 2.0 * self.random.random::<f64>() - 1.0;
        }
        if alias.0 > 0.0 {
            value += alias.0 * (std::f64::consts::TAU * alias.1 * 0.5 * (from + to) + alias.2).sin();
        }
        self.count += 1;
        self.at = to;
        (from, READING_S, value)
    }
}
