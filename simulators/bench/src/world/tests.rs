//! The world against hand calculations. Formulas stand at each test; "common practice, no source" unless said.

use super::test_support::{close, drive, driven};
use super::*;
use crate::complaint::ComplaintKind;
use crate::parts::{Limits, RETURN_LOW};
use crate::testing::{Dialects, bench, film, pair, relays, ring, world};

const PLAIN_OHM: f64 = 1e11;
const PLAIN_F: f64 = 100e-12;

/// Voltage and returned current after a time that no time constant here reaches.
fn settled(world: &mut World) -> (f64, f64) {
    world.advance(1e4);
    (world.value(Quantity::Voltage), world.value(Quantity::Current))
}

#[test]
fn a_square_of_four_shows_three_quarters_between_neighbours() {
    let mut world =
        driven(world(&bench(), &Dialects::ideal(), &ring(1e4, 1e4, 1e4, 1e4)), [1, 2, 1, 2], 1e-4);
    // 7.5 kohm beside 10 Gohm of the voltmeter and 25 Gohm of cables: below 2e-6.
    let (volt, ampere) = settled(&mut world);
    close(volt, 0.75, 2e-6);
    close(ampere, 1e-4, 2e-6);
}

#[test]
fn an_unequal_ring_shows_each_configuration_its_own_resistance() {
    // Of a ring a, b, c, d with the sum s: R12,34 = -a c / s and R13,24 = (b d - a c) / s, current division.
    let [a, b, c, d] = [1e4, 1.5e4, 2.2e4, 3.3e4];
    let s = a + b + c + d;
    let check = |contacts: [usize; 4], expected: f64| {
        for amperes in [1e-4, -1e-4] {
            let mut world = driven(world(&bench(), &Dialects::ideal(), &ring(a, b, c, d)), contacts, amperes);
            let (volt, ampere) = settled(&mut world);
            close(volt / ampere, expected, 5e-6);
        }
    };
    check([1, 2, 3, 4], -a * c / s);
    check([1, 2, 4, 3], a * c / s);
    check([4, 3, 1, 2], a * c / s);
    check([2, 3, 1, 4], b * d / s);
    check([1, 3, 2, 4], (b * d - a * c) / s);
}

#[test]
fn a_film_in_a_field_shows_its_hall_voltage_and_no_other_difference() {
    // R13,24 has the odd part R_H B, R12,43 none (van der Pauw 1958; contacts on the edge).
    let resistance = |contacts, field| {
        let mut world = driven(world(&bench(), &Dialects::ideal(), &film()), contacts, 1e-4);
        world.set_field(0.0, Tesla(field)).unwrap();
        let (volt, ampere) = settled(&mut world);
        volt / ampere
    };
    let odd = |contacts| (resistance(contacts, 0.5) - resistance(contacts, -0.5)) / 2.0;
    close(odd([1, 3, 2, 4]), -31.2 * 0.5, 1e-6);
    assert!(odd([1, 2, 4, 3]).abs() < 1e-6);
    close(resistance([1, 2, 4, 3], 0.0), 318.0, 1e-6);
}

#[test]
fn gigohms_read_right_with_guard_and_buffers_and_wrong_without() {
    let read = |guard: bool, buffers: bool| {
        let world = world(&bench(), &Dialects::ideal(), &ring(1e10, 1e10, 1e10, 1e10));
        let mut world = driven(world, [1, 2, 1, 2], 1e-10);
        world.set_guard(0.0, guard);
        world.switch(0.0, &[(Place::Buffers, buffers)]);
        settled(&mut world).0
    };
    // 7.5 Gohm beside 3 cables of 1e15: 2e-5; buffers draw as little.
    close(read(true, true), 0.75, 1e-4);
    // 7.5 Gohm parallel to the voltmeter's 10 Gohm: 4.2857 Gohm.
    close(read(true, false), 1e-10 / (1.0 / 7.5e9 + 1e-10), 1e-4);
    // Without guard every node leaks through 1e11: less than 0.75 V by several per cent.
    assert!(read(false, true) < 0.68, "{}", read(false, true));
}

