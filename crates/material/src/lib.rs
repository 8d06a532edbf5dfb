//! What a material does over temperature and field: carriers, mobilities, resistivity and Hall angle. Knows no outline,
//! no contact and no bench.
//!
//! Densities are per cubic metre, mobilities in m²/(V·s), energies in electronvolts. Names of parameters, in types and
//! in errors, are those of documents, so that whoever read a document finds the line that an error is about.

mod conduction;
mod error;
mod fermi;
mod hopping;
mod metal;
mod mobility;
mod parameters;
pub mod platinum;
mod presets;
mod semiconductor;
mod sensor;

pub use conduction::{Carrier, Sign, in_field};
pub use error::MaterialError;
pub use fermi::fermi_dirac_half;
pub use hopping::{EFROS_SHKLOVSKII, Hopping, MOTT, MOTT_2D, NEAREST_NEIGHBOUR};
pub use metal::{Metal, bloch_gruneisen_integral};
pub use mobility::{
    HALL_FACTOR_ACOUSTIC, HALL_FACTOR_IONISED, ImpurityScattering, MasettiDopant, Mobility, arora_electrons,
    arora_holes, masetti,
};
pub use presets::preset_names;
pub use semiconductor::{Band, Gap, Impurity, Semiconductor, SemiconductorParameters};
pub use sensor::{Interpolation, SensorTable};

use quadrille_quantity::{Kelvin, Tesla};

/// Elementary charge in coulombs, exact (SI, 2019).
pub const ELEMENTARY_CHARGE: f64 = 1.602_176_634e-19;
/// Boltzmann constant in joules per kelvin, exact (SI, 2019).
pub const BOLTZMANN: f64 = 1.380_649e-23;
/// Boltzmann constant in electronvolts per kelvin: k/e.
pub const BOLTZMANN_EV: f64 = BOLTZMANN / ELEMENTARY_CHARGE;

/// Above this resistivity, in ohm metres, a material is said to insulate: a sheet of it a nanometre thick would be
/// 10³⁹ ohms, and numbers from here on are of no use to anything that solves circuits.
pub const INSULATING_OHM_M: f64 = 1e30;

/// A material.
#[derive(Clone, Debug, PartialEq)]
pub enum Material {
    /// Electrons and holes from charge neutrality.
    Semiconductor(Semiconductor),
    /// A metal, linear in the temperature or as Bloch and Grüneisen have it.
    Metal(Metal),
    /// Carriers that hop between sites.
    Hopping(Hopping),
    /// The same at every temperature.
    Plain(Plain),
}

/// How a material conducts at a temperature and in a field normal to the sheet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Transport {
    /// ρ_xx in ohm metres.
    pub resistivity_ohm_m: f64,
    /// ρ_yx/ρ_xx, the tangent of the Hall angle with the Hall factor in it; positive for holes and B > 0, so that
    /// R_H·B = `tan_hall`·`resistivity_ohm_m`.
    pub tan_hall: f64,
}

/// Densities of free carriers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Carriers {
    /// Electrons in the conduction band, per cubic metre.
    pub electrons_per_m3: f64,
    /// Holes in the valence band, per cubic metre.
    pub holes_per_m3: f64,
}

/// Temperatures for which something is published.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TemperatureSpan {
    /// Lowest.
    pub from: Kelvin,
    /// Highest.
    pub to: Kelvin,
}

impl TemperatureSpan {
    /// Whether a temperature is in the span.
    pub fn contains(self, temperature: Kelvin) -> bool {
        (self.from..=self.to).contains(&temperature)
    }

    fn overlap(self, other: Self) -> Self {
        Self { from: self.from.max(other.from), to: self.to.min(other.to) }
    }
}

/// A material without any temperature in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plain {
    resistivity_ohm_m: f64,
    hall_mobility: f64,
}

impl Plain {
    /// From a resistivity in ohm metres and a Hall mobility in m²/(V·s), negative for electrons.
    pub fn new(resistivity_ohm_m: f64, hall_mobility_m2_per_v_s: f64) -> Result<Self, MaterialError> {
        error::positive("resistivity_ohm_m", resistivity_ohm_m)?;
        error::finite("hall_mobility_m2_per_v_s", hall_mobility_m2_per_v_s)?;
        Ok(Self { resistivity_ohm_m, hall_mobility: hall_mobility_m2_per_v_s })
    }
}

impl Material {
    /// A material from what a document says of it: its kind (`semiconductor`, `metal`, `hopping`, `plain`), the name
    /// of a preset or none, and each parameter that is written, by its key. What is written replaces the preset's.
    pub fn from_parameters(
        kind: &str,
        preset: Option<&str>,
        given: impl Fn(&str) -> Option<f64>,
    ) -> Result<Self, MaterialError> {
        parameters::material(kind, preset, &given)
    }

    /// Resistivity and Hall angle. An error where the temperature is none, where the parameters give nothing physical
    /// at this temperature, where a model is asked far from what it was fitted to, and where the material insulates.
    pub fn transport(&self, temperature: Kelvin, field: Tesla) -> Result<Transport, MaterialError> {
        check_temperature(temperature)?;
        error::finite("field", field.0)?;
        let transport = match self {
            Self::Semiconductor(semiconductor) => semiconductor.transport(temperature, field)?,
            Self::Metal(metal) => metal.transport(temperature, field)?,
            Self::Hopping(hopping) => hopping.transport(temperature, field),
            Self::Plain(plain) => Transport {
                resistivity_ohm_m: plain.resistivity_ohm_m,
                tan_hall: plain.hall_mobility * field.0,
            },
        };
        if (0.0..INSULATING_OHM_M).contains(&transport.resistivity_ohm_m) {
            return Ok(transport);
        }
        Err(error::insulates(temperature, transport.resistivity_ohm_m))
    }

    /// Free carriers; `None` for a material that is not described by its carriers.
    pub fn carriers(&self, temperature: Kelvin) -> Result<Option<Carriers>, MaterialError> {
        check_temperature(temperature)?;
        match self {
            Self::Semiconductor(semiconductor) => semiconductor.carriers(temperature).map(Some),
            _ => Ok(None),
        }
    }

    /// Where the parameters are published; outside of it answers are extrapolations. `None` for parameters of one's
    /// own, of which only their author knows.
    pub fn temperature_span(&self) -> Option<TemperatureSpan> {
        match self {
            Self::Semiconductor(semiconductor) => semiconductor.temperature_span(),
            Self::Metal(metal) => metal.temperature_span(),
            Self::Hopping(_) | Self::Plain(_) => None,
        }
    }

    /// Whether anything of it changes with the temperature.
    pub fn depends_on_temperature(&self) -> bool {
        !matches!(self, Self::Plain(_))
    }
}

fn check_temperature(temperature: Kelvin) -> Result<(), MaterialError> {
    if temperature.0 > 0.0 && temperature.0 <= 1e5 {
        return Ok(());
    }
    let problem = format!("{} K is no temperature of a solid", temperature.0);
    Err(MaterialError::new("temperature", problem, "ask above 0 K"))
}
