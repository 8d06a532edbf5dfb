//! What slowly changes while something else happens: relays that move, a limit that is reached, light and field that
//! change by themselves. Formulas stand at each test.

use super::test_support::{close, drive, driven_on, mean};
use super::*;
use crate::parts::CONTACTS;
use crate::testing::{Dialects, bench, film, pair, relays, world};
use quadrille_documents::{
    Barrier, Bench, Disturbances, Heating, Imperfections, Light, Sample, Thermomagnetic,
};

#[test]
fn a_source_on_its_way_arrives_although_a_relay_moves() {
    let mut bench = bench();
    bench.disturbances.source_s = 0.05;
    let mut world = driven_on(&bench, &pair(100.0), [1, 2, 1, 2], 1e-4);
    let sensed = relays([1, 2, 1, 2])[2].0;
    world.switch(0.02, &[(sensed, false)]);
    world.switch(0.03, &[(sensed, true)]);
    world.advance(5.0);
    close(world.value(Quantity::Voltage), 1e-2, 5e-6);
}

#[test]
fn a_source_so_quick_that_the_clock_does_not_tell_still_arrives() {
    let mut bench = bench();
    bench.disturbances.source_s = 1e-15;
    let mut world = world(&bench, &Dialects::ideal(), &pair(100.0));
    world.set_input(1e5, true);
    world.switch(1e5, &relays([1, 2, 1, 2]));
    drive(&mut world, 1e5, 1e-4);
    world.advance(1e5 + 1.0);
    close(world.value(Quantity::Voltage), 1e-2, 5e-6);
}

#[test]
fn ettingshausens_voltage_dies_away_while_nothing_is_sensed() {
    let thermomagnetic = Thermomagnetic { ettingshausen: 0.05, time_s: 0.5, ..Thermomagnetic::default() };
    let imperfections = Imperfections { thermomagnetic: Some(thermomagnetic), ..Imperfections::default() };
    let sample = Sample { imperfections, ..film() };
    let mut world = driven_on(&bench(), &sample, [1, 3, 2, 4], 1e-4);
    world.set_field(0.0, Tesla(0.5)).unwrap();
    world.advance(20.0);
    let off = Source { on: false, ..world.source() };
    world.set_source(20.0, off);
    let open: Vec<_> = relays([1, 3, 2, 4]).into_iter().map(|(place, _)| (place, false)).collect();
    world.switch(20.0, &open);
    world.switch(21.0, &relays([1, 3, 2, 4]));
    // 5 % of the film's 31.2 ohm a tesla, after 1.1 s of time constants of half a second; by then the rows' charge is
    // gone.
    let expected = 0.05 * -31.2 * 0.5 * 1e-4 * (-2.2f64).exp();
    close(mean(&mut world, 21.1, 21.1001), expected, 1e-3);
}

#[test]
fn at_the_limit_ettingshausen_follows_the_current_that_flows() {
    let thermomagnetic = Thermomagnetic { ettingshausen: 0.05, time_s: 0.5, ..Thermomagnetic::default() };
    let imperfections = Imperfections { thermomagnetic: Some(thermomagnetic), ..Imperfections::default() };
    let read = |sample: &Sample, limit: f64| {
        let mut world = driven_on(&bench(), sample, [1, 3, 2, 4], 0.0);
        let source = Source { on: true, level: 1e-3, current: 1e-3, limit };
        world.set_source(0.0, source);
        world.set_field(0.0, Tesla(0.5)).unwrap();
        let id = world.begin_window(Quantity::Current, 30.0, 30.02);
        let voltage = mean(&mut world, 30.0, 30.02);
        (world.is_at_limit(), voltage, world.end_window(id).unwrap())
    };
    let plain = read(&film(), 0.1);
    let lagging = read(&Sample { imperfections, ..film() }, 0.1);
    assert!(plain.0 && lagging.0 && plain.2 < 5e-4, "{plain:?}");
    close(lagging.1 - plain.1, 0.05 * -31.2 * 0.5 * plain.2, 1e-4);
}

