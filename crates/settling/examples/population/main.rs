//! Populations of transients with known truth, run by the product: prints how often it is right, and what it costs
//! beside an oracle. `cargo run --release -p quadrille-settling --example population -- 2000`
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod classes;
mod legs;
mod oracle;
mod rounds;
mod truth;

use classes::Class;
use legs::{BIAS, Outcome, WANTED};
use quadrille_settling::transient::Wanted;

/// Time constant, noise of a reading, uncertainty and bias: a level of 10 V at 1 and 100 gigohms with and without guard,
/// wanted to 0.1 %; then what is less quiet.
const SAMPLES: [(f64, f64, f64, f64); 8] = [
    (1e-3, 1e-6, 1e-3, 3.3e-4),
    (3e-3, 2.6e-6, 1e-3, 3.3e-4),
    (0.1, 2.6e-6, 1e-3, 3.3e-4),
    (0.3, 5.5e-5, 1e-3, 3.3e-4),
    (1.0, 1e-5, 1e-3, 3.3e-4),
    (10.0, 5.5e-5, 1e-3, 3.3e-4),
    (0.03, 3e-4, 3e-4, 1e-4),
    (0.3, 3e-4, 3e-4, 1e-4),
];

fn main() {
    let seeds: u64 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(2000);
    match std::env::args().nth(2).as_deref() {
        None => {
            first_legs(seeds, WANTED, "");
            first_legs(seeds, Wanted { strict: true, ..WANTED }, "");
            agreement(seeds);
            learning(seeds / 20);
        }
        Some("strict") => first_legs(seeds, Wanted { strict: true, ..WANTED }, ""),
        Some("agree") => agreement(seeds),
        Some("rounds") => learning(seeds),
        Some(class) => first_legs(seeds, WANTED, class),
    }
}

/// The first leg of an unknown sample, its time constant known to a factor of three.
fn first_legs(seeds: u64, wanted: Wanted, only: &str) {
    println!("first legs, {}:", if wanted.strict { "strict" } else { "bias carried in the uncertainty" });
    println!(
        "class: flagged, false, >3 tol, cov, cov or flagged, the same with the audit's u, t/O med, p90, sum, extrapolated, caught"
    );
    for class in Class::ALL.into_iter().filter(|class| class.name().contains(only)) {
        let outcomes = parallel(seeds, |seed| legs::run(class, seed, wanted));
        println!("{:16}: {}", class.name(), row(&outcomes));
    }
}

/// What is wrong with stopping when two readings agree.
fn agreement(seeds: u64) {
    let stops = parallel(seeds, |seed| legs::two_agree(Class::Ordinary, seed).0.abs() / BIAS);
    let above = |limit: f64| stops.iter().filter(|bias| **bias > limit).count() as f64 / stops.len() as f64;
    println!(
        "two readings agree: false {:.2}, > 3 tol {:.2}, > 100 tol {:.2}",
        above(1.0),
        above(3.0),
        above(100.0)
    );
}

/// Rounds of 32 legs, against the oracle and against fixed waits that are right in 95 of 100 first legs.
fn learning(seeds: u64) {
    for factor in [2.0, 3.0] {
        println!("rounds, time constant known to a factor of {factor}:");
        for (tau, white, uncertainty, bias) in SAMPLES {
            let sample = rounds::Sample { tau, white, uncertainty, bias, factor };
            let fixed = legs::fixed_wait(4000, factor, bias);
            let outcomes = parallel(seeds, |seed| rounds::round(sample, seed, fixed));
            println!("{tau:6} s {white:.1e}: fixed {fixed:.0} tau, {}", rounds::row(&outcomes, bias));
        }
    }
}

pub(crate) fn parallel<T: Send>(seeds: u64, run: impl Fn(u64) -> T + Sync) -> Vec<T> {
    let run = &run;
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..2)
            .map(|k| scope.spawn(move || (0..seeds).filter(|s| s % 2 == k).map(run).collect::<Vec<T>>()))
            .collect();
        workers.into_iter().flat_map(|worker| worker.join().unwrap()).collect()
    })
}

fn share<'a>(of: impl Iterator<Item = &'a Outcome>, holds: impl Fn(&Outcome) -> bool) -> f64 {
    let (mut yes, mut all) = (0.0, 0.0);
    for one in of {
        all += 1.0;
        yes += f64::from(u8::from(holds(one)));
    }
    yes / f64::max(all, 1.0)
}

fn row(all: &[Outcome]) -> String {
    let stopped = || all.iter().filter(|one| !one.flagged);
    let covered = |one: &Outcome| one.error.abs() <= 2.0 * one.u;
    let mut ratios: Vec<f64> =
        all.iter().filter_map(|one| one.ideal_s.map(|ideal| one.seconds / ideal)).collect();
    ratios.sort_by(f64::total_cmp);
    let at = |part: f64| ratios[((ratios.len() - 1) as f64 * part) as usize];
    let both: Vec<&Outcome> = all.iter().filter(|one| one.ideal_s.is_some()).collect();
    let sum = both.iter().map(|one| one.seconds).sum::<f64>()
        / both.iter().filter_map(|one| one.ideal_s).sum::<f64>();
    let caught = |one: &Outcome| one.flagged || one.audited.is_some_and(|audit| !audit.agrees());
    let covered_then = |one: &Outcome| one.error.abs() <= 2.0 * one.audited.map_or(one.u, |audit| audit.u);
    format!(
        "{:.3} {:.3} {:.4} {:.3} {:.3} {:.3} {:5.2} {:5.2} {:5.2} {:.3} {:.3}",
        share(all.iter(), |one| one.flagged),
        share(stopped(), |one| one.bias.abs() > BIAS),
        share(stopped(), |one| one.bias.abs() > 3.0 * BIAS),
        share(stopped(), covered),
        share(all.iter(), |one| covered(one) || caught(one)),
        share(all.iter(), |one| covered_then(one) || caught(one)),
        at(0.5),
        at(0.9),
        sum,
        share(all.iter(), |one| one.extrapolated),
        share(stopped(), caught),
    )
}
