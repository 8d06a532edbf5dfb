//! How quick and how honest settling by evidence is on the simulated bench, regime by regime, beside an oracle that knows
//! every time constant and noise, and beside fixed waits. Virtual time, the instruments' real strings, seeded nights.
//!
//! `cargo bench -p quadrille-operations --bench settling -- [--nights N] [--first SEED] [--regime NAME] [--class NAME]
//! [--fixed] [--check]`: `--fixed` puts the existing fixed wait of 14 time constants in the place of evidence, `--check`
//! tries the oracle itself and nothing else. With TOLD in the environment
//! every event and state of the noisy bench is printed as it comes.
#![allow(clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

mod check;
mod disturb;
mod judge;
mod night;
mod oracle;
mod regime;
mod scribe;
mod table;
mod twin;

use regime::{Class, Draw, Part, REGIMES, Regime};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use table::{Night, Took, quantile};

/// Nights in parallel.
const THREADS: usize = 2;

struct Options {
    nights: u64,
    first: u64,
    regime: Option<String>,
    class: Class,
    fixed: bool,
    check: bool,
}

fn options() -> Options {
    let mut options =
        Options { nights: 10, first: 1, regime: None, class: Class::Plain, fixed: false, check: false };
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let mut value = || arguments.next().unwrap_or_else(|| panic!("{argument} needs a value"));
        match argument.as_str() {
            "--nights" => options.nights = value().parse().unwrap(),
            "--first" => options.first = value().parse().unwrap(),
            "--regime" => options.regime = Some(value()),
            "--class" => {
                let name = value();
                let class = Class::ALL.iter().find(|(known, _)| *known == name);
                options.class = class.unwrap_or_else(|| panic!("no class {name}")).1;
            }
            "--fixed" => options.fixed = true,
            "--check" => options.check = true,
            // What cargo adds.
            "--bench" => {}
            other => panic!("what is {other}?"),
        }
    }
    options
}

fn main() {
    let options = options();
    if options.check {
        check::all();
        return;
    }
    table::heads();
    let wanted = |regime: &&Regime| options.regime.as_ref().is_none_or(|name| name == regime.name);
    for regime in REGIMES.iter().filter(wanted) {
        let draws: Vec<Draw> = (options.first..options.first + options.nights)
            .map(|seed| Draw::new(*regime, options.class, seed))
            .collect();
        let needed = parallel(&draws, needed);
        let nights: Vec<usize> = (0..draws.len()).collect();
        let multiples = multiples(&draws, &needed);
        let nights = parallel(&nights, |&k| night(&draws[k], &needed[k].0, multiples, options.fixed));
        table::row(regime.name, &nights);
    }
}

/// Does the same with each, on all threads, in order.
fn parallel<T: Sync, R: Send>(each: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let (next, done) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..THREADS {
            scope.spawn(|| {
                while let Some((k, one)) =
                    Some(next.fetch_add(1, Ordering::Relaxed)).and_then(|k| Some((k, each.get(k)?)))
                {
                    let result = work(one);
                    done.lock().unwrap().push((k, result));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap();
    done.sort_by_key(|(k, _)| *k);
    done.into_iter().map(|(_, result)| result).collect()
}

/// Where each state of a night ends, and the shortest fixed wait that is right there.
fn needed(draw: &Draw) -> (night::Ends, f64) {
    let ends = night::ends(draw, Part::Whole);
    let wait = night::needed_wait(draw, &ends);
    (ends, wait)
}

/// How many of the time constants that somebody believes in a fixed wait must have to be right in 95 % of nights.
fn multiples(draws: &[Draw], needed: &[(night::Ends, f64)]) -> [f64; 2] {
    [0, 1].map(|belief| {
        let multiple =
            |(draw, (_, wait)): (&Draw, &(night::Ends, f64))| wait / (draw.tau_s * draw.belief[belief]);
        quantile(draws.iter().zip(needed).map(multiple), 0.95)
    })
}

/// Waits by evidence, to what [`night::WANTED`] and [`night::TOLERANCE`] say.
fn by_evidence(draw: &Draw) -> String {
    let longest = if draw.tau_s > 1.0 { 7200.0 } else { 600.0 };
    format!("by_evidence = true\nlongest_wait_s = {longest:?}")
}

fn night(draw: &Draw, ends: &night::Ends, multiples: [f64; 2], fixed: bool) -> Night {
    let scatter = night::scatter(draw);
    let fewest = night::fewest(scatter.relative);
    let foreseen = night::foreseen(draw, ends, fewest);
    let (hall_s, cycles) = night::hall_foreseen(draw, ends, scatter.volt);
    let settling = if fixed { "time_constants = 14".to_owned() } else { by_evidence(draw) };
    let begun = std::time::Instant::now();
    let run = night::measured(draw, &settling, Part::Whole, |_| {});
    let wall_s = begun.elapsed().as_secs_f64();
    let stops = judge::stops(&run, ends);
    if std::env::var_os("TOLD").is_some() {
        table::told(&run, &stops, &foreseen);
    }
    let of_no_field = stops.clone().map(|stops| {
        let kept = stops.into_iter().zip(&run.scribe.kept);
        kept.filter(|(_, kept)| kept.key().2 == 0).map(|(stop, _)| stop).collect()
    });
    let quiet = run.scribe.kept.iter().zip(&stops[0]);
    let quiet = quiet.map(|(kept, stop)| (kept.key(), ends[&kept.key()][0] * (1.0 + stop.bias)));
    let end = night::hall_voltage(ends.iter().map(|(&key, &[volt, _])| (key, volt)));
    let hall_bias = night::hall_voltage(quiet) / end - 1.0;
    let rounds = &run.scribe.rounds;
    if std::env::var_os("TOLD").is_some() {
        let tried_s: f64 = rounds[1..].iter().map(|round| round.length_s()).sum();
        println!(
            "seed {} Hall off by {:+.3}e-3 in {tried_s:.3} s, oracle {hall_s:.3} s",
            draw.seed,
            1e3 * hall_bias
        );
    }
    let tried = Took {
        first_s: run.scribe.first_s(),
        resistivity_s: rounds[0].length_s(),
        hall_s: rounds[1..].iter().map(|round| round.length_s()).sum(),
        whole_s: rounds[rounds.len() - 1].to_s - rounds[0].from_s,
    };
    let oracle = Took {
        first_s: foreseen.scribe.first_s(),
        resistivity_s: foreseen.round_s(),
        hall_s,
        whole_s: foreseen.round_s() + hall_s + 2.0 * twin::FIELD_S,
    };
    let fixed_s = [0, 1].map(|belief| {
        let wait = multiples[belief] * draw.tau_s * draw.belief[belief];
        night::quietly(draw, Part::Resistivity, night::fixed(wait)).rounds[0].length_s()
    });
    Night {
        oracle,
        tried,
        changes: foreseen.waits.len(),
        stops: of_no_field,
        hall_bias,
        fewest: [fewest, cycles],
        fixed_s,
        complaints: run.complaints + foreseen.complaints,
        wall_s,
        readings: run.looks.volts.len(),
    }
}
