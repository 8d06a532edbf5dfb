//! Limits that no linearisation gives: of leaks, which hide behind insulation that is known by its decade only, and of noise.

use crate::data::Data;
use crate::fault::{Fault, Noisy};
use crate::fit::Problem;
use crate::forward::Predicted;
use crate::linear::{Linear, bare};
use crate::power::SEEN;
use crate::search::{LEAST_NOISE, MOST_NOISE};

/// A limit is right to this part.
const RIGHT: f64 = 0.02;

/// Fits that a limit may take.
const MOST_FITS: usize = 12;

/// Faults whose limit a fit can move: what hides them follows the exponent of a resistance.
pub(crate) fn is_hidden(fault: Fault) -> bool {
    matches!(fault, Fault::Leak(..) | Fault::LeakToGround(_) | Fault::Loading)
}

/// Distance of readings under a fault from those of a good bench that was really fitted to them.
pub(crate) fn fitted(problem: &Problem<'_>, fault: Fault, values: &[f64]) -> f64 {
    let Ok(mut data) = Data::of_settings(problem.bench, problem.data.settings.clone()) else { return 0.0 };
    for (row, read) in data.y.chunks_exact_mut(2).zip(bare(problem, fault, values)) {
        row.copy_from_slice(&[if read.floats { f64::NAN } else { read.volts }, read.amperes]);
    }
    let problem = Problem { data: &data, ..*problem };
    problem.fit(Fault::Good, &problem.nominal(), f64::INFINITY).chi2.sqrt()
}

/// Logarithm of the largest resistance that is seen, where `seen` is one by the linearisation.
pub(crate) fn hidden_limit(seen: f64, distance: impl Fn(f64) -> f64) -> f64 {
    // A leak far from the limit is seen as its conductance, one that hides less so: secants in logarithms, from above.
    let (mut above, mut at_above) = (seen, distance(seen).max(f64::MIN_POSITIVE).ln());
    if at_above >= SEEN.ln() {
        return seen;
    }
    let mut here = seen - (SEEN.ln() - at_above).max(RIGHT);
    for _ in 0..MOST_FITS {
        let at_here = distance(here).max(f64::MIN_POSITIVE).ln();
        let missing = SEEN.ln() - at_here;
        if (0.0..RIGHT).contains(&-missing) {
            break;
        }
        let slope = ((at_here - at_above) / (above - here)).clamp(0.3, 3.0);
        (above, at_above) = (here, at_here);
        // A little beyond, so that it ends where the fault is seen.
        here -= (missing + 0.5 * RIGHT) / slope;
    }
    here
}

/// The least factor of a meter's noise that readings of a good bench show, of those that count as noise; nothing where none does.
///
/// Where noise has ρ times the variance that readings scatter by, n of them are told apart by Σ ½ (ρ − 1 − ln ρ) on average
/// (Kullback–Leibler divergence of two normal distributions), which is half of a distance squared.
pub(crate) fn noise_limit(problem: &Problem<'_>, good: &Linear, whose: Noisy) -> Option<f64> {
    let own: Vec<f64> =
        good.readings().iter().enumerate().flat_map(|(k, read)| own(problem, k, read)).collect();
    let is_noisy = |row: &usize| match whose {
        Noisy::Voltmeter => row.is_multiple_of(2),
        Noisy::Ammeter => row % 2 == 1,
        Noisy::Both => true,
    };
    let distance = |factor: f64| {
        let apart = |row: usize| {
            let more = own[row] * (factor * factor - 1.0);
            more - more.ln_1p()
        };
        (0..own.len()).filter(is_noisy).map(apart).sum::<f64>().sqrt()
    };
    if distance(MOST_NOISE) < SEEN {
        return None;
    }
    let (mut unseen, mut seen) = (0.0, MOST_NOISE.ln());
    for _ in 0..40 {
        let middle = 0.5 * (unseen + seen);
        if distance(middle.exp()) >= SEEN {
            seen = middle;
        } else {
            unseen = middle;
        }
    }
    Some(seen.exp().max(LEAST_NOISE))
}

/// The part of voltage's and current's variance that is the meters' own noise.
fn own(problem: &Problem<'_>, k: usize, read: &Predicted) -> [f64; 2] {
    let (bench, data) = (problem.bench, problem.data);
    let setting = &data.settings[k];
    let on = (
        crate::bench::range_for(&bench.voltmeter.ranges, setting.voltage_range.0),
        crate::bench::range_for(&bench.ammeter.ranges, setting.current_range.0),
    );
    let all = data.variances(bench, k, on, read.volts, read.amperes);
    let alone = data.variances(bench, k, on, 0.0, 0.0);
    [alone[0] / all[0], alone[1] / all[1]]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A distance that grows as a power of the conductance, and one that is seen as the linearisation says.
    #[test]
    fn the_limit_of_what_hides_is_where_it_is_seen() {
        for power in [0.5, 1.0, 2.0] {
            let distance = |logarithm: f64| 2.0 * (power * (20.0 - logarithm)).exp();
            let limit = hidden_limit(20.0, distance);
            assert!((SEEN..1.03 * SEEN).contains(&distance(limit)), "{power} {limit} {}", distance(limit));
        }
        assert_eq!(hidden_limit(20.0, |_| 6.0), 20.0);
    }
}
