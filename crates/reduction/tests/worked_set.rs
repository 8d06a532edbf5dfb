//! The complete set of sixteen voltages of one n-type film, and the arithmetic of the quantum Hall effect.
//!
//! The set is computed, not published: n = 1e16 cm⁻³, µ = 1200 cm²/(V·s), t = 0.05 cm, I = 1 mA, |B| = 5000 G,
//! R_A/R_B = 1.5, thermoelectric potentials between the contacts e12 = −20, e23 = +12, e34 = +20, e41 = −12 µV, from
//! the equation of van der Pauw (Philips Research Reports 13, 1958), E = R_H B × J and Kirchhoff's laws; voltages
//! rounded to 1e-6 µV. Constants of the SI of 2019.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_experiment::Reading;
use quadrille_quantity::Estimate;
use quadrille_reduction::{CarrierType, Options, Reduced, Specimen, reduce};
use support::{close, named, reading};

/// Configuration, field in T, microvolts.
const SET: [(&str, f64, f64); 16] = [
    ("21,34", 0.0, 2813.343836),
    ("12,43", 0.0, 2773.343836),
    ("32,41", 0.0, 1850.229224),
    ("23,14", 0.0, 1874.229224),
    ("43,12", 0.0, 2773.343836),
    ("34,21", 0.0, 2813.343836),
    ("14,23", 0.0, 1874.229224),
    ("41,32", 0.0, 1850.229224),
    ("13,24", 0.5, -1523.265519),
    ("31,42", 0.5, -1587.265519),
    ("42,13", 0.5, 298.963705),
    ("24,31", 0.5, 314.963705),
    ("13,24", -0.5, -274.963705),
    ("31,42", -0.5, -338.963705),
    ("42,13", -0.5, 1547.265519),
    ("24,31", -0.5, 1563.265519),
];

const CURRENT_A: f64 = 1e-3;
const THICKNESS_M: f64 = 0.05e-2;

fn readings() -> Vec<Reading> {
    let one = |(k, (configuration, field, microvolts)): (usize, &(&str, f64, f64))| {
        reading(configuration.parse().unwrap(), CURRENT_A, microvolts * 1e-6, *field, k as f64)
    };
    SET.iter().enumerate().map(one).collect()
}

fn reduced(readings: &[Reading]) -> Reduced {
    let specimen = Specimen { thickness: Some(Estimate::exact(THICKNESS_M)) };
    reduce(readings, &specimen, &Options::default()).unwrap()
}

#[test]
fn the_worked_set_gives_back_what_it_was_made_of() {
    let results = reduced(&readings()).results;
    let value = |estimate: Option<Estimate>| estimate.unwrap().value;
    close("Rs", value(results.sheet_resistance_ohm), 10.4025151241, 1e-9);
    close("rho", value(results.resistivity_ohm_m), 0.5201257562e-2, 1e-9);
    close("R_H", value(results.hall_coefficient_m3_per_c), -624.1509074461e-6, 1e-9);
    close("n_s", value(results.sheet_carrier_density_per_m2), 5.000e18, 1e-9);
    close("n", value(results.carrier_density_per_m3), 1.000e22, 1e-9);
    close("mobility", value(results.mobility_m2_per_v_s), 0.12, 1e-9);
    assert_eq!(results.carrier_type, Some(CarrierType::N));
    // R_H = t slope, and the sum of the four differences V(+B) − V(−B) is 8 I B slope.
    let sum = value(results.hall_coefficient_m3_per_c) / THICKNESS_M * 8.0 * CURRENT_A * 0.5;
    // The eight voltages of it are rounded to 1e-6 µV, so that theirs may be off by 4e-6 µV from the exact sum.
    assert!((sum * 1e6 + 4993.207260).abs() <= 4e-6, "{sum}");
}

#[test]
fn the_equations_of_the_standard_give_the_same() {
    // ASTM F76 (from memory): ρ_A = π t f_A/(4 ln 2 I) · [V21,34 − V12,34 + V32,41 − V23,41], likewise ρ_B;
    // R_HC = 2.5e3 t/(B I) · [V31,42(+) − V13,42(+) + V13,42(−) − V31,42(−)] in cm³/C with t in cm, B in T.
    let volt = |configuration: &str, field: f64| {
        SET.iter().find(|(c, b, _)| *c == configuration && *b == field).unwrap().2 * 1e-6
    };
    // f at Q = 1.5, computed from cosh{[(Q−1)/(Q+1)] ln2/f} = exp(ln2/f)/2.
    let factor = 0.985986102189267;
    let constant = std::f64::consts::PI / (4.0 * std::f64::consts::LN_2);
    let bracket = volt("21,34", 0.0) + volt("12,43", 0.0) + volt("32,41", 0.0) + volt("23,14", 0.0);
    let rho_a = constant * factor * 0.05 / CURRENT_A * bracket;
    let results = reduced(&readings()).results;
    close("rho", results.resistivity_ohm_m.unwrap().value * 100.0, rho_a, 1e-10);

    let c = volt("31,42", 0.5) + volt("13,24", 0.5) - volt("13,24", -0.5) - volt("31,42", -0.5);
    let d = volt("42,13", 0.5) + volt("24,31", 0.5) - volt("24,31", -0.5) - volt("42,13", -0.5);
    let mean = 2.5e3 * 0.05 / (0.5 * CURRENT_A) * (c + d) / 2.0;
    close("R_H", results.hall_coefficient_m3_per_c.unwrap().value * 1e6, mean, 1e-12);
}

