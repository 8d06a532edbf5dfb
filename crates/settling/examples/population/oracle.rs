//! The oracle: knows every parameter, discards the start and takes the plain mean of the rest.

use super::truth::{READING_S, Truth};

/// The least time after which a mean of whole readings has a bias of at most `bias` and a standard uncertainty of at most
/// `uncertainty`. None if not within `longest` seconds.
pub(crate) fn oracle_s(truth: &Truth, uncertainty: f64, bias: f64, longest: f64) -> Option<f64> {
    let count = (truth.white / uncertainty).powi(2).ceil().max(1.0);
    let length = count * READING_S;
    let good = |begin: f64| truth.transient(begin, begin + length).abs() <= bias;
    // On a grid of readings; the bias may cross zero, so the first that is good and not the last that is bad.
    let mut begin = 0.0;
    while !good(begin) {
        // Steps of at most a part of the time that has gone by: the transient is smooth in ln t.
        begin += READING_S * (begin / READING_S / 400.0).floor().max(1.0);
        if begin + length > longest {
            return None;
        }
    }
    Some(begin + length)
}
