//! What is not physical is refused, by the key of the document that says it; and hard parameters still have a balance.

use proptest::prelude::*;
use quadrille_material::{Material, MaterialError, preset_names};
use quadrille_quantity::{Kelvin, Tesla};

fn material(kind: &str, preset: Option<&str>, keys: &[(&str, f64)]) -> Result<Material, MaterialError> {
    // The last of a key counts, so that a test can append what it changes.
    let given = |key: &str| keys.iter().rev().find(|(name, _)| *name == key).map(|&(_, value)| value);
    Material::from_parameters(kind, preset, given)
}

const CRYSTAL: [(&str, f64); 11] = [
    ("donors_per_m3", 2e21),
    ("donor_ev", 0.05),
    ("acceptors_per_m3", 3e20),
    ("acceptor_ev", 0.07),
    ("conduction_states_per_m3", 1e25),
    ("valence_states_per_m3", 2e25),
    ("gap_ev", 0.9),
    ("electron_mobility_m2_per_v_s", 0.2),
    ("electron_exponent", 2.0),
    ("hole_mobility_m2_per_v_s", 0.06),
    ("hole_exponent", 2.2),
];

#[track_caller]
fn refused(kind: &str, preset: Option<&str>, keys: &[(&str, f64)], parameter: &str) {
    let error = material(kind, preset, keys).expect_err(parameter);
    assert_eq!(error.parameter, parameter, "{error}");
    assert!(!error.problem.is_empty() && !error.remedy.is_empty());
}

#[test]
fn a_crystal_by_its_parameters_is_accepted() {
    assert!(material("semiconductor", None, &CRYSTAL).is_ok());
}

#[test]
fn each_parameter_that_is_missing_is_named() {
    for missing in CRYSTAL.map(|(key, _)| key) {
        if missing == "acceptors_per_m3" || missing == "donors_per_m3" {
            continue;
        }
        let rest: Vec<_> = CRYSTAL.into_iter().filter(|(key, _)| *key != missing).collect();
        refused("semiconductor", None, &rest, missing);
    }
    refused("semiconductor", None, &CRYSTAL[4..], "donors_per_m3");
    refused("semiconductor", Some("Si:B"), &[("donors_per_m3", 1e20)], "acceptors_per_m3");
}

#[test]
fn what_is_not_physical_is_named() {
    for (key, value) in [
        ("donors_per_m3", -1e20),
        ("acceptors_per_m3", f64::NAN),
        ("donor_ev", -0.05),
        ("acceptor_ev", 0.9),
        ("donor_degeneracy", 0.0),
        ("acceptor_degeneracy", 1e9),
        ("gap_ev", 0.0),
        ("conduction_states_per_m3", 0.0),
        ("valence_states_per_m3", f64::INFINITY),
        ("electron_mobility_m2_per_v_s", 0.0),
        ("hole_mobility_m2_per_v_s", -0.1),
        ("electron_exponent", 99.0),
        ("hole_exponent", -2.2),
        ("electron_impurity_exponent", 1.5),
        ("hall_factor", 0.0),
        // As many as donors.
        ("acceptors_per_m3", 2e21),
    ] {
        let keys: Vec<_> = CRYSTAL.into_iter().chain([(key, value)]).collect();
        refused("semiconductor", None, &keys, key);
    }
    let impurity = ("hole_impurity_mobility_m2_per_v_s", 0.5);
    let keys: Vec<_> = CRYSTAL.into_iter().chain([impurity, ("hole_impurity_exponent", 99.0)]).collect();
    refused("semiconductor", None, &keys, "hole_impurity_exponent");
}

#[test]
fn an_impurity_mobility_without_exponent_goes_as_conwell_and_weisskopf_have_it() {
    let impurity = ("electron_impurity_mobility_m2_per_v_s", 0.3);
    let silent: Vec<_> = CRYSTAL.into_iter().chain([impurity]).collect();
    let said: Vec<_> = silent.iter().copied().chain([("electron_impurity_exponent", 1.5)]).collect();
    let [silent, said] = [silent, said].map(|keys| {
        let crystal = material("semiconductor", None, &keys).expect("physical");
        crystal.transport(Kelvin(120.0), Tesla(0.2)).expect("it conducts")
    });
    assert_eq!(silent, said);
    // Electrons alone at 120 K: 1/μ = 1/(0.2·0.4⁻²) + 1/(0.3·0.4^1.5).
    let mobility = 1.0 / (1.0 / (0.2 * 0.4f64.powi(-2)) + 1.0 / (0.3 * 0.4f64.powf(1.5)));
    assert!((silent.tan_hall / (-0.2 * mobility) - 1.0).abs() < 1e-9);
}

