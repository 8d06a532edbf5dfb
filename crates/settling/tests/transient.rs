//! Legs that were made from formulas: what a watch says of them, and what it refuses. How often it is right is in
//! `transient_population.rs`.

#![allow(clippy::unwrap_used)]

use quadrille_settling::transient::{Arrival, Knowledge, Noise, Reason, Verdict, Wanted, Watch, audit};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const READING_S: f64 = 0.02;
const NOISE: Noise = Noise { white: 2e-4, over_s: READING_S, corner_hz: 0.0, drift_per_s: 3e-6 };
const WANTED: Wanted =
    Wanted { uncertainty: 3e-4, bias: 1e-4, longest_wait_s: 60.0, not_before_s: 0.0, strict: false, legs: 1 };
const STEP: f64 = 1.7;
const LEVEL: f64 = 0.83;

/// A level that is approached from `STEP` away with 70 ms and a share of 6e-3 with 0.9 s, read with noise `sd`.
fn reading_at(from: f64, duration: f64, random: &mut ChaCha8Rng, sd: f64) -> (f64, f64, f64) {
    let mean = |tau: f64| tau / duration * ((-from / tau).exp() - (-(from + duration) / tau).exp());
    (from, duration, LEVEL - STEP * (mean(0.07) + 6e-3 * mean(0.9)) + sd * normal(random))
}

/// The same at reading `k` of a row.
fn reading(k: usize, duration: f64, random: &mut ChaCha8Rng, sd: f64) -> (f64, f64, f64) {
    reading_at(k as f64 * duration, duration, random, sd)
}

fn normal(random: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(random)
}

fn knowledge() -> Knowledge {
    Knowledge::from_estimate(0.05, 3.0, 1e-3).unwrap()
}

/// Runs a leg of which each reading is as `make` gives it, if it gives one.
fn run(
    knowledge: &Knowledge,
    noise: Noise,
    wanted: Wanted,
    mut make: impl FnMut(usize) -> Option<(f64, f64, f64)>,
) -> (Verdict, Watch) {
    let mut watch = Watch::new(knowledge, noise, wanted, STEP).unwrap();
    for k in 0..100_000 {
        let Some((from, duration, value)) = make(k) else { continue };
        watch.push(from, duration, value);
        let verdict = watch.verdict();
        if !matches!(verdict, Verdict::GoOn { .. }) {
            return (verdict, watch);
        }
    }
    panic!("no verdict");
}

fn settled(verdict: &Verdict) -> Arrival {
    match verdict {
        Verdict::Settled(arrival) => *arrival,
        other => panic!("not settled: {other:?}"),
    }
}

fn ordinary(seed: u64, wanted: Wanted) -> (Arrival, Watch) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (verdict, watch) =
        run(&knowledge(), NOISE, wanted, |k| Some(reading(k, READING_S, &mut random, NOISE.white)));
    (settled(&verdict), watch)
}

#[test]
fn a_leg_ends_when_its_value_is_as_good_as_wanted() {
    let (arrival, _) = ordinary(1, WANTED);
    assert!((arrival.value - LEVEL).abs() < 2.0 * arrival.u, "{arrival:?}");
    assert!(arrival.u <= 3.2e-4 && arrival.flagged.is_none(), "{arrival:?}");
    // A tail of 0.01 falls to 1e-4 in 4.1 s; noise alone would let it end after one reading.
    assert!(arrival.to_s > 3.0 && arrival.to_s < 12.0, "{arrival:?}");
}

#[test]
fn a_strict_leg_is_longer() {
    let (relaxed, _) = ordinary(2, WANTED);
    let (strict, _) = ordinary(2, Wanted { strict: true, ..WANTED });
    assert!(strict.to_s > relaxed.to_s);
    assert!(strict.bias.abs() + 1.645 * strict.bias_u <= WANTED.bias);
}

