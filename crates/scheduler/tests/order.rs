//! In which order a leg does what it does, and what it keeps of what it saw.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_experiment::{Condition, Polarity};
use quadrille_instruments::MeterValue;
use quadrille_quantity::{Ampere, Tesla, Volt};
use quadrille_scheduler::{Ending, Output};
use std::time::Duration;
use support::{CURRENT, World, plan, run_in};

/// The part of a log from an entry to another, both included.
fn part<'l>(log: &'l [String], from: &str, to: &str) -> Vec<&'l str> {
    let begin = log.iter().position(|entry| entry == from).unwrap();
    let end = begin + log[begin..].iter().position(|entry| entry == to).unwrap();
    log[begin..=end].iter().map(String::as_str).collect()
}

#[tokio::test(start_paused = true)]
async fn a_leg_moves_cold_reads_both_meters_together_and_keeps_each_reading_before_the_next() {
    let world = World::shared();
    // The ammeter is the slower one, so that the order of their answers is known.
    world.lock().unwrap().latency = [Duration::ZERO, Duration::from_millis(5)];
    let outcome = run_in(&world, &plan()).await;
    assert!(matches!(outcome.ending, Ending::Finished), "{outcome:?}");
    assert!(outcome.stand_down.is_clean() && outcome.energised, "{outcome:?}");
    let world = world.lock().unwrap();
    assert_eq!(world.complaints, [""; 0]);
    let read = [
        "voltmeter reads",
        "ammeter reads",
        "voltmeter has read",
        "ammeter has read",
        "source in compliance?",
    ];
    let expected = [
        &["record intent 12,43 200 µA"][..],
        // Crosspoints move with the guard undriven, and it is driven only behind closed ones.
        &["source guard false"],
        &["ammeter short", "matrix open all", "matrix connect 12,43 false", "ammeter release"],
        &["source guard true", "source level 200 µA", "source on"],
        // A first look on the range that holds the voltage limit of 2.5 V, then 1.2 times 63.6 mV.
        &["ammeter range 200 µA", "voltmeter range 10 V", "voltmeter reads", "voltmeter has read"],
        &["voltmeter range 100 mV"],
        &read,
        &["record reading 12,43 +", "source level -200 µA"],
        &read,
        &["record reading 12,43 -"],
        &read,
        &["record reading 12,43 -", "source level 0 A", "source off"],
        // The ammeter agrees before the next crosspoint moves.
        &["ammeter reads", "ammeter has read", "record round 1 finished"],
    ]
    .concat();
    assert_eq!(part(&world.log, "record intent 12,43 200 µA", "record round 1 finished"), expected);
}

#[tokio::test(start_paused = true)]
async fn a_run_begins_with_the_source_off_and_everybody_known_and_shorted_before_the_first_relay_moves() {
    let world = World::shared();
    run_in(&world, &plan()).await;
    let world = world.lock().unwrap();
    let expected = [
        "source prepare",
        "record invented source",
        "source off",
        "ammeter prepare",
        "record invented ammeter",
        "voltmeter prepare",
        "record invented voltmeter",
        "ammeter short",
        "matrix prepare",
        "record invented matrix",
        "matrix open all",
        "source range 200 µA limit 2.5 V",
        "source level 0 A",
        "source guard false",
        "voltmeter aperture 1",
        "ammeter aperture 1",
        "field 0 T",
        "record field 0 T 0 T",
        "record round 1 started",
        "record intent 21,34 200 µA",
    ];
    assert_eq!(world.log[..expected.len()], expected);
    let expected = [
        "record round 1 finished",
        // Nothing is read for a while: rows that hang open would drift with a guard that follows them.
        "source guard false",
        "field 500 mT",
        "record field 500 mT 505 mT",
        "record round 2 started",
    ];
    assert_eq!(part(&world.log, expected[0], expected[4]), expected);
    assert!(world.log.contains(&"record round 2 finished".to_owned()));
}

