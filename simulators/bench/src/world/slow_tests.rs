//! What goes on by itself: a second exponential, a source on its way, a sample that warms, light. Formulas stand at each
//! test; "common practice, no source" unless said.

use super::test_support::{close, drive, driven};
use super::*;
use crate::testing::{Dialects, bench, disturbed, imperfect_film, imperfect_pair, pair, ring, world};

/// Conductance on the node of a two-terminal resistor, and its three cables: as in the tests of one resistor.
fn node(ohm: f64) -> (f64, f64) {
    (1.0 / ohm + 1e-10 + 3.0 / 1e11 + 9e-15, 3.0 * 100e-12)
}

#[test]
fn a_gigohm_read_after_one_time_constant_is_low_by_37_percent_and_right_after_twelve() {
    let mut world = driven(world(&bench(), &Dialects::ideal(), &pair(1e9)), [1, 2, 1, 2], 1e-9);
    let (conductance, farad) = node(1e9);
    let tau = farad / conductance;
    let level = 1e-9 / conductance;
    let low = |world: &World| 1.0 - world.value(Quantity::Voltage) / level;
    world.advance(tau);
    close(low(&world), (-1.0f64).exp(), 1e-6);
    world.advance(12.0 * tau);
    // exp(-12).
    close(low(&world), 6.144e-6, 2e-2);
}

/// Time constant with which a resistor between contacts 1 and 2 comes to its voltage, from two times on its way.
fn time_constant(world: &mut World, around: f64) -> f64 {
    let mut at = |time: f64| {
        world.advance(time);
        world.value(Quantity::Voltage)
    };
    let (one, two) = (at(around), at(2.0 * around));
    let level = at(100.0 * around);
    around / ((level - one) / (level - two)).ln()
}

#[test]
fn the_guard_shortens_the_time_constant_as_the_circuit_says() {
    let shown = |guard: bool, around: f64| {
        let mut world = world(&bench(), &Dialects::ideal(), &pair(1e9));
        world.set_guard(0.0, guard);
        time_constant(&mut driven(world, [1, 2, 1, 2], 1e-9), around)
    };
    // Three cables of 100 pF and 1e11 ohm, or of 0.2 pF and 1e15 ohm, on a gigohm beside the voltmeter's ten.
    close(shown(false, 0.2), 300e-12 / (1.1e-9 + 3e-11 + 9e-15), 1e-6);
    close(shown(true, 5e-4), 0.6e-12 / (1.1e-9 + 3e-15 + 9e-15), 1e-6);
}

#[test]
fn absorption_is_a_second_exponential_in_every_cable() {
    // One node with G and C, and beside it pC behind s = pC/T: v' = -(G + s)/C v + s/C u + I/C, u' = (v - u)/T; the
    // two rates are the roots of x² - x ((G + s)/C + 1/T) + G/(C T).
    let (part, slow) = (0.02, 7.0);
    let bench = disturbed("absorption = 0.02\nabsorption_s = 7.0");
    let mut world = driven(world(&bench, &Dialects::ideal(), &pair(1e9)), [1, 2, 1, 2], 1e-9);
    let (g, c) = node(1e9);
    let soaking = part * c / slow;
    let (sum, product) = ((g + soaking) / c + 1.0 / slow, g / (c * slow));
    let root = (sum * sum / 4.0 - product).sqrt();
    let (fast, late) = (sum / 2.0 + root, product / (sum / 2.0 + root));
    let level = 1e-9 / g;
    // v(0) = 0 and v'(0) = I/C.
    let of_late = (level * fast - 1e-9 / c) / (fast - late);
    let expected = |t: f64| level - of_late * (-late * t).exp() - (level - of_late) * (-fast * t).exp();
    for time in [0.1, 0.7, 3.0, 9.0, 40.0] {
        world.advance(time);
        close(world.value(Quantity::Voltage), expected(time), 1e-7);
    }
    // Otherwise the second one would not be seen at ten of the first time constants.
    assert!((1.0 - expected(2.7) / level) > 10.0 * (-2.7 * fast).exp());
}

