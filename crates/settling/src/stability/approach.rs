//! The period of an approach: from its turning points where it has some, or else from how long it took.

use std::collections::VecDeque;

/// How far a smoothed quantity comes back before it counts as having turned, in standard deviations of one reading, and
/// in those of the smoothed one: of thousands of those hardly a pair is so far apart. Ours.
const TURNED: (f64, f64) = (3.0, 10.0);

/// Period over the time in which an approach without a turning point goes from 10 % to 90 %: an oscillation that is
/// damped so much that it hardly turns takes about a quarter of its period.
const PERIOD_OVER_RISE: f64 = 4.0;

/// Swing over the one before, from which an oscillation is one that goes on: a loop with a tenth of critical damping
/// has 0.73.
const STAYS: f64 = 0.75;

/// How much two periods of an oscillation may differ, as the noise moves their ends; ours.
const EVEN: f64 = 0.25;

/// Time for the last tenth of a way over that for the eight before it, from which it became slower: at a steady pace it
/// is an eighth.
const SLOWER: f64 = 0.25;

/// Points of the approach that are remembered; when they are full, every other is forgotten.
const POINTS: usize = 1024;

/// Rise from 10 % to 90 % over the fall of the slope from 50 % to 10 %, of an exponential: ln 9/ln 5.
const RISE_OVER_FALL: f64 = 1.365;

/// Part of the steepest slope that noise may make up where the end of a ramp is looked for.
const CLEAR: f64 = 0.02;

/// Turning points and extent of an approach.
#[derive(Clone, Debug)]
pub(super) struct Approach {
    smooth_over: f64,
    recent: VecDeque<(f64, f64)>,
    /// Smoothed, with at least `apart` between two of them.
    points: Vec<(f64, f64)>,
    apart: f64,
    /// Turning points: time, value.
    turns: Vec<(f64, f64)>,
    /// Farthest since the last turning point, and whether it is a highest one.
    farthest: Option<(f64, f64, bool)>,
    noise: f64,
    period: Option<f64>,
}

impl Approach {
    pub(super) fn new(smooth_over: f64) -> Self {
        Self {
            smooth_over,
            recent: VecDeque::new(),
            points: Vec::new(),
            apart: 0.0,
            turns: Vec::new(),
            farthest: None,
            noise: 0.0,
            period: None,
        }
    }

    pub(super) fn push(&mut self, time: f64, value: f64, scatter: f64) {
        self.recent.push_back((time, value));
        while self.recent.front().is_some_and(|oldest| oldest.0 < time - self.smooth_over) {
            self.recent.pop_front();
        }
        let number = self.recent.len() as f64;
        let (times, values) =
            self.recent.iter().fold((0.0, 0.0), |sums, sample| (sums.0 + sample.0, sums.1 + sample.1));
        let smooth = (times / number, values / number);
        self.noise = scatter / number.sqrt();
        let turned = (TURNED.0 * scatter).max(TURNED.1 * self.noise);
        self.turn(smooth, turned);
        if self.points.last().is_none_or(|last| smooth.0 >= last.0 + self.apart) {
            self.points.push(smooth);
            self.period = self.by_turns().or_else(|| self.by_extent(turned));
        }
        if self.points.len() == POINTS {
            let mut k = 0;
            self.points.retain(|_| {
                k += 1;
                k % 2 == 1
            });
            self.apart = (time - self.points[0].0) / (POINTS / 2) as f64;
        }
    }

    /// In seconds; `None` as long as nothing moved.
    pub(super) fn period(&self) -> Option<f64> {
        self.period
    }

    /// The period where the last turning points come round evenly, however far apart up and down are, and the swings
    /// between them do not die away.
    pub(super) fn oscillates(&self) -> Option<f64> {
        let [.., a, b, c, d] = self.turns.as_slice() else { return None };
        let (before, period) = (c.0 - a.0, d.0 - b.0);
        let is_even = (before / period - 1.0).abs() < EVEN;
        let swings = [b.1 - a.1, c.1 - b.1, d.1 - c.1].map(f64::abs);
        let stays = swings.windows(2).all(|pair| pair[1] > STAYS * pair[0]);
        let is_late = self.points.last()?.0 - d.0 <= period;
        (is_even && stays && is_late).then_some(period)
    }

    fn turn(&mut self, (time, value): (f64, f64), turned: f64) {
        let Some(&(_, first)) = self.points.first() else { return };
        match self.farthest {
            // Nothing moved yet: the first direction is no turning point.
            None if (value - first).abs() > turned => self.farthest = Some((time, value, value > first)),
            None => {}
            Some((at, extreme, is_high)) => {
                let back = if is_high { extreme - value } else { value - extreme };
                if back > turned {
                    self.turns.push((at, extreme));
                    self.farthest = Some((time, value, !is_high));
                } else if back <= 0.0 {
                    self.farthest = Some((time, value, is_high));
                }
            }
        }
    }

    /// Twice the longer of the last two times between turning points.
    fn by_turns(&self) -> Option<f64> {
        let between = self.turns.windows(2).rev().take(2).map(|pair| pair[1].0 - pair[0].0);
        between.reduce(f64::max).map(|half| 2.0 * half)
    }

    /// From the time of the approach, or of the end of the ramp in it.
    fn by_extent(&self, turned: f64) -> Option<f64> {
        let (first, last) = (self.points.first()?, self.points.last()?);
        let moved = last.1 - first.1;
        if moved.abs() <= 2.0 * turned {
            return None;
        }
        let passed = |part: f64| {
            self.points.iter().find(|point| (point.1 - first.1) / moved >= part).map(|point| point.0)
        };
        let arrived = passed(0.9)?;
        let rise = arrived - passed(0.1)?;
        let extent = match self.fall_of_slope() {
            Some(fall) => fall.min(rise),
            // Still on its way as fast as ever: a drift, which has no period, or an approach of which more is to come.
            None if last.0 - arrived < SLOWER * rise => return None,
            None => rise,
        };
        Some(PERIOD_OVER_RISE * extent)
    }

    /// From the time in which the slope fell from half of its steepest to a tenth: as long as the rise where the quantity
    /// was told at once, but only the end of it where it was told by a ramp. `None` where noise makes the slope too
    /// uncertain.
    fn fall_of_slope(&self) -> Option<f64> {
        let over = self.smooth_over.max(self.apart);
        let mut slopes: Vec<(f64, f64)> = Vec::new();
        let mut from = 0;
        for &(time, value) in &self.points {
            while self.points.get(from + 1).is_some_and(|point| point.0 <= time - over) {
                from += 1;
            }
            let (begin, before) = self.points[from];
            if time > begin && time - begin >= over {
                slopes.push((0.5 * (time + begin), (value - before).abs() / (time - begin)));
            }
        }
        let steepest = slopes.iter().map(|slope| slope.1).fold(0.0, f64::max);
        if self.noise * std::f64::consts::SQRT_2 / over > CLEAR * steepest {
            return None;
        }
        let end = slopes.iter().rposition(|slope| slope.1 >= 0.5 * steepest)?;
        let rest = slopes[end..].iter().find(|slope| slope.1 <= 0.1 * steepest)?;
        Some((rest.0 - slopes[end].0) * RISE_OVER_FALL)
    }
}
