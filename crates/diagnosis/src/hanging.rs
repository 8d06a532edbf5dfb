//! What a voltmeter shows one input of which hangs in the air: the other input's voltage, in so far as leaks and charges do not
//! let the first follow it. No lead that is open explains anything else.

use crate::data::Data;
use crate::fault::{Fault, Row};
use crate::fit::{Fit, Problem};
use crate::linear::bare;
use crate::reading::Setting;
use quadrille_experiment::{Configuration, Contact};

/// The part of what the readings scatter by that may be left where the other input's voltage explains them. Ours: charge comes
/// and goes, but it does not make most of it.
const LEFT: f64 = 0.3;

/// The same where leaks, no two of which are alike, make most of what the open input has. Ours.
const LEFT_BY_LEAKS: f64 = 0.5;

/// The part of the other input's voltage below which what is shown says nothing. Ours.
const FOLLOWS: f64 = 0.1;

/// With fewer readings nothing is said.
const ENOUGH: usize = 8;

/// Whether the readings of a fault that leaves one sense input open are so much larger than the other input's voltage and a
/// slow drift make them that it cannot be what is wrong.
pub(crate) fn is_refuted(problem: &Problem<'_>, fit: &Fit) -> bool {
    let rows: &[Row] = match fit.fault {
        // Two members of one class, which hardly differ but in this.
        Fault::RowOpen(Row::SenseHigh | Row::SenseLow) => &[Row::SenseHigh, Row::SenseLow],
        Fault::CrosspointOpen(Row::SenseHigh, _) => &[Row::SenseHigh],
        Fault::CrosspointOpen(Row::SenseLow, _) => &[Row::SenseLow],
        _ => return false,
    };
    let data = problem.data;
    let hangs = |k: &usize| data.y[2 * k].is_finite() && !fit.residuals[2 * k].is_finite();
    let hanging: Vec<usize> = (0..data.settings.len()).filter(hangs).collect();
    if hanging.len() < ENOUGH {
        return false;
    }
    let shown: Vec<f64> = hanging.iter().map(|&k| data.y[2 * k]).collect();
    let times: Vec<f64> = hanging.iter().map(|&k| k as f64).collect();
    let ones = vec![1.0; shown.len()];
    let by_itself = left(&shown, &[&ones]);
    let divided = by_leaks(problem, fit.fault, &hanging);
    let explains = |&row: &Row| {
        let others = others(problem, row, &hanging);
        others.is_none_or(|others| {
            // An input that leaks to the other one follows it: then hardly anything is shown.
            let follows = FOLLOWS * FOLLOWS * left(&others, &[&ones]);
            let rest = left(&shown, &[&ones, &times, &others, divided.as_deref().unwrap_or(&ones)]);
            let most = if divided.is_some() { LEFT_BY_LEAKS } else { LEFT };
            rest <= most * most * by_itself.max(follows)
        })
    };
    !rows.iter().any(explains)
}

/// Voltage of the input that is connected, against the return lead, as a good bench has it.
fn others(problem: &Problem<'_>, row: Row, places: &[usize]) -> Option<Vec<f64>> {
    let connected = |c: Configuration| if row == Row::SenseHigh { c.sense_low } else { c.sense_high };
    against_return(problem, places, connected)
}

/// What the open crosspoints of a row whose own does not close make of it: about the mean of all contacts' voltages.
fn by_leaks(problem: &Problem<'_>, fault: Fault, places: &[usize]) -> Option<Vec<f64>> {
    if !matches!(fault, Fault::CrosspointOpen(..)) {
        return None;
    }
    let mut sum = vec![0.0; places.len()];
    for contact in Contact::first(4) {
        let volts = against_return(problem, places, |_| contact)?;
        sum.iter_mut().zip(volts).for_each(|(sum, v)| *sum += v / 4.0);
    }
    Some(sum)
}

/// Voltage of a contact against the return lead, as a good bench has it.
fn against_return(
    problem: &Problem<'_>,
    places: &[usize],
    contact: impl Fn(Configuration) -> Contact,
) -> Option<Vec<f64>> {
    let settings: Vec<(Setting, bool)> = places
        .iter()
        .map(|&k| {
            let mut setting = problem.data.settings[k];
            let (looked_at, back) = (contact(setting.configuration), setting.configuration.source_out);
            (setting.configuration.sense_high, setting.configuration.sense_low) = (looked_at, back);
            (setting, looked_at == back)
        })
        .collect();
    let data =
        Data::of_settings(problem.bench, settings.iter().map(|(setting, _)| *setting).collect()).ok()?;
    let other = Problem { data: &data, ..*problem };
    let read = bare(&other, Fault::Good, &problem.nominal());
    Some(read.iter().zip(&settings).map(|(read, (_, none))| if *none { 0.0 } else { read.volts }).collect())
}

/// Sum of squares that is left of values after the columns are fitted, one made orthogonal to those before it.
fn left(values: &[f64], columns: &[&[f64]]) -> f64 {
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let mut rest = values.to_vec();
    let mut basis: Vec<Vec<f64>> = Vec::new();
    for column in columns {
        let mut own = column.to_vec();
        for other in &basis {
            let share = dot(&own, other);
            own.iter_mut().zip(other).for_each(|(x, o)| *x -= share * o);
        }
        let length = dot(&own, &own).sqrt();
        if length <= 1e-9 * dot(column, column).sqrt() {
            continue;
        }
        own.iter_mut().for_each(|x| *x /= length);
        let share = dot(&rest, &own);
        rest.iter_mut().zip(&own).for_each(|(x, o)| *x -= share * o);
        basis.push(own);
    }
    dot(&rest, &rest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_a_sum_of_columns_leaves_nothing_and_what_is_not_leaves_its_part() {
        let (ones, times, third) = ([1.0; 5], [0.0, 1.0, 2.0, 3.0, 4.0], [0.3, -0.2, 0.9, 0.1, -0.4]);
        let sum: Vec<f64> = (0..5).map(|k| 2.0 - 0.5 * times[k] + 3.0 * third[k]).collect();
        assert!(left(&sum, &[&ones, &times, &third]) < 1e-24);
        // 1, −1, 1, −1, 0 about its mean of 0: Σ y² = 4, and Σ y (t − 2) = −2 of Σ (t − 2)² = 10.
        let swings = [1.0, -1.0, 1.0, -1.0, 0.0];
        assert!((left(&swings, &[&ones]) - 4.0).abs() < 1e-12);
        assert!((left(&swings, &[&ones, &times]) - (4.0 - 0.4)).abs() < 1e-12);
    }
}