#[test]
fn a_source_comes_to_its_level_by_its_own_exponential() {
    // Into a node of time constant t: v = level (1 - (T exp(-x/T) - t exp(-x/t)) / (T - t)).
    let time_s: f64 = 0.4;
    let bench = disturbed("source_s = 0.4");
    let mut world = driven(world(&bench, &Dialects::ideal(), &pair(1e9)), [1, 2, 1, 2], 1e-9);
    let (g, c) = node(1e9);
    let (tau, level) = (c / g, 1e-9 / g);
    let gone = |x: f64| (time_s * (-x / time_s).exp() - tau * (-x / tau).exp()) / (time_s - tau);
    let current = world.begin_window(Quantity::Current, 0.0, 0.3);
    for time in [0.05, 0.3, 1.0] {
        world.advance(time);
        close(world.value(Quantity::Voltage), level * (1.0 - gone(time)), 1e-7);
    }
    // Contact 2 is grounded through the ammeter: what flows through resistor and voltmeter returns.
    let area = |x: f64| {
        x - (time_s * time_s * -(-x / time_s).exp_m1() - tau * tau * -(-x / tau).exp_m1()) / (time_s - tau)
    };
    close(world.end_window(current).unwrap(), level * (1.1e-9 + 4e-15) * area(0.3) / 0.3, 1e-7);
    // Relays do not hold it up, nor a level that is set again.
    world.switch(1.0, &[]);
    world.set_guard(1.1, false);
    world.advance(1.5);
    close(world.value(Quantity::Voltage), level * (1.0 - gone(1.5)), 1e-7);
    let before = world.value(Quantity::Voltage);
    let given = world.flows(0.0);
    drive(&mut world, 1.5, -1e-9);
    close(world.flows(0.0), given, 1e-12);
    world.advance(1.5 + 0.2);
    // From v0 and I0: the level's change dies by gone, what v0 was not the level by tau alone.
    let (from, to) = (given / g, -level);
    let fades = (-0.2f64 / tau).exp();
    close(world.value(Quantity::Voltage), to + (from - to) * gone(0.2) + (before - from) * fades, 1e-7);
}

#[test]
fn a_source_on_its_way_finds_its_limit_in_one_step_as_in_many() {
    let bench = disturbed("source_s = 0.3");
    let start = || driven(world(&bench, &Dialects::ideal(), &pair(1e9)), [1, 2, 1, 2], 1e-7);
    let (mut one, mut many) = (start(), start());
    let windows = [&mut one, &mut many].map(|world| world.begin_window(Quantity::Voltage, 0.0, 5.0));
    one.advance(5.0);
    (1..=500).for_each(|k| many.advance(0.01 * f64::from(k)));
    assert!(one.is_at_limit() && many.is_at_limit());
    close(one.value(Quantity::Voltage), many.value(Quantity::Voltage), 1e-11);
    close(one.end_window(windows[0]).unwrap(), many.end_window(windows[1]).unwrap(), 1e-9);
}

#[test]
fn a_sample_that_warms_itself_follows_its_own_time_constant() {
    // C dw/dt = P - w/R with P = I² R0 exp(a w), by the classical Runge-Kutta method; 8 mW, 1000 K/W, 2 % per kelvin.
    let (amperes, ohm, per_kelvin, per_watt, time_s) = (2e-3, 2e3, 0.02, 1000.0, 3.0);
    let keys = "temperature_coefficient_per_k = 0.02\nheating_k_per_w = 1000.0\nheating_s = 3.0";
    let mut world =
        driven(world(&bench(), &Dialects::ideal(), &imperfect_pair(ohm, keys)), [1, 2, 1, 2], amperes);
    let slope =
        |warmth: f64| (amperes * amperes * ohm * (per_kelvin * warmth).exp() * per_watt - warmth) / time_s;
    let (mut warmth, step) = (0.0, 1e-3);
    let mut window = None;
    for k in 1..=30_010u32 {
        let one = slope(warmth);
        let two = slope(warmth + step / 2.0 * one);
        let three = slope(warmth + step / 2.0 * two);
        let four = slope(warmth + step * three);
        warmth += step / 6.0 * (one + 2.0 * two + 2.0 * three + four);
        let now = f64::from(k) * step;
        if [1000, 3000, 9000, 30_000].contains(&k) {
            window = Some((k + 10, world.begin_window(Quantity::Voltage, now, now + 0.02)));
            world.advance(now + 0.02);
        }
        // In the middle of a reading.
        if let Some((_, window)) = window.take_if(|(middle, _)| *middle == k) {
            let shown = (world.end_window(window).unwrap() / (amperes * ohm)).ln() / per_kelvin;
            // Strides of an eighth of what is left.
            assert!((shown / warmth - 1.0).abs() < 1e-2, "{shown} instead of {warmth}");
            assert!(
                (world.samples[0].warmth / warmth - 1.0).abs() < 1e-2,
                "{} instead of {warmth}",
                world.samples[0].warmth
            );
        }
    }
    assert!(warmth > 8.0, "{warmth}");
    assert!(
        (world.samples[0].warmth - warmth).abs() < 2e-3,
        "{} instead of {warmth}",
        world.samples[0].warmth
    );
    let end = 30.02;
    // It cools as it warmed.
    drive(&mut world, end, 0.0);
    world.advance(end + 3.0);
    close(world.samples[0].warmth, warmth * (-1.0f64).exp(), 5e-3);
}

