//! Mobilities and carriers in a field against published tables and values computed from them.

use quadrille_material::{
    BOLTZMANN, BOLTZMANN_EV, Carrier, ELEMENTARY_CHARGE, HALL_FACTOR_ACOUSTIC, HALL_FACTOR_IONISED,
    MasettiDopant, Sign, arora_electrons, arora_holes, fermi_dirac_half, in_field, masetti,
};
use quadrille_quantity::{Kelvin, Tesla};

#[track_caller]
fn close(value: f64, expected: f64, relative: f64) {
    assert!((value / expected - 1.0).abs() <= relative, "{value:e} instead of {expected:e}");
}

/// cm⁻³, then cm²/(V·s) for P, As, B: computed from the equation and coefficients of Masetti, Severi and Solmi (1983)
/// by other code.
const MASETTI: [(f64, f64, f64, f64); 7] = [
    (1e14, 1403.57, 1404.39, 468.67),
    (1e15, 1362.06, 1358.69, 461.05),
    (1e16, 1183.79, 1176.79, 424.91),
    (1e17, 721.31, 727.05, 319.10),
    (1e18, 276.96, 283.78, 160.31),
    (1e19, 114.78, 108.05, 73.17),
    (1e20, 73.23, 60.87, 49.86),
];

#[test]
fn mobilities_of_silicon_at_300_k_are_those_of_masetti() {
    for (per_cm3, phosphorus, arsenic, boron) in MASETTI {
        for (dopant, expected) in [
            (MasettiDopant::Phosphorus, phosphorus),
            (MasettiDopant::Arsenic, arsenic),
            (MasettiDopant::Boron, boron),
        ] {
            close(masetti(dopant, per_cm3 * 1e6) * 1e4, expected, 1.1e-4);
        }
    }
}

/// At 10¹⁶ cm⁻³: kelvin, then cm²/(V·s) of electrons and holes; computed from the equations and coefficients of Arora,
/// Hauser and Roulston (1982) by other code.
const ARORA: [(f64, f64, f64); 5] = [
    (200.0, 2802.9, 978.0),
    (250.0, 1820.6, 637.0),
    (300.0, 1258.1, 446.6),
    (350.0, 915.3, 331.2),
    (400.0, 694.3, 256.6),
];

#[test]
fn mobilities_of_silicon_over_temperature_are_those_of_arora() {
    for (kelvin, electrons, holes) in ARORA {
        close(arora_electrons(1e22, Kelvin(kelvin)) * 1e4, electrons, 1e-4);
        close(arora_holes(1e22, Kelvin(kelvin)) * 1e4, holes, 2e-4);
    }
    close(arora_electrons(1e23, Kelvin(300.0)) * 1e4, 825.0, 1e-4);
    close(arora_holes(1e23, Kelvin(300.0)) * 1e4, 350.4, 2e-4);
}

fn carrier(sign: Sign, density_per_m3: f64, mobility_m2_per_v_s: f64, hall_factor: f64) -> Carrier {
    Carrier { sign, density_per_m3, mobility_m2_per_v_s, hall_factor }
}

/// Resistivity and Hall coefficient of 1e21 m⁻³ electrons of 0.5 m²/(V·s) and 3e21 m⁻³ holes of 0.05 m²/(V·s).
fn two_kinds(field: f64) -> (f64, f64) {
    let both = [carrier(Sign::Negative, 1e21, 0.5, 1.0), carrier(Sign::Positive, 3e21, 0.05, 1.0)];
    let transport = in_field(&both, Tesla(field));
    (transport.resistivity_ohm_m, transport.tan_hall * transport.resistivity_ohm_m / field)
}

#[test]
fn two_kinds_of_carriers_make_the_hall_coefficients_of_the_two_band_formula() {
    // Computed from the formulas of R. A. Smith, Semiconductors (1959), by other code: R_H at low and high field, then
    // ρ_xx and R_H at 0.1 T and 1 T.
    close(two_kinds(1e-6).1, -3.58240462e-3, 1e-8);
    close(two_kinds(1e6).1, 3.12075454e-3, 1e-8);
    for (field, resistivity, hall) in
        [(0.1, 9.60747762e-3, -3.58200800e-3), (1.0, 1.01149162e-2, -3.54297427e-3)]
    {
        close(two_kinds(field).0, resistivity, 1e-8);
        close(two_kinds(field).1, hall, 1e-8);
        // The resistivity is even in the field, the Hall voltage odd.
        close(two_kinds(-field).0, resistivity, 1e-8);
        close(two_kinds(-field).1, hall, 1e-8);
    }
}

#[test]
fn the_hall_coefficient_changes_sign_once_in_a_sweep_of_the_field() {
    let signs: Vec<bool> = (0..400).map(|step| two_kinds(0.01 * 1.03f64.powi(step)).1 > 0.0).collect();
    assert_eq!(signs.windows(2).filter(|pair| pair[0] != pair[1]).count(), 1);
    assert!(!signs[0] && signs[399]);
}

#[test]
fn one_kind_alone_has_no_magnetoresistance_and_its_hall_factor_at_once() {
    for field in [-3.0, 0.2, 7.0] {
        let transport = in_field(&[carrier(Sign::Negative, 2e22, 0.14, 1.18)], Tesla(field));
        close(transport.resistivity_ohm_m, 1.0 / (2e22 * ELEMENTARY_CHARGE * 0.14), 1e-14);
        close(transport.tan_hall, -1.18 * 0.14 * field, 1e-14);
    }
}

#[test]
fn no_carriers_do_not_conduct() {
    let none = in_field(&[carrier(Sign::Negative, 0.0, 0.1, 1.0)], Tesla(1.0));
    assert_eq!(none.resistivity_ohm_m, f64::INFINITY);
    assert_eq!(none.tan_hall, 0.0);
}

#[test]
fn constants_are_those_of_the_si_and_of_the_theory_of_scattering() {
    assert_eq!(ELEMENTARY_CHARGE, 1.602176634e-19);
    assert_eq!(BOLTZMANN, 1.380649e-23);
    close(BOLTZMANN_EV * 300.0, 0.025851999786, 1e-10);
    // r = ⟨τ²⟩/⟨τ⟩² with τ ∝ E^s is Γ(2s + 5/2)·Γ(5/2)/Γ(s + 5/2)², s = −1/2 and 3/2 (R. A. Smith 1959).
    close(HALL_FACTOR_ACOUSTIC, 1.17809724510, 1e-11);
    close(HALL_FACTOR_IONISED, 1.93281579274, 1e-11);
}

#[test]
fn fermi_dirac_integrals_have_their_exact_values() {
    // −Li_{3/2}(−e^η), computed with thirty digits by other code.
    for (eta, exact) in [
        (-10.0, 4.539920105264133e-5),
        (-2.0, 0.1292985133200756),
        (0.0, 0.7651470246254079),
        (1.999, 2.822257191897021),
        (2.001, 2.825185781057499),
        (7.5, 15.7962899021874),
        (60.0, 349.7353379459762),
    ] {
        close(fermi_dirac_half(eta), exact, 1e-12);
    }
}
