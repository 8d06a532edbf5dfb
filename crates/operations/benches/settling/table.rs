//! Nights of one regime taken together, and printed.

use crate::judge::{Honesty, Stopped, honesty, ratios};
use crate::night::{Foreseen, Measured};

/// What one night says of one way to wait, in seconds.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Took {
    /// The first reading of the first leg.
    pub(crate) first_s: f64,
    /// All legs without a field.
    pub(crate) resistivity_s: f64,
    /// All legs with one.
    pub(crate) hall_s: f64,
    /// From the first leg to the last, field moves included.
    pub(crate) whole_s: f64,
}

/// One night of one regime.
#[derive(Clone, Debug)]
pub(crate) struct Night {
    pub(crate) oracle: Took,
    pub(crate) tried: Took,
    /// Changes of the current in a round without field.
    pub(crate) changes: usize,
    /// Stops without a field, of the voltmeter and of the ammeter.
    pub(crate) stops: [Vec<Stopped>; 2],
    /// Bias of the mean Hall voltage by what had not settled, relative, and its scatter and all.
    pub(crate) hall_bias: f64,
    /// The oracle's readings in a mean, without field and with one.
    pub(crate) fewest: [usize; 2],
    /// The round by fixed waits that are right in 95 % of nights, time constants known to a factor of two and of three.
    pub(crate) fixed_s: [f64; 2],
    pub(crate) complaints: usize,
    /// Real time that the night of the scheduler took, in seconds, and readings that it took.
    pub(crate) wall_s: f64,
    pub(crate) readings: usize,
}

/// Prints each state without a field: when it was stopped and when by the oracle, in seconds after its change, and of both
/// meters what had not settled and what was claimed, in parts of a thousand.
pub(crate) fn told(run: &Measured, stops: &[Vec<Stopped>; 2], oracle: &Foreseen) {
    for (k, waited) in oracle.waits.iter().enumerate() {
        let kept = &run.scribe.kept[k];
        let watch = kept.circumstances.watch.clone().unwrap_or_default();
        let last = watch.begun_s.last().copied().unwrap_or_default();
        let of = |stop: &Stopped| {
            format!("{:+.3} of {:+.3}, {:.3}", 1e3 * stop.bias, 1e3 * stop.error, 1e3 * stop.claimed)
        };
        println!(
            "state {k:2} {:?} until {last:.3} of {:?} {:?}, oracle {:.3} | {} | {}",
            kept.circumstances.polarity,
            watch.voltage.window_s,
            watch.current.window_s,
            waited.steps.last().map_or(0.0, |step| step.to_s),
            of(&stops[0][k]),
            of(&stops[1][k]),
        );
    }
}

/// A quantile of numbers, by the nearest rank above.
pub(crate) fn quantile(numbers: impl Iterator<Item = f64>, part: f64) -> f64 {
    let mut numbers: Vec<f64> = numbers.collect();
    numbers.sort_by(f64::total_cmp);
    let rank = ((part * numbers.len() as f64).ceil() as usize).clamp(1, numbers.len());
    numbers[rank - 1]
}

/// Prints the heads of the columns.
pub(crate) fn heads() {
    println!(
        "| regime | nights | first leg: median, p90 | resistivity | ms a leg over | Hall | whole | of fixed x2, x3 | \
         oracle first, round, Hall (s) | its readings | wrong V, I, V/I % | far | covered | or flagged | flagged | Hall wrong % | wall s, readings | complaints |"
    );
    println!("|{}", "---|".repeat(18));
}

/// Prints one regime.
pub(crate) fn row(name: &str, nights: &[Night]) {
    let over = |part: fn(&Took) -> f64, rank: f64| {
        quantile(nights.iter().map(|night| part(&night.tried) / part(&night.oracle)), rank)
    };
    let median = |of: &dyn Fn(&Night) -> f64| quantile(nights.iter().map(of), 0.5);
    let of_all =
        |of: &dyn Fn(&Night) -> Vec<Stopped>| honesty(&nights.iter().flat_map(of).collect::<Vec<_>>());
    let all = |meter: usize| of_all(&|night| night.stops[meter].clone());
    let (volts, amperes, ohms) = (all(0), all(1), of_all(&|night| ratios(&night.stops)));
    let per_cent = |of: fn(&Honesty) -> f64| {
        format!("{:.1}, {:.1}, {:.1}", 100.0 * of(&volts), 100.0 * of(&amperes), 100.0 * of(&ohms))
    };
    let excess =
        |night: &Night| 1e3 * (night.tried.resistivity_s - night.oracle.resistivity_s) / night.changes as f64;
    let hall_wrong = nights.iter().filter(|night| night.hall_bias.abs() > crate::night::TOLERANCE).count();
    println!(
        "| {name} | {} | {:.2}, {:.2} | {:.2} | {:.0} | {:.2} | {:.3} | {:.2}, {:.2} | {:.3}, {:.3}, {:.3} | {:.0}, {:.0} | {} | {} | {} | {} | {} | {:.1} | {:.2}, {:.0} | {} |",
        nights.len(),
        over(|took| took.first_s, 0.5),
        over(|took| took.first_s, 0.9),
        over(|took| took.resistivity_s, 0.5),
        median(&excess),
        over(|took| took.hall_s, 0.5),
        over(|took| took.whole_s, 0.5),
        median(&|night| night.tried.resistivity_s / night.fixed_s[0]),
        median(&|night| night.tried.resistivity_s / night.fixed_s[1]),
        median(&|night| night.oracle.first_s),
        median(&|night| night.oracle.resistivity_s),
        median(&|night| night.oracle.hall_s),
        median(&|night| night.fewest[0] as f64),
        median(&|night| night.fewest[1] as f64),
        per_cent(|honesty| honesty.wrong),
        per_cent(|honesty| honesty.far),
        per_cent(|honesty| honesty.covered),
        per_cent(|honesty| honesty.covered_or_flagged),
        per_cent(|honesty| honesty.flagged),
        100.0 * hall_wrong as f64 / nights.len() as f64,
        median(&|night| night.wall_s),
        median(&|night| night.readings as f64),
        nights.iter().map(|night| night.complaints).sum::<usize>(),
    );
}
