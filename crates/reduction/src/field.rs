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
/// Two levels of opposite sign further apart than this are not a reversal of one field.
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
        let mean = level.iter().map(|&k| fields[k]).sum::<f64>() / level.len() as f64;
        level.iter().for_each(|&k| result[k] = mean);
        rest = beyond;
    }
    result
}

/// Levels of opposite sign and nearly equal magnitude, positive first, weakest pair first; each level at most once.
pub(crate) fn reversals(levels: &[f64]) -> Vec<(f64, f64)> {
    let mut distinct = levels.to_vec();
    distinct.sort_by(f64::total_cmp);
    distinct.dedup();
    let mut negative: Vec<f64> = distinct.iter().copied().filter(|level| *level < 0.0).collect();
    let mut result = Vec::new();
    for plus in distinct.into_iter().filter(|level| *level > 0.0) {
        let nearest = negative
            .iter()
            .enumerate()
            .min_by(|(_, a), (_, b)| (plus + **a).abs().total_cmp(&(plus + **b).abs()))
            .map(|(k, minus)| (k, *minus));
        if let Some((k, minus)) = nearest
            && (plus + minus).abs() <= REVERSAL_RELATIVE * plus.max(-minus)
        {
            negative.remove(k);
            result.push((plus, minus));
        }
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(fields: &[f64], expected_levels: &[f64], expected_reversals: &[(f64, f64)]) {
        let found = levels(fields);
        assert_eq!(found, expected_levels);
        assert_eq!(reversals(&found), expected_reversals);
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
        check(&[0.5, 0.51, -0.5], &[0.5, 0.51, -0.5], &[(0.5, -0.5)]);
    }

    #[test]
    fn opposite_fields_further_apart_than_a_twentieth_are_no_reversal() {
        check(&[0.5, -0.48], &[0.5, -0.48], &[(0.5, -0.48)]);
        check(&[0.5, -0.47], &[0.5, -0.47], &[]);
        check(
            &[0.25, -1.0, 1.0, -0.25, -0.6],
            &[0.25, -1.0, 1.0, -0.25, -0.6],
            &[(0.25, -0.25), (1.0, -1.0)],
        );
    }
}
