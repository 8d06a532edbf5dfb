//! Verdicts of stability against plants whose true temperature is known. All plants are invented: two poles, damping
//! 0.25 to 0.9, a period of 30 s to 300 s, half of them with a slow tail of 0.5 % to 3 %, a thermometer of 0.5 mK to
//! 10 mK read twice a second; 20 mK are allowed.
#![allow(clippy::unwrap_used)]

mod plants;

use plants::{Plant, RATE_HZ, Sensor, Tally, log_uniform, tally};
use quadrille_settling::stability::{Evidence, SensorFacts, Verdict, Wanted, Watch};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const BAND: f64 = 0.02;
const LONGEST_S: f64 = 4000.0;

fn wanted(time: f64) -> Wanted {
    Wanted { band: BAND, time, target: None }
}

fn sensor(random: &mut ChaCha8Rng) -> Sensor {
    Sensor { sd: log_uniform(random, 0.5e-3, 10e-3), is_known: random.random(), ..Sensor::default() }
}

/// At most 5 % of the verdicts are wrong, none by twice the band, and all but `late` come within the time.
#[track_caller]
fn hold(plants: u64, late: f64, draw: impl Fn(&mut ChaCha8Rng) -> (Plant, Sensor)) -> [Tally; 2] {
    [20.0, 60.0].map(|time| {
        let found = tally(0..plants, wanted(time), LONGEST_S, &draw);
        assert!(found.false_rate() <= 0.05, "{time} s: {found:?}");
        assert_eq!(found.far_out, 0, "{time} s: {found:?}");
        let in_time = found.stable as f64 / found.watched as f64;
        assert!(in_time >= 1.0 - late, "{time} s: {found:?}");
        found
    })
}

#[test]
fn what_is_called_stable_stays_so() {
    let found = hold(400, 0.0, |random| (Plant::draw(random), sensor(random)));
    // Neither does it come at any price: the best rule of a study of these plants was 110 s and 166 s late in the middle,
    // 329 s in one of ten.
    for (found, median) in found.iter().zip([110.0, 166.0]) {
        assert!(
            found.delay(0.5) < median && found.delay(0.9) < 329.0,
            "{} {}",
            found.delay(0.5),
            found.delay(0.9)
        );
    }
}

#[test]
fn a_ramp_is_not_taken_for_a_slow_plant() {
    let found = hold(120, 0.0, |random| {
        (Plant { ramp: log_uniform(random, 1.0, 10.0) / 60.0, ..Plant::draw(random) }, sensor(random))
    });
    assert!(found[0].delay(0.9) < 329.0 && found[1].delay(0.9) < 329.0);
}

#[test]
fn noise_that_hangs_together_is_no_better_known_for_being_read_often() {
    hold(120, 0.05, |random| {
        let filter_s = log_uniform(random, 0.5, 10.0);
        (Plant::draw(random), Sensor { filter_s, ..sensor(random) })
    });
}

#[test]
fn digits_hide_nothing_that_would_leave_the_band() {
    for quantum in [1e-3, 10e-3] {
        hold(120, 0.02, |random| (Plant::draw(random), Sensor { quantum, ..sensor(random) }));
        hold(120, 0.02, |random| (Plant::draw(random), Sensor { quantum, ..Sensor::default() }));
    }
}

#[test]
fn a_base_that_drifts_is_stable_only_as_long_as_it_is_slow() {
    hold(120, 0.5, |random| {
        (Plant { drift: log_uniform(random, 1e-4, 0.1) / 60.0, ..Plant::draw(random) }, sensor(random))
    });
}

/// All verdicts of stability over a plant, with the times at which they were given.
fn verdicts(
    plant: &Plant,
    sensor: &Sensor,
    wanted: Wanted,
    seconds: f64,
    seed: u64,
) -> (Vec<(f64, Evidence)>, Verdict) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut watch = Watch::new(wanted, sensor.facts());
    let mut found = Vec::new();
    for k in 0..(seconds * RATE_HZ) as usize {
        let t = k as f64 / RATE_HZ;
        let noise: f64 = StandardNormal.sample(&mut random);
        watch.push(t, 300.0 + plant.at(t) + sensor.sd * noise);
        if let Verdict::Stable(evidence) = watch.verdict() {
            found.push((t, evidence));
        }
    }
    (found, watch.verdict())
}

/// A loop that oscillates for ever about 300.02 K, its amplitude in parts of the band.
fn cycling(amplitude: f64, period: f64) -> Plant {
    Plant { cycle: (amplitude * BAND, period), period: 60.0, damping: 0.5, offset: 0.02, ..Plant::default() }
}

#[test]
fn an_oscillation_within_the_band_is_found_stable_by_its_periods() {
    for (k, amplitude) in [0.3, 0.5, 0.7, 0.85].into_iter().enumerate() {
        for (l, period) in [31.0, 75.0, 140.0, 290.0].into_iter().enumerate() {
            let plant = cycling(amplitude, period);
            let sensor = Sensor { sd: 0.5e-3, ..Sensor::default() };
            let about = Wanted { target: Some(300.02), ..wanted(60.0) };
            let (found, last) = verdicts(&plant, &sensor, about, 12.0 * period + 600.0, (10 * k + l) as u64);
            let Verdict::Stable(evidence) = last else {
                panic!("{amplitude} {period}: {last:?} {}", found.len())
            };
            assert!((evidence.value - 300.02).abs() < 0.3 * BAND, "{amplitude} {period}: {evidence:?}");
            // What it is said to reach is what it reaches.
            assert!(evidence.worst > 0.9 * amplitude * BAND, "{amplitude} {period}: {evidence:?}");
            let told = evidence.period.unwrap();
            assert!((told / period - 1.0).abs() < 0.15, "{amplitude} {period}: {evidence:?}");
        }
    }
}

