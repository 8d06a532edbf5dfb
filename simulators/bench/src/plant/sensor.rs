//! The thermometer on the stage: which temperatures it can tell, and what it shows of one.

use quadrille_documents::SensorModel;
use quadrille_material::platinum::{self, PT100};
use quadrille_material::{Interpolation, MaterialError, SensorTable};
use quadrille_quantity::Kelvin;

/// A resistance that tells a temperature.
#[derive(Clone, Debug)]
pub(crate) enum Sensor {
    Platinum,
    Table(SensorTable),
}

impl Sensor {
    pub(crate) fn new(model: &SensorModel) -> Result<Self, MaterialError> {
        Ok(match model {
            SensorModel::Platinum => Self::Platinum,
            SensorModel::Table(points) => {
                let points = points.iter().map(|&(kelvin, ohm)| (Kelvin(kelvin), ohm));
                // Tables of resistors that tell low temperatures span decades.
                Self::Table(SensorTable::new(points, Interpolation::Logarithmic)?)
            }
        })
    }

    /// Its resistance; `None` beyond what it is known for.
    pub(crate) fn ohm(&self, kelvin: f64) -> Option<f64> {
        match self {
            Self::Platinum => platinum::resistance(PT100, Kelvin(kelvin)).ok().map(|ohm| ohm.0),
            Self::Table(table) => table.reading(Kelvin(kelvin)).ok(),
        }
    }
}
