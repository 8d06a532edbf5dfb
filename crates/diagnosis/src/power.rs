//! What a standard can show on a bench before anything is read: the smallest faults, and those that look alike.

use crate::DiagnosisError;
use crate::bench::BenchModel;
use crate::data::Data;
use crate::fault::{Class, Fault};
use crate::fit::{Fit, Problem};
use crate::reading::{Drive, ReadingSet};
use crate::standard::Standard;

/// TODO
#[derive(Clone, Debug, PartialEq)]
pub struct Limit {
    /// The class.
    pub class: Class,
}

/// TODO
#[derive(Clone, Debug, PartialEq)]
pub struct Power {
    /// Limits.
    pub limits: Vec<Limit>,
}

/// TODO
pub fn power(
    _standard: &Standard,
    _bench: &BenchModel,
    _drive: Drive,
    _set: ReadingSet,
) -> Result<Power, DiagnosisError> {
    Ok(Power { limits: Vec::new() })
}

/// Squared distance from good below which a fault was not tested by the readings. Ours: two standard deviations.
const SEEN: f64 = 4.0;

/// Guard and buffers where these readings could not have shown that they are not there.
pub(crate) fn untested(problem: &Problem<'_>, good: &Fit) -> Vec<Class> {
    let mut classes = Vec::new();
    let candidates =
        [(Fault::GuardOff, problem.bench.guard), (Fault::BuffersOut, problem.bench.buffers.is_some())];
    for (fault, told) in candidates {
        if told && moved(problem, good, fault) < SEEN {
            classes.push(fault.class(problem.standard));
        }
    }
    classes
}

/// Σ (f_h − f_good)²/D at the values of a fit.
fn moved(problem: &Problem<'_>, fit: &Fit, fault: Fault) -> f64 {
    let data = match Data::of_settings(problem.bench, problem.data.settings.clone()) {
        Ok(data) => data,
        Err(_) => return 0.0,
    };
    let mut other = fit.clone();
    other.fault = fault;
    let (here, there) = (fit.predictive(problem, &data), other.predictive(problem, &data));
    let own = |k: usize| {
        let ranges = (0, 0);
        let _ = ranges;
        let read = here[k].read;
        let volt = crate::bench::range_for(&problem.bench.voltmeter.ranges, data.settings[k].voltage_range.0);
        let ampere = crate::bench::range_for(&problem.bench.ammeter.ranges, data.settings[k].current_range.0);
        data.variances(problem.bench, k, (volt, ampere), read.volts, read.amperes)
    };
    (0..data.settings.len())
        .map(|k| {
            let (a, b, d) = (here[k].read, there[k].read, own(k));
            (a.volts - b.volts).powi(2) / d[0] + (a.amperes - b.amperes).powi(2) / d[1]
        })
        .sum()
}
