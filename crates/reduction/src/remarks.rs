//! What a reader of results should know, in sentences.

use crate::hall::Hall;
use crate::pair::is_useful;
use crate::results::Results;
use quadrille_experiment::{Condition, Reading};

/// Departures from a straight Hall line that deserve a word.
const CURVATURE: f64 = 0.01;

/// A level with its sign, to a tenth of a millitesla.
pub(crate) fn tesla(level: f64) -> String {
    format!("{:+} T", (level * 1e4).round() / 1e4)
}

pub(crate) fn readings_left_out(remarks: &mut Vec<String>, readings: &[Reading]) {
    let left_out = readings.iter().filter(|r| r.condition != Condition::Sound).count();
    if left_out > 0 {
        remarks.push(format!(
            "{left_out} of {} readings left out: overload, compliance or not-a-number",
            readings.len()
        ));
    }
    let others = readings.iter().filter(|r| r.condition == Condition::Sound && !is_useful(r)).count();
    if others > 0 {
        remarks.push(format!("{others} readings of other configurations play no part"));
    }
}

pub(crate) fn of_hall(remarks: &mut Vec<String>, hall: &Hall, measured: bool) {
    if !measured {
        remarks.push(if hall.in_field {
            "no Hall coefficient: each diagonal at one sign of the field only".into()
        } else {
            "no Hall coefficient: no readings of 13,24 or 24,31 in a field".into()
        });
    } else if hall.one_signed {
        remarks.push("the Hall diagonal with fields of one sign only plays no part".into());
    }
    for pair in &hall.uneven {
        remarks.push(format!(
            "fields {} and {} differ by more than 5 %: what is even in the field (magnetoresistance) does not cancel",
            tesla(pair.plus),
            tesla(pair.minus)
        ));
    }
    if let Some(curvature) = hall.curvature.filter(|curvature| *curvature > CURVATURE) {
        remarks.push(format!(
            "the Hall resistance departs from a straight line with field by up to {:.1} %",
            100.0 * curvature
        ));
    }
}

pub(crate) fn of_results(remarks: &mut Vec<String>, results: &Results) {
    if results.carrier_type.is_some()
        && results.sheet_carrier_density_per_m2.is_some_and(|density| density.relative() > 0.5)
    {
        remarks.push(
            "the Hall slope is less than two standard uncertainties: its sign is not established".into(),
        );
    }
}
