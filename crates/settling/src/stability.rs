//! Whether a slow quantity (a temperature, a field) has come to rest: not where it is near its target now, but where
//! what it did lately lets nothing else be expected of the time that a measurement needs. Knows no instrument and no
//! clock: values with their times in, a verdict out.
//!
//! A parabola is fitted to a window at least as long as the time wanted and as half a period of the approach, and is
//! followed half the time wanted into the future. It has to stay within the band of its present value, with its
//! uncertainty, at every sample for half the time wanted. A turning point has no slope but curvature, which the look
//! ahead sees; that the window holds half a period keeps an oscillation from passing for a parabola. What goes on
//! oscillating is judged by what whole periods reach instead. How well this does: docs/stability.md.

mod approach;
mod cycle;
mod parabola;
mod scatter;

use approach::Approach;
use parabola::Parabola;
use scatter::Scatter;
use std::collections::VecDeque;

/// One-sided 95 % of a normal distribution.
const ONE_SIDED: f64 = 1.645;

/// Points at which the parabola is looked at, from the beginning of the window to the end of the look ahead.
const LOOKS: usize = 13;

/// Fewest samples to which a parabola is fitted; ours.
const FEWEST: usize = 12;

/// Part of the band that the sensor's scatter alone may take; more, and the window becomes longer. Ours.
const FOR_SCATTER: f64 = 0.5;

/// How much longer than the rule asks for a window may become for the sensor's sake; ours.
const LONGEST: f64 = 20.0;

/// Parts of a window that are averaged to see what no parabola follows; ours.
const PARTS: f64 = 16.0;

/// Samples that are kept: hours at one a second.
const MEMORY: usize = 20_000;

/// What coming to rest means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// How far the quantity may move, and how far from its target it may be, in its unit.
    pub band: f64,
    /// For how long, in seconds.
    pub time: f64,
    /// Where it should be; `None` where any value will do.
    pub target: Option<f64>,
}

/// What is known of the sensor.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SensorFacts {
    /// Standard deviation of one reading, where it is known.
    pub sd: Option<f64>,
    /// Step of its digits, where it is known; 0 otherwise. No smaller change is seen between two readings.
    pub quantum: f64,
}

/// Why a quantity counts as being at rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evidence {
    /// Its value at the end of the window.
    pub value: f64,
    /// How fast it moves there, in its unit per second.
    pub drift: f64,
    /// Standard deviation of a reading about the fit.
    pub scatter: f64,
    /// The farthest that it is expected to get from its present value within the window and the time ahead, at 95 %.
    pub worst: f64,
    /// Period of its approach, in seconds; `None` where it was at rest from the beginning.
    pub period: Option<f64>,
    /// Length of the window, in seconds.
    pub window: f64,
}

/// What is known so far.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Verdict {
    /// It moves, or may move.
    GoOn,
    /// It is at rest.
    Stable(Evidence),
    /// This sensor cannot show it within a window of sensible length.
    TooNoisy {
        /// Standard deviation of a reading.
        scatter: f64,
        /// Length of a window with which it could, in seconds.
        window: f64,
    },
}

/// Watches one quantity from the moment at which it was told to move.
#[derive(Clone, Debug)]
pub struct Watch {
    wanted: Wanted,
    sensor: SensorFacts,
    samples: VecDeque<(f64, f64)>,
    scatter: Scatter,
    approach: Approach,
    held_since: Option<f64>,
    verdict: Verdict,
}

impl Watch {
    /// Begins to watch.
    pub fn new(wanted: Wanted, sensor: SensorFacts) -> Self {
        Self {
            wanted,
            sensor,
            samples: VecDeque::new(),
            scatter: Scatter::new(sensor),
            approach: Approach::new(wanted.time / 8.0),
            held_since: None,
            verdict: Verdict::GoOn,
        }
    }

    /// Takes in a reading; times in seconds from any beginning, rising. A reading that is no number, or not later than
    /// the one before it, is not heeded.
    pub fn push(&mut self, time: f64, value: f64) {
        let is_later = self.samples.back().is_none_or(|last| time > last.0);
        if !(is_later && time.is_finite() && value.is_finite()) {
            return;
        }
        if self.samples.len() == MEMORY {
            self.samples.pop_front();
        }
        self.samples.push_back((time, value));
        self.scatter.push(time, value);
        self.approach.push(time, value, self.scatter.sd());
        self.judge(time);
    }

    /// What is known after the last reading.
    pub fn verdict(&self) -> Verdict {
        self.verdict
    }

