//! Readings whose temperature drifts: brought to one temperature, with what that and the thermometer add to the budget.
#![allow(clippy::unwrap_used)]

mod support;

use proptest::prelude::*;
use quadrille_experiment::Reading;
use quadrille_quantity::{Ampere, Estimate, Kelvin, Volt};
use quadrille_reduction::{
    Error, Options, Quantity, Reduced, Results, Specimen, reduce, reduce_by_temperature, van_der_pauw,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use support::{HALL, SAMPLE, SHEET, Sample, close, named};

const SPECIMEN: Specimen =
    Specimen { thickness: Some(Estimate { value: 480e-9, standard_uncertainty: 0.0 }) };

/// A film whose sheet resistance and Hall slope are each activated.
fn film(kelvin: f64) -> Sample {
    let at = |value: f64, energy: f64| value * (energy * (1.0 / kelvin - 1.0 / 100.0)).exp();
    Sample { r_a: at(37.0, 700.0), r_b: at(211.0, 700.0), slope: at(-3.7, 900.0), ..SAMPLE }
}

/// A round of sheet and Hall readings while the temperature goes from `start` on by `step` each reading.
fn round(start: f64, step: f64, begin: usize) -> Vec<Reading> {
    let plan =
        SHEET.iter().map(|c| (*c, 0.0)).chain([0.8, -0.8].into_iter().flat_map(|b| HALL.map(|c| (c, b))));
    plan.enumerate()
        .map(|(k, (configuration, field))| {
            let kelvin = start + step * k as f64;
            let mut reading = film(kelvin).reading(configuration, 1e-4, field, (begin + k) as f64);
            reading.temperature = Kelvin(kelvin);
            reading
        })
        .collect()
}

fn check_results(results: &Results, kelvin: f64, relative: f64) {
    let truth = film(kelvin);
    let sheet = van_der_pauw::sheet_resistance(truth.r_a, truth.r_b).unwrap();
    let expected = [
        (Quantity::SheetResistance, sheet),
        (Quantity::HallCoefficient, truth.slope * 480e-9),
        (Quantity::Mobility, truth.slope.abs() / sheet),
    ];
    for (quantity, expected) in expected {
        let found = quantity.of(results).unwrap();
        close(quantity.name(), found.value, expected, relative);
        let off = (found.value - expected).abs();
        assert!(
            off <= 3.0 * found.standard_uncertainty + 1e-12 * expected.abs(),
            "{}: off by {off}, {found:?}",
            quantity.name()
        );
    }
}

fn reduced(readings: &[Reading]) -> Vec<Reduced> {
    let sets = reduce_by_temperature(readings, &SPECIMEN, &Options::default()).unwrap();
    sets.into_iter().map(|set| set.reduced.unwrap()).collect()
}

#[test]
fn a_drift_within_a_round_is_corrected_by_the_neighbouring_temperatures() {
    // Half a kelvin over each round, of resistances that change by 7 % and 9 % a kelvin.
    let all: Vec<Reading> =
        [94.0, 100.0, 105.0].iter().enumerate().flat_map(|(k, start)| round(*start, 0.03, 100 * k)).collect();
    let of_neighbours = &reduced(&all)[1];
    check_results(&of_neighbours.results, of_neighbours.temperature.value, 4e-3);
    assert!(named(of_neighbours, "drift of the temperature").passed);
    // Alone nothing says what the drift did, and the two are several per cent apart.
    let alone = &reduced(&round(100.0, 0.03, 0))[0];
    let (one, other) =
        (alone.results.sheet_resistance_ohm.unwrap(), of_neighbours.results.sheet_resistance_ohm.unwrap());
    assert!((one.value / other.value - 1.0).abs() > 5e-3, "{one:?} {other:?}");
}

#[test]
fn rounds_repeated_in_a_drift_tell_its_slope_themselves() {
    let all = [round(100.0, 0.02, 0), round(100.32, 0.02, 16), round(100.64, 0.02, 32)].concat();
    let found = reduce(&all, &SPECIMEN, &Options::default()).unwrap();
    check_results(&found.results, found.temperature.value, 2e-3);
    assert!(named(&found, "drift of the temperature").passed);
}

#[test]
fn a_drift_that_nothing_tells_of_is_accepted_up_to_a_kelvin() {
    let narrow = &reduced(&round(100.0, 0.06, 0))[0];
    assert!(named(narrow, "temperature spread").passed);
    let wide = &reduced(&round(100.0, 0.08, 0))[0];
    let check = named(wide, "temperature spread");
    assert!(!check.passed && !wide.accepted());
    close("spread", check.measured * wide.temperature.value, 1.2, 1e-9);
    let said =
        "temperature spread over 1.20 K, more than 1 K, and nothing says how the results change with it";
    assert!(wide.remarks.iter().any(|remark| remark == said), "{:?}", wide.remarks);
}

#[test]
fn a_drift_that_the_slope_cannot_correct_fails_its_check() {
    // One neighbour, on one side: a quarter of a change of several per cent stays open.
    let all = [round(100.0, 0.15, 0), round(110.0, 0.0, 100)].concat();
    let found = &reduced(&all)[0];
    let check = named(found, "drift of the temperature");
    assert!(!check.passed && check.measured > check.limit, "{check:?}");
    assert!(found.remarks.iter().any(|remark| remark.starts_with("the temperature drifted by 2.25 K")));
    check_results(&found.results, found.temperature.value, 0.05);
}

#[test]
fn the_thermometer_stands_in_the_budget_of_the_temperature_and_through_the_slope_in_every_result() {
    let options = Options { temperature_u: 0.25, ..Options::default() };
    let all = [round(97.5, 0.0, 0), round(100.0, 0.0, 100), round(102.0, 0.0, 200)].concat();
    let sets = reduce_by_temperature(&all, &SPECIMEN, &options).unwrap();
    let found = sets[1].reduced.as_ref().unwrap();
    assert_eq!(found.temperature, Estimate::new(100.0, 0.25));
    let row = |result: &str| {
        let rows = found.budget.iter().filter(|row| row.name == "thermometer" && row.result == result);
        rows.map(|row| row.standard_uncertainty).sum::<f64>()
    };
    close("temperature", row(Reduced::TEMPERATURE), 0.25, 1e-15);
    // d ln R/dT = −E/T² of an activated resistance, and the difference of both energies for the mobility.
    let relative =
        |quantity: Quantity| row(quantity.key()) / quantity.of(&found.results).unwrap().value.abs();
    close("sheet", relative(Quantity::SheetResistance), 0.25 * 700.0 / 1e4, 0.01);
    close("hall", relative(Quantity::HallCoefficient), 0.25 * 900.0 / 1e4, 0.01);
    close("mobility", relative(Quantity::Mobility), 0.25 * 200.0 / 1e4, 0.05);
    // Of one temperature alone the change is not known, and that is said.
    let alone = reduce(&round(100.0, 0.0, 0), &SPECIMEN, &options).unwrap();
    assert!(alone.remarks.iter().any(|remark| remark.contains("what the thermometer may be off by")));
}

#[test]
fn no_readings_are_an_error_in_every_way_of_asking() {
    let none = Error::NoReadings;
    assert_eq!(reduce(&[], &SPECIMEN, &Options::default()).unwrap_err(), none);
    assert_eq!(reduce_by_temperature(&[], &SPECIMEN, &Options::default()).unwrap_err(), none);
    assert_eq!(none.to_string(), "there are no readings");
}

#[test]
fn readings_of_a_contact_check_part_no_temperatures() {
    let mut all = [round(100.0, 0.0, 0), round(100.6, 0.0, 100)].concat();
    all.extend([1e-4, -1e-4].map(|i| support::reading("12,12".parse().unwrap(), i, i * 500.0, 0.0, 300.0)));
    all.iter_mut().rev().take(2).for_each(|reading| reading.temperature = Kelvin(100.0));
    let found = reduced(&all);
    assert_eq!(found.len(), 2);
    check_results(&found[0].results, 100.0, 1e-9);
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn spread(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)).sqrt()
}

