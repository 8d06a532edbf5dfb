//! The uncertainty budget: against formulas by hand, and against Monte Carlo through the whole reduction.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_experiment::Reading;
use quadrille_quantity::{Ampere, Estimate, Tesla, Volt};
use quadrille_reduction::{Options, Quantity, Reduced, Specimen, reduce, resistances};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::collections::HashMap;
use support::{HALL, SAMPLE, SHEET, Sample, close};

const SPECIMEN: Specimen =
    Specimen { thickness: Some(Estimate { value: 480e-9, standard_uncertainty: 6e-9 }) };

/// Readings whose two directions have currents of different size, and different ranges' uncertainties.
fn asymmetric() -> Vec<Reading> {
    let at_zero = SHEET.iter().map(|c| (*c, 0.0));
    let in_field = HALL.iter().flat_map(|c| [(*c, 0.80), (*c, -0.81)]);
    at_zero
        .chain(in_field)
        .enumerate()
        .map(|(k, (configuration, field))| {
            let current = 1e-4 * (1.0 + 0.35 * (1.7 * k as f64).sin());
            let mut reading = SAMPLE.reading(configuration, current, field, k as f64);
            reading.voltage.own_u = Volt(2e-6 * (1.0 + (k % 3) as f64));
            reading.current.own_u = Ampere(1e-8 * (1.0 + (k % 2) as f64));
            reading.voltage.gain_u = 1.5e-3;
            reading.current.gain_u = 0.8e-3;
            reading
        })
        .collect()
}

const OPTIONS: Options = Options {
    acceptance: quadrille_reduction::Acceptance {
        reversal: 0.03,
        reciprocity: 0.03,
        pair_agreement: 0.10,
        hall_pair_agreement: 0.10,
        drift: 0.01,
    },
    field_u: 2e-3,
    temperature_u: 0.0,
};

fn reduced(readings: &[Reading]) -> Reduced {
    reduce(readings, &SPECIMEN, &OPTIONS).unwrap()
}

#[test]
fn the_budget_adds_up_to_the_uncertainty_of_every_result() {
    let reduced = reduced(&asymmetric());
    for quantity in Quantity::ALL {
        let squares: f64 = reduced
            .budget
            .iter()
            .filter(|contribution| contribution.result == quantity.key())
            .map(|contribution| contribution.standard_uncertainty.powi(2))
            .sum();
        close(
            quantity.name(),
            squares.sqrt(),
            quantity.of(&reduced.results).unwrap().standard_uncertainty,
            1e-12,
        );
    }
}

#[test]
fn gains_cancel_in_the_mobility_and_the_field_does_not_touch_the_resistance() {
    let reduced = reduced(&asymmetric());
    let contribution = |name: &str, quantity: Quantity| {
        let found = reduced.budget.iter().find(|c| c.name == name && c.result == quantity.key());
        found.map_or(0.0, |c| c.standard_uncertainty) / quantity.of(&reduced.results).unwrap().value.abs()
    };
    // The fit drops the thermoelectric offset and what the gain makes of it.
    close("Rs", contribution("voltmeter gain", Quantity::SheetResistance), 1.5e-3, 1e-9);
    close("n", contribution("ammeter gain", Quantity::Density), 0.8e-3, 1e-9);
    assert!(contribution("voltmeter gain", Quantity::Mobility) < 1e-12);
    assert!(contribution("ammeter gain", Quantity::Mobility) < 1e-12);
    close("mobility", contribution("field", Quantity::Mobility), 2e-3, 1e-9);
    assert_eq!(contribution("field", Quantity::SheetResistance), 0.0);
    close("resistivity", contribution("thickness", Quantity::Resistivity), 6.0 / 480.0, 1e-9);
    assert_eq!(contribution("thickness", Quantity::Mobility), 0.0);
}

#[test]
fn own_parts_are_independent_between_directions_and_not_reduced_by_repeats() {
    let (i, u_v, u_i) = (1e-4, 3e-6, 2e-8);
    for repeats in [1, 5] {
        let readings: Vec<Reading> = (0..2 * repeats)
            .map(|k| {
                let mut reading = SAMPLE.reading("23,14", if k % 2 == 0 { i } else { -i }, 0.0, 0.0);
                reading.voltage.own_u = Volt(u_v);
                reading.current.own_u = Ampere(u_i);
                reading
            })
            .collect();
        // R = (V+ − V−)/(2 I): u² = (u_V² + R² u_I²)/(2 I²).
        let expected = ((u_v * u_v + (SAMPLE.r_b * u_i).powi(2)) / (2.0 * i * i)).sqrt();
        close("u", resistances(&readings).unwrap()[0].resistance.standard_uncertainty, expected, 1e-9);
    }
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// One standard deviation of many values, and their mean.
fn spread(values: &[f64]) -> (f64, f64) {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let square = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0);
    (mean, square.sqrt())
}

