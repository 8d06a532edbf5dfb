//! What an instrument's data sheet lets it get wrong, range by range, drawn once from the seed.

use crate::draw::Purpose;
use quadrille_documents::{RangeFacts, Role};

/// Beyond this part of full scale a meter answers overload (common practice, no source: 1.05 to 1.2).
const OVERLOAD: f64 = 1.1;

/// The ranges of one instrument, each with its errors.
#[derive(Clone, Debug)]
pub(crate) struct Accuracy {
    ranges: Vec<Range>,
}

#[derive(Clone, Copy, Debug)]
struct Range {
    facts: RangeFacts,
    /// Relative error of gain.
    gain: f64,
    /// Volts or amperes.
    offset: f64,
}

impl Accuracy {
    /// Uniform within the data sheet.
    pub(crate) fn new(seed: u64, role: Role, ranges: &[RangeFacts]) -> Self {
        let range = |(index, facts): (usize, &RangeFacts)| {
            let draw = |word| Purpose::new(seed, word).word(role.word()).whole(index as u64).uniform();
            Range {
                facts: *facts,
                gain: facts.of_reading * draw("gain"),
                offset: facts.of_range * facts.full_scale * draw("offset"),
            }
        };
        Self { ranges: ranges.iter().enumerate().map(range).collect() }
    }

    /// The smallest range that holds a value, the largest where none does.
    pub(crate) fn range_for(&self, value: f64) -> usize {
        let holds = |range: &Range| range.facts.full_scale >= value.abs() * (1.0 - 1e-9);
        self.ranges.iter().position(holds).unwrap_or(self.largest())
    }

    /// The largest range.
    pub(crate) fn largest(&self) -> usize {
        self.ranges.len().saturating_sub(1)
    }

    /// Whether any range has noise.
    pub(crate) fn is_noisy(&self) -> bool {
        self.ranges.iter().any(|range| range.facts.noise_per_rthz > 0.0)
    }

    /// Full scale of a range.
    pub(crate) fn full_scale(&self, range: usize) -> f64 {
        self.ranges.get(range).map_or(0.0, |range| range.facts.full_scale)
    }

    /// What is there for a value that is asked for: what a source puts out.
    pub(crate) fn applied(&self, range: usize, value: f64) -> f64 {
        self.ranges.get(range).map_or(value, |range| value * (1.0 + range.gain) + range.offset)
    }

    /// What a meter makes of an average over an aperture in seconds, with its noise, `noisier` times the usual, drawn for
    /// a purpose; infinite in overload. White noise of density e has the variance e² / 2T over a time T.
    pub(crate) fn read(
        &self,
        range: usize,
        mean: f64,
        aperture_s: f64,
        (noise, noisier): (&Purpose, f64),
    ) -> f64 {
        let Some(Range { facts, .. }) = self.ranges.get(range) else { return f64::NAN };
        if mean.abs() > OVERLOAD * facts.full_scale {
            return f64::INFINITY.copysign(mean);
        }
        let deviation = facts.noise_per_rthz * (0.5 / aperture_s).sqrt();
        self.applied(range, mean) + noisier * deviation * noise.normal()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn accuracy(seed: u64) -> Accuracy {
        let facts = |full_scale| RangeFacts {
            full_scale,
            of_reading: 1e-3,
            of_range: 1e-4,
            noise_per_rthz: 1e-6,
            noise_corner_hz: 0.0,
        };
        Accuracy::new(seed, Role::Voltmeter, &[facts(0.1), facts(1.0), facts(10.0)])
    }

    #[test]
    fn errors_stay_within_the_data_sheet_and_fill_it() {
        let relative: Vec<f64> = (0..2000).map(|seed| accuracy(seed).applied(1, 1.0) - 1.0).collect();
        assert!(relative.iter().all(|error| error.abs() <= 1.1e-3));
        assert!(
            relative.iter().any(|error| *error > 0.9e-3) && relative.iter().any(|error| *error < -0.9e-3)
        );
        let zero: Vec<f64> = (0..2000).map(|seed| accuracy(seed).applied(1, 0.0)).collect();
        assert!(zero.iter().all(|error| error.abs() <= 1e-4) && zero.iter().any(|error| *error > 0.9e-4));
    }

    #[test]
    fn noise_falls_with_the_root_of_the_aperture() {
        let accuracy = accuracy(1);
        let spread = |aperture: f64| {
            let noise = |k| accuracy.read(1, 0.5, aperture, (&Purpose::new(1, "noise").whole(k), 1.0));
            let mean = accuracy.applied(1, 0.5);
            ((0..4000).map(|k| (noise(k) - mean).powi(2)).sum::<f64>() / 4000.0).sqrt()
        };
        // 1 µV/√Hz over 20 ms is 5 µV; five standard errors of a spread of 4000 are 5.6 %.
        assert!((spread(0.02) / 5e-6 - 1.0).abs() < 0.056, "{}", spread(0.02));
        assert!((spread(2.0) / 5e-7 - 1.0).abs() < 0.056, "{}", spread(2.0));
    }

    #[test]
    fn beyond_a_tenth_over_full_scale_is_overload_with_its_sign() {
        let noise = Purpose::new(1, "noise");
        assert_eq!(accuracy(1).read(1, 1.11, 0.02, (&noise, 1.0)), f64::INFINITY);
        assert_eq!(accuracy(1).read(1, -1.11, 0.02, (&noise, 1.0)), f64::NEG_INFINITY);
        assert!(accuracy(1).read(1, 1.09, 0.02, (&noise, 1.0)).is_finite());
    }

    #[test]
    fn the_smallest_range_that_holds_a_value_is_taken() {
        let accuracy = accuracy(1);
        assert_eq!([0.0, 0.1, -0.100001, 1.0, 99.0].map(|value| accuracy.range_for(value)), [0, 0, 1, 1, 2]);
    }
}
