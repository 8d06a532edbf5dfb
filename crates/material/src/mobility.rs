//! Mobilities over temperature and doping. Knows no density of carriers.

use crate::{MaterialError, TemperatureSpan, error};
use quadrille_quantity::Kelvin;
use std::f64::consts::PI;

/// Hall factor of acoustic phonons in one spherical band at low field, 3π/8.
pub const HALL_FACTOR_ACOUSTIC: f64 = 3.0 * PI / 8.0;
/// Hall factor of ionised impurities in one spherical band at low field, 315π/512.
pub const HALL_FACTOR_IONISED: f64 = 315.0 * PI / 512.0;

/// cm²/(V·s) in m²/(V·s).
const SQUARE_CENTIMETRE: f64 = 1e-4;
/// Per cubic centimetre in per cubic metre.
const PER_CUBIC_CENTIMETRE: f64 = 1e6;
/// Where most mobilities are given.
const REFERENCE: Kelvin = Kelvin(300.0);

/// A drift mobility.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mobility {
    /// Lattice and impurities by Matthiessen's rule: 1/μ = 1/μ_L + 1/μ_I with μ_L = `lattice`·(T/300 K)^−`exponent`.
    Matthiessen {
        /// Lattice mobility at 300 K in m²/(V·s).
        lattice_m2_per_v_s: f64,
        /// How it falls with the temperature: 1.5 for acoustic phonons, 2 to 2.5 in silicon.
        exponent: f64,
        /// Scattering at ionised impurities, if any.
        impurities: Option<ImpurityScattering>,
    },
    /// Of all impurities together as [`masetti`] has it, at room temperature only.
    Masetti(MasettiDopant),
    /// Electrons in silicon as [`arora_electrons`] has them.
    AroraElectrons,
    /// Holes in silicon as [`arora_holes`] has them.
    AroraHoles,
}

/// μ_I = `mobility`·(T/300 K)^`exponent`, and inverse to the density of ionised impurities where `at_per_m3` is given.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImpurityScattering {
    /// Mobility at 300 K in m²/(V·s).
    pub mobility_m2_per_v_s: f64,
    /// How it rises with the temperature: 1.5 (E. Conwell and V. F. Weisskopf, Phys. Rev. 77, 388, 1950).
    pub exponent: f64,
    /// Density of ionised impurities, per cubic metre, that the mobility is for; without it the mobility is the same
    /// however many there are.
    pub at_per_m3: Option<f64>,
}

/// Impurities in a semiconductor, per cubic metre.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Impurities {
    /// All, charged or not: what mobilities fitted to doping are functions of.
    pub(crate) total_per_m3: f64,
    /// Those that carry a charge at this temperature.
    pub(crate) ionised_per_m3: f64,
}

/// Keys of one band's parameters in documents.
#[derive(Clone, Copy, Debug)]
pub(crate) struct MobilityKeys {
    pub(crate) mobility: &'static str,
    pub(crate) exponent: &'static str,
    pub(crate) impurity_mobility: &'static str,
    pub(crate) impurity_exponent: &'static str,
}

impl Mobility {
    pub(crate) fn check(&self, keys: MobilityKeys) -> Result<(), MaterialError> {
        let Self::Matthiessen { lattice_m2_per_v_s, exponent, impurities } = self else { return Ok(()) };
        error::within(keys.mobility, *lattice_m2_per_v_s, 1e-12, 1e4)?;
        check_exponent(keys.exponent, *exponent, "a lattice mobility falls as (T/300 K)^-exponent")?;
        if let Some(impurities) = impurities {
            error::within(keys.impurity_mobility, impurities.mobility_m2_per_v_s, 1e-12, 1e4)?;
            let law = "an impurity mobility rises as (T/300 K)^exponent";
            check_exponent(keys.impurity_exponent, impurities.exponent, law)?;
            if let Some(density) = impurities.at_per_m3 {
                error::positive(keys.impurity_mobility, density)?;
            }
        }
        Ok(())
    }

    /// In m²/(V·s). A fit to measurements answers within its temperatures only.
    pub(crate) fn at(&self, temperature: Kelvin, impurities: Impurities) -> Result<f64, MaterialError> {
        if let Some(span) = self.fitted_span().filter(|span| !span.contains(temperature)) {
            let problem = format!("{} K is outside of what the mobility was fitted to", temperature.0);
            let remedy = format!("stay between {} K and {} K, or write mobilities", span.from.0, span.to.0);
            return Err(MaterialError::new("temperature", problem, remedy));
        }
        let warmth = temperature / REFERENCE;
        Ok(match *self {
            Self::Matthiessen { lattice_m2_per_v_s, exponent, impurities: scattering } => {
                let lattice = warmth.powf(exponent) / lattice_m2_per_v_s;
                let charged = scattering.map_or(0.0, |scattering| {
                    let density = scattering.at_per_m3.map_or(1.0, |at| impurities.ionised_per_m3 / at);
                    density / (scattering.mobility_m2_per_v_s * warmth.powf(scattering.exponent))
                });
                1.0 / (lattice + charged)
            }
            Self::Masetti(dopant) => masetti(dopant, impurities.total_per_m3),
            Self::AroraElectrons => arora_electrons(impurities.total_per_m3, temperature),
            Self::AroraHoles => arora_holes(impurities.total_per_m3, temperature),
        })
    }