#[test]
fn the_checks_of_the_worked_set_are_passed_with_its_thermoelectric_offsets_seen() {
    let reduced = reduced(&readings());
    assert!(reduced.accepted(), "{:?}", reduced.checks);
    // 40 µV of 2793.343836 µV and 24 µV of 1862.229224 µV.
    close("12|34", named(&reduced, "reversal 12|34").measured, 40.0 / 2793.343836, 1e-9);
    close("34|12", named(&reduced, "reversal 34|12").measured, 40.0 / 2793.343836, 1e-9);
    close("23|14", named(&reduced, "reversal 23|14").measured, 24.0 / 1862.229224, 1e-9);
    close("14|23", named(&reduced, "reversal 14|23").measured, 24.0 / 1862.229224, 1e-9);
    for name in ["reciprocity A", "reciprocity B", "pair agreement", "hall pair agreement"] {
        assert!(named(&reduced, name).measured < 1e-9, "{name}");
    }
    assert_eq!(named(&reduced, "current reversal measured").measured, 1.0);
    assert_eq!(reduced.checks.len(), 10, "{:?}", reduced.checks);
}

#[test]
fn contacts_numbered_clockwise_turn_the_sign_of_the_carriers() {
    let mirrored: Vec<Reading> = readings()
        .into_iter()
        .map(|mut reading| {
            let numbers = reading.configuration.contacts().map(|contact| 5 - contact.number());
            let [a, b, c, d] = numbers;
            reading.configuration = quadrille_experiment::Configuration::new(a, b, c, d).unwrap();
            reading
        })
        .collect();
    let (here, there) = (reduced(&readings()).results, reduced(&mirrored).results);
    let coefficient =
        |results: quadrille_reduction::Results| results.hall_coefficient_m3_per_c.unwrap().value;
    close("R_H", coefficient(there), -coefficient(here), 1e-14);
    close("Rs", there.sheet_resistance_ohm.unwrap().value, here.sheet_resistance_ohm.unwrap().value, 1e-14);
    assert_eq!(there.carrier_type, Some(CarrierType::P));
}

#[test]
fn the_results_are_serialised_under_their_keys() {
    let json = serde_json::to_value(reduced(&readings())).unwrap();
    let keys: Vec<&str> = json["results"].as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(
        keys,
        [
            "sheet_resistance_ohm",
            "resistivity_ohm_m",
            "hall_coefficient_m3_per_c",
            "sheet_carrier_density_per_m2",
            "carrier_density_per_m3",
            "mobility_m2_per_v_s",
            "carrier_type"
        ]
    );
    assert_eq!(json["results"]["carrier_type"], "n");
    assert!(json["results"]["mobility_m2_per_v_s"]["standard_uncertainty"].is_number());
    let check: Vec<&str> = json["checks"][0].as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(check, ["name", "measured", "limit", "passed"]);
    assert!(json["method"].as_str().unwrap().starts_with("quadrille-reduction "));
}

#[test]
fn without_thickness_sheet_values_and_mobility_remain() {
    let reduced = reduce(&readings(), &Specimen::default(), &Options::default()).unwrap();
    let results = reduced.results;
    close("n_s", results.sheet_carrier_density_per_m2.unwrap().value, 5.0e18, 1e-9);
    close("mobility", results.mobility_m2_per_v_s.unwrap().value, 0.12, 1e-9);
    let json = serde_json::to_value(results).unwrap();
    for key in ["resistivity_ohm_m", "hall_coefficient_m3_per_c", "carrier_density_per_m3"] {
        assert!(json.get(key).is_none(), "{key}");
    }
    assert!(reduced.remarks.iter().any(|remark| remark.starts_with("no thickness")), "{:?}", reduced.remarks);
}

#[test]
fn a_quantum_hall_plateau_gives_the_density_of_its_centre() {
    // R_K = h/e² = 25812.807459304507 Ω; the plateau i = 2 of n_s = 5e15 m⁻² is centred at B = n_s h/(2e).
    let (r_k, field, current) = (25812.807459304507, 10.339169242310, 1e-6);
    let readings: Vec<Reading> = [field, -field]
        .into_iter()
        .flat_map(|b| {
            ["13,24", "42,13"].into_iter().flat_map(move |configuration| {
                [current, -current].map(|i| {
                    let voltage = -i * r_k / 2.0 * f64::signum(b) + 3e-6;
                    reading(configuration.parse().unwrap(), i, voltage, b, 0.0)
                })
            })
        })
        .collect();
    let reduced = reduce(&readings, &Specimen::default(), &Options::default()).unwrap();
    close("n_s", reduced.results.sheet_carrier_density_per_m2.unwrap().value, 5.000e15, 1e-12);
    assert_eq!(reduced.results.carrier_type, Some(CarrierType::N));
    assert_eq!(reduced.results.sheet_resistance_ohm, None);
}
