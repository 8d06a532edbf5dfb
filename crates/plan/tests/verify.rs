//! The proof of a bench on a standard: what is predicted, how far off it may be, and what is judged.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_documents::Switch::{ByResistance, Off};
use quadrille_experiment::{Condition, MeterReading, Reading, STANDARD};
use quadrille_plan::{Judgement, Prediction, Verification, judge};
use quadrille_quantity::{Ampere, Kelvin, Ohm, Second, Tesla, Volt};
use support::{demo_sample, equipped, ring};

const RING: [f64; 4] = [10e3, 15e3, 22e3, 33e3];

fn predictions(ohms: [f64; 4]) -> Vec<Prediction> {
    Verification::new(&equipped(), &ring(ohms, ""), ByResistance, ByResistance).unwrap().predictions
}

#[track_caller]
fn near(found: Ohm, expected: f64, relative: f64) {
    assert!((found.0 / expected - 1.0).abs() < relative, "{found:?}, not {expected}");
}

// Current into a ring at one resistor flows the long way in the part of that resistor over the whole: the opposite
// resistor sees R_12,43 = ab cd / (ab + bc + cd + da) (Kirchhoff).
#[test]
fn a_ring_reads_the_product_of_opposite_resistors_over_their_sum() {
    let predictions = predictions(RING);
    assert_eq!(predictions.iter().map(|p| p.configuration).collect::<Vec<_>>(), STANDARD);
    for prediction in predictions {
        let along =
            ["21,34", "12,43", "43,12", "34,21"].contains(&prediction.configuration.to_string().as_str());
        near(prediction.resistance, if along { 10e3 * 22e3 / 80e3 } else { 15e3 * 33e3 / 80e3 }, 1e-12);
    }
}

// d ln R / d ln ab = 1 - ab/S, the same for cd; -bc/S and -da/S: with S = 80 kohm the magnitudes sum to 2.2, and with
// the pairs exchanged to 1.8.
#[test]
fn a_tolerance_is_the_sum_of_what_each_resistor_may_change() {
    for prediction in predictions(RING) {
        let along =
            ["21,34", "12,43", "43,12", "34,21"].contains(&prediction.configuration.to_string().as_str());
        near(prediction.tolerance, if along { 1e-3 * 2750.0 * 2.2 } else { 1e-3 * 6187.5 * 1.8 }, 1e-9);
    }
}

#[test]
fn a_tolerance_is_what_finite_differences_of_the_predictions_say() {
    let step = 1e-4;
    let moved = |k: usize, factor: f64| {
        let mut ohms = RING;
        ohms[k] *= factor;
        predictions(ohms)
    };
    let ends: Vec<_> = (0..4).map(|k| (moved(k, 1.0 + step), moved(k, 1.0 - step))).collect();
    for (at, prediction) in predictions(RING).into_iter().enumerate() {
        let slopes =
            ends.iter().map(|(up, down)| (up[at].resistance.0 - down[at].resistance.0) / (2.0 * step));
        near(prediction.tolerance, slopes.map(f64::abs).sum::<f64>() * 1e-3, 1e-6);
    }
}

#[test]
fn only_a_network_can_prove_a_bench() {
    let film = demo_sample("film.toml");
    let faults = Verification::new(&equipped(), &film, ByResistance, ByResistance).unwrap_err().to_string();
    assert!(faults.starts_with("film.toml:4:8: name: a bench is proved on a standard"), "{faults}");
    let text = "kind = \"sample\"\nname = \"three\"\ncontacts = [\"a\", \"b\", \"c\"]\n[model]\ntype = \"network\"\n\
        resistors = [[\"a\", \"b\", 1e3], [\"b\", \"c\", 2e3]]\n";
    let three = quadrille_documents::sample("three.toml", text).unwrap();
    let faults = Verification::new(&equipped(), &three, ByResistance, ByResistance).unwrap_err().to_string();
    assert!(faults.contains("a proof needs four contacts"), "{faults}");
}

/// Both polarities of each configuration read, times a factor; on top of an offset that reversal takes away.
fn read(predictions: &[Prediction], factor: f64, own_u: f64) -> Vec<Reading> {
    let reading = |prediction: &Prediction, current: f64| Reading {
        time: Second(1.0),
        temperature: Kelvin(295.0),
        field: Tesla(0.0),
        configuration: prediction.configuration,
        current: MeterReading {
            value: Ampere(current),
            gain_u: 0.0,
            own_u: Ampere(0.0),
            ..MeterReading::default()
        },
        voltage: MeterReading {
            value: Volt(prediction.resistance.0 * factor * current + 3e-3),
            gain_u: 0.0,
            own_u: Volt(own_u),
            ..MeterReading::default()
        },
        condition: Condition::Sound,
    };
    predictions.iter().flat_map(|p| [reading(p, 5e-5), reading(p, -4.9e-5)]).collect()
}

