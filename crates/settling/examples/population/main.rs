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
    let only = std::env::args().nth(2);
    if only.as_deref() == Some("rounds") {
        for (tau, white, uncertainty, bias) in SAMPLES {
            let sample = rounds::Sample { tau, white, uncertainty, bias, factor: 3.0 };
            let outcomes = parallel(seeds, |seed| rounds::round(sample, seed, 105.0));
            println!("{tau:6} s {white:.1e}: {}", rounds::row(&outcomes, bias));
        }
        return;
    }
    println!(
        "class,rule: flagged, false, >3 tol, cov, cov or flagged, the same with the audit's u, t/O med, p90, sum, extrapolated, audit fails"
    );
    for strict in [false, true].into_iter().take(if std::env::var("RSS").is_ok() { 1 } else { 2 }) {
        for class in Class::ALL {
            if only.as_ref().is_some_and(|only| !class.name().contains(only.as_str())) {
                continue;
            }
            let wanted = Wanted { strict, ..WANTED };
            let outcomes = parallel(seeds, |seed| legs::run(class, seed, wanted));
            println!("{:16} {}: {}", class.name(), if strict { "strict" } else { "rss   " }, row(&outcomes));
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
