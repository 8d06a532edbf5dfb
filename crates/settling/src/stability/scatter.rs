//! The scatter of a sensor, from its own readings and from what is known of it.

use super::SensorFacts;
use std::collections::VecDeque;

/// Second differences that are looked at: few, so that a fast approach is soon forgotten.
const RECENT: usize = 64;

/// Median of the magnitude of a normal variable of unit standard deviation.
const MEDIAN: f64 = 0.6745;

/// How much more than what is known of the sensor its scatter is believed to be: beyond, it is the quantity that moves.
const CREDIBLE: f64 = 3.0;

/// Standard deviation of one reading, by second differences: what is straight leaves no trace in them.
#[derive(Clone, Debug)]
pub(super) struct Scatter {
    sensor: SensorFacts,
    last: VecDeque<(f64, f64)>,
    differences: VecDeque<f64>,
    /// The smallest change between two readings: a step of the digits, where there are steps.
    step: f64,
    sd: f64,
}

impl Scatter {
    pub(super) fn new(sensor: SensorFacts) -> Self {
        let mut begun = Self {
            sensor,
            last: VecDeque::new(),
            differences: VecDeque::new(),
            step: f64::INFINITY,
            sd: sensor.sd.unwrap_or(0.0),
        };
        begun.sd = begun.sd.max(begun.floor());
        begun
    }

    pub(super) fn push(&mut self, time: f64, value: f64) {
        let change = self.last.back().map_or(0.0, |last| (value - last.1).abs());
        if change > 0.0 {
            self.step = self.step.min(change);
        }
        self.last.push_back((time, value));
        if self.last.len() < 3 {
            return;
        }
        let (a, b, c) = (self.last[0], self.last[1], self.last[2]);
        self.last.pop_front();
        let (of_a, of_c) = ((c.0 - b.0) / (c.0 - a.0), (b.0 - a.0) / (c.0 - a.0));
        let difference = b.1 - of_a * a.1 - of_c * c.1;
        if self.differences.len() == RECENT {
            self.differences.pop_front();
        }
        self.differences.push_back(difference.abs() / (1.0 + of_a * of_a + of_c * of_c).sqrt());
        self.sd = self.estimate();
    }

    /// The least scatter that readings in steps can have: that of a value anywhere within one step.
    pub(super) fn floor(&self) -> f64 {
        let seen = if self.step.is_finite() { self.step } else { 0.0 };
        self.sensor.quantum.max(seen) / 12f64.sqrt()
    }

    /// Standard deviation of one reading.
    pub(super) fn sd(&self) -> f64 {
        self.sd
    }

    fn estimate(&self) -> f64 {
        let mut sorted: Vec<f64> = self.differences.iter().copied().collect();
        let middle = sorted.len() / 2;
        let (_, median, _) = sorted.select_nth_unstable_by(middle, f64::total_cmp);
        let seen = *median / MEDIAN;
        let found = match self.sensor.sd {
            // Readings that are known to scatter do so even where a filter in the instrument hides it for a while.
            Some(known) => seen.clamp(known, CREDIBLE * known),
            None => seen,
        };
        found.max(self.floor())
    }
}