#[test]
fn the_returned_current_is_that_through_the_ammeter_and_misses_what_leaks() {
    let ring = ring(4.7e9, 6.8e9, 1e10, 1.5e10);
    let mut world = driven(world(&bench(), &Dialects::new(), &ring), [1, 3, 2, 4], 1e-10);
    world.set_guard(0.0, true);
    world.switch(0.0, &[(Place::Buffers, true)]);
    for amperes in [1e-10, -1e-10] {
        let now = world.time;
        drive(&mut world, now, amperes);
        // Twice: near its steady state the voltage of the return row has all its digits.
        world.advance(now + 1e4);
        world.advance(now + 2e4);
        let id = world.begin_window(Quantity::Current, now + 2e4, now + 2e4 + 0.02);
        world.advance(now + 3e4);
        let mean = world.end_window(id).unwrap();
        close(mean, world.voltages[RETURN_LOW] / 10.0, 1e-8);
        assert!((amperes - mean).abs() > 1e-15 && (amperes - mean).abs() < 1e-14, "{:e}", amperes - mean);
    }
}

#[test]
fn charging_cables_take_what_the_ammeter_does_not_see() {
    let OneResistor { mut world, level, tau } = OneResistor::new(1e9, 1e-9);
    let id = world.begin_window(Quantity::Current, 0.0, 0.2);
    world.advance(0.5);
    // Contact 2 is grounded through the ammeter, so that what flows through resistor and voltmeter returns.
    let mean = level * (1.0 - tau * -(-0.2 / tau).exp_m1() / 0.2) * (1e-9 + 1e-10 + 4e-15);
    close(world.end_window(id).unwrap(), mean, 1e-7);
}

/// One resistor from contact 1 to contact 2, read at its ends: a single time constant of three cables.
struct OneResistor {
    world: World,
    level: f64,
    tau: f64,
}

impl OneResistor {
    fn new(ohm: f64, amperes: f64) -> Self {
        let world = driven(world(&bench(), &Dialects::ideal(), &pair(ohm)), [1, 2, 1, 2], amperes);
        // Resistor, voltmeter, three cables, and 1e15 ohm each: eight open relays, of which four end at the other
        // contact and four at unused ones (grounded by their cables), and the source itself.
        let conductance = 1.0 / ohm + 1e-10 + 3.0 / PLAIN_OHM + 9e-15;
        Self { world, level: amperes / conductance, tau: 3.0 * PLAIN_F / conductance }
    }
}

#[test]
fn a_reading_too_early_is_wrong_by_the_exponential() {
    let OneResistor { mut world, level, tau } = OneResistor::new(1e9, 1e-9);
    for time in [0.05, 0.2, 0.3, 1.0, 3.0] {
        world.advance(time);
        // Relays of 1 ohm and the ammeter's 10 ohm beside a gigohm.
        close(world.value(Quantity::Voltage), level * -(-time / tau).exp_m1(), 1e-7);
    }
}

#[test]
fn after_a_reversal_the_old_voltage_dies_out_by_the_exponential() {
    let OneResistor { mut world, level, tau } = OneResistor::new(1e9, 1e-9);
    world.advance(0.4);
    let before = world.value(Quantity::Voltage);
    drive(&mut world, 0.4, -1e-9);
    world.advance(0.9);
    close(world.value(Quantity::Voltage), -level + (before + level) * (-0.5 / tau).exp(), 1e-7);
}

#[test]
fn an_average_is_that_of_the_exponential_whatever_else_happens_meanwhile() {
    let mean = |level: f64, tau: f64, [from, to]: [f64; 2]| {
        let integral = |t: f64| level * (t + tau * (-t / tau).exp());
        (integral(to) - integral(from)) / (to - from)
    };
    let OneResistor { mut world, level, tau } = OneResistor::new(1e9, 1e-9);
    let spans = [[0.1, 0.3], [0.2, 0.35], [0.25, 0.26]];
    let ids = spans.map(|[from, to]| world.begin_window(Quantity::Voltage, from, to));
    assert_eq!(world.end_window(ids[0]), None);
    world.advance(0.27);
    // Changes nothing, but divides the time.
    world.set_guard(0.28, false);
    world.advance(7.0);
    for (id, span) in ids.into_iter().zip(spans) {
        close(world.end_window(id).unwrap(), mean(level, tau, span), 1e-7);
        assert_eq!(world.end_window(id), None);
    }
}

#[test]
fn an_average_over_a_change_is_the_sum_of_both_sides() {
    let OneResistor { mut world, level, tau } = OneResistor::new(1e9, 1e-9);
    world.advance(30.0);
    let id = world.begin_window(Quantity::Voltage, 30.0, 30.5);
    drive(&mut world, 30.2, -1e-9);
    world.advance(31.0);
    let after = -level * 0.3 + 2.0 * level * tau * -(-0.3 / tau).exp_m1();
    close(world.end_window(id).unwrap(), (level * 0.2 + after) / 0.5, 1e-7);
}