#[test]
fn what_is_written_beside_a_preset_replaces_its_number() {
    let written = [("donors_per_m3", 1e22), ("electron_mobility_m2_per_v_s", 0.07), ("hall_factor", 1.2)];
    let [published, changed] = [&written[..1], &written[..]].map(|keys| {
        let crystal = material("semiconductor", Some("Si:Sb"), keys).expect("physical");
        crystal.transport(Kelvin(300.0), Tesla(1.0)).expect("it conducts")
    });
    let inverse = |tangent: f64, factor: f64| -factor / tangent;
    let added = inverse(changed.tan_hall, 1.2) - inverse(published.tan_hall, 1.0);
    assert!((added / (1.0 / 0.07 - 1.0 / 0.1414) - 1.0).abs() < 1e-6, "{added}");
}

#[test]
fn what_is_published_of_a_preset_ends_where_somebody_writes_a_law_of_their_own() {
    let span = |keys: &[(&str, f64)]| {
        let keys: Vec<_> = [("donors_per_m3", 1e21)].into_iter().chain(keys.iter().copied()).collect();
        material("semiconductor", Some("Ge:As"), &keys).expect("physical").temperature_span()
    };
    assert!(span(&[("hall_factor", 1.1), ("acceptors_per_m3", 1e19)]).is_some());
    assert!(span(&[("electron_exponent", 1.5)]).is_none());
    let copper = |keys: &[(&str, f64)]| material("metal", Some("copper"), keys).expect("physical");
    assert!(copper(&[("residual_resistivity_ohm_m", 1e-10)]).temperature_span().is_some());
    assert!(copper(&[("debye_k", 300.0)]).temperature_span().is_none());
    assert!(material("semiconductor", None, &CRYSTAL).expect("physical").temperature_span().is_none());
}

#[test]
fn a_crystal_named_by_its_dopant_has_more_of_that_than_of_the_other() {
    let compensated = [("donors_per_m3", 1e21), ("acceptors_per_m3", 1.2e21)];
    refused("semiconductor", Some("Si:P"), &compensated, "acceptors_per_m3");
    assert!(material("semiconductor", Some("Si:B"), &compensated).is_ok());
}

#[test]
fn above_the_transition_to_a_metal_a_preset_wants_its_dopants_ionised() {
    refused("semiconductor", Some("Si:P"), &[("donors_per_m3", 1e25)], "donors_per_m3");
    let ionised = material("semiconductor", Some("Si:P"), &[("donors_per_m3", 1e25), ("donor_ev", 0.0)]);
    let carriers = ionised.expect("a metal").carriers(Kelvin(1.0)).expect("a balance").expect("carriers");
    assert!((carriers.electrons_per_m3 / 1e25 - 1.0).abs() < 1e-9);
}

#[test]
fn metals_and_hopping_conductors_name_what_is_wrong() {
    let linear = [
        ("resistivity_ohm_m", 1e-7),
        ("reference_k", 293.0),
        ("temperature_coefficient_per_k", 4e-3),
        ("hall_coefficient_m3_per_c", -1e-10),
    ];
    assert!(material("metal", None, &linear).is_ok());
    for (key, value, named) in [
        ("resistivity_ohm_m", 0.0, "resistivity_ohm_m"),
        ("reference_k", -5.0, "reference_k"),
        ("hall_coefficient_m3_per_c", 40.0, "hall_coefficient_m3_per_c"),
        ("debye_k", 300.0, "temperature_coefficient_per_k"),
        ("residual_resistivity_ohm_m", 1e-9, "residual_resistivity_ohm_m"),
    ] {
        let keys: Vec<_> = linear.into_iter().chain([(key, value)]).collect();
        refused("metal", None, &keys, named);
    }
    refused("metal", Some("copper"), &[("residual_resistivity_ohm_m", 1e-7)], "residual_resistivity_ohm_m");
    refused("metal", Some("copper"), &[("debye_k", 0.0)], "debye_k");
    refused("metal", Some("unobtainium"), &[], "preset");
    refused("hopping", Some("copper"), &[], "preset");
    refused("glass", None, &[], "type");
    let hopping = [
        ("resistivity_ohm_m", 1e-3),
        ("characteristic_k", 100.0),
        ("exponent", 0.25),
        ("hall_mobility_m2_per_v_s", 0.0),
    ];
    assert!(material("hopping", None, &hopping).is_ok());
    for (key, value) in [("exponent", 99.0), ("characteristic_k", 0.0), ("resistivity_ohm_m", -1.0)] {
        let keys: Vec<_> = hopping.into_iter().chain([(key, value)]).collect();
        refused("hopping", None, &keys, key);
    }
}

