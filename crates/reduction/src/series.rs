//! Readings of many temperatures to results of each, every temperature with what its neighbours say of the change of the
//! results with it.

use crate::error::Error;
use crate::pair::is_useful;
use crate::reduce::reduce_with;
use crate::resistance::{PairResistance, resistances};
use crate::results::{Options, Reduced, Specimen};
use crate::slopes::Slopes;
use crate::temperature::by_temperature;
use quadrille_experiment::Reading;
use quadrille_quantity::Kelvin;

/// The readings of one temperature and what they give.
#[derive(Clone, Debug, PartialEq)]
pub struct AtTemperature {
    /// Mean temperature of the readings.
    pub temperature: Kelvin,
    /// The readings, in the order given.
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
    let reduced = |place: usize, set: &[Reading]| {
        reduce_with(set, specimen, options, Slopes::of_neighbours(&plain, place))
    };
    Ok(sets
        .into_iter()
        .enumerate()
        .map(|(place, (temperature, readings))| AtTemperature {
            temperature,
            reduced: reduced(place, &readings),
            readings,
        })
        .collect())
}