    fn judge(&mut self, now: f64) {
        let found = match self.window(now) {
            Err(too_noisy) => {
                self.held_since = None;
                self.verdict = too_noisy;
                return;
            }
            // What is seen to go on oscillating is no parabola, however flat it is where it turns.
            Ok(window) => match self.approach.oscillates() {
                Some(period) => self.cycles(now, period),
                None => self.at_rest(now, window),
            },
        };
        self.verdict = Verdict::GoOn;
        let Some(evidence) = found else {
            self.held_since = None;
            return;
        };
        let since = *self.held_since.get_or_insert(now);
        if now - since >= self.wanted.time / 2.0 {
            self.verdict = Verdict::Stable(evidence);
        }
    }

    /// How long a window is needed: for the time wanted, for half a period, and for the sensor.
    fn window(&self, now: f64) -> Result<f64, Verdict> {
        let Wanted { band, time, .. } = self.wanted;
        let least = time.max(self.approach.period().unwrap_or(0.0) / 2.0);
        let Some(first) = self.samples.front().filter(|_| self.samples.len() >= FEWEST) else {
            return Ok(least);
        };
        let cadence = (now - first.0) / (self.samples.len() - 1) as f64;
        let least = least.max(cadence * FEWEST as f64);
        let scatter = self.scatter.sd();
        let mut window = least;
        let readings = |window: f64| parabola::independent(window / cadence, scatter, self.scatter.floor());
        let of_end = |window: f64| scatter * parabola::of_noise(time / window, readings(window));
        while ONE_SIDED * of_end(window) > FOR_SCATTER * band {
            window *= 1.1;
            if window > 1e4 * least {
                break;
            }
        }
        if window > LONGEST * least { Err(Verdict::TooNoisy { scatter, window }) } else { Ok(window) }
    }

    /// By the parabola.
    fn at_rest(&self, now: f64, window: f64) -> Option<Evidence> {
        let Wanted { band, time, target } = self.wanted;
        let samples = self.last(now, window)?;
        if self.is_far_off(&samples) {
            return None;
        }
        let fit = Parabola::fit(&samples, self.scatter.floor())?;
        let end = 1.0 + time / window;
        let mut worst: f64 = 0.0;
        for k in 0..LOOKS {
            let v = -1.0 + (end + 1.0) * k as f64 / (LOOKS - 1) as f64;
            worst = worst.max(fit.moved(v, ONE_SIDED)).max(fit.off_mean(v, ONE_SIDED));
            let off_target = target.map_or(0.0, |target| fit.off(v, target, ONE_SIDED));
            if v >= 1.0 && off_target > band {
                return None;
            }
        }
        // The whole time ahead, by the slope alone: a parabola so far out is mostly noise.
        worst = worst.max(fit.drifted(1.0 + 2.0 * time / window, ONE_SIDED));
        let part =
            (window / PARTS).min(self.approach.period().map_or(f64::INFINITY, |period| period / PARTS));
        let seen = cycle::farthest(&samples, part, fit.mean());
        (worst <= band && seen <= band).then(|| Evidence {
            value: fit.at(1.0),
            drift: fit.slope_at_end() * 2.0 / window,
            scatter: fit.scatter(),
            worst,
            period: self.approach.period(),
            window,
        })
    }

    /// By whole periods, where it goes on oscillating.
    fn cycles(&self, now: f64, period: f64) -> Option<Evidence> {
        let Wanted { band, time, target } = self.wanted;
        let window = 2.0 * period * (time / period).ceil().max(1.0);
        let samples = self.last(now, window)?;
        if self.is_far_off(&samples) {
            return None;
        }
        let reach = cycle::reach(&samples, period / PARTS, time)?;
        let worst = reach.amplitude + reach.drifted;
        let off_target = target.map_or(0.0, |target| (reach.mean - target).abs() + worst);
        (worst <= band && off_target <= band).then_some(Evidence {
            value: reach.mean,
            drift: reach.drift,
            scatter: self.scatter.sd(),
            worst,
            period: Some(period),
            window,
        })
    }

    /// The samples of a window that ends now; `None` where it begins before the first of them, or holds too few.
    fn last(&self, now: f64, window: f64) -> Option<Vec<(f64, f64)>> {
        let begin = now - window;
        let first = self.samples.front()?;
        if first.0 > begin {
            return None;
        }
        let from = self.samples.partition_point(|sample| sample.0 < begin);
        (self.samples.len() - from >= FEWEST).then(|| self.samples.range(from..).copied().collect())
    }

    /// Whether the beginning of a window is so far from its end that nothing has to be fitted to see it.
    fn is_far_off(&self, samples: &[(f64, f64)]) -> bool {
        let quarter = samples.len() / 4;
        let mean = |part: &[(f64, f64)]| part.iter().map(|sample| sample.1).sum::<f64>() / part.len() as f64;
        let moved = (mean(&samples[..quarter]) - mean(&samples[samples.len() - quarter..])).abs();
        moved > 4.0 * self.wanted.band + 4.0 * self.sensor.quantum
    }
}
