//! Inverse problem: readings to sheet resistance, Hall coefficient, density and mobility with uncertainties; knows
//! no clock, no file and no instrument.
//!
//! [`reduce`] takes the readings of one temperature; [`reduce_by_temperature`] those of a run, sorted into such sets by
//! [`by_temperature`]. Contacts 1 to
//! 4 are numbered counter-clockwise seen with +B pointing at the viewer; R₁₂,₃₄ = (V₃ − V₄)/I with I into 1 and
//! out of 2. Every function is pure: the same readings in any order give the same result to the bit.

mod checks;
pub mod contacts;
mod error;
mod field;
mod hall;
mod inputs;
pub mod least_squares;
mod pair;
pub mod propagation;
mod quantities;
mod reduce;
mod remarks;
mod resistance;
mod results;
mod series;
mod slopes;
mod temperature;
pub mod van_der_pauw;

pub use error::Error;
pub use quantities::Quantity;
pub use reduce::reduce;
pub use resistance::{PairResistance, resistances};
pub use results::{Acceptance, CarrierType, Check, Contribution, Options, Reduced, Results, Specimen};
pub use series::{AtField, AtTemperature, reduce_by_temperature};
pub use temperature::by_temperature;

/// Version of the method; it changes whenever the same readings would give another result.
pub const METHOD: &str = "quadrille-reduction 3";

/// Elementary charge in coulombs, exact (SI 2019).
pub const ELEMENTARY_CHARGE: f64 = 1.602176634e-19;
