//! Sorts flux densities into zero, levels, and levels of opposite sign that belong together.

/// Below this a field is none: an electromagnet's residual field, from common practice, no source.
const ZERO_T: f64 = 1e-3;
/// Relative to the largest field present, the same for a strong magnet. The even terms that a field adds to a
/// resistance go with its square, so that a hundredth of the field is a ten-thousandth of its effect.
const ZERO_RELATIVE: f64 = 0.01;
/// Readings within this of the weakest of a level belong to it: a magnet's ripple and slow drift.
const LEVEL_RELATIVE: f64 = 0.01;
/// The same where a weak field's noise is more than that: half of what counts as no field.
const LEVEL_T: f64 = 0.5 * ZERO_T;
/// Two levels of opposite sign further apart than this are not a reversal of one field: a magnetoresistance would show.
const REVERSAL_RELATIVE: f64 = 0.05;

/// The level of each field, in T: 0 for no field, otherwise the mean of the fields that belong together.
pub(crate) fn levels(fields: &[f64]) -> Vec<f64> {
    let largest = fields.iter().fold(0.0, |largest: f64, field| largest.max(field.abs()));
    let zero = ZERO_T.max(ZERO_RELATIVE * largest);
    let mut order: Vec<usize> = (0..fields.len()).filter(|&k| fields[k].abs() >= zero).collect();
    order.sort_by(|&a, &b| {
        let sign = |k: usize| fields[k].is_sign_positive();
        (sign(a), fields[a].abs())
            .partial_cmp(&(sign(b), fields[b].abs()))
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    let mut result = vec![0.0; fields.len()];
    let mut rest = order.as_slice();
    while let Some(&first) = rest.first() {
        let weakest = fields[first];
        let width = LEVEL_T.max(LEVEL_RELATIVE * weakest.abs());
        let belongs = |k: &usize| (fields[*k] - weakest).abs() <= width;
        let (level, beyond) = rest.split_at(rest.iter().position(|k| !belongs(k)).unwrap_or(rest.len()));
        // The mean of equal numbers is that number, without what rounding makes of it.
        let mean = if level.iter().all(|&k| fields[k] == weakest) {
            weakest
        } else {
            level.iter().map(|&k| fields[k]).sum::<f64>() / level.len() as f64
        };
        level.iter().for_each(|&k| result[k] = mean);
        rest = beyond;
    }
    result
}

/// Two levels of opposite sign.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Reversal {
    /// The positive level, T.
    pub(crate) plus: f64,
    /// The negative level, T.
    pub(crate) minus: f64,
}

impl Reversal {
    /// Whether the two are one field reversed, so that what is even in the field cancels.
    pub(crate) fn is_of_one_field(self) -> bool {
        self.apart() <= REVERSAL_RELATIVE * self.plus.max(-self.minus)
    }

    /// Difference of the magnitudes, T.
    fn apart(self) -> f64 {
        (self.plus + self.minus).abs()
    }
}

/// Every level with one of opposite sign, weakest positive level first; none where all levels have one sign.
///
/// Nearest magnitudes first, each level once; what is then left of the more numerous sign takes the nearest of the
/// other a second time.
pub(crate) fn reversals(levels: &[f64]) -> Vec<Reversal> {
    let mut distinct = levels.to_vec();
    distinct.sort_by(f64::total_cmp);
    distinct.dedup();
    let of_sign = |sign: f64| distinct.iter().copied().filter(move |level| level * sign > 0.0);
    let mut possible: Vec<Reversal> =
        of_sign(1.0).flat_map(|plus| of_sign(-1.0).map(move |minus| Reversal { plus, minus })).collect();
    possible.sort_by(|a, b| a.apart().total_cmp(&b.apart()));
    let mut result: Vec<Reversal> = Vec::new();
    for again in [false, true] {
        for pair in &possible {
            let taken = (
                result.iter().any(|other| other.plus == pair.plus),
                result.iter().any(|other| other.minus == pair.minus),
            );
            let wanted = if again { taken != (true, true) } else { taken == (false, false) };
            if wanted {
                result.push(*pair);
            }
        }
    }
    result.sort_by(|a, b| a.plus.total_cmp(&b.plus).then(b.minus.total_cmp(&a.minus)));
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(fields: &[f64], expected_levels: &[f64], expected_reversals: &[(f64, f64)]) {
        let found = levels(fields);
        assert_eq!(found, expected_levels);
        let pairs: Vec<(f64, f64)> = reversals(&found).iter().map(|pair| (pair.plus, pair.minus)).collect();
        assert_eq!(pairs, expected_reversals);
    }

    #[test]
    fn a_field_is_zero_below_a_millitesla_or_a_hundredth_of_the_largest() {
        check(&[0.0, 0.0009, -0.0009], &[0.0, 0.0, 0.0], &[]);
        check(&[0.0, 0.0011], &[0.0, 0.0011], &[]);
        check(&[0.04, 5.0, -0.04, -5.0], &[0.0, 5.0, 0.0, -5.0], &[(5.0, -5.0)]);
    }

    #[test]
    fn fields_within_a_hundredth_are_one_level() {
        check(&[0.5, -0.504, 0.502, -0.5], &[0.501, -0.502, 0.501, -0.502], &[(0.501, -0.502)]);
        let weak = |k: f64| k / 1024.0;
        check(
            &[weak(4.0), weak(4.5), weak(-4.25)],
            &[weak(4.25), weak(4.25), weak(-4.25)],
            &[(weak(4.25), weak(-4.25))],
        );
        check(&[0.5, 0.51, -0.5], &[0.5, 0.51, -0.5], &[(0.5, -0.5), (0.51, -0.5)]);
    }

    #[test]
    fn every_level_has_the_nearest_of_the_other_sign_whatever_the_ratio() {
        let unchanged = |fields: &[f64], pairs: &[(f64, f64)]| check(fields, fields, pairs);
        unchanged(&[0.73, -0.41], &[(0.73, -0.41)]);
        unchanged(&[0.2, -0.3, 0.5, -0.45, 1.1, -1.0], &[(0.2, -0.3), (0.5, -0.45), (1.1, -1.0)]);
        unchanged(&[0.25, -1.0, 1.0, -0.25, -0.6], &[(0.25, -0.25), (0.25, -0.6), (1.0, -1.0)]);
        unchanged(&[0.3, 0.9, -0.8], &[(0.3, -0.8), (0.9, -0.8)]);
        unchanged(&[0.3, 0.9], &[]);
        unchanged(&[-0.3, -0.9, 0.0], &[]);
    }

    #[test]
    fn magnitudes_within_a_twentieth_are_one_field() {
        assert!(Reversal { plus: 0.5, minus: -0.48 }.is_of_one_field());
        assert!(!Reversal { plus: 0.5, minus: -0.47 }.is_of_one_field());
        assert!(!Reversal { plus: 0.47, minus: -0.5 }.is_of_one_field());
    }
}