#[tokio::test(start_paused = true)]
async fn a_bench_is_stood_down_at_the_end_of_a_run_too() {
    let world = World::shared();
    run_in(&world, &plan()).await;
    let world = world.lock().unwrap();
    let expected = [
        "record round 2 finished",
        "source level 0 A",
        "source off",
        "ammeter release",
        "ammeter range 200 µA",
        "ammeter reads",
        "ammeter has read",
        "source guard false",
        "ammeter short",
        "matrix open all",
        "record stood down verified []",
    ];
    assert_eq!(world.log[world.log.len() - expected.len()..], expected);
    assert_eq!((world.level, world.output, world.shorted, world.closed), (0.0, false, true, None));
}

#[tokio::test(start_paused = true)]
async fn a_pinned_range_is_set_without_a_look() {
    let world = World::shared();
    let mut plan = plan();
    plan.samples[0].settings.voltage_range = Some(Volt(0.5));
    run_in(&world, &plan).await;
    let world = world.lock().unwrap();
    assert_eq!(
        part(&world.log, "ammeter range 200 µA", "voltmeter reads"),
        ["ammeter range 200 µA", "voltmeter range 1 V", "voltmeter reads"]
    );
    assert!(world.readings.iter().all(|(_, circumstances)| circumstances.voltage_range == Volt(1.0)));
}

#[tokio::test(start_paused = true)]
async fn a_reading_says_where_when_and_at_what_it_was_taken() {
    let world = World::shared();
    run_in(&world, &plan()).await;
    let world = world.lock().unwrap();
    assert_eq!(world.readings.len(), 9);
    let legs: Vec<_> = world.readings.iter().map(|(r, c)| (c.round, r.configuration.to_string())).collect();
    let expected = [(1, "21,34"), (1, "12,43"), (2, "13,24")];
    for (k, (round, configuration)) in expected.into_iter().enumerate() {
        assert!(
            legs[3 * k..3 * k + 3].iter().all(|leg| *leg == (round, configuration.to_owned())),
            "{legs:?}"
        );
    }
    for (reading, circumstances) in &world.readings {
        let sign = circumstances.polarity.sign();
        assert_eq!(reading.current.value, CURRENT * sign);
        assert!((reading.voltage.value.0 - sign * 2e-4 * 318.0).abs() < 1e-12);
        assert_eq!(circumstances.commanded, CURRENT * sign);
        assert_eq!((circumstances.voltage_range, circumstances.current_range), (Volt(0.1), Ampere(1e-3)));
        assert!(circumstances.guard && !circumstances.buffers);
        // The field that was confirmed, not the one that was planned.
        assert_eq!(reading.field, if circumstances.round == 1 { Tesla(0.0) } else { Tesla(0.5 * 1.01) });
    }
    let polarities: Vec<Polarity> = world.readings[..3].iter().map(|(_, c)| c.polarity).collect();
    assert_eq!(polarities, [Polarity::Plus, Polarity::Minus, Polarity::Minus]);
}

// The last reading's aperture of 20 ms began at an instant that the bench wrote down.
#[tokio::test(start_paused = true)]
async fn the_time_of_a_reading_is_the_middle_of_its_aperture_however_late_the_answers_come() {
    for latency_ms in [[0, 0], [70, 0], [0, 70], [13, 41]] {
        let world = World::shared();
        world.lock().unwrap().latency = latency_ms.map(Duration::from_millis);
        let begun = tokio::time::Instant::now();
        let mut plan = plan();
        plan.rounds.truncate(1);
        plan.rounds[0].legs.truncate(1);
        run_in(&world, &plan).await;
        let world = world.lock().unwrap();
        let time = world.readings.last().unwrap().0.time.0;
        let middle = (world.voltmeter_began - begun).as_secs_f64() + 0.010;
        assert!((time - middle).abs() < 1e-9, "{latency_ms:?}: {time} s, not {middle} s");
    }
}