    /// Temperatures outside of which the formula means nothing.
    pub(crate) fn fitted_span(&self) -> Option<TemperatureSpan> {
        let (from, to) = match self {
            Self::Matthiessen { .. } => return None,
            // Measured at room temperature: here 300 K give or take ten.
            Self::Masetti(_) => (290.0, 310.0),
            Self::AroraElectrons | Self::AroraHoles => (200.0, 500.0),
        };
        Some(TemperatureSpan { from: Kelvin(from), to: Kelvin(to) })
    }
}

fn check_exponent(parameter: &'static str, exponent: f64, law: &str) -> Result<(), MaterialError> {
    if (0.0..=5.0).contains(&exponent) {
        return Ok(());
    }
    let problem = format!("an exponent of {exponent} is not physical");
    Err(MaterialError::new(parameter, problem, format!("{law}: write it without a sign, from 0 to 5")))
}

/// Dopants of silicon for which Masetti and others give coefficients.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MasettiDopant {
    /// Arsenic: electrons.
    Arsenic,
    /// Phosphorus: electrons.
    Phosphorus,
    /// Boron: holes.
    Boron,
}

/// Mobility in silicon at 300 K, m²/(V·s), against the density of dopants per cubic metre: G. Masetti, M. Severi and
/// S. Solmi, IEEE Trans. Electron Devices 30, 764 (1983), table I, from 10¹³ cm⁻³ to 5·10²¹ cm⁻³ (boron 1.2·10²¹).
pub fn masetti(dopant: MasettiDopant, dopants_per_m3: f64) -> f64 {
    let n = dopants_per_m3 / PER_CUBIC_CENTIMETRE;
    let low = |c: [f64; 7]| {
        let [floor, most, less, half, high, alpha, beta] = c;
        floor + (most - floor) / (1.0 + (n / half).powf(alpha)) - less / (1.0 + (high / n).powf(beta))
    };
    let cm2 = match dopant {
        MasettiDopant::Arsenic => low([52.2, 1417.0, 43.4, 9.68e16, 3.43e20, 0.680, 2.0]),
        MasettiDopant::Phosphorus => low([68.5, 1414.0, 56.1, 9.20e16, 3.41e20, 0.711, 1.98]),
        // For boron the first term has a factor of its own, and the second is without it.
        MasettiDopant::Boron => {
            44.9 * (-9.23e16 / n).exp() + 470.5 / (1.0 + (n / 2.23e17).powf(0.719))
                - 29.0 / (1.0 + (6.10e20 / n).powf(2.0))
        }
    };
    cm2 * SQUARE_CENTIMETRE
}

/// Mobility of electrons in silicon, m²/(V·s), against the density of all impurities per cubic metre: N. D. Arora,
/// J. R. Hauser and D. J. Roulston, IEEE Trans. Electron Devices 29, 292 (1982); up to 10²⁰ cm⁻³, 250 K to 500 K
/// within 13 %, here from 200 K.
pub fn arora_electrons(impurities_per_m3: f64, temperature: Kelvin) -> f64 {
    arora(impurities_per_m3, temperature, [88.0, 7.4e8, -2.33, 1.26e17])
}

/// Mobility of holes in silicon, as [`arora_electrons`].
pub fn arora_holes(impurities_per_m3: f64, temperature: Kelvin) -> f64 {
    arora(impurities_per_m3, temperature, [54.3, 1.36e8, -2.23, 2.35e17])
}

fn arora(impurities_per_m3: f64, temperature: Kelvin, coefficients: [f64; 4]) -> f64 {
    let [floor, lattice, exponent, half] = coefficients;
    let warmth = temperature / REFERENCE;
    let n = impurities_per_m3 / PER_CUBIC_CENTIMETRE;
    let filling = n / (half * warmth.powf(2.4)) * 0.88 * warmth.powf(-0.146);
    (floor * warmth.powf(-0.57) + lattice * temperature.0.powf(exponent) / (1.0 + filling))
        * SQUARE_CENTIMETRE
}
