//! What a bench and a sample are told that makes them hard to measure: right documents, and what wrong ones are answered
//! with, line and remedy.
#![allow(clippy::unwrap_used)]

use quadrille_documents::{Absorption, Barrier, Disturbances, Light, bench, sample};

fn config(path: &str) -> String {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/");
    std::fs::read_to_string(format!("{root}{path}")).unwrap()
}

/// The demonstration's bench with keys of `[simulation.disturbances]`, which is its last table.
fn disturbed(keys: &str) -> (String, usize) {
    let text = format!("{}[simulation.disturbances]\n", config("demo/bench.toml"));
    let line = text.lines().count() + 1;
    (format!("{text}{keys}\n"), line)
}

/// The gigohm standard of four contacts with keys of `[model.imperfections]`, and the line of the first.
fn imperfect(keys: &str) -> (String, usize) {
    let text = format!("{}[model.imperfections]\n", config("demo/standard-high.toml"));
    let line = text.lines().count() + 1;
    (format!("{text}{keys}\n"), line)
}

#[track_caller]
fn told(faults: &str, name: &str, line: usize, expected: &[&str]) {
    let place = format!("{name}:{line}:");
    assert!(
        faults
            .lines()
            .any(|fault| fault.starts_with(&place) && expected.iter().all(|part| fault.contains(part))),
        "{place} with {expected:?} is not said in:\n{faults}"
    );
}

#[track_caller]
fn wrong_bench(keys: &str, further: isize, expected: &[&str]) {
    let (text, line) = disturbed(keys);
    let faults = bench("bench.toml", &text, |_| Ok(())).expect_err("the document is wrong").to_string();
    told(&faults, "bench.toml", line.strict_add_signed(further), expected);
}

#[track_caller]
fn wrong_sample(keys: &str, further: isize, expected: &[&str]) {
    let (text, line) = imperfect(keys);
    let faults = sample("sample.toml", &text).expect_err("the document is wrong").to_string();
    told(&faults, "sample.toml", line.strict_add_signed(further), expected);
}

#[test]
fn every_disturbance_is_read() {
    let keys = "absorption = 0.02\nabsorption_s = 3\ndrift_v = 1e-7\ndrift_s = 300\nmains_v = 2e-3\n\
        mains_a = 1e-9\nmains_off_hz = -0.05\nsource_s = 0.01\njohnson_noise = true";
    let found = bench("bench.toml", &disturbed(keys).0, |_| Ok(())).unwrap().disturbances;
    let expected = Disturbances {
        absorption: Some(Absorption { part: 0.02, time_s: 3.0 }),
        drift_v: 1e-7,
        drift_s: 300.0,
        mains_v: 2e-3,
        mains_a: 1e-9,
        mains_off_hz: -0.05,
        source_s: 0.01,
        johnson: true,
    };
    assert_eq!(found, expected);
    let none = bench("bench.toml", &config("demo/bench.toml"), |_| Ok(())).unwrap().disturbances;
    assert_eq!((none.absorption, none.johnson, none.mains_v), (None, false, 0.0));
}

#[test]
fn every_imperfection_is_read() {
    let keys = "leak_ohm = [0, 1e12, 0, 2e12]\nleak_to_ground_ohm = [1e13, 0, 0, 0]\ncapacitance_f = 1e-12\n\
        contact_noise_ohm = [1, 2, 3, 4]\nexcess_noise_ohm = [4, 3, 2, 1]\ntemperature_coefficient_per_k = -0.004\n\
        heating_k_per_w = 50\nheating_s = 2\nettingshausen = 0.01\n\
        ettingshausen_s = 3\nheat_flow_v_per_t = [1e-6, 2e-6, 0, -1e-6]\nseebeck_v = [0, 1e-6, 2e-6, 5e-6]\n\
        light_factor = 3\nlight_from_s = 10\nlight_to_s = 20\n[[model.imperfections.barrier]]\ncontact = 3\n\
        saturation_a = 1e-12\nideality = 1.4\nleak_ohm = 1e9\neasy = \"out\"";
    let found = sample("sample.toml", &imperfect(keys).0).unwrap().imperfections;
    assert_eq!(found.leak_ohm, [0.0, 1e12, 0.0, 2e12]);
    assert_eq!(found.leak_to_ground_ohm, [1e13, 0.0, 0.0, 0.0]);
    assert_eq!(found.contact_noise_ohm, [1.0, 2.0, 3.0, 4.0]);
    assert_eq!(found.excess_noise_ohm, [4.0, 3.0, 2.0, 1.0]);
    assert_eq!(found.temperature_coefficient_per_k, -0.004);
    assert_eq!(found.capacitance_f, 1e-12);
    let heating = found.heating.unwrap();
    assert_eq!((heating.kelvin_per_w, heating.time_s), (50.0, 2.0));
    let heat = found.thermomagnetic.unwrap();
    assert_eq!((heat.ettingshausen, heat.time_s), (0.01, 3.0));
    assert_eq!(heat.heat_flow_v_per_t, [1e-6, 2e-6, 0.0, -1e-6]);
    assert_eq!(heat.seebeck_v, [0.0, 1e-6, 2e-6, 5e-6]);
    assert_eq!(found.light, Some(Light { factor: 3.0, from_s: 10.0, to_s: 20.0 }));
    let barrier = Barrier { saturation_a: 1e-12, ideality: 1.4, leak_ohm: 1e9, is_easy_out: true };
    assert_eq!(found.barriers, [None, None, Some(barrier), None]);
}