#[test]
fn an_oscillation_that_leaves_the_band_is_not_stable_once_it_was_seen_for_two_periods() {
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let mut wrong = 0;
    for seed in 0..120 {
        let (amplitude, period) = (random.random_range(1.1..5.0), log_uniform(&mut random, 30.0, 300.0));
        let (plant, sensor) = (cycling(amplitude, period), sensor(&mut random));
        for time in [20.0, 60.0] {
            let about = Wanted { target: Some(300.02), ..wanted(time) };
            let (found, _) = verdicts(&plant, &sensor, about, 2000.0, seed);
            let late = found.iter().find(|(at, _)| *at > 2.0 * period);
            assert!(late.is_none(), "{time} s, {amplitude} {period} {sensor:?}: {late:?}");
            // Before that its turning points are slow, and whoever has measured by the next one was right.
            let leaves =
                |at: f64| (0..100).any(|k| (plant.at(at + time * f64::from(k) / 100.0) - 0.02).abs() > BAND);
            wrong += usize::from(found.first().is_some_and(|(at, _)| leaves(*at)));
        }
    }
    assert!(wrong <= 12, "{wrong} of 240");
}

#[test]
fn a_temperature_that_was_at_rest_from_the_beginning_is_stable_after_one_and_a_half_times_the_time() {
    let still = Plant { period: 60.0, damping: 0.5, ..Plant::default() };
    let (found, _) = verdicts(&still, &Sensor { sd: 0.5e-3, ..Sensor::default() }, wanted(60.0), 300.0, 3);
    assert!((90.0..95.0).contains(&found[0].0), "{:?}", found[0]);
    assert_eq!(found[0].1.period, None);
    // And stays so.
    assert!(found.len() as f64 > 0.95 * (300.0 - found[0].0) * RATE_HZ, "{}", found.len());
}

#[test]
fn a_turning_point_is_no_rest() {
    // 5 K and a loop that turns after half a period of 250 s, where it is 21 % beyond: flat to 20 mK for 17 s.
    let plant = Plant { step: 5.0, damping: 0.445, period: 250.0, ..Plant::default() };
    let (found, _) = verdicts(&plant, &Sensor { sd: 0.5e-3, ..Sensor::default() }, wanted(20.0), 400.0, 1);
    assert!(found.is_empty(), "{:?}", found[0]);
}

#[test]
fn what_rests_off_its_target_is_not_where_it_should_be() {
    let plant = Plant { step: 2.0, damping: 0.6, period: 60.0, offset: 0.03, ..Plant::default() };
    let sensor = Sensor { sd: 1e-3, ..Sensor::default() };
    let at = |target| verdicts(&plant, &sensor, Wanted { target: Some(target), ..wanted(20.0) }, 600.0, 5).0;
    assert!(at(300.0).is_empty());
    assert!(!at(300.03).is_empty() && !at(300.04).is_empty());
}

#[test]
fn a_constant_drift_is_told_with_its_rate_or_refused() {
    let drifting = |drift| {
        let plant = Plant { drift, period: 60.0, damping: 0.5, ..Plant::default() };
        verdicts(&plant, &Sensor { sd: 1e-3, ..Sensor::default() }, wanted(60.0), 600.0, 11)
    };
    let (_, last) = drifting(5e-5);
    let Verdict::Stable(evidence) = last else { panic!("{last:?}") };
    assert!((evidence.drift - 5e-5).abs() < 3e-5, "{evidence:?}");
    // 30 mK within the minute.
    assert!(drifting(5e-4).0.is_empty());
}

#[test]
fn a_sensor_too_noisy_for_the_band_is_told_with_the_window_it_would_need() {
    let still = Plant { period: 60.0, damping: 0.5, ..Plant::default() };
    let (found, last) = verdicts(&still, &Sensor { sd: 0.4, ..Sensor::default() }, wanted(20.0), 600.0, 2);
    let Verdict::TooNoisy { scatter, window } = last else { panic!("{last:?}") };
    assert!(found.is_empty() && (0.25..0.6).contains(&scatter) && window > 400.0, "{last:?}");
    // One that is four times noisier than what a window of the time alone could show is read for longer.
    let (found, _) = verdicts(&still, &Sensor { sd: 10e-3, ..Sensor::default() }, wanted(20.0), 600.0, 2);
    assert!(found[0].1.window > 30.0, "{:?}", found[0]);
}

#[test]
fn readings_that_are_none_or_come_twice_change_nothing() {
    let facts = SensorFacts { sd: Some(1e-3), quantum: 0.0 };
    let (mut clean, mut disturbed) = (Watch::new(wanted(20.0), facts), Watch::new(wanted(20.0), facts));
    let mut random = ChaCha8Rng::seed_from_u64(4);
    for k in 0..200 {
        let (t, noise): (f64, f64) = (f64::from(k) / RATE_HZ, StandardNormal.sample(&mut random));
        clean.push(t, 300.0 + 1e-3 * noise);
        disturbed.push(t, 300.0 + 1e-3 * noise);
        disturbed.push(t, 400.0);
        disturbed.push(t - 1.0, 200.0);
        disturbed.push(t + 0.1, f64::NAN);
        disturbed.push(f64::INFINITY, 300.0);
        assert_eq!(clean.verdict(), disturbed.verdict());
    }
    assert!(matches!(clean.verdict(), Verdict::Stable(_)));
}