#[test]
fn many_small_steps_come_to_the_same_as_one() {
    let start =
        || driven(world(&bench(), &Dialects::new(), &ring(4.7e9, 6.8e9, 1e10, 1.5e10)), [1, 2, 4, 3], 1e-10);
    let (mut one, mut many) = (start(), start());
    one.advance(2.0);
    (1..=200).for_each(|k| many.advance(0.01 * f64::from(k)));
    for (a, b) in one.voltages.iter().zip(&many.voltages) {
        assert!((a - b).abs() < 1e-12, "{a:e} {b:e}");
    }
}

#[test]
fn a_source_at_its_limit_holds_the_limit_and_says_so() {
    for sign in [1.0, -1.0] {
        // 100 nA through a gigohm would be 100 V (beside the leaks, 88); the limit is 20 V.
        let OneResistor { mut world, level, tau } = OneResistor::new(1e9, sign * 1e-7);
        // 20 V are reached at -tau ln(1 - 20/level).
        let reached = -tau * (1.0 - 20.0 / level.abs()).ln();
        let id = world.begin_window(Quantity::Voltage, 0.0, 10.0);
        world.advance(reached * 0.9999);
        assert!(!world.is_at_limit());
        world.advance(reached * 1.0001);
        assert!(world.is_at_limit());
        world.advance(10.0);
        close(world.value(Quantity::Voltage), sign * 20.0, 1e-6);
        // Resistor and voltmeter.
        close(world.value(Quantity::Current), sign * 20.0 * (1e-9 + 1e-10), 1e-5);
        let rise = level.abs() * (reached + tau * (-reached / tau).exp_m1());
        close(world.end_window(id).unwrap(), sign * (rise + 20.0 * (10.0 - reached)) / 10.0, 1e-6);
        // What would be 8.8 V leaves the limit.
        drive(&mut world, 10.0, sign * 1e-8);
        world.advance(20.0);
        assert!(!world.is_at_limit());
        close(world.value(Quantity::Voltage), level / 10.0, 1e-6);
        assert!(world.take_limit_reached() && !world.take_limit_reached());
    }
}

#[test]
fn one_step_finds_the_same_limit_as_many() {
    let start = || OneResistor::new(1e9, 1e-7).world;
    let (mut one, mut many) = (start(), start());
    one.advance(5.0);
    (1..=500).for_each(|k| many.advance(0.01 * f64::from(k)));
    assert!(one.is_at_limit() && many.is_at_limit());
    close(one.value(Quantity::Voltage), many.value(Quantity::Voltage), 1e-11);
}

#[test]
fn a_limit_lowered_below_the_voltage_pulls_it_down() {
    let OneResistor { mut world, .. } = OneResistor::new(1e9, 1e-8);
    world.advance(10.0);
    assert!(!world.is_at_limit());
    world.set_source(10.0, Source { limit: 2.0, ..world.source() });
    assert!(world.is_at_limit());
    world.advance(10.001);
    close(world.value(Quantity::Voltage), 2.0, 1e-6);
}

#[test]
fn without_output_the_cables_lose_their_charge_through_a_megohm() {
    let mut world = world(&bench(), &Dialects::ideal(), &pair(1e9));
    drive(&mut world, 0.0, 1e-7);
    world.advance(1.0);
    let before = world.voltages[SOURCE_HIGH];
    close(before, 20.0, 1e-6);
    world.set_source(1.0, Source { on: false, ..world.source() });
    // 1 Mohm on the 100 pF of one cable.
    world.advance(1.0 + 3e-4);
    close(world.voltages[SOURCE_HIGH], before * (-3.0_f64).exp(), 1e-4);
}

#[test]
fn a_shorted_ammeter_sees_nothing() {
    let mut world =
        driven(world(&bench(), &Dialects::ideal(), &ring(1e4, 1.5e4, 2.2e4, 3.3e4)), [1, 2, 4, 3], 1e-4);
    world.set_input(0.0, false);
    assert_eq!(settled(&mut world).1, 0.0);
}

#[test]
fn thermoelectric_voltages_and_bias_currents_remain_without_current() {
    let mut dialects = Dialects::ideal();
    dialects.of_mut(quadrille_documents::Role::SwitchMatrix).facts.thermoelectric_v = 1e-6;
    let offset = |contacts| {
        settled(&mut driven(world(&bench(), &dialects, &ring(1e4, 1.5e4, 2.2e4, 3.3e4)), contacts, 0.0)).0
    };
    let offsets = [offset([1, 2, 3, 4]), offset([2, 3, 4, 1]), offset([3, 4, 1, 2])];
    assert!(offsets.iter().all(|volt| volt.abs() > 1e-9 && volt.abs() < 1e-5), "{offsets:?}");
    // They are of the relays: exchanged sense contacts use other relays, so the offset does not just change sign.
    assert_ne!(offset([1, 2, 4, 3]), -offsets[0]);
}

