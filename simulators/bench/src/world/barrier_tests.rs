//! Contacts that are not ohmic, against scalar equations and a closed form. Invented figures.

use super::test_support::{close, drive, driven};
use super::*;
use crate::testing::{Dialects, bench, imperfect_pair, imperfect_ring, world};

/// k T / e at 295 K, in volts (CODATA exact k and e).
const THERMAL_V: f64 = 1.380_649e-23 / 1.602_176_634e-19 * 295.0;

const BOTH: &str = "barrier = [{ contact = 1, saturation_a = 3e-9, ideality = 1.2, leak_ohm = 2e7 }, \
                    { contact = 2, saturation_a = 5e-8, leak_ohm = 6e6 }]";

/// Voltage at which a barrier carries a current, by halving.
fn voltage_of(ampere: f64, saturation: f64, ideality: f64, leak: f64) -> f64 {
    let current = |v: f64| saturation * (v / (ideality * THERMAL_V)).exp_m1() + v / leak;
    let (mut low, mut high) = (-1e3, 1.0);
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if current(middle) < ampere { low = middle } else { high = middle }
    }
    low
}

/// With guard and buffers, so that nothing else leads current away.
fn guarded(sample: &quadrille_documents::Sample) -> World {
    let mut bench = bench();
    bench.wiring.buffers.as_mut().unwrap().bias_current_a = 0.0;
    let mut world = world(&bench, &Dialects::ideal(), sample);
    world.set_guard(0.0, true);
    world.switch(0.0, &[(Place::Buffers, true)]);
    world
}

#[test]
fn two_contacts_back_to_back_settle_on_their_characteristics() {
    for amperes in [1e-9, 2e-7, -2e-7, 4e-6, -4e-6] {
        let mut world = driven(guarded(&imperfect_pair(3e3, BOTH)), [1, 2, 1, 2], amperes);
        world.advance(10.0);
        // Into the sample at contact 1, out of it at contact 2; two relays and the ammeter are not between.
        let expected =
            voltage_of(amperes, 3e-9, 1.2, 2e7) - voltage_of(-amperes, 5e-8, 1.0, 6e6) + amperes * 3e3;
        if expected.abs() < 20.0 {
            close(world.value(Quantity::Voltage), expected, 2e-6);
            let window = world.begin_window(Quantity::Current, 10.0, 10.02);
            world.advance(11.0);
            close(world.end_window(window).unwrap(), amperes, 1e-6);
        } else {
            assert!(world.is_at_limit());
            close(world.voltages[SOURCE_HIGH], 20.0f64.copysign(amperes), 1e-5);
        }
    }
}

#[test]
fn a_barrier_turned_round_conducts_easily_the_other_way() {
    let keys = |easy: &str| {
        format!("barrier = [{{ contact = 1, saturation_a = 3e-9, leak_ohm = 2e7, easy = \"{easy}\" }}]")
    };
    let shown = |easy: &str, amperes: f64| {
        let mut world = driven(guarded(&imperfect_pair(3e3, &keys(easy))), [1, 2, 1, 2], amperes);
        world.advance(10.0);
        world.value(Quantity::Voltage)
    };
    // As well as an operating point is found.
    assert!((shown("in", 3e-7) + shown("out", -3e-7)).abs() < 1e-7 * THERMAL_V);
    assert!((shown("in", -3e-7) + shown("out", 3e-7)).abs() < 1e-7 * THERMAL_V);
    assert!(shown("in", -3e-7).abs() > 10.0 * shown("in", 3e-7).abs());
}

#[test]
fn four_terminals_do_not_see_barriers_that_carry_the_current() {
    let keys = "barrier = [{ contact = 1, saturation_a = 3e-8, leak_ohm = 2e7 }, \
                { contact = 4, saturation_a = 1e-8, leak_ohm = 1e6 }]";
    let [a, b, c, d] = [1e4, 1.5e4, 2.2e4, 3.3e4];
    for amperes in [1e-5, -2e-7] {
        let mut world = driven(guarded(&imperfect_ring([a, b, c, d], keys)), [1, 2, 4, 3], amperes);
        world.advance(10.0);
        close(world.value(Quantity::Voltage) / world.value(Quantity::Current), a * c / (a + b + c + d), 1e-5);
    }
}

/// Charging by a constant current, C v' = I − I_s (exp(v/V_T) − 1): with u = exp(−v/V_T) this is linear, and
/// u = s + (1 − s) exp(−(I + I_s) t / (C V_T)), s = I_s / (I + I_s).
struct Charging {
    world: World,
    ampere: f64,
    saturation: f64,
    farad: f64,
}

impl Charging {
    fn new() -> Self {
        let keys = "barrier = [{ contact = 1, saturation_a = 3e-11, leak_ohm = 1e15 }]";
        let ampere = 1e-9;
        // Four cables of 0.2 pF would be charged but for the one that the ammeter grounds; 10 ohm are nothing here.
        let world = driven(guarded(&imperfect_pair(10.0, keys)), [1, 2, 1, 2], ampere);
        Self { world, ampere, saturation: 3e-11, farad: 3.0 * 0.2e-12 }
    }

