//! What the simulated bench has no words for, added to what its voltmeter shows: relays that bounce, spikes, a transient
//! that follows a power law. Knows when the current was changed and by how much, and nothing of what is measured.

use crate::regime::{Class, Draw};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tokio::time::Instant;

/// Part of the readings that are spikes, and their size in standard deviations of a reading.
const SPIKES: f64 = 0.01;
const SPIKE: (f64, f64) = (10.0, 100.0);

/// A reading that begins sooner after a change is off, in seconds: one or two of 20 ms.
const BOUNCES_S: f64 = 0.025;

/// A power law: part of the step, and exponent.
const POWER: (f64, f64) = (5e-3, 0.7);

/// Follows the changes of one bench.
pub(crate) struct Disturber {
    class: Class,
    volt: f64,
    noise: f64,
    tau_s: f64,
    rng: ChaCha8Rng,
    level: f64,
    on: bool,
    /// Changes of the current since the output was last off, in parts of the current.
    changes: Vec<(Instant, f64)>,
    ampere: f64,
}

impl Disturber {
    pub(crate) fn new(draw: &Draw) -> Self {
        let (ampere, rng) = (draw.regime.ampere, ChaCha8Rng::seed_from_u64(draw.seed));
        let (class, volt, noise, tau_s) = (draw.class, draw.volt(), draw.noise, draw.tau_s);
        Self { class, volt, noise, tau_s, rng, level: 0.0, on: false, changes: Vec::new(), ampere }
    }

    pub(crate) fn level(&mut self, ampere: f64) {
        if self.on {
            self.changes.push((Instant::now(), (ampere - self.level) / self.ampere));
        }
        self.level = ampere;
    }

    pub(crate) fn output(&mut self, on: bool) {
        self.changes.clear();
        self.on = on;
        if on {
            self.changes.push((Instant::now(), self.level / self.ampere));
        }
    }

    /// What is added to a reading over `[from, to]` of the noisy bench and of the quiet one, in volts.
    pub(crate) fn add(&mut self, from: Instant, to: Instant) -> [f64; 2] {
        match self.class {
            Class::Spikes if self.rng.random_range(0.0..1.0) < SPIKES => {
                let size = self.rng.random_range(SPIKE.0..SPIKE.1) * self.noise * self.volt;
                [if self.rng.random_range(0.0..1.0) < 0.5 { size } else { -size }, 0.0]
            }
            Class::Bounce => {
                let since = self.changes.last().map_or(f64::INFINITY, |(at, _)| (from - *at).as_secs_f64());
                [
                    if since < BOUNCES_S { 0.5 * self.volt * self.rng.random_range(-1.0..1.0) } else { 0.0 },
                    0.0,
                ]
            }
            Class::Power => {
                let middle = from + (to - from) / 2;
                let left = |(at, step): &(Instant, f64)| {
                    let since = middle.saturating_duration_since(*at).as_secs_f64();
                    -POWER.0 * step * self.volt * (1.0 + since / self.tau_s).powf(-POWER.1)
                };
                let left = self.changes.iter().map(left).sum();
                [left, left]
            }
            _ => [0.0; 2],
        }
    }
}
