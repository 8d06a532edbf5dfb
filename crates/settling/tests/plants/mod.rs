//! Plants for the checks of stability: what a controlled temperature does after its set point changed, what a sensor
//! makes of it, and whether a verdict came true. Knows nothing of how the verdict is found.
#![allow(dead_code, unreachable_pub)]

use quadrille_settling::stability::{Evidence, SensorFacts, Verdict, Wanted, Watch};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::PI;

/// Readings per second.
pub const RATE_HZ: f64 = 2.0;

/// The true temperature over time, in kelvins from the final set point.
#[derive(Clone, Copy, Debug, Default)]
pub struct Plant {
    /// How far it has to go.
    pub step: f64,
    /// Damping ratio of the two poles.
    pub damping: f64,
    /// Period of the damped oscillation, in seconds.
    pub period: f64,
    /// Part of the step that comes later, and its time constant in seconds.
    pub tail: (f64, f64),
    /// Where it ends.
    pub offset: f64,
    /// Amplitude and period of an oscillation that never ends.
    pub cycle: (f64, f64),
    /// What the base takes with it, in kelvins per second.
    pub drift: f64,
    /// Rate of the ramp by which the set point moves, in kelvins per second; a step where it is 0.
    pub ramp: f64,
}

impl Plant {
    /// True temperature at a time.
    pub fn at(&self, t: f64) -> f64 {
        let fast = if self.ramp > 0.0 { self.ramped(t) } else { self.step * self.two_poles(t) };
        let (part, slow) = self.tail;
        let late = if part > 0.0 { -part * self.step * (-t / slow).exp() } else { 0.0 };
        let (amplitude, period) = self.cycle;
        let cycle = if period > 0.0 { amplitude * (2.0 * PI * t / period).sin() } else { 0.0 };
        fast - self.step + late + self.offset + cycle + self.drift * t
    }

    /// Answer of two poles to a unit step.
    fn two_poles(&self, t: f64) -> f64 {
        let (wave, decay) = self.poles();
        1.0 - (-decay * t).exp() * ((wave * t).cos() + decay / wave * (wave * t).sin())
    }

    fn poles(&self) -> (f64, f64) {
        let wave = 2.0 * PI / self.period;
        (wave, wave * self.damping / (1.0 - self.damping * self.damping).sqrt())
    }

    /// Answer to a set point that goes by a ramp and stops: the integral of the answer to a step, less itself later.
    fn ramped(&self, t: f64) -> f64 {
        let (wave, decay) = self.poles();
        // Integral of two_poles from 0 to t.
        let integral = |t: f64| {
            if t <= 0.0 {
                return 0.0;
            }
            let square = decay * decay + wave * wave;
            let fall = (-decay * t).exp();
            let cosine = (decay + fall * (wave * (wave * t).sin() - decay * (wave * t).cos())) / square;
            let sine = (wave - fall * (decay * (wave * t).sin() + wave * (wave * t).cos())) / square;
            t - cosine - decay / wave * sine
        };
        let end = self.step.abs() / self.ramp;
        self.step.signum() * self.ramp * (integral(t) - integral(t - end))
    }

    /// One of the population of the measurement in docs/stability.md.
    pub fn draw(random: &mut ChaCha8Rng) -> Self {
        let sign = if random.random::<bool>() { 1.0 } else { -1.0 };
        let has_tail = random.random::<bool>();
        let tail = (log_uniform(random, 0.005, 0.03), log_uniform(random, 100.0, 1000.0));
        Self {
            step: sign * log_uniform(random, 2.0, 20.0),
            damping: random.random_range(0.25..0.9),
            period: log_uniform(random, 30.0, 300.0),
            tail: if has_tail { tail } else { (0.0, 0.0) },
            offset: 0.02,
            ..Self::default()
        }
    }
}

pub fn log_uniform(random: &mut ChaCha8Rng, least: f64, most: f64) -> f64 {
    random.random_range(least.ln()..most.ln()).exp()
}

/// What a thermometer makes of a temperature.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sensor {
    /// Standard deviation of one reading.
    pub sd: f64,
    /// Step of its digits, or 0.
    pub quantum: f64,
    /// Time constant of a filter in the instrument over which its noise hangs together, or 0, in seconds.
    pub filter_s: f64,
    /// Whether the watch is told the standard deviation.
    pub is_known: bool,
}

impl Sensor {
    pub fn facts(&self) -> SensorFacts {
        SensorFacts { sd: self.is_known.then_some(self.sd), quantum: self.quantum }
    }
}

/// How a watch of a plant ended.
#[derive(Clone, Copy, Debug)]
pub enum Ended {
    /// It was called stable at a time.
    Stable(f64, Evidence),
    /// The sensor was called too noisy.
    TooNoisy,
    /// Neither within the time.
    Never,
}

