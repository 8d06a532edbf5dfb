//! What makes a bench hard, each effect against a hand calculation. Formulas stand at each test.

use super::test_support::{close, drive, driven_on, mean};
use super::*;
use crate::elements::thermal_volt;
use crate::testing::{bench, film, pair, ring};
use quadrille_documents::{Absorption, Barrier, Heating, Imperfections, Light, Sample, Thermomagnetic};

fn with(sample: Sample, imperfections: Imperfections) -> Sample {
    Sample { imperfections, ..sample }
}

#[test]
fn absorption_is_a_second_exponential_of_the_part_that_is_written() {
    let mut bench = bench();
    let (part, time_s) = (0.02, 3.0);
    bench.disturbances.absorption = Some(Absorption { part, time_s });
    let (ohm, amperes) = (1e9, 1e-9);
    let mut world = driven_on(&bench, &pair(ohm), [1, 2, 1, 2], amperes);
    // Three cables of 100 pF, each with a branch of C_a = part C behind τ/C_a: with c = 3 C, a = part c, g the
    // conductance of everything, v' = (i − g v − (a/τ)(v − w)) / c, w' = (v − w)/τ. Eigenvalues of the two by two.
    let g = 1.0 / ohm + 1e-10 + 3e-11 + 9e-15;
    let (c, a) = (3e-10, part * 3e-10);
    let (m11, m12, m21, m22) = (-(g + a / time_s) / c, a / time_s / c, 1.0 / time_s, -1.0 / time_s);
    let (trace, det) = (m11 + m22, m11 * m22 - m12 * m21);
    let root = (trace * trace - 4.0 * det).sqrt();
    let (fast, slow) = ((trace - root) / 2.0, (trace + root) / 2.0);
    let end = amperes / g;
    // v = end + p e^(fast t) + q e^(slow t), v(0) = 0, v'(0) = i/c.
    let q = (amperes / c + fast * end) / (slow - fast);
    let p = -end - q;
    // What soaks slowly is seen through the resistor: x part / (1 − x)², x being the fast time constant over the slow
    // one, to first order in the part.
    let x = c / g / time_s;
    close(-q / end, part * x / (1.0 - x).powi(2), 0.02);
    for t in [0.05, 0.3, 1.0, 3.0, 10.0, 20.0] {
        world.advance(t);
        let expected = end + p * (fast * t).exp() + q * (slow * t).exp();
        close(world.value(Quantity::Voltage), expected, 1e-6);
    }
}

#[test]
fn a_source_comes_to_its_level_with_its_time_constant_and_means_are_exact() {
    let mut bench = bench();
    bench.disturbances.source_s = 0.05;
    let mut world = driven_on(&bench, &pair(100.0), [1, 2, 1, 2], 1e-4);
    let expected = |from: f64, to: f64, start: f64, end: f64, since: f64| {
        let (x, y) = ((from - since) / 0.05, (to - since) / 0.05);
        end + (start - end) * ((-x).exp() - (-y).exp()) / (y - x)
    };
    for (from, to) in [(0.01, 0.03), (0.06, 0.16), (0.5, 0.52)] {
        close(mean(&mut world, from, to) / 100.0, expected(from, to, 0.0, 1e-4, 0.0), 5e-6);
    }
    drive(&mut world, 3.0, -1e-4);
    close(mean(&mut world, 3.01, 3.02) / 100.0, expected(3.01, 3.02, 1e-4, -1e-4, 3.0), 1e-5);
    world.advance(10.0);
    close(world.value(Quantity::Voltage), -1e-2, 5e-6);
}