fn passed(judgements: &[Judgement]) -> usize {
    judgements.iter().filter(|judgement| judgement.passed).count()
}

#[test]
fn what_is_within_tolerance_passes_and_what_is_two_per_cent_off_fails() {
    let predictions = predictions(RING);
    // The tolerances are 2.2 and 1.8 parts in a thousand: four configurations each.
    for (factor, expected) in [
        (1.0, 8),
        (1.0017, 8),
        (0.9983, 8),
        (1.002, 4),
        (0.998, 4),
        (1.0023, 0),
        (1.02, 0),
        (0.98, 0),
        (-1.0, 0),
    ] {
        let judgements = judge(&predictions, &read(&predictions, factor, 0.0));
        assert_eq!(passed(&judgements), expected, "{factor}");
        for (judgement, prediction) in judgements.iter().zip(&predictions) {
            near(judgement.measured.unwrap(), factor * prediction.resistance.0, 1e-9);
            assert_eq!((judgement.configuration, judgement.remark.clone()), (prediction.configuration, None));
        }
    }
}

// Two standard uncertainties of the difference of two voltages, sqrt(2) u over a swing of 99 uA.
#[test]
fn the_instruments_own_uncertainty_widens_the_limit() {
    let predictions = predictions(RING);
    let judgements = judge(&predictions, &read(&predictions, 1.0, 1e-3));
    for (judgement, prediction) in judgements.iter().zip(&predictions) {
        let expected = prediction.tolerance.0 + 2.0 * 2f64.sqrt() * 1e-3 / 99e-6;
        near(judgement.limit, expected, 1e-9);
    }
    let mut gains = read(&predictions, 1.0, 0.0);
    for reading in &mut gains {
        (reading.voltage.gain_u, reading.current.gain_u) = (3e-3, 4e-3);
    }
    let judgement = &judge(&predictions, &gains)[0];
    near(judgement.limit, predictions[0].tolerance.0 + 2.0 * 5e-3 * predictions[0].resistance.0, 1e-9);
}

#[test]
fn what_is_no_value_fails_and_is_named() {
    let predictions = predictions(RING);
    for condition in [
        Condition::VoltmeterOverload,
        Condition::AmmeterOverload,
        Condition::NotANumber,
        Condition::Compliance,
    ] {
        let mut readings = read(&predictions, 1.0, 0.0);
        readings[5].condition = condition;
        let judgements = judge(&predictions, &readings);
        assert_eq!(passed(&judgements), 7);
        let bad = &judgements[2];
        assert_eq!((bad.measured, bad.passed), (None, false));
        assert_eq!(bad.remark.as_deref(), Some(format!("no value: {condition}").as_str()));
    }
}

#[test]
fn what_was_not_read_in_both_directions_fails() {
    let predictions = predictions(RING);
    let mut readings = read(&predictions, 1.0, 0.0);
    readings.remove(3);
    readings[0].current.value = Ampere(0.0);
    let judgements = judge(&predictions, &readings);
    for (k, judgement) in judgements.iter().enumerate() {
        assert_eq!(judgement.passed, k > 1);
        let remark = (k <= 1).then(|| "no current returned in one direction or both".to_owned());
        assert_eq!(judgement.remark, remark);
    }
    assert_eq!(passed(&judge(&predictions, &[])), 0);
}

#[test]
fn a_wrong_contact_does_not_pass() {
    let predictions = predictions(RING);
    let mut readings = read(&predictions, 1.0, 0.0);
    // The readings of two neighbouring configurations exchanged: 21,34 and 32,41.
    let (a, b) = (readings[0].configuration, readings[4].configuration);
    for reading in &mut readings {
        if reading.configuration == a {
            reading.configuration = b;
        } else if reading.configuration == b {
            reading.configuration = a;
        }
    }
    assert_eq!(passed(&judge(&predictions, &readings)), 6);
}

#[test]
fn a_proof_does_not_wait_for_leads_that_need_a_minute() {
    let standard = ring([4.7e9, 6.8e9, 10e9, 15e9], "");
    let undriven = Verification::new(&equipped(), &standard, Off, ByResistance).unwrap().plan;
    assert_eq!(undriven.settings(0).settle.pause(), Second(2.0));
    assert!(
        undriven.warnings.iter().any(|warning| warning.contains("a proof waits 2 s")),
        "{:?}",
        undriven.warnings
    );
    let driven = Verification::new(&equipped(), &standard, ByResistance, ByResistance).unwrap().plan;
    assert!(driven.settings(0).settle.pause().0 < 0.2 && driven.warnings.is_empty(), "{:?}", driven.warnings);
}
