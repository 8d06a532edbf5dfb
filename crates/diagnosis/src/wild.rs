//! Readings that should be taken again before anything is concluded from them: a glitch does not repeat.

use crate::DiagnosisError;
use crate::bench::BenchModel;
use crate::data::Data;
use crate::fault::Fault;
use crate::fit::{Fit, Problem};
use crate::reading::Observation;
use crate::standard::Standard;

/// A reading so many standard deviations from what all others say is wild.
const WILD: f64 = 5.0;

/// Of more than this part of all readings none is called wild: then the bench is otherwise than it was taken to be.
const MOST_PART: f64 = 0.06;

/// Places of readings that are to be taken again before a bench is accused; empty where they are too many to be single
/// accidents.
///
/// First as a good bench would have it; where that does not hold, the sum of the two polarities of a configuration, which is
/// small whatever resistances there are.
pub fn wild(
    standard: &Standard,
    bench: &BenchModel,
    observations: &[Observation],
) -> Result<Vec<usize>, DiagnosisError> {
    bench.check()?;
    let data = Data::new(bench, observations)?;
    let problem = Problem { standard, bench, data: &data };
    let good = problem.fit(Fault::Good, &problem.nominal(), f64::INFINITY);
    Ok(single(&good, observations.len()).unwrap_or_else(|| uneven(bench, &data)))
}

/// Wild readings under a fit; `None` where they are too many.
pub(crate) fn single(fit: &Fit, readings: usize) -> Option<Vec<usize>> {
    let is_wild = |k: &usize| fit.left_out[2 * k..2 * k + 2].iter().any(|r| r.abs() > WILD);
    let wild: Vec<usize> = (0..readings).filter(is_wild).collect();
    (wild.len() <= most(readings)).then_some(wild)
}

pub(crate) fn most(readings: usize) -> usize {
    ((readings as f64 * MOST_PART) as usize).max(1)
}

/// Pairs of readings whose even part is larger than offsets, thermoelectric voltages and bias currents make it.
fn uneven(bench: &BenchModel, data: &Data) -> Vec<usize> {
    let mut sums = Vec::new();
    for (_, places) in &data.groups {
        let of_sign = |sign: f64| places.iter().copied().find(|&k| data.settings[k].commanded.0 * sign > 0.0);
        let (Some(plus), Some(minus)) = (of_sign(1.0), of_sign(-1.0)) else { continue };
        let sound = |k: usize| {
            data.y[2 * k].is_finite() && data.conditions[k] == quadrille_experiment::Condition::Sound
        };
        if sound(plus) && sound(minus) {
            sums.push((plus, minus, data.y[2 * plus] + data.y[2 * minus]));
        }
    }
    let middle = median(sums.iter().map(|(_, _, sum)| *sum).collect());
    let offset = bench.voltmeter.ranges.iter().map(|range| range.offset_u).fold(0.0, f64::max);
    let expected = |k: usize| {
        let range = crate::bench::range_for(&bench.voltmeter.ranges, data.settings[k].voltage_range.0);
        let own = data.variances(bench, k, (range, 0), data.y[2 * k], 0.0)[0];
        let even = bench.voltmeter.ranges[range].offset_u.min(offset).powi(2)
            + 2.0 * bench.matrix.thermoelectric_v.powi(2);
        (2.0 * own + 4.0 * even).sqrt()
    };
    let scatter = median(sums.iter().map(|(_, _, sum)| (sum - middle).abs()).collect()) / 0.6745;
    let far: Vec<usize> = sums
        .iter()
        .filter(|(plus, _, sum)| (sum - middle).abs() > 3.0 * WILD * expected(*plus).max(scatter))
        .flat_map(|&(plus, minus, _)| [plus, minus])
        .collect();
    if far.len() <= 2 * most(data.settings.len()) { far } else { Vec::new() }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
