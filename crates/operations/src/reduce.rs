//! Readings to results, of a run or of a table from elsewhere.

use crate::{Error, Inputs, contacts, load};
use quadrille_documents::{Acceptance, Role, Sample};
use quadrille_experiment::{Circumstances, Condition, Reading};
use quadrille_plan::Plan;
use quadrille_quantity::Kelvin;
use quadrille_reduction::{AtTemperature, Check, Options, Reduced, Specimen, reduce_by_temperature};
use quadrille_report::{Evidence, SweepRow};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// What readings of one sample at one temperature say.
#[derive(Clone, Debug, Serialize)]
pub struct Point {
    /// Name of the sample.
    pub sample: String,
    /// Mean temperature in kelvins.
    pub temperature_k: f64,
    /// Results, checks and budget.
    #[serde(flatten)]
    pub reduced: Reduced,
}

/// A temperature at which readings do not suffice.
#[derive(Clone, Debug, Serialize)]
pub struct Gap {
    /// Name of the sample.
    pub sample: String,
    /// Mean temperature in kelvins; absent where a sample has no readings at all.
    pub temperature_k: Option<f64>,
    /// What is missing.
    pub reason: String,
}

/// What readings say, sample by sample, temperature by temperature, coldest first.
#[derive(Clone, Debug)]
pub struct Reduction {
    /// One for each temperature with results, at least one.
    pub points: Vec<Point>,
    /// One for each temperature without.
    pub gaps: Vec<Gap>,
    /// One for each sample, temperature and field, with or without.
    pub rows: Vec<SweepRow>,
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
    let (sample, readings) = load::sample_and_readings(sample, readings)?;
    of([(&sample, readings)].into_iter(), &Options::default(), |_| None, |_| None)
}

/// Reduces the readings of a run, with the limits of its recipe and the check of the returned current.
pub(crate) fn of_run(
    taken: &[(Reading, Circumstances)],
    inputs: &Inputs,
    plan: &Plan,
) -> Result<Reduction, Error> {
    // What the check of the contacts read was driven by other currents, and is judged by itself.
    let of_contacts = contacts::rounds(plan);
    let taken: Vec<&(Reading, Circumstances)> =
        taken.iter().filter(|(_, circumstances)| !of_contacts.contains(&circumstances.round)).collect();
    let recipe = inputs.recipe.as_ref();
    let acceptance = recipe.map_or_else(Acceptance::default, |recipe| recipe.acceptance);
    let field_u = recipe.and_then(|recipe| recipe.hall.as_ref()).map_or(0.0, |hall| hall.field_relative_u);
    let returned = |readings: &[Reading]| {
        // A run has a clock that never stands still: its times are those of one reading each.
        let times: BTreeSet<u64> = readings.iter().map(|reading| reading.time.0.to_bits()).collect();
        let here = taken.iter().copied().filter(|(reading, _)| times.contains(&reading.time.0.to_bits()));
        Some(returned_current(here, acceptance.returned_current))
    };
    let own = inputs.samples.iter().map(|sample| {
        let own = taken.iter().filter(|(_, circumstances)| circumstances.sample == sample.name.value);
        (sample, own.map(|(reading, _)| *reading).collect())
    });
    let by_time: BTreeMap<u64, &Circumstances> =
        taken.iter().map(|(reading, circumstances)| (reading.time.0.to_bits(), circumstances)).collect();
    let circumstances = |reading: &Reading| by_time.get(&reading.time.0.to_bits()).copied();
    of(own, &options(acceptance, field_u, thermometer_u(inputs)), returned, circumstances)
}

/// Sample by sample, temperature by temperature; `more` is a check of the readings of one that the reduction cannot make.
fn of<'s>(
    samples: impl Iterator<Item = (&'s Sample, Vec<Reading>)>,
    options: &Options,
    more: impl Fn(&[Reading]) -> Option<Check>,
    circumstances: impl Fn(&Reading) -> Option<&'s Circumstances>,
) -> Result<Reduction, Error> {
    let (mut points, mut gaps, mut rows, mut last) = (Vec::new(), Vec::new(), Vec::new(), None);
    for (sample, readings) in samples {
        let specimen = Specimen { thickness: sample.thickness_m };
        let mut gap = |temperature_k: Option<f64>, error: quadrille_reduction::Error| {
            gaps.push(Gap { sample: sample.name.value.clone(), temperature_k, reason: error.to_string() });
            last = Some(error);
        };
        let found = match reduce_by_temperature(&readings, &specimen, options) {
            Ok(found) => found,
            Err(error) => {
                gap(None, error);
                continue;
            }
        };
        for at in found {
            rows.extend(rows_of(&sample.name.value, &at, &circumstances));
            let temperature_k = at.temperature.0;
            match at.reduced {
                Ok(mut reduced) => {
                    reduced.checks.extend(more(&at.readings));
                    points.push(Point { sample: sample.name.value.clone(), temperature_k, reduced });
                }
                Err(error) => gap(Some(temperature_k), error),
            }
        }
    }
    // One bad temperature does not cost the others; but where there is no result at all, nothing was reduced.
    match last {
        Some(error) if points.is_empty() => Err(error.into()),
        _ => Ok(Reduction { points, gaps, rows }),
    }
}

/// One row for each field of a temperature.
fn rows_of<'s>(
    sample: &str,
    at: &AtTemperature,
    circumstances: &impl Fn(&Reading) -> Option<&'s Circumstances>,
) -> Vec<SweepRow> {
    let row = |part: &quadrille_reduction::AtField| SweepRow {
        sample: sample.to_owned(),
        temperature: at.temperature,
        field: part.field,
        sheet_field: part.sheet_field,
        evidence: Evidence::of(part.readings.iter().map(|reading| (reading, circumstances(reading)))),
        reduced: part.reduced.clone().map_err(|missing| missing.to_string()),
    };
    at.by_field.iter().map(row).collect()
}

/// Standard uncertainty of the thermometer in kelvins: its data sheet's half-width of a rectangular distribution over √3
/// (JCGM 100:2008, 4.3.7); 0 where the bench has none.
fn thermometer_u(inputs: &Inputs) -> f64 {
    let controller = inputs.equipped.dialect(Role::TemperatureController);
    controller.map_or(0.0, |controller| controller.facts.accuracy / 3f64.sqrt())
}

fn options(acceptance: Acceptance, field_u: f64, temperature_u: f64) -> Options {
    Options {
        acceptance: quadrille_reduction::Acceptance {
            reversal: acceptance.reversal,
            reciprocity: acceptance.reciprocity,
            pair_agreement: acceptance.pair_agreement,
            hall_pair_agreement: acceptance.hall_pair_agreement,
            ..quadrille_reduction::Acceptance::default()
        },
        field_u,
        temperature_u,
    }
}

/// The largest part of the current that did not come back through the ammeter: leakage, or a source that is off.
fn returned_current<'t>(taken: impl Iterator<Item = &'t (Reading, Circumstances)>, limit: f64) -> Check {
    let lost = taken
        .filter(|(reading, _)| reading.condition == Condition::Sound)
        .map(|(reading, circumstances)| {
            (circumstances.commanded - reading.current.value).abs() / circumstances.commanded.abs()
        })
        .fold(0.0, f64::max);
    Check { name: "returned current".into(), measured: lost, limit, passed: lost <= limit }
}
