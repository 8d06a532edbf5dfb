//! How often a stop is right, for legs whose truth is known: the classes of the example `population`, fewer of them. A share
//! may be above its bound by as much as chance makes it in one of a thousand such tests; seeds are fixed.

#![allow(clippy::unwrap_used)]

#[path = "../examples/population/classes.rs"]
#[allow(dead_code)]
mod classes;
#[path = "../examples/population/legs.rs"]
#[allow(dead_code)]
mod legs;
#[path = "../examples/population/oracle.rs"]
mod oracle;
#[path = "../examples/population/rounds.rs"]
#[allow(dead_code)]
mod rounds;
#[path = "../examples/population/truth.rs"]
mod truth;

use classes::Class;
use legs::{BIAS, Outcome, WANTED};

const SEEDS: u64 = 120;

fn outcomes(class: Class) -> Vec<Outcome> {
    (5_000..5_000 + SEEDS).map(|seed| legs::run(class, seed, WANTED)).collect()
}

fn share<'a>(of: impl Iterator<Item = &'a Outcome>, holds: impl Fn(&Outcome) -> bool) -> f64 {
    let all: Vec<bool> = of.map(holds).collect();
    all.iter().filter(|yes| **yes).count() as f64 / all.len() as f64
}

/// Whether a share of `count` that is truly `bound` would come out as `found` by chance more than once in a thousand times.
fn at_most(found: f64, bound: f64, count: usize) -> bool {
    found <= bound + 3.09 * (bound * (1.0 - bound) / count as f64).sqrt()
}

fn stops_are_right(class: Class, least_covered: f64) {
    let all = outcomes(class);
    let stopped = || all.iter().filter(|one| !one.flagged);
    let wrong = share(stopped(), |one| one.bias.abs() > BIAS);
    let far = share(stopped(), |one| one.bias.abs() > 3.0 * BIAS);
    let covered = share(stopped(), |one| one.error.abs() <= 2.0 * one.u);
    let fine = at_most(wrong, 0.05, stopped().count()) && at_most(far, 0.005, stopped().count());
    assert!(fine, "{wrong} beyond the allowed bias, {far} far beyond");
    let outside = at_most(1.0 - covered, 1.0 - least_covered, stopped().count());
    assert!(outside, "{covered} within two standard uncertainties");
    assert!(share(all.iter(), |one| one.flagged) < 0.4);
}

#[test]
fn ordinary_transients_have_arrived_when_it_is_said() {
    stops_are_right(Class::Ordinary, 0.93);
}

#[test]
fn transients_in_flicker_noise_have_arrived_when_it_is_said() {
    stops_are_right(Class::Flicker, 0.90);
}

#[test]
fn transients_after_bouncing_relays_have_arrived_when_it_is_said() {
    stops_are_right(Class::Bounce, 0.90);
}

#[test]
fn transients_with_spikes_have_arrived_when_it_is_said() {
    stops_are_right(Class::Spikes, 0.90);
}

#[test]
fn transients_that_no_hypothesis_has_are_covered_or_flagged_after_an_audit() {
    for class in [Class::StrongAbsorption, Class::FarTail, Class::PowerTail, Class::PowerLaw] {
        let all = outcomes(class);
        let held = share(all.iter(), |one| {
            let audited = one.audited.as_ref();
            let u = audited.map_or(one.u, |audit| audit.u);
            one.flagged || audited.is_some_and(|audit| !audit.agrees()) || one.error.abs() <= 2.0 * u
        });
        assert!(held >= 0.85, "{}: {held}", class.name());
        let wrong = || all.iter().filter(|one| one.error.abs() > 3.0 * one.u);
        let found = share(wrong(), |one| one.audited.is_some_and(|audit| !audit.agrees()));
        assert!(
            wrong().count() < 20 || found > 0.2,
            "{}: an audit finds {found} of wrong ones",
            class.name()
        );
    }
}

#[test]
fn a_first_leg_takes_four_times_as_long_as_who_knows_everything() {
    let all = outcomes(Class::Ordinary);
    let mut ratios: Vec<f64> =
        all.iter().filter_map(|one| one.ideal_s.map(|ideal| one.seconds / ideal)).collect();
    ratios.sort_by(f64::total_cmp);
    let at = |part: f64| ratios[(part * ratios.len() as f64) as usize];
    assert!(at(0.5) <= 4.0 && at(0.9) <= 10.0, "median {}, 90 % {}", at(0.5), at(0.9));
}

#[test]
fn a_round_that_learns_takes_half_as_long_again_as_who_knows_everything() {
    let sample = rounds::Sample { tau: 0.1, white: 2.6e-6, uncertainty: 1e-3, bias: 3.3e-4, factor: 3.0 };
    let legs: Vec<rounds::Leg> = (0..4).flat_map(|seed| rounds::round(sample, seed, 1.0)).collect();
    let sum = |of: fn(&rounds::Leg) -> f64| legs.iter().map(of).sum::<f64>();
    let ratio = sum(|leg| leg.seconds) / sum(|leg| leg.ideal_s);
    let wrong = legs.iter().filter(|leg| leg.bias.abs() > sample.bias).count() as f64 / legs.len() as f64;
    assert!(ratio <= 1.5 && wrong <= 0.05, "{ratio} times, {wrong} wrong");
}