#[tokio::test(start_paused = true)]
async fn after_each_change_of_the_level_the_wait_of_the_plan_passes_before_the_reading() {
    let world = World::shared();
    run_in(&world, &plan()).await;
    let world = world.lock().unwrap();
    let middles: Vec<f64> = world.readings[..3].iter().map(|(reading, _)| reading.time.0).collect();
    // Wait for the look, the look, wait, then half an aperture.
    assert!((middles[0] - (0.3 + 0.02 + 0.3 + 0.01)).abs() < 0.002, "{middles:?}");
    // Half an aperture, the commit, the wait, half an aperture.
    assert!((middles[1] - middles[0] - (0.01 + 0.003 + 0.3 + 0.01)).abs() < 0.002, "{middles:?}");
    // The same polarity again needs no wait.
    assert!((middles[2] - middles[1] - (0.02 + 0.003)).abs() < 0.002, "{middles:?}");
}

#[tokio::test(start_paused = true)]
async fn at_zero_current_the_leads_discharge_before_the_output_goes_off() {
    let world = World::shared();
    run_in(&world, &plan()).await;
    let world = world.lock().unwrap();
    let on = world.instants.iter().position(|(entry, _)| entry == "source on").unwrap();
    let of_leg = &world.instants[on..];
    let zero = of_leg.iter().find(|(entry, _)| entry == "source level 0 A").unwrap().1;
    let off = of_leg.iter().find(|(entry, _)| entry == "source off").unwrap().1;
    assert!(off - zero >= Duration::from_millis(100), "{:?}", off - zero);
}

#[tokio::test(start_paused = true)]
async fn a_reading_that_is_no_value_is_marked_and_kept_and_the_run_goes_on() {
    let overload = MeterValue::Overload(-1.0);
    for (voltage, current, at_limit, condition) in [
        (Some(overload), None, Some(false), Condition::VoltmeterOverload),
        (None, Some(MeterValue::Overload(1.0)), Some(false), Condition::AmmeterOverload),
        (Some(MeterValue::NotANumber), None, None, Condition::NotANumber),
        (None, Some(MeterValue::NotANumber), None, Condition::NotANumber),
        (None, None, Some(true), Condition::Compliance),
        (Some(overload), None, Some(true), Condition::Compliance),
    ] {
        let world = World::shared();
        {
            let mut world = world.lock().unwrap();
            (world.voltage_state, world.current_state, world.at_limit) = (voltage, current, at_limit);
        }
        let outcome = run_in(&world, &plan()).await;
        assert!(matches!(outcome.ending, Ending::Finished), "{outcome:?}");
        let world = world.lock().unwrap();
        assert_eq!(world.readings.len(), 9);
        assert!(world.readings.iter().all(|(reading, _)| reading.condition == condition), "{condition}");
        let marks = world.log.iter().filter(|entry| entry.contains("record marked")).count();
        assert_eq!(marks, 9, "{condition}");
        assert!(world.log.contains(&format!("record marked 13,24: {condition}")));
        let reading = world.readings[0].0;
        // The numbers that stand for these states in SCPI-1999 (from memory).
        match voltage {
            Some(MeterValue::Overload(_)) => assert_eq!(reading.voltage.value, Volt(-9.9e37)),
            Some(MeterValue::NotANumber) => assert_eq!(reading.voltage.value, Volt(9.91e37)),
            _ => assert!(reading.voltage.value.0.abs() < 1.0),
        }
    }
}

#[tokio::test(start_paused = true)]
async fn an_ammeter_that_has_no_value_does_not_verify_an_output() {
    for state in [MeterValue::Overload(1.0), MeterValue::NotANumber] {
        let world = World::shared();
        {
            let mut world = world.lock().unwrap();
            (world.current_state, world.state_stays) = (Some(state), true);
        }
        let outcome = run_in(&world, &plan()).await;
        assert_eq!(outcome.stand_down.output, Output::Commanded);
    }
}
