//! What comes into the readings beside the circuit: mains, drift, thermal motion, fluctuating contacts, heat and field.
//! Formulas stand at each test; "common practice, no source" unless said.

use super::test_support::{close, drive, driven};
use super::*;
use crate::testing::{Dialects, bench, disturbed, film, imperfect_film, imperfect_ring, pair, ring, world};
use quadrille_documents::{Bench, Sample};
use std::f64::consts::PI;

const CURRENT: f64 = 1e-4;

fn mean(world: &mut World, from: f64, seconds: f64) -> f64 {
    let window = world.begin_window(Quantity::Voltage, from, from + seconds);
    world.advance(from + seconds);
    world.end_window(window).unwrap()
}

fn quiet(bench: &Bench, sample: &Sample, contacts: [usize; 4], amperes: f64) -> World {
    driven(world(bench, &Dialects::ideal(), sample), contacts, amperes)
}

#[test]
fn the_mains_are_rejected_over_whole_cycles_and_else_by_the_sinc() {
    // Mean of V sin(ωt + φ) over T: V sinc(fT) sin(ω(t + T/2) + φ). Its amplitude from two means a quarter cycle apart.
    let bench = disturbed("mains_v = 1e-3");
    let mut world = quiet(&bench, &ring(1e4, 1.5e4, 2.2e4, 3.3e4), [1, 2, 4, 3], 0.0);
    let mut from = 1.0;
    let mut amplitude = |seconds: f64| {
        from += 10.0;
        let one = mean(&mut world, from, seconds);
        let other = mean(&mut world, from + 3.0 + 0.005, seconds);
        one.hypot(other)
    };
    for cycles in [1.0, 2.0, 5.0, 10.0] {
        assert!(amplitude(cycles / 50.0) < 1e-15, "{cycles}");
    }
    for cycles in [0.01, 0.3, 0.5, 1.5, 2.25, 10.1] {
        let expected = 1e-3 * ((PI * cycles).sin() / (PI * cycles)).abs();
        close(amplitude(cycles / 50.0), expected, 1e-6);
    }
}

#[test]
fn mains_off_their_frequency_come_through_a_whole_cycle_a_little() {
    // 50.05 Hz over 20 ms: sinc(1.001) = 1e-3.
    let bench = disturbed("mains_a = 1e-8\nmains_off_hz = 0.05");
    let mut world = quiet(&bench, &ring(1e4, 1.5e4, 2.2e4, 3.3e4), [1, 2, 4, 3], 0.0);
    let quarter = 0.25 / 50.05;
    let seconds = 200.0 / 50.05;
    let found = mean(&mut world, 5.0, 0.02).hypot(mean(&mut world, 5.0 + seconds + quarter, 0.02));
    // Between contacts 4 and 3: 22 kohm beside the other three.
    let ohm = 2.2e4 * 5.8e4 / 8e4;
    close(found, 1e-8 * ohm * ((PI * 1.001).sin() / (PI * 1.001)).abs(), 1e-6);
}

#[test]
fn thermoelectric_voltages_drift_by_as_much_as_is_said() {
    let bench = disturbed("drift_v = 2e-7\ndrift_s = 300.0");
    let mut world = quiet(&bench, &ring(1e4, 1.5e4, 2.2e4, 3.3e4), [1, 2, 4, 3], 0.0);
    let all: Vec<f64> = (0..4000).map(|k| mean(&mut world, 100.0 + 50.0 * f64::from(k), 0.02)).collect();
    let square = all.iter().map(|v| v * v).sum::<f64>() / 4000.0;
    // Two relays; two hundred periods and more of each wave.
    close(square, 2.0 * 4e-14, 0.1);
    // It is slow: within a tenth of a second it moves by a thousandth.
    let (now, then) = (mean(&mut world, 3e5, 0.02), mean(&mut world, 3e5 + 0.1, 0.02));
    assert!(now != then && (now - then).abs() < 2e-9, "{now:e} {then:e}");
}

#[test]
fn thermal_motion_is_nyquists_in_the_voltmeter_and_in_the_ammeter() {
    let bench = disturbed("johnson_noise = true");
    let energy = 1.380_649e-23 * 295.0;
    let mut world = quiet(&bench, &ring(1e4, 1.5e4, 2.2e4, 3.3e4), [1, 2, 4, 3], CURRENT);
    let ohm = 2.2e4 * 5.8e4 / 8e4;
    for seconds in [0.02, 2.0] {
        close(world.johnson_v(seconds), (4.0 * energy * ohm / (2.0 * seconds)).sqrt(), 1e-4);
    }
    // While the source drives, the ammeter sees its cables' insulation and no way through the sample: seven of 1e11 ohm
    // (its own row and those of three contacts and two rows joined to the sample, and the source's), and the rest.
    let driven_a = world.johnson_a(0.02);
    let leaks = driven_a.powi(2) * 0.02 / (2.0 * energy);
    assert!((7e-11..1e-10).contains(&leaks), "{leaks:e}");
    // Off, the source is a megohm to ground, behind 8.75 kohm.
    world.set_source(1.0, Source { on: false, ..world.source() });
    close(world.johnson_a(0.02), (4.0 * energy / (1.00875e6 + 2.0) / 0.04).sqrt(), 1e-3);
    world.set_input(2.0, false);
    assert_eq!(world.johnson_a(0.02), 0.0);
}

