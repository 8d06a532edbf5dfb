//! Axes of drawings: where numbers and times fall on paper, and at which of them a line is ruled.

use crate::moment::Moment;

/// Steps between ruled times, in seconds.
const STEPS: [f64; 16] = [
    1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0, 10_800.0,
    21_600.0,
];

/// A range of numbers on a range of paper.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Axis {
    from: f64,
    to: f64,
    paper: (f64, f64),
    is_log: bool,
}

impl Axis {
    /// Equal distances are equal differences. A range without extent gets one.
    pub(crate) fn linear(from: f64, to: f64, paper: (f64, f64)) -> Self {
        let (from, to) = if to > from { (from, to) } else { (from - 1.0, from + 1.0) };
        Self { from, to, paper, is_log: false }
    }

    /// Around values, with some room; logarithmic where they are positive and span more than a factor of `from_factor`.
    pub(crate) fn around(
        values: impl Iterator<Item = f64> + Clone,
        from_factor: f64,
        paper: (f64, f64),
    ) -> Self {
        let finite = values.filter(|value| value.is_finite());
        let least = finite.clone().fold(f64::INFINITY, f64::min);
        let most = finite.fold(f64::NEG_INFINITY, f64::max);
        if least > most {
            return Self::linear(0.0, 1.0, paper);
        }
        if least > 0.0 && most / least > from_factor {
            let room = (most / least).powf(0.06);
            return Self { from: least / room, to: most * room, paper, is_log: true };
        }
        let room = if most > least { 0.08 * (most - least) } else { 0.05 * most.abs().max(1e-300) };
        Self::linear(least - room, most + room, paper)
    }

    /// Where a number falls.
    pub(crate) fn at(&self, value: f64) -> f64 {
        let part = if self.is_log {
            (value / self.from).ln() / (self.to / self.from).ln()
        } else {
            (value - self.from) / (self.to - self.from)
        };
        self.paper.0 + part.clamp(-0.2, 1.2) * (self.paper.1 - self.paper.0)
    }

    /// Round numbers on it, some `about` of them.
    pub(crate) fn ruled(&self, about: f64) -> Vec<f64> {
        if self.is_log {
            let decades = (self.to / self.from).log10();
            let digits: &[f64] = match decades {
                many if many > 2.5 => &[1.0],
                some if some > 1.0 => &[1.0, 3.0],
                _ => &[1.0, 2.0, 5.0],
            };
            let powers = self.from.log10().floor() as i32..=self.to.log10().ceil() as i32;
            let all = powers.flat_map(|power| digits.iter().map(move |digit| digit * 10f64.powi(power)));
            return all.filter(|value| (self.from..=self.to).contains(value)).collect();
        }
        let rough = (self.to - self.from) / about;
        let power = 10f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].map(|digit| digit * power);
        let step = step.into_iter().find(|step| *step >= rough * 0.999).unwrap_or(10.0 * power);
        let first = (self.from / step).ceil() as i64;
        let last = (self.to / step).floor() as i64;
        (first..=last.min(first + 40)).map(|n| n as f64 * step).collect()
    }
}

/// Seconds after a moment at which a clock shows round times, some `about` of them in a span; the step between them.
pub(crate) fn ruled_times(start: Option<Moment>, span_s: f64, about: f64) -> (f64, Vec<f64>) {
    let step = STEPS.into_iter().find(|step| span_s / step <= about);
    let step = step.unwrap_or_else(|| (span_s / about / 86_400.0).ceil() * 86_400.0);
    let begun = start.map_or(0.0, Moment::unix_s);
    let first = (begun / step).ceil() * step - begun;
    let all = (0..).map(|n| first + f64::from(n) * step).take_while(|time| *time <= span_s);
    (step, all.take(60).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_fall_between_the_ends_of_the_paper() {
        let axis = Axis::linear(80.0, 300.0, (200.0, 20.0));
        assert_eq!(axis.at(80.0), 200.0);
        assert_eq!(axis.at(300.0), 20.0);
        assert_eq!(axis.ruled(4.0), [100.0, 200.0, 300.0]);
        let single = Axis::around([5.0].into_iter(), 8.0, (0.0, 10.0));
        assert!((single.at(5.0) - 5.0).abs() < 1e-9, "one value stands in the middle");
    }

    #[test]
    fn values_over_decades_are_ruled_by_decades() {
        let axis = Axis::around([3e15, 4e18].into_iter(), 8.0, (0.0, 100.0));
        let ruled = axis.ruled(4.0);
        assert_eq!(ruled.len(), 3, "{ruled:?}");
        assert!((axis.at(1e17) - axis.at(1e16) - (axis.at(1e18) - axis.at(1e17))).abs() < 1e-9);
    }

    #[test]
    fn times_are_ruled_where_a_clock_is_round() {
        let start = Moment::parse("2026-03-01T22:10:00Z");
        let (step, times) = ruled_times(start, 8.0 * 3600.0, 8.0);
        assert_eq!(step, 3600.0);
        assert_eq!(times[..2], [3000.0, 6600.0]);
        assert_eq!(ruled_times(None, 100.0, 8.0).1, [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]);
    }
}