/// The readings as they would have come out with other errors of gain, own parts and field: each own part drawn once
/// per state, each gain once for all.
fn with_errors(readings: &[Reading], rng: &mut ChaCha8Rng) -> Vec<Reading> {
    let (volt_gain, ampere_gain, field_scale) =
        (1.0 + 1.5e-3 * normal(rng), 1.0 + 0.8e-3 * normal(rng), 1.0 + OPTIONS.field_u * normal(rng));
    let mut of_state: HashMap<(String, bool, u64), (f64, f64)> = HashMap::new();
    readings
        .iter()
        .map(|reading| {
            let state =
                (reading.configuration.to_string(), reading.current.value.0 > 0.0, reading.field.0.to_bits());
            let (volt, ampere) = *of_state.entry(state).or_insert_with(|| (normal(rng), normal(rng)));
            let mut moved = *reading;
            moved.voltage.value = reading.voltage.value * volt_gain + reading.voltage.own_u * volt;
            moved.current.value = reading.current.value * ampere_gain + reading.current.own_u * ampere;
            moved.field = Tesla(reading.field.0 * field_scale);
            moved
        })
        .collect()
}

#[test]
fn monte_carlo_confirms_the_budget() {
    const TRIALS: usize = 20_000;
    let seed = 20_240_611;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let readings = asymmetric();
    let claimed = reduced(&readings);
    let mut drawn: Vec<Vec<f64>> = vec![Vec::with_capacity(TRIALS); Quantity::ALL.len()];
    for _ in 0..TRIALS {
        let thickness = 480e-9 + 6e-9 * normal(&mut rng);
        let specimen = Specimen { thickness: Some(Estimate::exact(thickness)) };
        let trial = reduce(&with_errors(&readings, &mut rng), &specimen, &OPTIONS).unwrap();
        for (values, quantity) in drawn.iter_mut().zip(Quantity::ALL) {
            values.push(quantity.of(&trial.results).unwrap().value);
        }
    }
    for (values, quantity) in drawn.iter().zip(Quantity::ALL) {
        let claim = quantity.of(&claimed.results).unwrap();
        let (mean, deviation) = spread(values);
        // The standard deviation of 20 000 draws is known to 1/√(2·20 000) = 0.5 %: four of these. Terms beyond the
        // first order are of the relative size of the uncertainty squared, 2e-4.
        let ratio = deviation / claim.standard_uncertainty;
        assert!(
            (ratio - 1.0).abs() < 0.02,
            "seed {seed}, {}: Monte Carlo/claimed = {ratio}",
            quantity.name()
        );
        let shift = (mean - claim.value).abs() / claim.standard_uncertainty;
        assert!(shift < 0.05, "seed {seed}, {}: mean is {shift} standard uncertainties off", quantity.name());
    }
}

#[test]
fn the_scatter_of_repeats_is_the_uncertainty_of_their_fit() {
    const TRIALS: usize = 20_000;
    let seed = 77;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let sample = Sample { drift: 3e-7, ..SAMPLE };
    // + - - + + - - +, of unequal currents, with noise of 5 µV.
    let signs = [1.0, -1.1, -1.0, 0.9, 1.2, -1.0, -0.8, 1.0];
    let (mut values, mut squares) = (Vec::new(), 0.0);
    for _ in 0..TRIALS {
        let readings: Vec<Reading> = signs
            .iter()
            .enumerate()
            .map(|(k, sign)| {
                let mut reading = sample.reading("14,23", sign * 1e-4, 0.0, k as f64);
                reading.voltage.value.0 += 5e-6 * normal(&mut rng);
                reading
            })
            .collect();
        let found = &resistances(&readings).unwrap()[0];
        assert_eq!(found.degrees_of_freedom, 5);
        values.push(found.resistance.value);
        squares += found.resistance.standard_uncertainty.powi(2);
    }
    let (mean, deviation) = spread(&values);
    let claimed = (squares / TRIALS as f64).sqrt();
    assert!((deviation / claimed - 1.0).abs() < 0.02, "seed {seed}: {deviation} seen, {claimed} claimed");
    assert!((mean - SAMPLE.r_b).abs() < 4.0 * deviation / (TRIALS as f64).sqrt(), "seed {seed}: {mean}");
}
