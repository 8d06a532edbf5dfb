//! What a watch says of a state that is read on after its stop, of what is left at a time, and of two arrivals as one.

#![allow(clippy::unwrap_used)]

use quadrille_settling::transient::{Arrival, Kind, Knowledge, Noise, Reason, Verdict, Wanted, Watch};

const READING_S: f64 = 0.02;
const NOISE: Noise = Noise { white: 1e-6, over_s: READING_S, corner_hz: 0.0, drift_per_s: 0.0 };
const WANTED: Wanted =
    Wanted { uncertainty: 3e-4, bias: 1e-4, longest_wait_s: 60.0, not_before_s: 0.0, strict: false, legs: 1 };
const LEVEL: f64 = 0.83;
const STEP: f64 = 1.7;
const TERMS: [(f64, f64); 2] = [(STEP, 0.07), (6e-3 * STEP, 0.9)];

/// What is left of the transient in a mean from `from` on over some time.
fn left(from: f64, duration: f64) -> f64 {
    let mean = |tau: f64| tau / duration * ((-from / tau).exp() - (-(from + duration) / tau).exp());
    TERMS.iter().map(|(size, tau)| size * mean(*tau)).sum()
}

/// A watch of readings that approach `LEVEL` from below, up to its stop or to so many seconds.
fn watched(until_s: Option<f64>) -> (Watch, usize) {
    let knowledge = Knowledge::from_estimate(0.05, 3.0, 1e-3).unwrap();
    let mut watch = Watch::new(&knowledge, NOISE, WANTED, STEP).unwrap();
    for k in 0..3000 {
        let from = k as f64 * READING_S;
        watch.push(from, READING_S, LEVEL - left(from, READING_S));
        let is_stopped = matches!(watch.verdict(), Verdict::Settled(_));
        if until_s.map_or(is_stopped, |until_s| from + READING_S >= until_s - 1e-9) {
            return (watch, k + 1);
        }
    }
    panic!("no stop");
}

#[test]
fn what_is_left_of_a_transient_is_known_at_times_between_and_after_the_readings() {
    let (mut watch, _) = watched(Some(4.0));
    let seconds = [0.5, 1.3, 2.9, 4.5];
    for ((mean, deviation), at) in watch.left(&seconds).unwrap().into_iter().zip(seconds) {
        let truth: f64 = -TERMS.iter().map(|(size, tau)| size * (-at / tau).exp()).sum::<f64>();
        assert!((mean - truth).abs() < 3e-5 + 2.0 * deviation, "{mean} not {truth} at {at} s");
        // What is much slower than the leg could be told from the level by nobody.
        assert!(deviation < 5e-4, "{deviation} at {at} s");
    }
}

#[test]
fn a_state_that_is_read_on_is_its_readings_mean_with_what_is_left_beside_it_or_subtracted() {
    let (mut watch, count) = watched(Some(1.8));
    let from = count as f64 * READING_S;
    watch.arrival().unwrap();
    for k in count..count + 5 {
        let from = k as f64 * READING_S;
        watch.push(from, READING_S, LEVEL - left(from, READING_S));
    }
    let remains = -left(from, 5.0 * READING_S);
    assert!(remains < -5e-4, "nothing to be told apart: {remains}");
    let plain = watch.again(from, false).unwrap();
    assert!((plain.value - (LEVEL + remains)).abs() < 1e-9, "{plain:?}");
    assert!((plain.bias - remains).abs() < 1e-4, "{plain:?}");
    assert_eq!((plain.kind, plain.readings), (Kind::Mean, 5));
    let subtracted = watch.again(from, true).unwrap();
    assert!((subtracted.value - LEVEL).abs() < 1e-4, "{subtracted:?}");
    assert_eq!((subtracted.kind, subtracted.bias), (Kind::Extrapolated, 0.0));
    assert!((plain.value - subtracted.value - subtracted.subtracted).abs() < 1e-12);
}

#[test]
fn a_state_that_is_not_read_on_has_no_second_value() {
    let (mut watch, count) = watched(None);
    assert!(watch.again(count as f64 * READING_S, false).is_none());
}

#[test]
fn a_watch_is_due_where_a_verdict_can_differ_and_not_twice() {
    let (mut watch, count) = watched(Some(0.5));
    assert!(!watch.is_due());
    for k in count..count + 20 {
        let from = k as f64 * READING_S;
        watch.push(from, READING_S, LEVEL - left(from, READING_S));
    }
    assert!(watch.is_due());
    watch.verdict();
    assert!(!watch.is_due());
}

/// An arrival that is nobody's, of some value and uncertainties.
fn arrival(value: f64, noise_u: f64, bias: f64, bias_u: f64) -> Arrival {
    let (mut watch, _) = watched(None);
    Arrival { value, noise_u, bias, bias_u, flagged: None, ..watch.arrival().unwrap() }
}

#[test]
fn a_product_and_a_quotient_have_both_parts_relative_uncertainties() {
    let (voltage, ratio) = (arrival(-4.0, 0.012, 0.008, 0.004), arrival(3e-9, 1.2e-11, -3e-12, 6e-12));
    // With 8 V as the unit the current is 3 nA × -4/8. Relative: noise 3e-3 and 4e-3, bias -2e-3 and -1e-3, its u 1e-3, 2e-3.
    let current = voltage.times(&ratio, 8.0);
    let near =
        |found: f64, wanted: f64| assert!((found / wanted - 1.0).abs() < 1e-12, "{found} not {wanted}");
    near(current.value, -1.5e-9);
    near(current.noise_u, 5e-3 * 1.5e-9);
    near(current.bias, 3e-3 * 1.5e-9);
    near(current.bias_u, 5f64.sqrt() * 1e-3 * 1.5e-9);
    near(current.u, (25.0f64 + 9.0 + 5.0).sqrt() * 1e-3 * 1.5e-9);
    // Back again: bias of a quotient is the difference.
    let back = current.over(&ratio, 8.0);
    near(back.value, -4.0);
    near(back.bias, voltage.bias);
    near(back.noise_u, 41f64.sqrt() * 1e-3 * 4.0);
}

#[test]
fn what_is_flagged_or_may_be_off_by_more_than_is_wanted_does_not_suffice() {
    let good = arrival(1.0, 2e-4, 4e-5, 6e-5);
    assert!(WANTED.suffices(&good));
    assert!(!WANTED.suffices(&Arrival { flagged: Some(Reason::Misfit), ..good }));
    assert!(!WANTED.suffices(&arrival(1.0, 2e-4, 9e-5, 6e-5)), "what is expected is near what is allowed");
    assert!(!WANTED.suffices(&arrival(1.0, 2e-4, 4e-5, 2e-4)), "what is open is more than is wanted");
    assert!(!WANTED.suffices(&arrival(1.0, 4e-4, 4e-5, 6e-5)), "noise");
    assert!(
        Wanted { legs: 2, ..WANTED }.suffices(&arrival(1.0, 4e-4, 4e-5, 6e-5)),
        "noise goes out over legs"
    );
}
