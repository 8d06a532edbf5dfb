//! Which readings are of one temperature, and which are measurements of their own; no result is looked at.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_experiment::{Condition, Reading};
use quadrille_quantity::{Kelvin, Tesla};
use quadrille_reduction::by_temperature;
use support::SAMPLE;

/// Readings at the temperature that a rule gives for each one's place in them.
fn at(readings: Vec<Reading>, kelvin: impl Fn(usize) -> f64) -> Vec<Reading> {
    let warm = |(k, mut reading): (usize, Reading)| {
        reading.temperature = Kelvin(kelvin(k));
        reading
    };
    readings.into_iter().enumerate().map(warm).collect()
}

fn round() -> Vec<Reading> {
    SAMPLE.round(2e-4, 0.8)
}

fn sheet() -> Vec<Reading> {
    round().into_iter().filter(|r| r.field == Tesla(0.0)).collect()
}

fn hall() -> Vec<Reading> {
    round().into_iter().filter(|r| r.field != Tesla(0.0)).collect()
}

/// Whole rounds, with a drift of a few digits of the thermometer inside each.
fn rounds(kelvins: &[f64]) -> Vec<Reading> {
    kelvins.iter().flat_map(|kelvin| at(round(), |k| kelvin * (1.0 + 1e-5 * k as f64))).collect()
}