#[test]
fn before_the_time_it_names_a_watch_says_the_same() {
    let mut random = ChaCha8Rng::seed_from_u64(3);
    let mut watch = Watch::new(&knowledge(), NOISE, WANTED, STEP).unwrap();
    let (mut until, mut asked) = (0.0, 0);
    for k in 0.. {
        let (from, duration, value) = reading(k, READING_S, &mut random, NOISE.white);
        watch.push(from, duration, value);
        let early = from + duration < until - 1e-9;
        match watch.verdict() {
            Verdict::GoOn { until_s } => {
                asked += u32::from(!early);
                until = until_s;
            }
            _ => {
                assert!(!early, "ended at {}, before {until}", from + duration);
                break;
            }
        }
    }
    assert!(asked < 110);
}

#[test]
fn apertures_may_change_and_readings_may_be_missing() {
    let mut random = ChaCha8Rng::seed_from_u64(4);
    let mut from = 0.0;
    let (verdict, _) = run(&knowledge(), NOISE, WANTED, |k| {
        let duration = if k < 40 { 4e-3 } else { 0.1 };
        let begun = from;
        from += duration;
        let sd = NOISE.white * (READING_S / duration).sqrt();
        let (_, _, value) = reading_at(begun, duration, &mut random, sd);
        (k % 7 != 3).then_some((begun, duration, value))
    });
    let arrival = settled(&verdict);
    assert!((arrival.value - LEVEL).abs() < 2.0 * arrival.u, "{arrival:?}");
    assert!(arrival.misfit < 2.0, "{arrival:?}");
}

#[test]
fn spikes_are_left_out_and_counted() {
    let mut random = ChaCha8Rng::seed_from_u64(5);
    let spiked = [9, 33, 34, 90, 150];
    let (verdict, _) = run(&knowledge(), NOISE, WANTED, |k| {
        let (from, duration, value) = reading(k, READING_S, &mut random, NOISE.white);
        Some((from, duration, if spiked.contains(&k) { value - 40.0 * NOISE.white } else { value }))
    });
    let arrival = settled(&verdict);
    assert_eq!(arrival.spikes, 5, "{arrival:?}");
    assert!((arrival.value - LEVEL).abs() < 2.0 * arrival.u, "{arrival:?}");
}

#[test]
fn readings_while_a_relay_bounces_are_not_looked_at() {
    let mut random = ChaCha8Rng::seed_from_u64(6);
    let wanted = Wanted { not_before_s: 0.04, ..WANTED };
    let (verdict, _) = run(&knowledge(), NOISE, wanted, |k| {
        let (from, duration, value) = reading(k, READING_S, &mut random, NOISE.white);
        Some((from, duration, if k < 2 { value + 3.0 } else { value }))
    });
    let arrival = settled(&verdict);
    assert!((arrival.value - LEVEL).abs() < 2.0 * arrival.u && arrival.misfit < 2.0, "{arrival:?}");
}

#[test]
fn a_leg_whose_time_is_over_says_why_it_is_not_as_wanted() {
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let short = Wanted { longest_wait_s: 1.0, ..WANTED };
    let (verdict, _) =
        run(&knowledge(), NOISE, short, |k| Some(reading(k, READING_S, &mut random, NOISE.white)));
    let Verdict::GaveUp(arrival) = verdict else { panic!("{verdict:?}") };
    assert_eq!(arrival.flagged, Some(Reason::NotSettled));
    // What it says of its value holds nevertheless.
    assert!((arrival.value - LEVEL).abs() < 2.0 * arrival.u, "{arrival:?}");

    let loud = Noise { white: 0.05, ..NOISE };
    let (verdict, _) = run(&knowledge(), loud, WANTED, |k| Some(reading(k, READING_S, &mut random, 0.05)));
    assert!(matches!(verdict, Verdict::GaveUp(_)));
}

#[test]
fn a_leg_is_not_held_to_the_end_for_what_flicker_forbids() {
    let mut random = ChaCha8Rng::seed_from_u64(8);
    // Density at 1 Hz of 2 · (1e-3)² · 0.02 · 20: 9e-4 in the mean, however long.
    let noise = Noise { white: 1e-3, corner_hz: 20.0, ..NOISE };
    let (verdict, _) = run(&knowledge(), noise, WANTED, |k| Some(reading(k, READING_S, &mut random, 1e-3)));
    let Verdict::GaveUp(arrival) = verdict else { panic!("{verdict:?}") };
    assert_eq!(arrival.flagged, Some(Reason::BelowFlicker));
    assert!(arrival.to_s < 0.9 * WANTED.longest_wait_s, "{arrival:?}");
}

