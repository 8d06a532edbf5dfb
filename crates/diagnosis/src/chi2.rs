//! How likely so large a sum of squares is.

/// Probability that χ² with so many degrees of freedom is larger: Q(ν/2, χ²/2), the incomplete gamma function by its series
/// or its continued fraction (Abramowitz & Stegun 1964, 6.5.29 and 6.5.31), the latter evaluated from its end.
pub(crate) fn larger(chi2: f64, freedom: usize) -> f64 {
    if freedom == 0 {
        return 1.0;
    }
    let (a, x) = (freedom as f64 / 2.0, chi2 / 2.0);
    if !x.is_finite() {
        return 0.0;
    }
    if x <= 0.0 {
        return 1.0;
    }
    let front = (a * x.ln() - x - ln_gamma(freedom)).exp();
    if x < a + 1.0 {
        let (mut term, mut sum, mut n) = (1.0 / a, 1.0 / a, a);
        while term > 1e-17 * sum {
            n += 1.0;
            term *= x / n;
            sum += term;
        }
        return (1.0 - front * sum).clamp(0.0, 1.0);
    }
    let mut tail = 0.0;
    for k in (1..=400).rev() {
        let k = f64::from(k);
        tail = k * (k - a) / (x + 2.0 * k + 1.0 - a - tail);
    }
    (front / (x + 1.0 - a - tail)).clamp(0.0, 1.0)
}

/// ln Γ(ν/2), from Γ(1) = 1 and Γ(1/2) = √π upwards.
fn ln_gamma(freedom: usize) -> f64 {
    let (mut sum, mut a) =
        if freedom.is_multiple_of(2) { (0.0, 1.0) } else { (0.5 * std::f64::consts::PI.ln(), 0.5) };
    while a < freedom as f64 / 2.0 - 0.25 {
        sum += f64::ln(a);
        a += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tails_are_those_of_the_tables() {
        // Abramowitz & Stegun 1964, table 26.8: upper percentage points, whose six digits are 1e-4 of the tail.
        for (freedom, chi2, tail) in [
            (1, 3.84146, 0.05),
            (4, 13.2767, 0.01),
            (10, 18.3070, 0.05),
            (30, 43.7730, 0.05),
            (100, 149.449, 0.001),
        ] {
            assert!((larger(chi2, freedom) / tail - 1.0).abs() < 1e-4, "{freedom} {}", larger(chi2, freedom));
        }
    }

    #[test]
    fn an_exponential_tail_is_exact() {
        for chi2 in [0.1, 1.0, 5.0, 60.0] {
            assert!((larger(chi2, 2) / f64::exp(-chi2 / 2.0) - 1.0).abs() < 1e-12);
        }
    }
}