#[test]
fn a_sample_that_hardly_warms_costs_no_strides() {
    let keys = "temperature_coefficient_per_k = 0.004\nheating_k_per_w = 1.0\nheating_s = 3.0";
    let mut world =
        driven(world(&bench(), &Dialects::ideal(), &imperfect_pair(1e3, keys)), [1, 2, 1, 2], 1e-4);
    assert_eq!(world.stride(100.0), 100.0);
}

#[test]
fn light_changes_every_conductance_while_it_is_on() {
    let keys = "light_factor = 1.7\nlight_from_s = 10.0\nlight_to_s = 20.0";
    let mut world =
        driven(world(&bench(), &Dialects::ideal(), &imperfect_pair(1e4, keys)), [1, 2, 1, 2], 1e-5);
    let mut shown = |time: f64| {
        world.advance(time);
        world.value(Quantity::Voltage)
    };
    let dark = shown(9.99);
    close(dark, 0.1, 1e-5);
    close(dark / shown(15.0), 1.7, 1e-5);
    close(shown(30.0), dark, 1e-12);
    // In one step over the whole as well.
    let mut at_once = driven(
        super::super::testing::world(&bench(), &Dialects::ideal(), &imperfect_pair(1e4, keys)),
        [1, 2, 1, 2],
        1e-5,
    );
    let window = at_once.begin_window(Quantity::Voltage, 5.0, 25.0);
    at_once.advance(30.0);
    close(at_once.end_window(window).unwrap(), 0.1 * (0.5 + 0.5 / 1.7), 1e-4);
}

#[test]
fn a_leak_between_contacts_is_a_resistor_beside_the_sample_and_one_to_ground_is_missing_in_the_ammeter() {
    let shown = |sample: &quadrille_documents::Sample| {
        let mut world = driven(world(&bench(), &Dialects::ideal(), sample), [1, 2, 4, 3], 1e-4);
        world.advance(100.0);
        (world.value(Quantity::Voltage), world.value(Quantity::Current))
    };
    let beside = |a: f64, b: f64| a * b / (a + b);
    let with = crate::testing::imperfect_ring([1e4, 1.5e4, 2.2e4, 3.3e4], "leak_ohm = [0, 3e5, 7e5, 0]");
    let (volt, ampere) = shown(&with);
    let (expected, full) = shown(&ring(1e4, beside(1.5e4, 3e5), beside(2.2e4, 7e5), 3.3e4));
    close(volt, expected, 1e-9);
    close(ampere, full, 1e-9);
    let grounded =
        crate::testing::imperfect_ring([1e4, 1.5e4, 2.2e4, 3.3e4], "leak_to_ground_ohm = [5e5, 0, 0, 0]");
    // Contact 1 is 8.75 kohm above the ammeter, whose 10 ohm and a relay's of 1 are nothing beside it.
    close(shown(&grounded).1, 1e-4 * 5e5 / (5e5 + 8750.0 + 12.0), 1e-4);
}

#[test]
fn capacitance_of_the_sample_slows_it() {
    let sample = imperfect_pair(1e9, "capacitance_f = 50e-12");
    let mut world = driven(world(&bench(), &Dialects::ideal(), &sample), [1, 2, 1, 2], 1e-9);
    let (g, c) = node(1e9);
    close(time_constant(&mut world, 0.2), (c + 50e-12) / g, 1e-6);
}

#[test]
fn the_temperature_and_the_field_are_set_together_or_not_at_all() {
    let keys = "temperature_coefficient_per_k = 0.004";
    let mut world = driven(world(&bench(), &Dialects::ideal(), &imperfect_film(keys)), [1, 3, 2, 4], 1e-4);
    let mut shown = |kelvin: f64, tesla: f64, time: f64| {
        world.set_surroundings(time, Kelvin(kelvin), Tesla(tesla)).unwrap();
        world.advance(time + 10.0);
        world.value(Quantity::Voltage)
    };
    let (cold, warm) = (shown(295.0, 0.4, 0.0), shown(320.0, 0.4, 10.0));
    // exp(0.1); the meters' loads are a part of 1e-6.
    close(warm / cold, 0.1f64.exp(), 1e-5);
    let reversed = shown(320.0, -0.4, 20.0);
    close((warm - reversed) / 2.0, -31.2 * 0.4 * 1e-4 * 0.1f64.exp(), 1e-5);
    assert!(
        world.set_surroundings(40.0, Kelvin(f64::NAN), Tesla(0.0)).is_err() || world.temperature().0 == 320.0
    );
}