#[test]
fn volts_and_microvolts_are_judged_alike() {
    let run = |unit: f64| {
        let mut random = ChaCha8Rng::seed_from_u64(9);
        let noise = Noise { white: unit * NOISE.white, drift_per_s: unit * NOISE.drift_per_s, ..NOISE };
        let wanted = Wanted { uncertainty: unit * WANTED.uncertainty, bias: unit * WANTED.bias, ..WANTED };
        let mut watch = Watch::new(&knowledge(), noise, wanted, unit * STEP).unwrap();
        for k in 0.. {
            let (from, duration, value) = reading(k, READING_S, &mut random, NOISE.white);
            watch.push(from, duration, unit * value);
            if let Verdict::Settled(arrival) = watch.verdict() {
                return arrival;
            }
        }
        unreachable!()
    };
    let (volts, micro) = (run(1.0), run(1e-6));
    assert_eq!(volts.to_s, micro.to_s);
    assert!((volts.value - 1e6 * micro.value).abs() < 1e-9);
    assert!((volts.u / (1e6 * micro.u) - 1.0).abs() < 1e-6);
}

#[test]
fn the_sign_of_the_step_does_not_matter() {
    let run = |sign: f64| {
        let mut random = ChaCha8Rng::seed_from_u64(10);
        let (verdict, _) = run(&knowledge(), NOISE, WANTED, |k| {
            let (from, duration, value) = reading(k, READING_S, &mut random, NOISE.white);
            Some((from, duration, sign * value))
        });
        settled(&verdict)
    };
    assert_eq!(run(1.0).value, -run(-1.0).value);
}

#[test]
fn what_a_leg_taught_shortens_the_next() {
    let (first, watch) = ordinary(11, Wanted { legs: 32, ..WANTED });
    let mut known = watch.learned();
    let mut last = first;
    for seed in 12..16 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let (verdict, watch) = run(&known, NOISE, Wanted { legs: 32, ..WANTED }, |k| {
            Some(reading(k, READING_S, &mut random, NOISE.white))
        });
        (last, known) = (settled(&verdict), watch.learned());
    }
    assert_eq!(known.legs(), 5);
    assert!(last.to_s < first.to_s, "{} and {}", first.to_s, last.to_s);
    let (tau, factor) = known.time_constant();
    assert!((0.05..0.1).contains(&tau) && factor < 2.2, "{tau} within {factor}");
}

#[test]
fn the_main_time_constant_is_found_though_the_estimate_was_threefold_off() {
    let (arrival, _) = ordinary(17, WANTED);
    assert!((arrival.time_constant_s / 0.07).ln().abs() < 0.4, "{}", arrival.time_constant_s);
}

#[test]
fn widened_knowledge_waits_longer() {
    let narrow = knowledge();
    let time = |known: &Knowledge| {
        let mut random = ChaCha8Rng::seed_from_u64(18);
        let (verdict, _) =
            run(known, NOISE, WANTED, |k| Some(reading(k, READING_S, &mut random, NOISE.white)));
        settled(&verdict).to_s
    };
    assert!(time(&narrow.widened()) > time(&narrow));
    assert!(narrow.widened().dead_time(0.95, 1e-4).unwrap() > narrow.dead_time(0.95, 1e-4).unwrap());
}

