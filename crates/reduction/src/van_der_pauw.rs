//! The equation of van der Pauw, solved to the last digit; knows nothing of readings.
//!
//! exp(−πR_A/R_s) + exp(−πR_B/R_s) = 1: L. J. van der Pauw, Philips Research Reports 13 (1958) 1–9.

use std::f64::consts::{LN_2, PI};

/// Sheet resistance in ohms of the two resistances of van der Pauw in ohms; `None` unless both are above zero and
/// finite, because then the equation has no root.
///
/// With y = πR/R_s for the larger resistance and q the ratio of the smaller to it, the root of e^(−qy) + e^(−y) = 1
/// is approached by Newton's method from y of equal resistances: the function is convex and there not below zero
/// (Jensen's inequality), so that the steps never pass the root, and they end where rounding stops them.
pub fn sheet_resistance(r_a: f64, r_b: f64) -> Option<f64> {
    if ![r_a, r_b].iter().all(|r| *r > 0.0 && r.is_finite()) {
        return None;
    }
    let (small, large) = (r_a.min(r_b), r_a.max(r_b));
    let q = small / large;
    let mut y = 2.0 * LN_2 / (1.0 + q);
    // A step is about 1 while e^(-y) is above q y, so about ln(1/q) < 710 steps, then quadratic convergence.
    for _ in 0..1000 {
        let value = (-q * y).exp_m1() + (-y).exp();
        let slope = q * (-q * y).exp() + (-y).exp();
        let next = y + value / slope;
        if next <= y {
            break;
        }
        y = next;
    }
    let root = PI * large / y;
    root.is_finite().then_some(root)
}

/// The factor f of van der Pauw for a ratio of resistances: R_s = π/ln 2 · (R_A + R_B)/2 · f. The ratio and its
/// inverse have the same f; `None` unless the ratio is above zero and finite.
pub fn form_factor(ratio: f64) -> Option<f64> {
    let root = sheet_resistance(ratio, 1.0)?;
    Some(root * 2.0 * LN_2 / (PI * (ratio + 1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_factor(ratio: f64, expected: f64) {
        let f = form_factor(ratio).unwrap();
        assert!((f / expected - 1.0).abs() <= 1e-14, "f({ratio}) = {f}, expected {expected}");
        let inverse = form_factor(1.0 / ratio).unwrap();
        assert!((inverse / expected - 1.0).abs() <= 1e-14, "f(1/{ratio}) = {inverse}");
    }

    #[track_caller]
    fn check_root(r_a: f64, r_b: f64, expected: f64) {
        let root = sheet_resistance(r_a, r_b).unwrap();
        assert!((root / expected - 1.0).abs() <= 1e-14, "({r_a}, {r_b}) -> {root}, expected {expected}");
    }

    // f of cosh{[(Q-1)/(Q+1)] ln2/f} = exp(ln2/f)/2 (van der Pauw 1958), computed to 28 digits from that form,
    // rounded to 15.
    #[test]
    fn the_form_factor_is_exact_for_every_ratio() {
        check_factor(1.0, 1.0);
        check_factor(1.01, 0.999991421601534);
        check_factor(1.05, 0.999793796221539);
        check_factor(1.1, 0.999213643367286);
        check_factor(1.5, 0.985986102189267);
        check_factor(2.0, 0.960280060275038);
        check_factor(5.0, 0.821655085157722);
        check_factor(10.0, 0.699259455239415);
        check_factor(50.0, 0.471559507509627);
        check_factor(100.0, 0.403849004164254);
        check_factor(1000.0, 0.263701478129127);
        check_factor(10000.0, 0.191665427255344);
    }

    // Computed from the equation of the file's head.
    #[test]
    fn the_root_does_not_depend_on_which_resistance_is_which() {
        check_root(120.0, 80.0, 446.8844109958186);
        check_root(50.0, 150.0, 410.9395738451046);
        check_root(150.0, 50.0, 410.9395738451046);
        check_root(200.0, 20.0, 348.6225252095214);
        check_root(1.0, 1.0, 4.532360141827194);
        check_root(2.0, 1.0, 6.52850260527299);
        check_root(1.0, 1000.0, 598.192629441092);
    }

    #[test]
    fn the_root_satisfies_the_equation_far_beyond_any_sample() {
        for exponent in [6, 9, 12, 30, 100, 300] {
            let large = 10f64.powi(exponent);
            let root = sheet_resistance(1.0, large).unwrap();
            let defect = (-PI / root).exp_m1() + (-PI * large / root).exp();
            assert!(defect.abs() <= 1e-12 * PI / root, "ratio 1e{exponent}: {defect}");
        }
    }

    #[test]
    fn resistances_that_are_not_positive_have_no_root() {
        for (a, b) in [(0.0, 1.0), (-1.0, 2.0), (1.0, -2.0), (f64::NAN, 1.0), (1.0, f64::INFINITY)] {
            assert_eq!(sheet_resistance(a, b), None, "({a}, {b})");
        }
    }
}
