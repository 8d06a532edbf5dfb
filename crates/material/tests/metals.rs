//! Metals and hopping conductors against limits, an independent quadrature and published resistivities.

use quadrille_material::{
    EFROS_SHKLOVSKII, Hopping, MOTT, MOTT_2D, Material, Metal, NEAREST_NEIGHBOUR, Plain,
    bloch_gruneisen_integral,
};
use quadrille_quantity::{Kelvin, Tesla};

#[track_caller]
fn close(value: f64, expected: f64, relative: f64) {
    assert!((value / expected - 1.0).abs() <= relative, "{value:e} instead of {expected:e}");
}

fn resistivity(material: &Material, kelvin: f64) -> f64 {
    material.transport(Kelvin(kelvin), Tesla(0.0)).expect("it conducts").resistivity_ohm_m
}

/// ∫ t⁵/((eᵗ − 1)(1 − e⁻ᵗ)) dt by Simpson's rule in many steps.
fn simpson(x: f64) -> f64 {
    let integrand = |t: f64| if t == 0.0 { 0.0 } else { t.powi(5) / (t.exp_m1() * -(-t).exp_m1()) };
    let steps = 20_000;
    let h = x / f64::from(steps);
    let inner: f64 =
        (1..steps).map(|i| integrand(f64::from(i) * h) * if i % 2 == 1 { 4.0 } else { 2.0 }).sum();
    (integrand(0.0) + inner + integrand(x)) * h / 3.0
}

#[test]
fn the_integral_is_that_of_a_quadrature_on_both_sides_of_its_seam() {
    for x in [0.05, 0.7, 0.9999, 1.0, 1.3, 4.0, 17.0, 60.0] {
        close(bloch_gruneisen_integral(x), simpson(x), 1e-11);
    }
}

#[test]
fn the_integral_has_its_limits() {
    // 120·ζ(5), and x⁴/4·(1 − x²/18 + …).
    close(bloch_gruneisen_integral(1e4), 124.431330617, 1e-11);
    close(bloch_gruneisen_integral(1e-3), 0.25e-12 * (1.0 - 1e-6 / 18.0), 1e-12);
}

fn metal(residual: f64) -> Material {
    let made = Metal::bloch_gruneisen(5.3e-8, Kelvin(280.0), residual, Kelvin(390.0), -6e-11);
    Material::Metal(made.expect("physical"))
}

#[test]
fn a_metal_goes_as_the_fifth_power_in_the_cold_and_straight_in_the_heat() {
    let pure = metal(0.0);
    close(resistivity(&pure, 6.0) / resistivity(&pure, 3.0), 32.0, 1e-9);
    let scale = 5.3e-8 / ((280.0f64 / 390.0).powi(5) * simpson(390.0 / 280.0));
    close(resistivity(&pure, 4.0), scale * 124.4313306 * (4.0f64 / 390.0).powi(5), 1e-9);
    // ρ → c·T/(4Θ)·(1 − (Θ/T)²/18).
    for kelvin in [2000.0, 4000.0f64] {
        let bend = 1.0 - (390.0 / kelvin).powi(2) / 18.0;
        close(resistivity(&pure, kelvin), scale * kelvin / (4.0 * 390.0) * bend, 1e-5);
    }
}

#[test]
fn the_residual_resistivity_is_what_is_left_and_part_of_the_reference() {
    let impure = metal(7e-10);
    close(resistivity(&impure, 0.5), 7e-10, 1e-6);
    close(resistivity(&impure, 280.0), 5.3e-8, 1e-14);
}

/// Kelvin and 1e-8 Ω·m of annealed copper: R. A. Matula, J. Phys. Chem. Ref. Data 8, 1147 (1979), from memory.
const COPPER: [(f64, f64); 13] = [
    (10.0, 0.00202),
    (20.0, 0.00280),
    (40.0, 0.0239),
    (60.0, 0.0971),
    (80.0, 0.215),
    (100.0, 0.348),
    (150.0, 0.699),
    (200.0, 1.046),
    (273.0, 1.543),
    (293.0, 1.678),
    (300.0, 1.725),
    (400.0, 2.402),
    (500.0, 3.090),
];

/// Kelvin and 1e-8 Ω·m of platinum: CRC Handbook of Chemistry and Physics, from memory.
const PLATINUM: [(f64, f64); 8] = [
    (60.0, 1.107),
    (80.0, 1.922),
    (100.0, 2.755),
    (150.0, 4.76),
    (200.0, 6.77),
    (273.0, 9.6),
    (300.0, 10.8),
    (400.0, 14.6),
];

#[test]
fn copper_and_platinum_are_near_their_published_resistivities() {
    for (name, table, allowed) in [("copper", &COPPER[..], 0.031), ("platinum", &PLATINUM[..], 0.08)] {
        let metal = Material::from_parameters("metal", Some(name), |_| None).expect("a preset");
        let span = metal.temperature_span().expect("published");
        for &(kelvin, expected) in table {
            assert!(span.contains(Kelvin(kelvin)));
            close(resistivity(&metal, kelvin), expected * 1e-8, allowed);
        }
    }
}

#[test]
fn a_linear_metal_has_its_coefficient_until_the_line_ends() {
    let metal = Metal::linear(1.7e-8, Kelvin(293.0), 3.9e-3, -5e-11).expect("physical");
    let metal = Material::Metal(metal);
    close(resistivity(&metal, 393.0), 1.7e-8 * 1.39, 1e-14);
    let error = metal.transport(Kelvin(30.0), Tesla(0.0)).expect_err("below zero");
    assert_eq!(error.parameter, "temperature_coefficient_per_k");
}

#[test]
fn the_hall_angle_of_a_metal_is_its_coefficient_over_its_resistivity() {
    let transport = metal(0.0).transport(Kelvin(280.0), Tesla(-1.3)).expect("it conducts");
    close(transport.tan_hall, -6e-11 * -1.3 / 5.3e-8, 1e-12);
}

#[test]
fn hopping_has_the_slope_of_its_exponent() {
    for exponent in [NEAREST_NEIGHBOUR, EFROS_SHKLOVSKII, MOTT_2D, MOTT] {
        let hopping = Hopping::new(1e-3, Kelvin(2500.0), exponent, 4e-6).expect("physical");
        let hopping = Material::Hopping(hopping);
        // d ln ρ/d ln T = −p·(T₀/T)^p, by a central difference.
        let [below, above] = [0.999, 1.001].map(|part| resistivity(&hopping, 70.0 * part).ln());
        let slope = (above - below) / (1.001f64 / 0.999).ln();
        close(slope, -exponent * (2500.0f64 / 70.0).powf(exponent), 1e-6);
        close(hopping.transport(Kelvin(70.0), Tesla(2.0)).expect("it conducts").tan_hall, 8e-6, 1e-12);
    }
}

#[test]
fn a_hopping_conductor_insulates_in_the_cold() {
    let hopping = Hopping::new(1.0, Kelvin(1e7), MOTT, 0.0).expect("physical");
    let error = Material::Hopping(hopping).transport(Kelvin(0.01), Tesla(0.0)).expect_err("too cold");
    assert_eq!(error.parameter, "temperature");
}

#[test]
fn a_plain_material_knows_no_temperature() {
    let plain = Material::Plain(Plain::new(2.5e-4, -0.3).expect("physical"));
    let [cold, warm] = [4.0, 400.0].map(|t| plain.transport(Kelvin(t), Tesla(0.5)).expect("it conducts"));
    assert_eq!(cold, warm);
    close(cold.tan_hall, -0.15, 1e-14);
    assert!(!plain.depends_on_temperature());
}