#[test]
fn a_dead_time_is_longer_for_less_residual_and_more_certainty() {
    let known = Knowledge::from_estimate(0.1, 1.2, 1e-3).unwrap();
    let time = |quantile, allowed| known.dead_time(quantile, allowed).unwrap();
    assert!(time(0.95, 1e-3) < time(0.95, 1e-4) && time(0.95, 1e-4) < time(0.99, 1e-4));
    // Pure exponentials of 0.1 s are down to 1e-4 after 0.92 s; tails to 3 s with up to 3 % come on top.
    assert!(time(0.95, 1e-4) > 0.92 && time(0.95, 1e-4) < 30.0, "{}", time(0.95, 1e-4));
    assert!(known.dead_time(1.0, 1e-4).is_err() && known.dead_time(0.95, 0.0).is_err());
}

#[test]
fn an_audit_disagrees_beyond_two_and_a_half_uncertainties_and_what_drifts() {
    let (arrival, _) = ordinary(19, WANTED);
    let stopped = Arrival { value: 2.0, at_s: 10.0, u: 3e-4, drift_per_s: 0.0, ..arrival };
    let held = |value| Arrival { value, at_s: 40.0, ..stopped };
    assert!(audit(&stopped, &held(2.0 - 7.4e-4)).agrees());
    assert!(!audit(&stopped, &held(2.0 + 7.6e-4)).agrees());
    // 30 s of 2e-5 are twice as much as the uncertainty.
    let drifting = Arrival { drift_per_s: 2e-5, ..stopped };
    assert!(audit(&drifting, &held(2.0 + 1.6e-3)).agrees());
    assert!(!audit(&drifting, &held(2.0 + 1.7e-3)).agrees());
    assert!((audit(&stopped, &held(2.0 - 4e-4)).u - 5e-4).abs() < 1e-12);
}

#[test]
fn an_audit_confirms_a_leg_that_is_as_expected() {
    let mut random = ChaCha8Rng::seed_from_u64(20);
    let (verdict, mut watch) =
        run(&knowledge(), NOISE, WANTED, |k| Some(reading(k, READING_S, &mut random, NOISE.white)));
    let stopped = settled(&verdict);
    let first = (stopped.to_s / READING_S).round() as usize;
    for k in first..4 * first {
        let (from, duration, value) = reading(k, READING_S, &mut random, NOISE.white);
        watch.push(from, duration, value);
    }
    let agreement = audit(&stopped, &watch.held().unwrap());
    assert!(agreement.agrees() && agreement.u >= stopped.u, "{agreement:?}");
}

#[test]
fn evidence_and_knowledge_come_back_from_text() {
    let (arrival, watch) = ordinary(21, WANTED);
    let text = serde_json::to_string(&arrival).unwrap();
    assert_eq!(serde_json::from_str::<Arrival>(&text).unwrap(), arrival);
    let text = serde_json::to_string(&watch.learned()).unwrap();
    assert_eq!(serde_json::from_str::<Knowledge>(&text).unwrap(), watch.learned());
}

#[test]
fn what_is_no_reading_is_passed_over() {
    let mut watch = Watch::new(&knowledge(), NOISE, WANTED, STEP).unwrap();
    assert!(watch.arrival().is_none());
    for (from, duration, value) in
        [(0.0, 0.02, f64::NAN), (0.0, 0.0, 1.0), (f64::INFINITY, 0.02, 1.0), (-1.0, 0.02, 1.0)]
    {
        watch.push(from, duration, value);
    }
    assert!(watch.arrival().is_none());
    watch.push(0.1, 0.02, 1.0);
    watch.push(0.05, 0.02, 7.0);
    assert_eq!(watch.arrival().unwrap().value, 1.0);
}

#[test]
fn numbers_that_cannot_be_are_refused() {
    assert!(Knowledge::from_estimate(0.0, 3.0, 0.0).is_err());
    assert!(Knowledge::from_estimate(1.0, 1.0, 0.0).is_err());
    let error = Watch::new(&knowledge(), Noise { white: -1.0, ..NOISE }, WANTED, STEP).unwrap_err();
    assert_eq!(error.to_string(), "white noise is -1: it must be above zero");
    assert!(Watch::new(&knowledge(), NOISE, Wanted { bias: f64::NAN, ..WANTED }, STEP).is_err());
    assert!(Watch::new(&knowledge(), NOISE, WANTED, f64::NAN).is_err());
}