/// A number between -1 and 1 without apparent order: multiplications by large odd numbers (from memory, those of
/// SplitMix64), each folded over so that it is not linear in the place.
fn random(seed: u64, k: usize) -> f64 {
    let folded = |x: u64, by: u32| x ^ (x >> by);
    let x = (seed * 1000 + k as u64 + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let x = folded(x, 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let x = folded(x, 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    folded(x, 31) as f64 / u64::MAX as f64 * 2.0 - 1.0
}

#[track_caller]
fn check(readings: &[Reading], expected: &[usize]) {
    let sets: Vec<usize> = by_temperature(readings).iter().map(|(_, set)| set.len()).collect();
    assert_eq!(sets, expected);
}

#[test]
fn whole_measurements_close_together_are_of_different_temperatures() {
    check(&rounds(&[300.0, 300.5, 301.0]), &[16; 3]);
    check(&rounds(&[1.00, 1.01, 1.02]), &[16; 3]);
    check(&rounds(&[4.5, 4.2]), &[16; 2]);
    check(&rounds(&[1.0, 1.01, 1.03, 1.3, 1.9]), &[16; 5]);
    check(&[at(sheet(), |_| 4.2), at(sheet(), |_| 4.5)].concat(), &[8; 2]);
    check(&[at(hall(), |_| 4.2), at(hall(), |_| 4.5)].concat(), &[8; 2]);
    // A strong field at another temperature makes a weak one no zero.
    let strong: Vec<Reading> = SAMPLE.round(2e-4, 90.0);
    check(&[at(hall(), |_| 4.2), at(hall(), |_| 4.5), at(strong, |_| 9.0)].concat(), &[8, 8, 16]);
    let sets = by_temperature(&rounds(&[4.5, 4.2]));
    assert!((sets[0].0.0 - 4.2).abs() < 1e-3 && (sets[1].0.0 - 4.5).abs() < 1e-3);
}

#[test]
fn a_sweep_in_steps_below_a_kelvin_keeps_every_step() {
    let steps: Vec<f64> = (0..20).map(|k| 290.0 + 0.8 * f64::from(k)).collect();
    check(&rounds(&steps), &[16; 20]);
    let mut mixed = rounds(&steps);
    mixed.sort_by_key(|r| r.configuration.to_string());
    check(&mixed, &[16; 20]);
}

#[test]
fn jitter_within_one_measurement_does_not_part_it() {
    for seed in 0..200 {
        let several = [round(), round(), round()].concat();
        check(&at(round(), |k| 300.0 + 0.6 * random(seed, k)), &[16]);
        check(&at(several.clone(), |k| 300.0 + 0.6 * random(seed, k)), &[48]);
        check(&at(several, |k| 2.0 + 0.6 * random(seed, k)), &[48]);
        check(&at(sheet(), |k| 2.0 + 0.6 * random(seed, k)), &[8]);
    }
}

/// Rounds one after another on one clock, 16 s each.
fn timed(kelvins: &[f64]) -> Vec<Reading> {
    let mut readings = rounds(kelvins);
    readings.iter_mut().enumerate().for_each(|(k, r)| r.time.0 = k as f64);
    readings
}

#[test]
fn a_thermometer_that_jumps_between_two_digits_does_not_part_a_measurement() {
    for seed in 0..50 {
        let digit = |k: usize| if random(seed, k) > 0.0 { 0.1 } else { 0.0 };
        check(&at(timed(&[1.0; 6]), |k| 77.3 + digit(k)), &[96]);
        check(&at(timed(&[1.0; 6]), |k| 4.2 + 0.1 * digit(k)), &[96]);
    }
    // A sweep up and down again visits a temperature twice, for a whole round each.
    check(&timed(&[4.2, 4.5, 4.2]), &[32, 16]);
    check(&timed(&[300.0, 300.5, 301.0]), &[16; 3]);
    // One configuration after the other, each at all temperatures.
    let mut ramps = rounds(&[4.2, 4.5, 4.8]);
    ramps.sort_by_key(|r| (r.configuration.to_string(), r.field.0 > 0.0));
    ramps.iter_mut().enumerate().for_each(|(k, r)| r.time.0 = k as f64);
    check(&ramps, &[16; 3]);
}

#[test]
fn parts_of_one_measurement_stay_together() {
    check(&[at(sheet(), |_| 300.0), at(hall(), |_| 300.4)].concat(), &[16]);
    let (plus, minus): (Vec<Reading>, Vec<Reading>) = hall().into_iter().partition(|r| r.field.0 > 0.0);
    check(&[at(plus, |_| 300.0), at(minus, |_| 300.4)].concat(), &[8]);
    // The two directions of the current apart, by exchanged leads.
    let (forward, backward): (Vec<Reading>, Vec<Reading>) =
        sheet().into_iter().partition(|r| r.configuration.source_in < r.configuration.source_out);
    check(&[at(forward.clone(), |_| 300.0), at(backward, |_| 300.4)].concat(), &[8]);
    // One direction only, but the same at both temperatures.
    check(&[at(forward.clone(), |_| 300.0), at(forward, |_| 300.4)].concat(), &[4; 2]);
    // A second temperature at which something is missing is not known to be one.
    check(&[at(round(), |_| 300.0), at(round()[1..4].to_vec(), |_| 300.4)].concat(), &[19]);
    // Drift that never stops leaves no gap.
    check(&at([round(), round()].concat(), |k| 4.0 + 0.03 * k as f64), &[32]);
}

#[test]
fn gaps_are_measured_by_the_parts_and_by_the_temperature() {
    let wide = |gap: f64| [at(round(), |k| 4.0 + 0.001 * k as f64), at(round(), |_| 4.015 + gap)].concat();
    check(&wide(0.076), &[16; 2]);
    check(&wide(0.074), &[32]);
    let narrow = |gap: f64| [at(round(), |_| 300.0), at(round(), |_| 300.0 + gap)].concat();
    check(&narrow(0.31), &[16; 2]);
    check(&narrow(0.29), &[32]);
    check(&narrow(1.1), &[16; 2]);
}

#[test]
fn readings_that_are_no_values_do_not_join_temperatures() {
    let mut readings = rounds(&[4.2, 4.5]);
    readings[3].condition = Condition::Compliance;
    readings[3].current.value.0 = f64::NAN;
    check(&readings, &[16; 2]);
}

#[test]
fn temperatures_that_are_no_numbers_stop_nothing() {
    let mut readings = rounds(&[4.2, 4.5]);
    readings[5].temperature = Kelvin(f64::NAN);
    assert_eq!(by_temperature(&readings).iter().map(|(_, set)| set.len()).sum::<usize>(), 32);
}
