//! Single legs of unknown samples, run by the product and judged against the truth.

use super::classes::Class;
use super::oracle::oracle_s;
use super::truth::{Meter, READING_S, Truth, normal};
use quadrille_settling::transient::{
    Agreement, Arrival, Kind, Knowledge, Noise, Verdict, Wanted, Watch, audit,
};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// The level is 1.
pub(crate) const BIAS: f64 = 1e-4;
pub(crate) const UNCERTAINTY: f64 = 3e-4;
pub(crate) const LONGEST_S: f64 = 600.0;
/// One standard deviation of the drift, as it is specified to the product.
pub(crate) const DRIFT: f64 = 3e-6;

pub(crate) const WANTED: Wanted = Wanted {
    uncertainty: UNCERTAINTY,
    bias: BIAS,
    longest_wait_s: LONGEST_S,
    not_before_s: 0.0,
    strict: false,
    legs: 1,
};

/// How one leg went.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Outcome {
    pub(crate) seconds: f64,
    pub(crate) ideal_s: Option<f64>,
    /// Of the transient in the value.
    pub(crate) bias: f64,
    pub(crate) error: f64,
    pub(crate) u: f64,
    pub(crate) flagged: bool,
    pub(crate) extrapolated: bool,
    pub(crate) audited: Option<Agreement>,
}

pub(crate) fn noise_of(truth: &Truth) -> Noise {
    Noise {
        white: truth.white,
        over_s: READING_S,
        corner_hz: truth.disturbance.corner_hz,
        drift_per_s: DRIFT,
    }
}

/// Time constant known to a factor of `factor` as one standard deviation.
pub(crate) fn estimate(truth_tau: f64, factor: f64, random: &mut impl Rng) -> Knowledge {
    let tau = truth_tau * (factor.ln() * normal(random)).exp();
    Knowledge::from_estimate(tau, factor, 1e-3).unwrap()
}

/// Reads until the verdict.
pub(crate) fn watch_leg(watch: &mut Watch, meter: &mut Meter<'_>) -> (Arrival, bool) {
    loop {
        let (from, duration, value) = meter.read();
        watch.push(from, duration, value);
        match watch.verdict() {
            Verdict::GoOn { .. } => {}
            Verdict::Settled(arrival) => return (arrival, arrival.flagged.is_some()),
            Verdict::GaveUp(arrival) => return (arrival, true),
        }
    }
}

/// What of the transient is in a value.
pub(crate) fn true_bias(truth: &Truth, arrival: &Arrival) -> f64 {
    match arrival.kind {
        Kind::Mean => truth.transient(arrival.from_s, arrival.to_s),
        // A linear form of noisy readings: the error less what noise may have done is not known; take it all.
        Kind::Extrapolated => arrival.value - truth.level(arrival.at_s),
    }
}

pub(crate) fn run(class: Class, seed: u64, wanted: Wanted) -> Outcome {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let truth = class.draw(&mut random);
    let tau = truth.time_constant();
    let knowledge = estimate(tau, 3.0, &mut random);
    let not_before_s = READING_S * if class == Class::Bounce { 2.0 } else { 0.0 };
    let wanted = Wanted { not_before_s, ..wanted };
    let mut watch = Watch::new(&knowledge, noise_of(&truth), wanted, truth.step()).unwrap();
    let mut meter = Meter::new(&truth, seed ^ 0x5eed);
    let (arrival, flagged) = watch_leg(&mut watch, &mut meter);
    let seconds = arrival.to_s;
    let out = matches!(class, Class::StrongAbsorption | Class::FarTail | Class::PowerTail | Class::PowerLaw);
    let audited = (out && !flagged).then(|| {
        while meter.at() < 4.0 * seconds {
            let (from, duration, value) = meter.read();
            watch.push(from, duration, value);
        }
        audit(&arrival, &watch.held().unwrap())
    });
    let mut error = arrival.value - truth.level(arrival.at_s);
    let mut u = arrival.u;
    if class == Class::Flicker {
        let mut watch = Watch::new(&knowledge, noise_of(&truth), wanted, truth.step()).unwrap();
        let mut meter = Meter::after(&truth, seed ^ 0xbac4, meter.flicker());
        let (other, _) = watch_leg(&mut watch, &mut meter);
        error = 0.5 * (error - other.value + truth.level(other.at_s));
        u = 0.5 * u.hypot(other.u);
    }
    Outcome {
        seconds,
        ideal_s: oracle_s(&truth, wanted.uncertainty, wanted.bias, LONGEST_S),
        bias: true_bias(&truth, &arrival),
        error,
        u,
        flagged,
        extrapolated: arrival.kind == Kind::Extrapolated,
        audited,
    }
}

/// What two successive readings that agree, within noise and the allowed bias, leave of the transient, and when.
#[allow(dead_code)]
pub(crate) fn two_agree(class: Class, seed: u64) -> (f64, f64) {
    let truth = class.draw(&mut ChaCha8Rng::seed_from_u64(seed));
    let mut meter = Meter::new(&truth, seed ^ 0x5eed);
    let (_, _, mut last) = meter.read();
    while meter.at() < LONGEST_S {
        let (from, duration, value) = meter.read();
        if (value - last).abs() <= BIAS.max(2.8 * truth.white) {
            return (truth.transient(from, from + duration), meter.at());
        }
        last = value;
    }
    (f64::NAN, LONGEST_S)
}

/// Seconds until not more than `bias` remains for good, by the estimated time constant: 95 % of `seeds`.
#[allow(dead_code)]
pub(crate) fn fixed_wait(seeds: u64, factor: f64, bias: f64) -> f64 {
    let mut waits: Vec<f64> = (0..seeds)
        .map(|seed| {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let truth = Class::Ordinary.draw(&mut random);
            let tau = truth.time_constant();
            // A reversal; the estimate is off as it is for the product.
            let scale = 2.0 / truth.terms[0].0.abs();
            let mut wait = 200.0 * tau;
            while scale * truth.transient(wait, 1.0001 * wait).abs() < bias {
                wait /= 1.01;
            }
            wait / (tau * (factor.ln() * normal(&mut random)).exp())
        })
        .collect();
    waits.sort_by(f64::total_cmp);
    waits[waits.len() * 95 / 100]
}