#[test]
fn a_contact_with_a_barrier_settles_in_few_strides_forward_and_blocked() {
    let barrier = Barrier { saturation_a: 1e-12, ideality: 1.2, leak_ohm: 1e7, is_easy_out: false };
    let barriers = vec![Some(barrier), None];
    let sample =
        Sample { imperfections: Imperfections { barriers, ..Imperfections::default() }, ..pair(1e4) };
    let mut world = driven_on(&bench(), &sample, [1, 2, 1, 2], 1e-4);
    let mut now = 0.0;
    // Forward some 0.6 V, that is 20 thermal voltages; blocked, 10 V across ten megohms.
    for (amperes, most) in [(1e-4, 2), (-1e-6, 2), (1e-3, 2)] {
        drive(&mut world, now, amperes);
        let mut strides = 0;
        let end = now + 10.0;
        while world.time < end {
            let stride = world.stride(end - world.time);
            let to = world.time + stride;
            world.pass(to);
            strides += 1;
            assert!(strides <= most, "{strides} strides for {amperes} A by {} s", world.time - now);
        }
        now = world.time;
    }
}

#[test]
fn the_current_through_a_barrier_at_rest_is_that_of_its_characteristic_to_nine_digits() {
    let barrier = Barrier { saturation_a: 1e-9, ideality: 1.2, leak_ohm: 8e4, is_easy_out: false };
    let barriers = vec![None, Some(barrier)];
    let sample =
        Sample { imperfections: Imperfections { barriers, ..Imperfections::default() }, ..pair(1e4) };
    // k T / e of SI's exact constants at 295 K.
    let thermal = 1.2 * 1.380_649e-23 * 295.0 / 1.602_176_634e-19;
    let mut world = driven_on(&bench(), &sample, [2, 1, 2, 1], 1e-4);
    for (k, amperes) in [1e-4, -1e-4, 1e-3, -3e-6, 5e-6].into_iter().enumerate() {
        drive(&mut world, 10.0 * k as f64, amperes);
        world.advance(10.0 * (k + 1) as f64);
        let volt = world.voltages[CONTACTS + 1] - world.voltages[world.parts.samples[0].inside[1]];
        let through = world.in_sample(0, &world.voltages).1[1].0;
        assert!((through / amperes - 1.0).abs() < 1e-3, "{through:e}");
        close(through, 1e-9 * (volt / thermal).exp_m1() + volt / 8e4, 1e-9);
    }
}

#[test]
fn effects_that_are_nothing_change_no_bit() {
    let mut written = bench();
    written.disturbances = Disturbances { drift_s: 7.0, ..Disturbances::default() };
    let nothing = Imperfections {
        leak_ohm: vec![0.0; 4],
        leak_to_ground_ohm: vec![0.0; 4],
        contact_noise_ohm: vec![0.0; 4],
        thermomagnetic: Some(Thermomagnetic { time_s: 1.0, ..Thermomagnetic::default() }),
        ..Imperfections::default()
    };
    let read = |bench: &Bench, sample: &Sample| {
        let mut world = driven_on(bench, sample, [1, 3, 2, 4], 1e-4);
        world.set_field(0.0, Tesla(0.3)).unwrap();
        let early = mean(&mut world, 1e-6, 2e-6);
        (early.to_bits(), mean(&mut world, 1.0, 1.02).to_bits())
    };
    let plain = read(&bench(), &film());
    assert_eq!(plain, read(&written, &Sample { imperfections: nothing, ..film() }));
}

#[test]
fn the_rise_of_temperature_is_an_exponential_to_the_thermal_resistance_times_the_power_and_back() {
    let heating = Some(Heating { kelvin_per_w: 300.0, time_s: 2.0 });
    let light = Some(Light { factor: 4.0, from_s: 30.0, to_s: 1e9 });
    // Ten kilohms that do not mind their temperature; 0.9 mW, in the light a quarter of it.
    let imperfections = Imperfections { heating, light, ..Imperfections::default() };
    let sample = Sample { imperfections, ..pair(1e4) };
    let mut world = driven_on(&bench(), &sample, [1, 2, 1, 2], 3e-4);
    let rise = 300.0 * 9e-8 * 1e4;
    for (time, expected) in [
        (1.0, rise * (1.0 - (-0.5f64).exp())),
        (2.0, rise * (1.0 - (-1f64).exp())),
        (29.9, rise),
        (31.0, rise * (0.25 + 0.75 * (-0.5f64).exp())),
        (70.0, rise / 4.0),
    ] {
        world.advance(time);
        close(world.samples[0].warmth, expected, 2e-5);
        assert!((world.temperature().0 - 295.0 - world.samples[0].warmth).abs() < 0.1 * rise);
    }
    let off = Source { on: false, ..world.source() };
    world.set_source(70.0, off);
    world.advance(74.0);
    close(world.samples[0].warmth, rise / 4.0 * (-2f64).exp(), 1e-4);
    world.advance(200.0);
    assert!((world.temperature().0 - 295.0).abs() < 2e-4);
}