    fn volt(&self, seconds: f64) -> f64 {
        let rest = self.saturation / (self.ampere + self.saturation);
        let rate = (self.ampere + self.saturation) / (self.farad * THERMAL_V);
        -THERMAL_V * (rest + (1.0 - rest) * (-rate * seconds).exp()).ln()
    }
}

#[test]
fn a_barrier_that_is_charged_follows_the_closed_form() {
    let mut charging = Charging::new();
    let mut worst = 0.0f64;
    for time in [3e-6, 1e-5, 3e-5, 6e-5, 1.2e-4, 1e-3] {
        charging.world.advance(time);
        worst = worst.max((charging.world.value(Quantity::Voltage) - charging.volt(time)).abs());
    }
    // A stride is wrong by 1e-5 of a thermal voltage at most; the leaks and series resistances here by 1e-5 too.
    assert!(worst < 2e-4 * THERMAL_V, "{worst:e} V");
}

#[test]
fn an_average_over_a_barrier_that_is_charged_follows_the_closed_form() {
    let mut charging = Charging::new();
    let window = charging.world.begin_window(Quantity::Voltage, 1e-5, 8e-5);
    charging.world.advance(2e-4);
    let (start, end, parts) = (1e-5, 8e-5, 7000);
    // Simpson's rule.
    let sum: f64 = (0..=parts)
        .map(|k| {
            let weight = if k == 0 || k == parts {
                1.0
            } else if k % 2 == 1 {
                4.0
            } else {
                2.0
            };
            weight * charging.volt(start + (end - start) * f64::from(k) / f64::from(parts))
        })
        .sum();
    let mean = sum / f64::from(3 * parts);
    let found = charging.world.end_window(window).unwrap();
    assert!((found - mean).abs() < 2e-4 * THERMAL_V, "{found} instead of {mean}");
}

#[test]
fn one_step_of_a_discharge_is_as_many() {
    // The end of a discharge is slow: neither a chord nor a tangent at its beginning is.
    let start = || {
        let mut world = driven(guarded(&imperfect_pair(10.0, BOTH)), [1, 2, 1, 2], 1e-7);
        world.advance(1.0);
        drive(&mut world, 1.0, 0.0);
        world
    };
    for seconds in [1e-5, 1e-3, 0.1, 10.0] {
        let (mut one, mut many) = (start(), start());
        one.advance(1.0 + seconds);
        (1..=100).for_each(|k| many.advance(1.0 + seconds * f64::from(k) / 100.0));
        for (a, b) in one.voltages.iter().zip(&many.voltages) {
            assert!((a - b).abs() < 1e-4 * THERMAL_V, "{seconds}: {a:e} {b:e}");
        }
    }
}

#[test]
fn a_circuit_at_rest_passes_any_time_in_one_stride() {
    let mut world = driven(guarded(&imperfect_ring([1e4, 1.5e4, 2.2e4, 3.3e4], BOTH)), [1, 2, 4, 3], 1e-6);
    world.advance(1.0);
    assert_eq!(world.stride(1e4), 1e4);
    let window = world.begin_window(Quantity::Voltage, 1.0, 1.02);
    assert_eq!(world.stride(0.02), 0.02);
    world.advance(2.0);
    let found = world.end_window(window).unwrap();
    close(found, world.value(Quantity::Voltage), 1e-7);
}

#[test]
fn a_limit_behind_a_blocked_barrier_is_reached_in_few_strides_and_as_in_many() {
    let keys = "barrier = [{ contact = 1, saturation_a = 1e-6, leak_ohm = 1e5 }, \
                { contact = 3, saturation_a = 1e-7, leak_ohm = 2e5 }]";
    let start = || {
        let mut world = driven(guarded(&crate::testing::imperfect_film(keys)), [1, 2, 4, 3], 1e-4);
        world.advance(1.0);
        // 10 V across the leak of contact 1 and what else there is; 5 V are allowed.
        world.set_source(1.0, Source { level: -1e-4, current: -1e-4, limit: 5.0, ..world.source() });
        world
    };
    let mut one = start();
    let mut strides = 0;
    while one.time < 1.01 {
        let end = one.time + one.stride(1.01 - one.time);
        one.pass(end);
        strides += 1;
    }
    assert!(one.is_at_limit() && strides <= 3, "{strides}");
    let mut many = start();
    many.begin_window(Quantity::Voltage, 1.0, 1.01);
    many.advance(1.01);
    assert!(many.is_at_limit());
    for (a, b) in one.voltages.iter().zip(&many.voltages) {
        assert!((a - b).abs() < 1e-4 * THERMAL_V, "{a:e} {b:e}");
    }
}