#[test]
fn thermal_motion_of_gigohms_is_that_of_their_capacitance() {
    let bench = disturbed("johnson_noise = true");
    let world = quiet(&bench, &pair(1e12), [1, 2, 1, 2], 1e-12);
    // kT/C of three cables over a time that is nothing beside R C; contact 2 is grounded by the ammeter.
    close(world.johnson_v(1e-4), (1.380_649e-23 * 295.0 / 300e-12_f64).sqrt(), 1e-3);
}

#[test]
fn excess_noise_is_in_proportion_to_the_current_and_not_without() {
    let sample = imperfect_ring([1e4, 1.5e4, 2.2e4, 3.3e4], "excess_noise_ohm = [0, 0, 3.0, 2.0]");
    let shown = |amperes: f64, from: f64| {
        let mut with = quiet(&bench(), &sample, [1, 2, 4, 3], amperes);
        let mut without = quiet(&bench(), &ring(1e4, 1.5e4, 2.2e4, 3.3e4), [1, 2, 4, 3], amperes);
        mean(&mut with, from, 0.02) - mean(&mut without, from, 0.02)
    };
    assert_eq!(shown(0.0, 10.0), 0.0);
    let [one, twice, back] = [shown(CURRENT, 10.0), shown(2.0 * CURRENT, 10.0), shown(-CURRENT, 10.0)];
    close(twice / one, 2.0, 1e-6);
    close(back / one, -1.0, 1e-6);
    assert!(one.abs() > 1e-5 && one.abs() < 3e-3, "{one:e}");
    assert!((shown(CURRENT, 11.0) / one - 1.0).abs() > 1e-4, "it does not change");
}

/// Mean sense voltage of the film at rest, source at 1 and 3, sense at 2 and 4 or exchanged.
fn hall(keys: &str, contacts: [usize; 4], amperes: f64, tesla: f64) -> f64 {
    let mut world = quiet(&bench(), &imperfect_film(keys), contacts, amperes);
    world.set_field(0.0, Tesla(tesla)).unwrap();
    mean(&mut world, 1e4, 1.0)
}

const HEAT: &str = "ettingshausen = 0.02\nettingshausen_s = 5.0\nheat_flow_v_per_t = [1e-5, 2e-5, -1e-5, -3e-5]\n\
                    seebeck_v = [1e-6, 5e-6, 0.0, -2e-6]";

#[test]
fn reversals_remove_what_heat_does_but_ettingshausens_voltage() {
    let plain = |amperes, tesla| hall("", [1, 3, 2, 4], amperes, tesla);
    let with = |amperes, tesla| hall(HEAT, [1, 3, 2, 4], amperes, tesla);
    let odd_in_both = |v: &dyn Fn(f64, f64) -> f64| {
        (v(CURRENT, 0.5) - v(-CURRENT, 0.5) - v(CURRENT, -0.5) + v(-CURRENT, -0.5)) / 4.0
    };
    let odd_in_current = |v: &dyn Fn(f64, f64) -> f64| (v(CURRENT, 0.5) - v(-CURRENT, 0.5)) / 2.0;
    // Nothing removed: 50 µV/T × 0.5 T + 7 µV beside the Hall voltage of -1.56 mV.
    let added = with(CURRENT, 0.5) - plain(CURRENT, 0.5);
    close(added, 5e-5 * 0.5 + 7e-6 - 0.02 * 31.2 * 0.5 * CURRENT, 1e-4);
    // By reversal of the current alone Nernst, Righi-Leduc and Seebeck are gone.
    let left = odd_in_current(&with) - odd_in_current(&plain);
    close(left, -0.02 * 31.2 * 0.5 * CURRENT, 1e-5);
    // And no reversal of either tells Ettingshausen's from the Hall voltage.
    close(odd_in_both(&with) / odd_in_both(&plain), 1.02, 1e-5);
    // Exchanged sense contacts turn all of it round.
    close(hall(HEAT, [1, 3, 4, 2], CURRENT, 0.5), -with(CURRENT, 0.5), 1e-6);
}

#[test]
fn ettingshausens_voltage_lags_behind_a_reversal() {
    let mut with = quiet(&bench(), &imperfect_film(HEAT), [1, 3, 2, 4], CURRENT);
    let mut plain = quiet(&bench(), &film(), [1, 3, 2, 4], CURRENT);
    for world in [&mut with, &mut plain] {
        world.set_field(0.0, Tesla(0.5)).unwrap();
        world.advance(100.0);
        drive(world, 100.0, -CURRENT);
        // The circuit itself is at rest after microseconds.
        world.advance(100.001);
    }
    let settled = 0.02 * -31.2 * 0.5 * CURRENT;
    for after in [0.001, 2.0, 10.0] {
        let added = mean(&mut with, 100.0 + after, 0.5) - mean(&mut plain, 100.0 + after, 0.5);
        // From +1 to -1 by 5 s: the mean of 2 exp(-t/5) - 1 over half a second.
        let lag = 2.0 * 5.0 / 0.5 * ((-after / 5.0).exp() - (-(after + 0.5) / 5.0).exp()) - 1.0;
        close(added - (5e-5 * 0.5 + 7e-6), settled * lag, 1e-3);
    }
}
