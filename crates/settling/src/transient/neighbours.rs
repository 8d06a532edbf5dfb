//! Readings beside their neighbours: which are spikes, and how large the noise is. Knows no hypothesis.

use super::Noise;
use std::collections::VecDeque;

/// A reading that is farther than this many standard deviations from the median of five is a spike.
const SPIKE: f64 = 5.0;
/// A second difference is suspicious above this many times the limit: the root of 6, by which noise makes it larger.
const STRAIGHT: f64 = 2.45;
/// Readings whose second differences the noise is estimated from.
const RECENT: usize = 400;
/// How often that is done anew for the spikes' limit, in readings.
const ANEW: u32 = 32;
/// Weight of the specification in the noise, in degrees of freedom.
const SPECIFIED: f64 = 6.0;
/// The estimate from the readings counts as at most this many times the specified noise.
const MOST_NOISE: f64 = 3.0;
/// A gap longer than this many times the readings' distance parts them.
const GAP: f64 = 2.5;
/// Median of a normal variable's size, by its standard deviation, is the inverse of this.
const TO_DEVIATION: f64 = 1.4826;

/// One reading: the mean of the signal over an interval.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample {
    pub(crate) from: f64,
    pub(crate) to: f64,
    pub(crate) value: f64,
}

impl Sample {
    pub(crate) fn duration(&self) -> f64 {
        self.to - self.from
    }

    /// Whether `next` is of the same aperture and follows at once.
    pub(crate) fn continues_in(&self, next: &Self) -> bool {
        let same = (self.duration() - next.duration()).abs() < 0.01 * self.duration();
        same && next.to - self.to < GAP * self.duration().max(next.duration())
    }
}

/// The last readings of a leg, with what is suspected of them.
#[derive(Clone, Debug)]
pub(crate) struct Neighbours {
    noise: Noise,
    /// The last three that were accepted.
    accepted: VecDeque<Sample>,
    /// From the first that is suspected to be a spike.
    pending: VecDeque<Sample>,
    /// Sizes of second differences, by what the specification makes their standard deviation.
    differences: VecDeque<f64>,
    count: u32,
    deviation: f64,
    pub(crate) spikes: u32,
}

impl Neighbours {
    pub(crate) fn new(noise: Noise) -> Self {
        Self {
            noise,
            accepted: VecDeque::new(),
            pending: VecDeque::new(),
            differences: VecDeque::new(),
            count: 0,
            deviation: 1.0,
            spikes: 0,
        }
    }

    /// Takes a reading in and gives those that are now known not to be spikes. One that lies beyond its predecessors waits for
    /// the next two, so that the median of five is its own: a signal that moves steadily is its own median.
    pub(crate) fn sift(&mut self, sample: Sample) -> Vec<Sample> {
        self.pending.push_back(sample);
        let mut passed = Vec::new();
        while let Some(spike) = self.is_spike() {
            let Some(sample) = self.pending.pop_front() else { break };
            if spike {
                self.spikes += 1;
            } else {
                self.accept(sample);
                passed.push(sample);
            }
        }
        passed
    }

    /// Variance of the noise by that of the specification: both together, never the readings alone.
    pub(crate) fn noise_ratio(&self) -> f64 {
        let count = self.differences.len();
        if count == 0 {
            return 1.0;
        }
        let mut sizes: Vec<f64> = self.differences.iter().copied().collect();
        let (_, median, _) = sizes.select_nth_unstable_by(count / 2, f64::total_cmp);
        let seen = (TO_DEVIATION * *median).min(MOST_NOISE);
        // Second differences overlap, and a median is worth less than a mean of squares.
        let freedom = count as f64 / 4.0;
        (SPECIFIED + freedom * seen * seen) / (SPECIFIED + freedom)
    }

    /// Whether the first that is pending is a spike; none if that cannot be said yet.
    fn is_spike(&self) -> Option<bool> {
        let here = self.pending.front()?;
        let n = self.accepted.len();
        if n < 2 {
            return Some(false);
        }
        let (before, last) = (self.accepted[n - 2].value, self.accepted[n - 1].value);
        let limit = SPIKE * self.deviation * self.noise.variance(here.duration()).sqrt();
        let (turn, before_it) = (here.value - last, last - before);
        let straight = (turn - before_it).abs() <= STRAIGHT * limit;
        if turn.abs() <= limit || turn.abs() <= before_it.abs() && straight {
            return Some(false);
        }
        let (next, after) = (self.pending.get(1)?, self.pending.get(2)?);
        let mut five = [before, last, here.value, next.value, after.value];
        five.sort_by(f64::total_cmp);
        Some((here.value - five[2]).abs() > limit || self.stands_out(limit))
    }

    /// Whether the first that is pending is beside the cubic through its neighbours, and its predecessor beside its own the
    /// other way, as one wrong reading makes it. On a steep signal the median does not see that.
    fn stands_out(&self, limit: f64) -> bool {
        let six: Vec<Sample> = self.accepted.iter().chain(self.pending.iter().take(3)).copied().collect();
        let [a, b, c, d, e, f] = six[..] else { return false };
        let pitch = d.from - c.from;
        let even = six.windows(2).all(|pair| (pair[1].from - pair[0].from - pitch).abs() < 0.2 * pitch);
        let beside = |p: Sample, q: Sample, here: Sample, r: Sample, s: Sample| {
            here.value - (4.0 * (q.value + r.value) - p.value - s.value) / 6.0
        };
        let (earlier, here) = (beside(a, b, c, d, e), beside(b, c, d, e, f));
        // For noise alone the standard deviation is 1.4 of a reading's; one wrong reading makes the ratio -2/3.
        even && here.abs() > 1.4 * limit && earlier / here < -0.45 && earlier / here > -0.9
    }

    fn accept(&mut self, sample: Sample) {
        self.accepted.push_back(sample);
        if self.accepted.len() > 3 {
            self.accepted.pop_front();
        }
        let [a, b, c] = *self.accepted.make_contiguous() else { return };
        if !(a.continues_in(&b) && b.continues_in(&c)) {
            return;
        }
        let expected = (6.0 * self.noise.variance(c.duration())).sqrt();
        self.differences.push_back((a.value - 2.0 * b.value + c.value).abs() / expected);
        if self.differences.len() > RECENT {
            self.differences.pop_front();
        }
        self.count += 1;
        if self.count.is_multiple_of(ANEW) {
            self.deviation = self.noise_ratio().sqrt().max(1.0);
        }
    }
}
