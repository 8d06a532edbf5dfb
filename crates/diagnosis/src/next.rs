//! The reading that would best part two faults, or that none would.

use crate::DiagnosisError;
use crate::bench::BenchModel;
use crate::data::Data;
use crate::fault::{Class, Fault};
use crate::fit::{Fit, Predictive, Problem};
use crate::linear::Linear;
use crate::reading::{Drive, Observation, ReadingSet, readings};
use crate::standard::Standard;
use quadrille_experiment::{Configuration, Polarity};
use quadrille_quantity::Volt;

/// A gain in the logarithm of the odds below which a reading is not worth its time. Ours.
const WORTH: f64 = 1.0;

/// Flags that would differ count for so much.
const FLAG: f64 = 10.0;

/// What to do next.
#[derive(Clone, Debug, PartialEq)]
pub enum Next {
    /// Read this configuration with both polarities.
    Read {
        /// The configuration.
        configuration: Configuration,
        /// How well it would part the two: about what it adds to the logarithm of their odds.
        gain: f64,
    },
    /// No reading with this wiring tells these apart: a hand must.
    Hand {
        /// What to do, in words.
        action: String,
    },
}

/// The best reading of those not yet taken to part two classes, given the readings so far.
pub fn next_reading(
    standard: &Standard,
    bench: &BenchModel,
    drive: Drive,
    observations: &[Observation],
    first: Fault,
    second: Fault,
) -> Result<Next, DiagnosisError> {
    bench.check()?;
    let data = Data::new(bench, observations)?;
    let problem = Problem { standard, bench, data: &data };
    let linear = Linear::nominal(&problem);
    let fit = |fault| problem.best_fit(fault, &problem.ordered_starts(fault, &linear), f64::INFINITY);
    let (first, second) = (fit(first), fit(second));
    between(&problem, &first, &second, drive)
}

pub(crate) fn between(
    problem: &Problem<'_>,
    first: &Fit,
    second: &Fit,
    drive: Drive,
) -> Result<Next, DiagnosisError> {
    let taken = |c: &Configuration| problem.data.settings.iter().any(|s| s.configuration == *c);
    let left: Vec<Configuration> = readings(ReadingSet::Full).into_iter().filter(|c| !taken(c)).collect();
    let mut best: Option<(Configuration, f64)> = None;
    if !left.is_empty() {
        let expected = Volt(drive.current.0 * problem.standard.scale_ohm());
        let both = [Polarity::Plus, Polarity::Minus];
        let settings = left
            .iter()
            .flat_map(|&c| both.map(|polarity| drive.setting(problem.bench, c, polarity, expected)))
            .collect();
        let data = Data::of_settings(problem.bench, settings)?;
        let (one, other) = (first.predictive(problem, &data), second.predictive(problem, &data));
        for (k, &configuration) in left.iter().enumerate() {
            let gain = (2 * k..2 * k + 2).map(|place| score(&one[place], &other[place])).sum();
            if best.is_none_or(|(_, most)| gain > most) {
                best = Some((configuration, gain));
            }
        }
    }
    match best.filter(|&(_, gain)| gain > WORTH) {
        Some((configuration, gain)) => Ok(Next::Read { configuration, gain }),
        None => Ok(Next::Hand { action: by_hand(problem.standard, first.fault, second.fault) }),
    }
}

fn score(one: &Predictive, other: &Predictive) -> f64 {
    let (a, b) = (one.read, other.read);
    let gain = |m1: f64, m2: f64, v1: f64, v2: f64| ((m1 - m2).powi(2) / (v1 + v2)).ln_1p();
    let mut score = gain(a.amperes, b.amperes, one.variances[1], other.variances[1]);
    score += match (a.floats, b.floats) {
        (false, false) => gain(a.volts, b.volts, one.variances[0], other.variances[0]),
        (true, true) => 0.0,
        _ => FLAG,
    };
    let flags = |p: crate::forward::Predicted| (p.need > 1.0, p.volt_load > 1.0, p.ampere_load > 1.0);
    if flags(a) != flags(b) {
        score += FLAG;
    }
    score
}

fn by_hand(standard: &Standard, first: Fault, second: Fault) -> String {
    let (one, other) = (first.class(standard), second.class(standard));
    let class = if one == Class::Good { other } else { one };
    class.hand_action(standard)
}
