//! Carriers of several kinds in a field: their conductivity tensors add. Knows no temperature.

use crate::{ELEMENTARY_CHARGE, Transport};
use quadrille_quantity::Tesla;

/// Which way the charge of a carrier goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sign {
    /// Electrons.
    Negative,
    /// Holes.
    Positive,
}

/// One kind of carrier.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Carrier {
    /// Sign of its charge.
    pub sign: Sign,
    /// Density per cubic metre.
    pub density_per_m3: f64,
    /// Drift mobility in m²/(V·s).
    pub mobility_m2_per_v_s: f64,
    /// Hall mobility over drift mobility.
    pub hall_factor: f64,
}

/// Resistivity and Hall angle of carriers side by side.
///
/// Each kind has σ_xx = n·e·μ/(1 + (r·μ·B)²) and σ_xy = −σ_yx = ±σ_xx·r·μ·B, plus for holes (Drude; e.g. E. H. Putley,
/// The Hall Effect and Related Phenomena, 1960), so that one kind alone has ρ_xx = 1/(n·e·μ) in every field and
/// ρ_yx/ρ_xx = ±r·μ·B. The Hall factor r is taken to be the same in every field; in truth it tends to 1 when r·μ·B is
/// far above 1. Nothing conducts where there are no carriers: the resistivity is infinite.
pub fn in_field(carriers: &[Carrier], field: Tesla) -> Transport {
    let (mut along, mut across) = (0.0, 0.0);
    for carrier in carriers {
        let tangent = carrier.hall_factor * carrier.mobility_m2_per_v_s * field.0;
        let share = carrier.density_per_m3 * ELEMENTARY_CHARGE * carrier.mobility_m2_per_v_s
            / (1.0 + tangent * tangent);
        along += share;
        across += match carrier.sign {
            Sign::Negative => -share * tangent,
            Sign::Positive => share * tangent,
        };
    }
    if along <= 0.0 {
        return Transport { resistivity_ohm_m: f64::INFINITY, tan_hall: 0.0 };
    }
    // ρ_xx = σ_xx/(σ_xx² + σ_xy²) without squares of what may be as small as 1e-200.
    let tan_hall = across / along;
    Transport { resistivity_ohm_m: 1.0 / (along * (1.0 + tan_hall * tan_hall)), tan_hall }
}
