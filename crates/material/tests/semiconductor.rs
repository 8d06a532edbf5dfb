//! Semiconductors against published and independently computed values.

use quadrille_material::{Material, MaterialError};
use quadrille_quantity::{Kelvin, Tesla};

fn semiconductor(preset: Option<&str>, keys: &[(&str, f64)]) -> Result<Material, MaterialError> {
    Material::from_parameters("semiconductor", preset, |key| {
        keys.iter().find(|(name, _)| *name == key).map(|&(_, value)| value)
    })
}

fn carriers(material: &Material, kelvin: f64) -> (f64, f64) {
    let carriers = material.carriers(Kelvin(kelvin)).expect("balance").expect("a semiconductor");
    (carriers.electrons_per_m3, carriers.holes_per_m3)
}

#[track_caller]
fn close(value: f64, expected: f64, relative: f64) {
    assert!((value / expected - 1.0).abs() <= relative, "{value:e} instead of {expected:e}");
}

/// Electrons per cm³ in silicon with 10¹⁶ cm⁻³ donors at 45 meV of degeneracy 2 and 10¹⁵ cm⁻³ acceptors: computed from
/// n(n + N_A)/(N_D − N_A − n) = (N_c/2)·exp(−E/kT), N_c = 2.86e19·(T/300)^1.5 (J. S. Blakemore, Semiconductor
/// Statistics, 1962), by other code.
const FREEZE_OUT: [(f64, f64); 7] = [
    (20.0, 1.013773e7),
    (30.0, 1.121649e11),
    (40.0, 1.320988e13),
    (60.0, 9.033212e14),
    (100.0, 6.091361e15),
    (200.0, 8.847627e15),
    (300.0, 8.964388e15),
];

#[test]
fn donors_freeze_out_as_the_formula_has_it() {
    let silicon =
        semiconductor(Some("Si:P"), &[("donors_per_m3", 1e22), ("acceptors_per_m3", 1e21)]).unwrap();
    for (kelvin, per_cm3) in FREEZE_OUT {
        // The formula is Boltzmann's: Fermi's statistics take off n/(√8·N_c) of it at most.
        let states = 2.86e19 * (kelvin / 300.0).powf(1.5);
        close(carriers(&silicon, kelvin).0, per_cm3 * 1e6, 5e-7 + per_cm3 / states / 8f64.sqrt());
    }
}

#[test]
fn a_preset_conducts() {
    let silicon = semiconductor(Some("Si:P"), &[("donors_per_m3", 1e21)]).unwrap();
    let transport = silicon.transport(Kelvin(300.0), Tesla(0.5)).unwrap();
    assert!(transport.tan_hall < 0.0, "electrons");
    close(transport.resistivity_ohm_m, 0.0448, 0.05);
}