#[test]
fn a_contact_with_a_barrier_rests_on_its_characteristic_in_both_directions() {
    let barrier = Barrier { saturation_a: 1e-9, ideality: 1.2, leak_ohm: 8e4, is_easy_out: false };
    let sample =
        with(pair(1e4), Imperfections { barriers: vec![Some(barrier), None], ..Imperfections::default() });
    let thermal = thermal_volt(&barrier, quadrille_specimen::ROOM);
    // v of i = I_s (exp(v / n V_T) − 1) + v / R, by bisection.
    let at_barrier = |ampere: f64| {
        let current = |v: f64| barrier.saturation_a * (v / thermal).exp_m1() + v / barrier.leak_ohm;
        let (mut low, mut high) = (-20.0, 2.0);
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if current(middle) < ampere { low = middle } else { high = middle }
        }
        low
    };
    let mut world = driven_on(&bench(), &sample, [1, 2, 1, 2], 1e-4);
    let mut now = 0.0;
    for ampere in [1e-4, -1e-4, 3e-6, -3e-6, 1e-3, 1e-7] {
        drive(&mut world, now, ampere);
        now += 10.0;
        world.advance(now);
        // Contact 2 has 1e-4 ohm; the voltmeter's 10 Gohm and the cables take what they do of these volts.
        let expected = at_barrier(ampere) + ampere * (1e4 + 1e-4);
        let seen = world.value(Quantity::Voltage);
        let taken = expected.abs() * 1.4e-10 / ampere.abs();
        close(seen, expected, 1e-6 + 2.0 * taken);
    }
}

#[test]
fn johnson_noise_is_that_of_nyquist_and_no_more_than_the_capacitance_lets_through() {
    let mut bench = bench();
    bench.disturbances.johnson = true;
    let check = |ohm: f64, aperture: f64, expected: f64, relative: f64| {
        let mut world = driven_on(&bench, &ring(ohm, 2.0 * ohm, 3.0 * ohm, 4.0 * ohm), [1, 2, 1, 2], 1e-12);
        world.advance(1.0);
        close(world.johnson_v(aperture), expected, relative);
    };
    // Between neighbours 1 and 2: ohm beside nine times it, 0.9 ohm; 295 K.
    let kt4: f64 = 4.0 * 1.380649e-23 * 295.0;
    check(1e5, 0.02, (kt4 * 0.9e5 / (2.0 * 0.02)).sqrt(), 1e-3);
    // Contact 2 is held by the ammeter's ten ohm for times beyond nanoseconds; what is left is contact 1 with the rows
    // of source and sense, three cables: 300 pF. What is averaged is slower than the aperture.
    check(1e12, 1e-4, (kt4 / 4.0 / 300e-12).sqrt(), 1e-3);
}

#[test]
fn the_mains_vanish_over_whole_cycles_and_not_over_half_a_one() {
    let mut bench = bench();
    (bench.disturbances.mains_v, bench.disturbances.mains_a) = (2e-3, 1e-8);
    let sample = ring(1e4, 1.5e4, 2.2e4, 3.3e4);
    let quiet = driven_on(&crate::testing::bench(), &sample, [1, 2, 4, 3], 1e-4);
    let world = driven_on(&bench, &sample, [1, 2, 4, 3], 1e-4);
    let (mut quiet, mut world) = (quiet, world);
    let difference = |world: &mut World, quiet: &mut World, from: f64, length: f64| {
        mean(world, from, from + length) - mean(quiet, from, from + length)
    };
    assert!(difference(&mut world, &mut quiet, 1.0, 0.02).abs() < 1e-12);
    // Between contacts 4 and 3 of the ring: 22 kohm beside 58 kohm.
    let amplitude = 2e-3 + 1e-8 * 22e3 * 58e3 / 80e3;
    // Means over quarters of a cycle, two of them a quarter apart: the amplitude times sinc(1/4), whatever the phase.
    let first = difference(&mut world, &mut quiet, 2.0, 0.005);
    let second = difference(&mut world, &mut quiet, 2.005, 0.005);
    let sinc = (std::f64::consts::PI / 4.0).sin() / (std::f64::consts::PI / 4.0);
    close(first.hypot(second), amplitude * sinc, 1e-6);
}

#[test]
fn drifting_relays_have_the_deviation_that_is_written() {
    let mut bench = bench();
    (bench.disturbances.drift_v, bench.disturbances.drift_s) = (1e-6, 100.0);
    let mut squares = 0.0;
    let seeds = 60;
    for seed in 0..seeds {
        bench.seed = seed;
        let mut world = driven_on(&bench, &pair(1e3), [1, 2, 1, 2], 0.0);
        let values: Vec<f64> = (0..10)
            .map(|k| mean(&mut world, 1.0 + 500.0 * f64::from(k), 1.02 + 500.0 * f64::from(k)))
            .collect();
        squares += values.iter().map(|v| v * v).sum::<f64>() / 10.0;
    }
    // Two relays in the loop: √2 µV. Some hundred independent values of a sum of sinusoids: 15 %.
    close((squares / seeds as f64).sqrt(), 2f64.sqrt() * 1e-6, 0.15);
}