#[test]
fn no_temperature_is_refused_as_one() {
    let crystal = material("semiconductor", None, &CRYSTAL).expect("physical");
    for kelvin in [0.0, -4.0, f64::NAN, f64::INFINITY] {
        assert_eq!(crystal.carriers(Kelvin(kelvin)).expect_err("none").parameter, "temperature");
        assert_eq!(crystal.transport(Kelvin(kelvin), Tesla(0.0)).expect_err("none").parameter, "temperature");
    }
    assert_eq!(crystal.transport(Kelvin(300.0), Tesla(f64::NAN)).expect_err("none").parameter, "field");
}

#[test]
fn a_gap_that_closes_is_told() {
    let crystal = material("semiconductor", Some("InSb"), &[("donors_per_m3", 1e21)]).expect("physical");
    assert_eq!(crystal.transport(Kelvin(800.0), Tesla(0.0)).expect_err("closed").parameter, "gap_ev");
}

#[test]
fn every_preset_conducts_where_it_is_published() {
    for kind in ["semiconductor", "metal"] {
        for name in preset_names(kind) {
            let keys = [("donors_per_m3", 3e20), ("acceptors_per_m3", 1e20)];
            let swapped = [("donors_per_m3", 1e20), ("acceptors_per_m3", 3e20)];
            let made = material(kind, Some(name), &keys).or(material(kind, Some(name), &swapped));
            let material = made.expect(name);
            let span = material.temperature_span().expect("published");
            for part in [0.0, 0.3, 1.0] {
                let kelvin = span.from + (span.to - span.from) * part;
                let transport = material.transport(kelvin, Tesla(0.7)).expect(name);
                assert!(transport.resistivity_ohm_m > 0.0 && transport.tan_hall.is_finite());
            }
        }
    }
}

proptest! {
    #[test]
    fn charges_balance_from_1_k_to_2000_k_whatever_the_crystal(
        kelvin in 1.0..2000f64,
        donors in 16.0..27f64,
        acceptors in 16.0..27f64,
        donor_ev in 0.001..0.3f64,
        acceptor_ev in 0.001..0.3f64,
        gap_ev in 0.31..6f64,
        states in 22.0..26f64,
    ) {
        let (donors, acceptors) = (10f64.powf(donors), 10f64.powf(acceptors));
        prop_assume!((donors / acceptors - 1.0).abs() > 1e-3);
        let states = 10f64.powf(states);
        let changed = [
            ("donors_per_m3", donors),
            ("acceptors_per_m3", acceptors),
            ("donor_ev", donor_ev),
            ("acceptor_ev", acceptor_ev),
            ("gap_ev", gap_ev),
            ("conduction_states_per_m3", states),
            ("valence_states_per_m3", 3.0 * states),
        ];
        let keys: Vec<_> = CRYSTAL.into_iter().chain(changed).collect();
        let crystal = material("semiconductor", None, &keys).expect("physical");
        let carriers = crystal.carriers(Kelvin(kelvin)).expect("a balance").expect("carriers");
        let (n, p) = (carriers.electrons_per_m3, carriers.holes_per_m3);
        prop_assert!(n.is_finite() && p.is_finite() && n >= 0.0 && p >= 0.0);
        // Ionised impurities are no more than there are: p − n lies between the two.
        let rounding = 1e-9 * (n + p + donors + acceptors);
        prop_assert!(n - p <= donors + rounding && p - n <= acceptors + rounding);
        // Fermi's statistics put no more into the bands than Boltzmann's, n·p ≤ N_c·N_v·exp(−E_g/kT): in logarithms,
        // for the right side may be too small for a number.
        if n > 1e-300 && p > 1e-300 {
            let boltzmann = 3f64.ln() + 2.0 * states.ln() + 3.0 * (kelvin / 300.0).ln()
                - gap_ev / (quadrille_material::BOLTZMANN_EV * kelvin);
            prop_assert!(n.ln() + p.ln() <= boltzmann + 1e-9);
        }
    }
}
