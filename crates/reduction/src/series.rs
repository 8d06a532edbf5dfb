//! Readings of many temperatures to results of each, every temperature with what its neighbours say of the change of the
//! results with it.

use crate::error::Error;
use crate::field::{self, Reversal};
use crate::pair::{is_useful, numbers};
use crate::reduce::HALVES;
use crate::reduce::reduce_with;
use crate::resistance::{PairResistance, resistances};
use crate::results::{Options, Reduced, Specimen};
use crate::slopes::Slopes;
use crate::temperature::by_temperature;
use quadrille_experiment::{Condition, Reading};
use quadrille_quantity::{Kelvin, Tesla};

/// The readings of one temperature and what they give.
#[derive(Clone, Debug, PartialEq)]
pub struct AtTemperature {
    /// Mean temperature of the readings.
    pub temperature: Kelvin,
    /// The readings, in the order given.
    pub readings: Vec<Reading>,
    /// What all of them give, or what is missing.
    pub reduced: Result<Reduced, Error>,
    /// What those of each field give: no field first, then from the weakest.
    pub by_field: Vec<AtField>,
}

/// What one temperature and field give.
#[derive(Clone, Debug, PartialEq)]
pub struct AtField {
    /// Magnitude of the field: half the difference of its two signs; 0 for none.
    pub field: Tesla,
    /// Magnitude of the field at which the sheet resistance was measured, where it was.
    pub sheet_field: Option<Tesla>,
    /// The readings that were used.
    pub readings: Vec<Reading>,
    /// What they give, or what is missing.
    pub reduced: Result<Reduced, Error>,
}

/// Results of every temperature, coldest first.
///
/// Readings of other than four of the contacts 1 to 4 (those of a contact check) play no part where there are some of
/// these.
///
/// # Errors
/// No readings at all. What one temperature lacks is told at its place.
pub fn reduce_by_temperature(
    readings: &[Reading],
    specimen: &Specimen,
    options: &Options,
) -> Result<Vec<AtTemperature>, Error> {
    if readings.is_empty() {
        return Err(Error::NoReadings);
    }
    let useful: Vec<Reading> = readings.iter().filter(|reading| is_useful(reading)).copied().collect();
    let sets = by_temperature(if useful.is_empty() { readings } else { &useful });
    // A set that has no resistances says why when it is reduced.
    let plain: Vec<Vec<PairResistance>> =
        sets.iter().map(|(_, set)| resistances(set).unwrap_or_default()).collect();
    let at = |(place, (temperature, readings)): (usize, (Kelvin, Vec<Reading>))| {
        let slopes = Slopes::of_neighbours(&plain, place);
        let reduced = |readings: &[Reading]| reduce_with(readings, specimen, options, slopes.clone());
        AtTemperature {
            temperature,
            reduced: reduced(&readings),
            by_field: by_field(&readings).into_iter().map(|part| part.reduced(&reduced)).collect(),
            readings,
        }
    };
    Ok(sets.into_iter().enumerate().map(at).collect())
}

/// The readings that belong to one field.
struct Part {
    field: Tesla,
    sheet_field: Option<Tesla>,
    readings: Vec<Reading>,
}

impl Part {
    fn reduced(self, reduce: &impl Fn(&[Reading]) -> Result<Reduced, Error>) -> AtField {
        let reduced = reduce(&self.readings);
        let sheet_field = self
            .sheet_field
            .filter(|_| reduced.as_ref().is_ok_and(|reduced| reduced.results.sheet_resistance_ohm.is_some()));
        AtField { field: self.field, sheet_field, readings: self.readings, reduced }
    }
}

/// Readings without field, where they are of the sheet; and of each pair of opposite fields, with those without field
/// where the pair has no sheet readings of its own.
fn by_field(readings: &[Reading]) -> Vec<Part> {
    let finite: Vec<&Reading> = readings.iter().filter(|r| r.field.0.is_finite()).collect();
    let levels = field::levels(&finite.iter().map(|reading| reading.field.0).collect::<Vec<_>>());
    let of_levels = |wanted: &dyn Fn(f64) -> bool| -> Vec<Reading> {
        let chosen = finite.iter().zip(&levels).filter(|(_, level)| wanted(**level));
        chosen.map(|(reading, _)| **reading).collect()
    };
    let zero = of_levels(&|level| level == 0.0);
    let has_sheet = |part: &[Reading]| {
        HALVES.iter().all(|(half, ..)| {
            part.iter().any(|r| r.condition == Condition::Sound && half.contains(&ascending(r)))
        })
    };
    let pair = |reversal: Reversal| {
        let field = Tesla((reversal.plus - reversal.minus) / 2.0);
        let mut own = of_levels(&|level| level == reversal.plus || level == reversal.minus);
        let (sheet_field, more) = if has_sheet(&own) { (field, None) } else { (Tesla(0.0), Some(&zero)) };
        own.extend(more.into_iter().flatten().copied());
        Part { field, sheet_field: Some(sheet_field), readings: own }
    };
    let mut parts: Vec<Part> = field::reversals(&levels).into_iter().map(pair).collect();
    let none = Tesla(0.0);
    if has_sheet(&zero) {
        parts.insert(0, Part { field: none, sheet_field: Some(none), readings: zero });
    } else if parts.is_empty() {
        // One sign of a field, or not enough of anything: what is missing is told of all.
        let strongest = levels.iter().fold(0.0, |most: f64, level| most.max(level.abs()));
        parts.push(Part { field: Tesla(strongest), sheet_field: None, readings: readings.to_vec() });
    }
    parts
}

/// The contacts of a reading, in ascending order within each pair.
fn ascending(reading: &Reading) -> [u8; 4] {
    let [a, b, c, d] = numbers(reading.configuration);
    [a.min(b), a.max(b), c.min(d), c.max(d)]
}