#[test]
fn light_falls_at_its_moment_and_goes_again() {
    let light = Light { factor: 4.0, from_s: 2.0, to_s: 5.0 };
    let sample = with(pair(1e4), Imperfections { light: Some(light), ..Imperfections::default() });
    let mut world = driven_on(&bench(), &sample, [1, 2, 1, 2], 1e-4);
    for (time, expected) in [(1.9, 1.0), (2.1, 0.25), (4.9, 0.25), (5.1, 1.0)] {
        world.advance(time);
        close(world.value(Quantity::Voltage), expected, 5e-6);
    }
}

/// A square of a metal whose resistance grows by 0.4 % a kelvin, 100 Ω a square at 295 K.
fn warm_metal() -> Sample {
    let text = r#"
kind = "sample"
name = "metal"
thickness_m = 1e-7
[outline]
shape = "square"
side_m = 0.01
[[outline.contact]]
at_m = 0.001
length_m = 0.002
[[outline.contact]]
at_m = 0.012
length_m = 0.001
[[outline.contact]]
at_m = 0.021
length_m = 0.0015
[[outline.contact]]
at_m = 0.033
length_m = 0.001
[model]
type = "sheet"
tolerance = 1e-4
[model.material]
type = "metal"
resistivity_ohm_m = 1e-5
reference_k = 295.0
temperature_coefficient_per_k = 0.004
hall_coefficient_m3_per_c = 0.0
"#;
    quadrille_documents::sample("metal.toml", text).unwrap()
}

#[test]
fn a_sample_warms_itself_with_its_time_constant() {
    let heating = Heating { kelvin_per_w: 200.0, time_s: 2.0 };
    let cold = driven_on(&bench(), &warm_metal(), [1, 3, 1, 3], 5e-3);
    let sample = with(warm_metal(), Imperfections { heating: Some(heating), ..Imperfections::default() });
    let (mut cold, mut warm) = (cold, driven_on(&bench(), &sample, [1, 3, 1, 3], 5e-3));
    let mut both = |time: f64| {
        cold.advance(time);
        warm.advance(time);
        warm.value(Quantity::Voltage) / cold.value(Quantity::Voltage)
    };
    let begin = both(1e-3);
    close(begin, 1.0, 2e-3);
    // At rest R = R₀ (1 + α ΔT), ΔT = R_th I² R.
    let r0 = 5e-3f64.recip() * {
        let mut alone = driven_on(&bench(), &warm_metal(), [1, 3, 1, 3], 5e-3);
        alone.advance(1.0);
        alone.value(Quantity::Voltage)
    };
    let gain = 0.004 * 200.0 * 25e-6 * r0;
    let half = both(2.0);
    let end = both(60.0);
    close(end, 1.0 / (1.0 - gain), 2e-4);
    // The feedback makes it slower: τ / (1 − gain), to first order.
    let expected = 1.0 - (-2.0 * (1.0 - gain) / 2.0f64).exp();
    close((half - 1.0) / (end - 1.0), expected, 0.05);
}

