//! Carriers that hop between localised states: ρ = ρ₀·exp((T₀/T)^p).

use crate::{MaterialError, Transport, error};
use quadrille_quantity::{Kelvin, Tesla};

/// Exponent of hopping to the nearest neighbour (A. Miller and E. Abrahams, Phys. Rev. 120, 745, 1960).
pub const NEAREST_NEIGHBOUR: f64 = 1.0;
/// Exponent of variable-range hopping in three dimensions (N. F. Mott, Phil. Mag. 19, 835, 1969).
pub const MOTT: f64 = 0.25;
/// Exponent of variable-range hopping in two dimensions (N. F. Mott).
pub const MOTT_2D: f64 = 1.0 / 3.0;
/// Exponent of hopping across a Coulomb gap (A. L. Efros and B. I. Shklovskii, J. Phys. C 8, L49, 1975).
pub const EFROS_SHKLOVSKII: f64 = 0.5;

/// A hopping conductor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hopping {
    resistivity_ohm_m: f64,
    characteristic: Kelvin,
    exponent: f64,
    hall_mobility: f64,
}

impl Hopping {
    /// From ρ₀ in ohm metres (`resistivity_ohm_m`), T₀ (`characteristic_k`), the exponent p (`exponent`, one of the
    /// constants of this crate or any from 0.1 to 1) and a Hall mobility in m²/(V·s), negative for electrons, which is
    /// taken to be the same at all temperatures: of hopping carriers it is small and there is no law for it.
    pub fn new(
        resistivity_ohm_m: f64,
        characteristic: Kelvin,
        exponent: f64,
        hall_mobility_m2_per_v_s: f64,
    ) -> Result<Self, MaterialError> {
        error::positive("resistivity_ohm_m", resistivity_ohm_m)?;
        error::positive("characteristic_k", characteristic.0)?;
        error::within("exponent", exponent, 0.1, 1.0)?;
        error::within("hall_mobility_m2_per_v_s", hall_mobility_m2_per_v_s, -1.0, 1.0)?;
        Ok(Self { resistivity_ohm_m, characteristic, exponent, hall_mobility: hall_mobility_m2_per_v_s })
    }

    pub(crate) fn transport(&self, temperature: Kelvin, field: Tesla) -> Transport {
        let activation = (self.characteristic / temperature).powf(self.exponent);
        Transport {
            resistivity_ohm_m: self.resistivity_ohm_m * activation.exp(),
            tan_hall: self.hall_mobility * field.0,
        }
    }
}
