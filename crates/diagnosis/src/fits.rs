//! Whether what a fault predicts is like what was read, whatever other faults predict.

use crate::bench::range_for;
use crate::chi2;
use crate::data::Data;
use crate::fault::{Fault, Noisy};
use crate::fit::{Fit, Problem};
use crate::hanging::is_refuted;
use crate::wild::single;

/// Readings of exchanged sense contacts agree where they are opposite within this part.
const OPPOSITE: f64 = 0.02;

/// So many pairs say whether inputs float.
const PAIRS: usize = 4;

/// Of readings that scatter too little a fit is refused where fewer than this would. Ours: as for those that scatter too much.
const TOO_STEADY: f64 = 1e-6;

/// More words of the instruments that a fault does not explain than so many, and one reading in twenty, are not said by chance.
const WRONG_FLAGS: usize = 2;

/// How likely readings are that fit worse than these.
///
/// p of χ². Readings that a fit calls wild are left out where they are few. Two faults explain whatever there is, and are held
/// against what they are not: noise does not change sign with the current, and a voltmeter whose inputs float does not show the
/// opposite when its contacts are exchanged.
pub(crate) fn p_value(problem: &Problem<'_>, fit: &Fit) -> f64 {
    if let Fault::Noisy(whose) = fit.fault {
        return evenness(problem.data, fit, whose);
    }
    // An open contact hangs on both lines in turn: there the readings are opposite.
    if matches!(fit.fault, Fault::RowOpen(_)) && is_connected(problem, fit) || is_refuted(problem, fit) {
        return 0.0;
    }
    if fit.wrong_flags > WRONG_FLAGS + problem.data.settings.len() / 20 {
        return 0.0;
    }
    if let Some(p) = steadier(fit).filter(|p| *p < TOO_STEADY) {
        return p;
    }
    let wild = single(fit, problem.data.settings.len()).unwrap_or_default();
    let gone = wild.iter().flat_map(|&k| [2 * k, 2 * k + 1]).map(|row| fit.residuals[row]);
    let gone: Vec<f64> = gone.filter(|r| r.is_finite()).collect();
    let chi2 = fit.chi2 - gone.iter().map(|r| r * r).sum::<f64>();
    chi2::larger(chi2, fit.rows - gone.len())
}

/// How likely readings of a meter on a coarse range are that scatter less than these; nothing of other faults. What is far
/// steadier than the range's noise was not measured on it.
fn steadier(fit: &Fit) -> Option<f64> {
    let first = match fit.fault {
        Fault::VoltmeterCoarse(_) => 0,
        Fault::AmmeterCoarse(_) => 1,
        _ => return None,
    };
    let rows = fit.residuals.iter().zip(&fit.own).skip(first).step_by(2);
    // Against the noise of the range alone: the rest of what is put under a reading is no more than a bound.
    let squares: Vec<f64> = rows.filter(|(r, _)| r.is_finite()).map(|(r, own)| r * r / own).collect();
    Some(1.0 - chi2::larger(squares.iter().sum(), squares.len()))
}

/// Whether readings whose inputs should float are mostly the opposite of those with the sense contacts exchanged and the current
/// in the same direction.
fn is_connected(problem: &Problem<'_>, fit: &Fit) -> bool {
    let (bench, data) = (problem.bench, problem.data);
    let bias = bench.buffers.map_or(bench.voltmeter.bias_a, |buffers| buffers.bias_a);
    let by_bias = bias * problem.standard.scale_ohm();
    let floats = |k: usize| data.y[2 * k].is_finite() && !fit.residuals[2 * k].is_finite();
    let floating: Vec<usize> = (0..data.settings.len()).filter(|&k| floats(k)).collect();
    // With the current's contacts as they are, and exchanged too: a fault of the current's rows spoils the latter alone.
    let mut counts = [(0, 0); 2];
    for (place, &k) in floating.iter().enumerate() {
        for &j in &floating[place + 1..] {
            let (a, b) = (data.settings[k].configuration, data.settings[j].configuration);
            let (a_sign, b_sign) = (data.settings[k].commanded.0, data.settings[j].commanded.0);
            let same = (a.source_in, a.source_out) == (b.source_in, b.source_out) && a_sign * b_sign > 0.0;
            let turned = (a.source_in, a.source_out) == (b.source_out, b.source_in) && a_sign * b_sign < 0.0;
            if (a.sense_high, a.sense_low) == (b.sense_low, b.sense_high) && (same || turned) {
                let (pairs, opposite) = &mut counts[usize::from(turned)];
                let (v, w) = (data.y[2 * k], data.y[2 * j]);
                *pairs += 1;
                let range = &bench.voltmeter.ranges
                    [range_for(&bench.voltmeter.ranges, data.settings[k].voltage_range.0)];
                let nothing =
                    10.0 * (range.offset_u + range.noise + 2.0 * bench.matrix.thermoelectric_v + by_bias);
                *opposite += usize::from((v + w).abs() < nothing.max(OPPOSITE * v.abs().max(w.abs())));
            }
        }
    }
    counts.iter().any(|&(pairs, opposite)| pairs >= PAIRS && 3 * opposite > 2 * pairs)
}

/// Noise of its own has no reason to change sign with the current: ln of the ratio of both sums of squares is about normal
/// with variance 2/n + 2/n.
fn evenness(data: &Data, fit: &Fit, whose: Noisy) -> f64 {
    let (mut even, mut odd, mut n) = (0.0, 0.0, 0.0);
    for (_, places) in &data.groups {
        let of_sign = |sign: f64| places.iter().copied().find(|&k| data.settings[k].commanded.0 * sign > 0.0);
        let (Some(plus), Some(minus)) = (of_sign(1.0), of_sign(-1.0)) else { continue };
        let rows: &[usize] = match whose {
            Noisy::Voltmeter => &[0],
            Noisy::Ammeter => &[1],
            Noisy::Both => &[0, 1],
        };
        for offset in rows {
            let (a, b) = (fit.residuals[2 * plus + offset], fit.residuals[2 * minus + offset]);
            if a.is_finite() && b.is_finite() {
                even += (a + b).powi(2);
                odd += (a - b).powi(2);
                n += 1.0;
            }
        }
    }
    if n < 3.0 {
        return 1.0;
    }
    let z2 = (odd / even).ln().powi(2) / (4.0 / n);
    chi2::larger(z2, 1)
}