const TRIALS: usize = 10_000;

#[test]
fn monte_carlo_confirms_noise_settling_and_thermometer() {
    let seed = 20_251_125;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let options = Options { temperature_u: 0.02, ..Options::default() };
    // At one temperature each, so that nothing is to be corrected and the course between does not enter.
    let mut readings = [round(94.0, 0.0, 0), round(100.0, 0.0, 100), round(105.0, 0.0, 200)].concat();
    for (k, reading) in readings.iter_mut().enumerate() {
        reading.voltage.noise_u = Volt(4e-6 * (1.0 + (k % 3) as f64));
        reading.current.noise_u = Ampere(2e-8 * (1.0 + (k % 2) as f64));
        reading.voltage.settling_u = Volt(6e-6 * (1.0 + (k % 5) as f64 / 5.0));
        reading.current.settling_u = Ampere(4e-8);
    }
    let middle = |readings: &[Reading]| {
        let sets = reduce_by_temperature(readings, &SPECIMEN, &options).unwrap();
        sets[1].reduced.clone().unwrap().results
    };
    let claimed = middle(&readings);
    let mut drawn: Vec<Vec<f64>> = vec![Vec::with_capacity(TRIALS); Quantity::ALL.len()];
    for _ in 0..TRIALS {
        let warmer = options.temperature_u * normal(&mut rng);
        let mut left = std::collections::HashMap::new();
        let trial: Vec<Reading> = readings
            .iter()
            .map(|r| {
                let round = (r.temperature.0.to_bits(), r.field.0.to_bits());
                let (v, i) = *left.entry(round).or_insert_with(|| (normal(&mut rng), normal(&mut rng)));
                let truth = film(r.temperature.0 + warmer).reading(
                    &r.configuration.to_string(),
                    r.current.value.0,
                    r.field.0,
                    r.time.0,
                );
                let mut moved = *r;
                let way = r.current.value.0.signum();
                // What is left of a transient lags behind the voltage that the current makes.
                let resistive = film(r.temperature.0)
                    .resistance(r.configuration.contacts().map(|c| c.number()), r.field.0)
                    * r.current.value.0;
                moved.voltage.value = Volt(
                    truth.voltage.value.0 + r.voltage.noise_u.0 * normal(&mut rng)
                        - resistive.signum() * r.voltage.settling_u.0 * v,
                );
                moved.current.value = Ampere(
                    r.current.value.0 + r.current.noise_u.0 * normal(&mut rng)
                        - way * r.current.settling_u.0 * i,
                );
                moved
            })
            .collect();
        let results = middle(&trial);
        for (values, quantity) in drawn.iter_mut().zip(Quantity::ALL) {
            values.push(quantity.of(&results).unwrap().value);
        }
    }
    for (values, quantity) in drawn.iter().zip(Quantity::ALL) {
        let ratio = spread(values) / quantity.of(&claimed).unwrap().standard_uncertainty;
        // The standard deviation of 10 000 draws is known to 0.7 %.
        assert!(
            (ratio - 1.0).abs() < 0.03,
            "seed {seed}, {}: Monte Carlo/claimed = {ratio}",
            quantity.name()
        );
    }
}