#[test]
fn half_a_pair_is_told_with_what_is_missing() {
    // What is missing has no line of its own: that of its table is told.
    for (key, missing) in [
        ("absorption = 0.1", "`absorption_s` is missing"),
        ("absorption_s = 2", "`absorption` is missing"),
        ("drift_v = 1e-6", "`drift_s` is missing"),
    ] {
        wrong_bench(key, -1, &[missing, "write it beside"]);
    }
    for (key, missing) in [
        ("heating_k_per_w = 10", "`heating_s` is missing"),
        ("ettingshausen_s = 1", "`ettingshausen` is missing"),
        ("light_factor = 2\nlight_from_s = 1", "`light_to_s` is missing"),
        ("light_from_s = 1\nlight_to_s = 2", "`light_factor` is missing"),
    ] {
        wrong_sample(key, -1, &[missing, "write"]);
    }
}

#[test]
fn a_list_of_another_length_than_the_contacts_is_told() {
    for key in [
        "leak_ohm",
        "leak_to_ground_ohm",
        "contact_noise_ohm",
        "excess_noise_ohm",
        "heat_flow_v_per_t",
        "seebeck_v",
    ] {
        let keys = format!("capacitance_f = 1e-12\n{key} = [1, 2, 3]");
        wrong_sample(&keys, 1, &[key, "3 entries for 4 contacts", "write one for each contact"]);
    }
}

#[test]
fn impossible_numbers_are_told_with_their_bounds() {
    for key in [
        "absorption = 1.5\nabsorption_s = 1",
        "mains_v = -1",
        "mains_a = 2",
        "source_s = -0.1",
        "drift_v = \"1\"\ndrift_s = 1",
        "absorption = 0.1\nabsorption_s = 0",
    ] {
        let further = isize::from(key.ends_with("absorption_s = 0"));
        wrong_bench(key, further, &["write a number"]);
    }
    wrong_bench("mains_off_hz = 50", 0, &["mains_off_hz", "write a number"]);
    wrong_sample("temperature_coefficient_per_k = 1", 0, &["write a number"]);
    wrong_sample(
        "leak_ohm = [0, 1e-6, 0, 0]",
        0,
        &["1e-6 ohm are a short circuit", "or 0 where nothing leaks"],
    );
    wrong_bench("johnson_noise = 1", 0, &["johnson_noise", "true"]);
    for key in [
        "capacitance_f = -1e-12",
        "leak_ohm = [1, 2, -3, 4]",
        "heating_k_per_w = 1\nheating_s = 0",
        "ettingshausen = 2\nettingshausen_s = 1",
        "light_factor = 0",
    ] {
        let further = isize::from(key.ends_with("heating_s = 0"));
        wrong_sample(key, further, &["write a number"]);
    }
    wrong_sample(
        "light_factor = 2\nlight_from_s = 5\nlight_to_s = 5",
        0,
        &["the light goes off before it goes on", "write light_to_s after light_from_s"],
    );
}

#[test]
fn a_barrier_needs_its_contact_and_its_figures_and_stands_once() {
    let barrier = |keys: &str| format!("[[model.imperfections.barrier]]\n{keys}");
    let whole = "contact = 2\nsaturation_a = 1e-12\nleak_ohm = 1e9\n";
    wrong_sample(&barrier("contact = 5\nsaturation_a = 1e-12\nleak_ohm = 1e9"), 1, &["contact", "write"]);
    wrong_sample(&barrier("contact = 2\nsaturation_a = 1e-12"), 0, &["`leak_ohm` is missing"]);
    wrong_sample(&barrier(&format!("{whole}ideality = 0.5")), 4, &["ideality", "write a number from 1e0"]);
    wrong_sample(&barrier(&format!("{whole}easy = \"up\"")), 4, &["easy", "in", "out"]);
    wrong_sample(
        &format!("{}{}", barrier(whole), barrier(whole)),
        5,
        &["contact 2 has a barrier already", "write one for a contact"],
    );
}

#[test]
fn a_misspelt_effect_is_told_with_the_nearest() {
    wrong_bench("mains_volt = 1", 0, &["unknown key `mains_volt`"]);
    wrong_bench("johnson_nois = true", 0, &["did you mean `johnson_noise`?"]);
    wrong_sample("seebeck_u = [1, 2, 3, 4]", 0, &["did you mean `seebeck_v`?"]);
}
