//! Numbers that a person would write: one, two and five times powers of ten.

/// The largest 1, 2 or 5 times a power of ten that is not above `x`.
pub(crate) fn step_down(x: f64) -> f64 {
    let decade = 10f64.powf((x * (1.0 + 1e-9)).log10().floor());
    let step = [5.0, 2.0, 1.0].into_iter().find(|step| step * decade <= x * (1.0 + 1e-9)).unwrap_or(1.0);
    // Written through text, so that 1e-10 is the number a person would write.
    format!("{step}e{}", decade.log10().round()).parse().unwrap_or(step * decade)
}

/// The smallest 1, 2 or 5 times a power of ten that is not below `x`.
pub(crate) fn step_up(x: f64) -> f64 {
    let below = step_down(x);
    if below >= x * (1.0 - 1e-9) { below } else { step_down(below * 2.5) }
}

/// A number to six significant digits.
pub(crate) fn to_six_digits(x: f64) -> f64 {
    format!("{x:.5e}").parse().unwrap_or(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn currents_step_down_to_one_two_or_five() {
        for (x, step) in [(1e-4, 1e-4), (0.99e-4, 5e-5), (7.5e-11, 5e-11), (2.0, 2.0), (1.99, 1.0)] {
            assert_eq!(step_down(x), step);
        }
    }

    #[test]
    fn six_digits_are_kept_and_what_follows_them_is_not() {
        assert_eq!(to_six_digits(35_082.000_000_1), to_six_digits(35_081.999_999_9));
        assert_eq!(to_six_digits(1.234_567e-9), 1.234_57e-9);
        assert_eq!(to_six_digits(0.0), 0.0);
    }

    #[test]
    fn limits_step_up_to_one_two_or_five() {
        for (x, step) in [(1.5, 2.0), (2.0, 2.0), (2.1, 5.0), (5.5, 10.0), (0.11, 0.2)] {
            assert!((step_up(x) / step - 1.0).abs() < 1e-12, "{x} {}", step_up(x));
        }
    }
}