#[test]
fn monte_carlo_confirms_the_uncertainty_of_a_correction_by_repeats() {
    let seed = 815;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    // Sheet readings in which the temperature goes to and fro, such that R_A and R_B are of different ones, and proportional
    // to the temperature, so that a straight line is the truth.
    let plan: Vec<(&str, f64)> = (0..6)
        .flat_map(|repeat| {
            SHEET.iter().enumerate().map(move |(k, c)| (*c, 0.1 * f64::from(repeat) + 0.12 * (k % 4) as f64))
        })
        .collect();
    let at = |kelvin: f64| Sample {
        r_a: 37.0 * (1.0 + 0.02 * kelvin),
        r_b: 211.0 * (1.0 + 0.02 * kelvin),
        ..SAMPLE
    };
    let (mut values, mut squares) = (Vec::new(), 0.0);
    for _ in 0..TRIALS {
        let readings: Vec<Reading> = plan
            .iter()
            .enumerate()
            .map(|(k, (c, warmer))| {
                let mut reading = at(*warmer).reading(c, 1e-4, 0.0, k as f64);
                reading.temperature = Kelvin(295.0 + warmer);
                reading.voltage.value.0 += 30e-6 * normal(&mut rng);
                reading
            })
            .collect();
        let found =
            reduce(&readings, &SPECIMEN, &Options::default()).unwrap().results.sheet_resistance_ohm.unwrap();
        values.push(found.value);
        squares += found.standard_uncertainty.powi(2);
    }
    let (seen, claimed) = (spread(&values), (squares / TRIALS as f64).sqrt());
    assert!((claimed / seen - 1.0).abs() < 0.03, "seed {seed}: {seen} seen, {claimed} claimed");
    let mean = values.iter().sum::<f64>() / TRIALS as f64;
    let reference = plan.iter().map(|(_, warmer)| warmer).sum::<f64>() / plan.len() as f64;
    let truth = van_der_pauw::sheet_resistance(at(reference).r_a, at(reference).r_b).unwrap();
    assert!((mean - truth).abs() < 4.0 * seen / 100.0, "seed {seed}: {mean}, true {truth}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn whatever_the_course_and_the_drift_the_corrected_result_is_within_its_uncertainty(
        coefficient in -0.03..0.03f64, bend in -1e-4..1e-4f64, drift in 0.0..0.9f64, below in 2.0..8.0f64, above in 2.0..8.0f64,
    ) {
        let at = |kelvin: f64| {
            let off = kelvin - 150.0;
            let factor = 1.0 + coefficient * off + bend * off * off;
            Sample { r_a: 37.0 * factor, r_b: 211.0 * factor, ..SAMPLE }
        };
        let sheet = |start: f64, drift: f64| SHEET.iter().enumerate().map(move |(k, c)| {
            let kelvin = start + drift * k as f64 / 7.0;
            let mut reading = at(kelvin).reading(c, 1e-4, 0.0, kelvin * 100.0 + k as f64);
            reading.temperature = Kelvin(kelvin);
            reading
        });
        let all: Vec<Reading> =
            sheet(150.0 - below, 0.0).chain(sheet(150.0, drift)).chain(sheet(151.0 + above, 0.0)).collect();
        let found = &reduced(&all)[1];
        let truth = at(found.temperature.value);
        let sheet = van_der_pauw::sheet_resistance(truth.r_a, truth.r_b).unwrap();
        let result = found.results.sheet_resistance_ohm.unwrap();
        let off = (result.value - sheet).abs();
        prop_assert!(off <= 3.0 * result.standard_uncertainty + 1e-9 * sheet, "{off} off, {result:?}");
    }

    #[test]
    fn a_linear_drift_of_the_voltage_goes_with_every_symmetric_pattern(
        step in 0.1..10.0f64, drift in -1e-4..1e-4f64, repeats in 1..5usize, minus_first in any::<bool>(),
    ) {
        let sample = Sample { drift, ..SAMPLE };
        let pattern = if minus_first { [-1.0, 1.0, 1.0, -1.0] } else { [1.0, -1.0, -1.0, 1.0] };
        let readings: Vec<Reading> = pattern
            .iter()
            .cycle()
            .take(4 * repeats)
            .enumerate()
            .map(|(k, sign)| sample.reading("23,14", sign * 1e-4, 0.0, step * k as f64))
            .collect();
        let found = quadrille_reduction::resistances(&readings).unwrap()[0].resistance.value;
        prop_assert!((found / SAMPLE.r_b - 1.0).abs() < 1e-9, "{found}");
    }
}