/// Watches a plant for so long.
pub fn watch(plant: &Plant, sensor: &Sensor, wanted: Wanted, longest: f64, random: &mut ChaCha8Rng) -> Ended {
    let mut watch = Watch::new(wanted, sensor.facts());
    let mut filtered: f64 = StandardNormal.sample(random);
    let keep = if sensor.filter_s > 0.0 { (-1.0 / (RATE_HZ * sensor.filter_s)).exp() } else { 0.0 };
    for k in 0..(longest * RATE_HZ) as usize {
        let t = k as f64 / RATE_HZ;
        let fresh: f64 = StandardNormal.sample(random);
        filtered = keep * filtered + (1.0 - keep * keep).sqrt() * fresh;
        let mut value = 300.0 + plant.at(t) + sensor.sd * filtered;
        if sensor.quantum > 0.0 {
            value = (value / sensor.quantum).round() * sensor.quantum;
        }
        watch.push(t, value);
        match watch.verdict() {
            Verdict::Stable(evidence) => return Ended::Stable(t, evidence),
            // The scatter is known after a while only.
            Verdict::TooNoisy { .. } if t > 0.5 * longest => return Ended::TooNoisy,
            _ => {}
        }
    }
    Ended::Never
}

/// The farthest that the true temperature gets from its mean over a window that ends at a time, in the time wanted after
/// it. An endless oscillation is taken about its own middle: it has no other mean that lasts.
pub fn excursion(plant: &Plant, at: f64, window: f64, ahead: f64) -> f64 {
    let still = Plant { cycle: (0.0, 0.0), ..*plant };
    let mean = (0..400).map(|k| still.at(at - window * (f64::from(k) + 0.5) / 400.0)).sum::<f64>() / 400.0;
    (0..=400).map(|k| (plant.at(at + ahead * f64::from(k) / 400.0) - mean).abs()).fold(0.0, f64::max)
}

/// The first moment from which it stays within the band for good, judged with the truth in hand: at each later moment
/// the time wanted after it stays near the mean of the time wanted before it.
pub fn clairvoyant(plant: &Plant, wanted: Wanted, longest: f64) -> f64 {
    let moments = (0..longest as usize).rev().map(|t| t as f64);
    let bad = moments
        .into_iter()
        .find(|&t| t <= wanted.time || coarse_excursion(plant, t, wanted.time) > wanted.band);
    bad.unwrap_or(0.0) + 1.0
}

fn coarse_excursion(plant: &Plant, at: f64, time: f64) -> f64 {
    let still = Plant { cycle: (0.0, 0.0), ..*plant };
    let mean = (0..20).map(|k| still.at(at - time * (f64::from(k) + 0.5) / 20.0)).sum::<f64>() / 20.0;
    (0..=20).map(|k| (plant.at(at + time * f64::from(k) / 20.0) - mean).abs()).fold(0.0, f64::max)
}

/// What became of a population.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    pub watched: usize,
    pub stable: usize,
    pub never: usize,
    pub too_noisy: usize,
    /// Left the band within the time wanted after the verdict.
    pub false_stable: usize,
    /// Left twice the band.
    pub far_out: usize,
    /// Seconds from the clairvoyant moment to the verdict.
    pub delays: Vec<f64>,
    /// Largest excursion over the band.
    pub worst: f64,
}

impl Tally {
    pub fn false_rate(&self) -> f64 {
        self.false_stable as f64 / self.stable.max(1) as f64
    }

    pub fn delay(&self, part: f64) -> f64 {
        let mut sorted = self.delays.clone();
        sorted.sort_by(f64::total_cmp);
        sorted[((sorted.len() - 1) as f64 * part) as usize]
    }

    fn add(&mut self, plant: &Plant, wanted: Wanted, longest: f64, ended: Ended) {
        self.watched += 1;
        match ended {
            Ended::Never => self.never += 1,
            Ended::TooNoisy => self.too_noisy += 1,
            Ended::Stable(at, evidence) => {
                let excursion = excursion(plant, at, evidence.window.min(at), wanted.time) / wanted.band;
                self.stable += 1;
                self.false_stable += usize::from(excursion > 1.0);
                self.far_out += usize::from(excursion > 2.0);
                self.worst = self.worst.max(excursion);
                self.delays.push(at - clairvoyant(plant, wanted, longest));
            }
        }
    }
}

/// Watches plants and sensors that a seed draws.
pub fn tally(
    seeds: std::ops::Range<u64>,
    wanted: Wanted,
    longest: f64,
    draw: impl Fn(&mut ChaCha8Rng) -> (Plant, Sensor),
) -> Tally {
    let mut tally = Tally::default();
    for seed in seeds {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let (plant, sensor) = draw(&mut random);
        let ended = watch(&plant, &sensor, wanted, longest, &mut random);
        tally.add(&plant, wanted, longest, ended);
    }
    tally
}
