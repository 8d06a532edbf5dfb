//! The results as functions of what the readings give: two resistances, a Hall slope, thickness, field.

use crate::results::Results;
use crate::{ELEMENTARY_CHARGE, van_der_pauw};
use quadrille_quantity::Estimate;

/// A result that has a value and an uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// Sheet resistance.
    SheetResistance,
    /// Resistivity.
    Resistivity,
    /// Hall coefficient.
    HallCoefficient,
    /// Carriers per area.
    SheetDensity,
    /// Carriers per volume.
    Density,
    /// Hall mobility.
    Mobility,
}

impl Quantity {
    /// All of them, in the order in which results are shown.
    pub const ALL: [Self; 6] = [
        Self::SheetResistance,
        Self::Resistivity,
        Self::HallCoefficient,
        Self::SheetDensity,
        Self::Density,
        Self::Mobility,
    ];

    /// The key in serialised [`Results`].
    pub fn key(self) -> &'static str {
        match self {
            Self::SheetResistance => "sheet_resistance_ohm",
            Self::Resistivity => "resistivity_ohm_m",
            Self::HallCoefficient => "hall_coefficient_m3_per_c",
            Self::SheetDensity => "sheet_carrier_density_per_m2",
            Self::Density => "carrier_density_per_m3",
            Self::Mobility => "mobility_m2_per_v_s",
        }
    }

    /// The name in words.
    pub fn name(self) -> &'static str {
        match self {
            Self::SheetResistance => "sheet resistance",
            Self::Resistivity => "resistivity",
            Self::HallCoefficient => "Hall coefficient",
            Self::SheetDensity => "sheet carrier density",
            Self::Density => "carrier density",
            Self::Mobility => "Hall mobility",
        }
    }

    /// Symbol of the SI unit.
    pub fn unit(self) -> &'static str {
        match self {
            Self::SheetResistance => "Ω",
            Self::Resistivity => "Ω·m",
            Self::HallCoefficient => "m³/C",
            Self::SheetDensity => "m⁻²",
            Self::Density => "m⁻³",
            Self::Mobility => "m²/(V·s)",
        }
    }

    /// Its estimate among results, if it was measured.
    pub fn of(self, results: &Results) -> Option<Estimate> {
        match self {
            Self::SheetResistance => results.sheet_resistance_ohm,
            Self::Resistivity => results.resistivity_ohm_m,
            Self::HallCoefficient => results.hall_coefficient_m3_per_c,
            Self::SheetDensity => results.sheet_carrier_density_per_m2,
            Self::Density => results.carrier_density_per_m3,
            Self::Mobility => results.mobility_m2_per_v_s,
        }
    }

    /// Puts an estimate in its place.
    pub(crate) fn set(self, results: &mut Results, estimate: Estimate) {
        let place = match self {
            Self::SheetResistance => &mut results.sheet_resistance_ohm,
            Self::Resistivity => &mut results.resistivity_ohm_m,
            Self::HallCoefficient => &mut results.hall_coefficient_m3_per_c,
            Self::SheetDensity => &mut results.sheet_carrier_density_per_m2,
            Self::Density => &mut results.carrier_density_per_m3,
            Self::Mobility => &mut results.mobility_m2_per_v_s,
        };
        *place = Some(estimate);
    }

    /// Whether it can be computed of the measured inputs.
    pub(crate) fn is_known(self, known: Known) -> bool {
        match self {
            Self::SheetResistance => known.sheet,
            Self::Resistivity => known.sheet && known.thickness,
            Self::HallCoefficient => known.slope.is_some() && known.thickness,
            Self::SheetDensity => known.slope.is_some_and(|slope| slope != 0.0),
            Self::Density => known.slope.is_some_and(|slope| slope != 0.0) && known.thickness,
            Self::Mobility => known.sheet && known.slope.is_some(),
        }
    }

    /// Its value in SI units. R_s: van der Pauw; ρ = R_s t; R_H = t dR/dB; n_s = 1/(e |dR/dB|); n = n_s/t;
    /// μ = |dR/dB|/R_s (ASTM F76, from memory).
    pub(crate) fn value(self, inputs: &[f64]) -> f64 {
        let [r_a, r_b, slope, thickness, field_scale] = inputs else { return f64::NAN };
        let sheet = || van_der_pauw::sheet_resistance(*r_a, *r_b).unwrap_or(f64::NAN);
        let slope = slope / field_scale;
        match self {
            Self::SheetResistance => sheet(),
            Self::Resistivity => sheet() * thickness,
            Self::HallCoefficient => slope * thickness,
            Self::SheetDensity => 1.0 / (ELEMENTARY_CHARGE * slope.abs()),
            Self::Density => 1.0 / (ELEMENTARY_CHARGE * slope.abs() * thickness),
            Self::Mobility => slope.abs() / sheet(),
        }
    }
}

/// Places of the inputs of [`Quantity::value`].
pub(crate) mod input {
    /// First resistance of van der Pauw, Ω.
    pub(crate) const R_A: usize = 0;
    /// Second resistance of van der Pauw, Ω.
    pub(crate) const R_B: usize = 1;
    /// Hall slope, Ω/T.
    pub(crate) const SLOPE: usize = 2;
    /// Thickness, m.
    pub(crate) const THICKNESS: usize = 3;
    /// True field over stated field.
    pub(crate) const FIELD_SCALE: usize = 4;
    /// How many there are.
    pub(crate) const COUNT: usize = 5;
}

/// Which inputs were measured.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Known {
    /// Both resistances of van der Pauw, above zero.
    pub(crate) sheet: bool,
    /// The Hall slope and its value, Ω/T.
    pub(crate) slope: Option<f64>,
    /// The thickness.
    pub(crate) thickness: bool,
}
