//! Readings to results, of a run or of a table from elsewhere.

use crate::{Error, Inputs, load};
use quadrille_documents::{Acceptance, Sample};
use quadrille_experiment::{Circumstances, Condition, Reading};
use quadrille_plan::Plan;
use quadrille_quantity::Kelvin;
use quadrille_reduction::{Check, Options, Reduced, Specimen, by_temperature};
use serde::Serialize;
use std::collections::BTreeSet;
use std::path::Path;

/// What readings at one temperature say.
#[derive(Clone, Debug, Serialize)]
pub struct Point {
    /// Mean temperature in kelvins.
    pub temperature_k: f64,
    /// Results, checks and budget.
    #[serde(flatten)]
    pub reduced: Reduced,
}

/// A temperature at which readings do not suffice.
#[derive(Clone, Debug, Serialize)]
pub struct Gap {
    /// Mean temperature in kelvins.
    pub temperature_k: f64,
    /// What is missing.
    pub reason: String,
}

/// What readings say, temperature by temperature, coldest first.
#[derive(Clone, Debug)]
pub struct Reduction {
    /// One for each temperature with results, at least one.
    pub points: Vec<Point>,
    /// One for each temperature without.
    pub gaps: Vec<Gap>,
}

impl Reduction {
    /// Whether every temperature has results and every check passed.
    pub fn accepted(&self) -> bool {
        self.gaps.is_empty() && self.points.iter().all(|point| point.reduced.accepted())
    }

    /// As a table needs it.
    pub fn by_temperature(&self) -> Vec<(Kelvin, Reduced)> {
        self.points.iter().map(|point| (Kelvin(point.temperature_k), point.reduced.clone())).collect()
    }
}

/// Reduces a table of readings taken anywhere, with the standards' limits.
pub fn reduce(sample: &Path, readings: &Path) -> Result<Reduction, Error> {
    let (sample, readings) = (load::sample(sample), load::readings(readings));
    let (sample, readings) = match (sample, readings) {
        (Err(Error::Documents(mut faults)), Err(Error::Documents(more))) => {
            faults.0.extend(more.0);
            return Err(faults.into());
        }
        (sample, readings) => (sample?, readings?),
    };
    of(&readings, &sample, &Options::default(), |_| None)
}

/// Reduces the readings of a run, with the limits of its recipe and the check of the returned current.
pub(crate) fn of_run(
    taken: &[(Reading, Circumstances)],
    inputs: &Inputs,
    plan: &Plan,
) -> Result<Reduction, Error> {
    let readings: Vec<Reading> = taken.iter().map(|(reading, _)| *reading).collect();
    let recipe = inputs.recipe.as_ref();
    let acceptance = recipe.map_or_else(Acceptance::default, |recipe| recipe.acceptance);
    let field_u = recipe.and_then(|recipe| recipe.hall.as_ref()).map_or(0.0, |hall| hall.field_relative_u);
    let returned = |readings: &[Reading]| {
        // A run has a clock that never stands still: its times are those of one reading each.
        let times: BTreeSet<u64> = readings.iter().map(|reading| reading.time.0.to_bits()).collect();
        let here = taken.iter().filter(|(reading, _)| times.contains(&reading.time.0.to_bits()));
        Some(returned_current(here, plan, acceptance.returned_current))
    };
    of(&readings, &inputs.sample, &options(acceptance, field_u), returned)
}

/// Temperature by temperature; `more` is a check of the readings of one that the reduction cannot make.
fn of(
    readings: &[Reading],
    sample: &Sample,
    options: &Options,
    more: impl Fn(&[Reading]) -> Option<Check>,
) -> Result<Reduction, Error> {
    let specimen = Specimen { thickness: sample.thickness_m };
    let (mut points, mut gaps) = (Vec::new(), Vec::new());
    for (temperature, readings) in by_temperature(readings) {
        match quadrille_reduction::reduce(&readings, &specimen, options) {
            Ok(mut reduced) => {
                reduced.checks.extend(more(&readings));
                points.push(Point { temperature_k: temperature.0, reduced });
            }
            Err(error) => gaps.push((temperature.0, error)),
        }
    }
    // One bad temperature does not cost the others; but where there is no result at all, nothing was reduced.
    if points.is_empty()
        && let Some((_, error)) = gaps.pop()
    {
        return Err(error.into());
    }
    let gap = |(temperature_k, error): (f64, quadrille_reduction::Error)| Gap {
        temperature_k,
        reason: error.to_string(),
    };
    Ok(Reduction { points, gaps: gaps.into_iter().map(gap).collect() })
}

fn options(acceptance: Acceptance, field_u: f64) -> Options {
    Options {
        acceptance: quadrille_reduction::Acceptance {
            reversal: acceptance.reversal,
            reciprocity: acceptance.reciprocity,
            pair_agreement: acceptance.pair_agreement,
            hall_pair_agreement: acceptance.hall_pair_agreement,
        },
        field_u,
    }
}

/// The largest part of the current that did not come back through the ammeter: leakage, or a source that is off.
fn returned_current<'t>(
    taken: impl Iterator<Item = &'t (Reading, Circumstances)>,
    plan: &Plan,
    limit: f64,
) -> Check {
    let lost = taken
        .filter(|(reading, _)| reading.condition == Condition::Sound)
        .map(|(reading, circumstances)| {
            (circumstances.commanded - reading.current.value).abs() / plan.current
        })
        .fold(0.0, f64::max);
    Check { name: "returned current".into(), measured: lost, limit, passed: lost <= limit }
}