#[test]
fn heat_and_thermoelectric_voltages_go_with_the_current_and_ettingshausen_stays() {
    let thermomagnetic = Thermomagnetic {
        ettingshausen: 0.05,
        time_s: 0.5,
        heat_flow_v_per_t: vec![3e-4, -2e-4, 1e-4, 5e-4],
        seebeck_v: vec![1e-4, 2e-4, -3e-4, 4e-5],
    };
    let sample =
        with(film(), Imperfections { thermomagnetic: Some(thermomagnetic), ..Imperfections::default() });
    let read = |field: f64, amperes: f64| {
        let mut world = driven_on(&bench(), &sample, [1, 3, 2, 4], amperes);
        world.set_field(0.0, Tesla(field)).unwrap();
        mean(&mut world, 30.0, 30.02)
    };
    let i = 1e-4;
    let reversed = |field: f64| (read(field, i) - read(field, -i)) / 2.0 / i;
    // The film's Hall resistance is -31.2 ohm a tesla; contacts 2 and 4 see what heat makes between them.
    let sum = (read(0.5, i) + read(0.5, -i)) / 2.0;
    close(sum, 0.5 * (-2e-4 - 5e-4) + (2e-4 - 4e-5), 1e-4);
    let hall = (reversed(0.5) - reversed(-0.5)) / 2.0;
    close(hall, -31.2 * 0.5 * 1.05, 1e-5);
    // It follows the current: half a second after the source came on, 1 − 1/e of it is there.
    let mut world = driven_on(&bench(), &sample, [1, 3, 2, 4], i);
    world.set_field(0.0, Tesla(0.5)).unwrap();
    let early = mean(&mut world, 0.4999, 0.5001);
    let late = mean(&mut world, 30.0, 30.0002);
    close(late - early, i * -31.2 * 0.5 * 0.05 * (-1f64).exp(), 1e-3);
}

#[test]
fn leaks_shunt_what_lies_between_contacts_and_to_ground() {
    let leaks = Imperfections { leak_ohm: vec![4e4, 0.0], ..Imperfections::default() };
    let mut world = driven_on(&bench(), &with(pair(1e4), leaks), [1, 2, 1, 2], 1e-4);
    world.advance(1.0);
    close(world.value(Quantity::Voltage), 0.8, 5e-6);
    let ground = Imperfections { leak_to_ground_ohm: vec![9e4, 0.0], ..Imperfections::default() };
    let mut world = driven_on(&bench(), &with(pair(1e4), ground), [1, 2, 1, 2], 1e-4);
    let id = world.begin_window(Quantity::Current, 1.0, 1.02);
    world.advance(1.02);
    // Beside the sample with the relay's ohm and the ammeter's ten: about a tenth, and the ammeter misses it.
    let through = 1e-4 * 9e4 / (9e4 + 1e4 + 11.0);
    close(world.value(Quantity::Voltage), 1e4 * through, 5e-6);
    close(world.end_window(id).unwrap(), through, 5e-6);
}

#[test]
fn capacitance_within_the_sample_adds_to_the_cables() {
    let own = Imperfections { capacitance_f: 5e-10, ..Imperfections::default() };
    let mut world = driven_on(&bench(), &with(pair(1e9), own), [1, 2, 1, 2], 1e-10);
    // Three cables of 100 pF on contact 1, and 500 pF to contact 2, which is grounded.
    let g = 1e-9 + 1e-10 + 3e-11 + 9e-15;
    for t in [0.1, 0.7, 3.0] {
        world.advance(t);
        close(world.value(Quantity::Voltage), 1e-10 / g * -(-t * g / 8e-10f64).exp_m1(), 1e-5);
    }
}

#[test]
fn a_contact_fluctuates_only_where_it_carries_the_current_that_is_sensed() {
    let noise = Imperfections { contact_noise_ohm: vec![5.0, 3.0, 2.0, 1.0], ..Imperfections::default() };
    let sample = || ring(1e4, 1.5e4, 2.2e4, 3.3e4);
    let spread = |contacts: [usize; 4]| {
        let mut noisy = driven_on(&bench(), &with(sample(), noise.clone()), contacts, 1e-4);
        let mut quiet = driven_on(&bench(), &sample(), contacts, 1e-4);
        let differences: Vec<f64> = (1..40)
            .map(|k| {
                let at = 7.3 * f64::from(k);
                mean(&mut noisy, at, at + 0.02) - mean(&mut quiet, at, at + 0.02)
            })
            .collect();
        (differences.iter().map(|d| d * d).sum::<f64>() / differences.len() as f64).sqrt()
    };
    assert!(spread([1, 2, 4, 3]) < 1e-15);
    // Six decades and a half below 25 Hz: 2.5 standard deviations of each contact, both in the loop.
    let two_terminal = spread([1, 2, 1, 2]);
    assert!((0.5..1.6).contains(&(two_terminal / (1e-4 * 2.5 * 5f64.hypot(3.0)))), "{two_terminal:e}");
}