fn kinds(world: &World) -> Vec<ComplaintKind> {
    world.complaints().iter().map(|complaint| complaint.kind).collect()
}

#[test]
fn cold_switching_with_the_input_shorted_is_no_complaint() {
    let mut world = world(&bench(), &Dialects::new(), &ring(1e4, 1.5e4, 2.2e4, 3.3e4));
    world.switch(0.0, &relays([1, 2, 3, 4]));
    world.set_input(0.1, true);
    drive(&mut world, 0.1, 1e-4);
    world.advance(1.0);
    world.set_source(1.0, Source { on: false, level: 0.0, current: 0.0, ..world.source() });
    world.set_input(1.1, false);
    world.switch(1.2, &relays([1, 2, 3, 4]).into_iter().map(|(place, _)| (place, false)).collect::<Vec<_>>());
    assert_eq!(world.complaints(), []);
}

#[test]
fn misuse_is_complained_of() {
    let fresh = || world(&bench(), &Dialects::ideal(), &ring(1e4, 1.5e4, 2.2e4, 3.3e4));
    let hot = |amperes: f64, close: usize| {
        let mut world = fresh();
        world.switch(0.0, &relays([1, 2, 3, 4]));
        drive(&mut world, 0.0, amperes);
        world.switch(1.0, &[(Place::Relay(2, 2), close == 1)]);
        kinds(&world)
    };
    assert_eq!(hot(1e-4, 0), [ComplaintKind::HotSwitching]);
    assert_eq!(hot(1e-4, 1), [], "a relay that is already closed does not move");
    assert_eq!(hot(0.0, 0), []);

    let mut charged = fresh();
    drive(&mut charged, 0.0, 1e-7);
    charged.advance(1.0);
    drive(&mut charged, 1.0, 0.0);
    charged.switch(1.0, &[(Place::Relay(0, 0), true)]);
    assert_eq!(kinds(&charged), [ComplaintKind::HotSwitching]);
    assert!(charged.complaints()[0].detail.contains("3!11"), "{}", charged.complaints()[0]);

    let mut open = fresh();
    open.set_input(0.0, true);
    open.switch(0.0, &relays([1, 2, 3, 4]));
    assert_eq!(kinds(&open), [ComplaintKind::AmmeterOpen]);

    let mut shorted = fresh();
    shorted.switch(0.0, &relays([2, 2, 3, 4]));
    assert_eq!(kinds(&shorted), [ComplaintKind::SourceShorted]);

    let mut left = fresh();
    drive(&mut left, 0.0, 1e-6);
    left.source_abandoned(2.0);
    drive(&mut left, 2.0, 0.0);
    left.source_abandoned(3.0);
    assert_eq!(kinds(&left), [ComplaintKind::OutputLeftOn]);
    assert_eq!(left.complaints()[0].time_s, 2.0);
}

#[test]
fn what_the_sample_may_not_be_given_is_complained_of_once() {
    // Between contacts 1 and 2 of the ring are 10 kohm beside 70: 8.75 kohm.
    let given = |amperes: f64, limits: Limits| {
        let mut world = world(&bench(), &Dialects::ideal(), &ring(1e4, 1.5e4, 2.2e4, 3.3e4));
        world.parts.samples[0].limits = limits;
        let mut world = driven(world, [1, 2, 3, 4], amperes);
        world.complaints.clear();
        (1..5).for_each(|k| world.advance(f64::from(k)));
        kinds(&world)
    };
    let wide = Limits { voltage: 50.0, current: 0.1, power: 0.5 };
    assert_eq!(given(1e-3, wide), []);
    // 1 mA: 8.75 V and 8.75 mW.
    assert_eq!(given(1e-3, Limits { voltage: 8.0, ..wide }), [ComplaintKind::OverVoltage]);
    assert_eq!(given(1e-3, Limits { voltage: 8.75, ..wide }), []);
    assert_eq!(given(1e-3, Limits { current: 0.9e-3, ..wide }), [ComplaintKind::OverCurrent]);
    assert_eq!(given(-1e-3, Limits { power: 8.0e-3, ..wide }), [ComplaintKind::OverPower]);
    assert_eq!(given(1e-3, Limits { power: 8.8e-3, ..wide }), []);
}
