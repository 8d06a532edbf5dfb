//! Propagation of uncertainty against the examples of JCGM 100:2008 and JCGM 101:2008.
#![allow(clippy::unwrap_used)]

use nalgebra::{DMatrix, DVector};
use quadrille_reduction::propagation::linear;

/// JCGM 100:2008, table H.2: volts, amperes, radians.
const VOLTS: [f64; 5] = [5.007, 4.994, 5.005, 4.990, 4.999];
const AMPERES: [f64; 5] = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
const RADIANS: [f64; 5] = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];

/// Means of columns and the covariance of the means (JCGM 100:2008, 5.2.3).
fn means(columns: &[[f64; 5]]) -> (Vec<f64>, DMatrix<f64>) {
    let mean: Vec<f64> = columns.iter().map(|column| column.iter().sum::<f64>() / 5.0).collect();
    let covariance = DMatrix::from_fn(columns.len(), columns.len(), |a, b| {
        let products = columns[a].iter().zip(&columns[b]).map(|(x, y)| (x - mean[a]) * (y - mean[b]));
        products.sum::<f64>() / (5.0 * 4.0)
    });
    (mean, covariance)
}

/// JCGM 100:2008, equations (H.8): resistance, reactance, impedance.
fn impedance(inputs: &[f64]) -> Vec<f64> {
    let [volts, amperes, radians] = inputs else { panic!("three inputs") };
    let modulus = volts / amperes;
    vec![modulus * radians.cos(), modulus * radians.sin(), modulus]
}

#[track_caller]
fn check(what: &str, value: f64, expected: f64, half_a_digit: f64) {
    assert!((value - expected).abs() <= half_a_digit, "{what}: {value}, expected {expected}");
}

// The digits beyond the published ones are computed from the same raw data by the same equations in extended
// precision.
#[test]
fn the_simultaneous_resistance_and_reactance_of_h_2_come_out_with_all_digits() {
    let (mean, covariance) = means(&[VOLTS, AMPERES, RADIANS]);
    let u = |k: usize| covariance[(k, k)].sqrt();
    let r = |a: usize, b: usize| covariance[(a, b)] / (u(a) * u(b));
    check("V", mean[0], 4.9990, 1e-12);
    check("u(V)", u(0), 0.00320936131, 5e-12);
    check("u(I)", u(1), 9.47100839e-6, 5e-15);
    check("u(phi)", u(2), 7.52063827e-4, 5e-13);
    check("r(V,I)", r(0, 1), -0.35531122, 5e-9);
    check("r(V,phi)", r(0, 2), 0.85762421, 5e-9);
    check("r(I,phi)", r(1, 2), -0.64511122, 5e-9);

    let result = linear(impedance, &mean, &covariance);
    for (k, (name, value, uncertainty)) in
        [("R", 127.73216993, 0.07107141), ("X", 219.84651191, 0.29558168), ("Z", 254.25970195, 0.23633613)]
            .into_iter()
            .enumerate()
    {
        check(name, result.values[k], value, 5e-9);
        check(&format!("u({name})"), result.standard_uncertainty(k), uncertainty, 5e-9);
    }
    check("r(R,X)", result.correlation(0, 1), -0.58842978, 5e-9);
    check("r(R,Z)", result.correlation(0, 2), -0.48525922, 5e-9);
    check("r(X,Z)", result.correlation(1, 2), 0.99251165, 5e-9);
}

#[test]
fn the_same_example_set_by_set_gives_the_published_second_approach() {
    let sets: Vec<Vec<f64>> = (0..5).map(|k| impedance(&[VOLTS[k], AMPERES[k], RADIANS[k]])).collect();
    let column = |quantity: usize| std::array::from_fn(|k| sets[k][quantity]);
    let (mean, covariance) = means(&[column(0), column(1), column(2)]);
    let result = linear(|inputs| inputs.to_vec(), &mean, &covariance);
    for (k, (value, uncertainty)) in
        [(127.73163048, 0.07127354), (219.84689460, 0.29548909), (254.26004959, 0.23624750)]
            .into_iter()
            .enumerate()
    {
        check("value", result.values[k], value, 5e-9);
        check("uncertainty", result.standard_uncertainty(k), uncertainty, 5e-9);
    }
}

fn uncertainty_of(model: impl Fn(&[f64]) -> f64, values: &[f64], uncertainties: &[f64]) -> (f64, f64) {
    let variances: Vec<f64> = uncertainties.iter().map(|u| u * u).collect();
    let covariance = DMatrix::from_diagonal(&DVector::from_vec(variances));
    let result = linear(|inputs| vec![model(inputs)], values, &covariance);
    (result.values[0], result.standard_uncertainty(0))
}

#[test]
fn a_sum_has_the_root_of_the_sum_of_squares() {
    // JCGM 101:2008, 9.2.2 and 9.2.4: standard uncertainties 2.0 and √103 = 10.148892.
    let sum = |inputs: &[f64]| inputs.iter().sum();
    check("9.2.2", uncertainty_of(sum, &[0.0; 4], &[1.0; 4]).1, 2.0, 1e-12);
    check("9.2.4", uncertainty_of(sum, &[0.0; 4], &[1.0, 1.0, 1.0, 10.0]).1, 10.148892, 5e-7);
}

#[test]
fn the_first_order_of_a_square_is_what_the_supplement_says_it_is() {
    // JCGM 101:2008, 9.4: y = x₁² + x₂², u = 0.005 each, x₂ = 0, in units of 1e-6: 0 ± 0, 100 ± 100, 2500 ± 500. The
    // true values near zero are larger: this is the limit of first order, and stated so where it is documented.
    let squares = |inputs: &[f64]| inputs[0] * inputs[0] + inputs[1] * inputs[1];
    for (x, value, uncertainty) in [(0.0, 0.0, 0.0), (0.010, 100e-6, 100e-6), (0.050, 2500e-6, 500e-6)] {
        let (y, u) = uncertainty_of(squares, &[x, 0.0], &[0.005, 0.005]);
        check("value", y, value, 1e-15);
        check("uncertainty", u, uncertainty, 1e-12);
    }
}

#[test]
fn resistors_calibrated_by_one_standard_keep_their_correlation() {
    // JCGM 100:2008, 5.2.2, example: ten resistors of one standard are fully correlated, so that their
    // sum in series has ten times the uncertainty of one, not √10 times.
    let covariance = DMatrix::from_element(10, 10, 0.1f64 * 0.1);
    let result = linear(|inputs| vec![inputs.iter().sum()], &[1000.0; 10], &covariance);
    check("value", result.values[0], 10_000.0, 1e-9);
    check("uncertainty", result.standard_uncertainty(0), 1.0, 1e-9);
}
