//! What goes into a reduction beside readings, and what comes out; no arithmetic.

use quadrille_quantity::Estimate;
use serde::{Deserialize, Serialize};

/// What is known of the specimen beside its readings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Specimen {
    /// Thickness in metres; without it there is neither resistivity nor Hall coefficient nor density per volume.
    pub thickness: Option<Estimate>,
}

/// Limits of the acceptance checks, all relative to the mean magnitude of the two values compared; values of opposite
/// sign are 2 apart.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Acceptance {
    /// Between the two directions of the current in one configuration, thermoelectric offset included. 3 %; the
    /// NIST description of the technique (from memory) calls 5 % the outer limit and 3 % the better one.
    pub reversal: f64,
    /// Between a configuration and its reciprocal. 3 % (as above).
    pub reciprocity: f64,
    /// Between the sheet resistances of the two independent sets of four readings: 10 % (ASTM F76, from memory).
    pub pair_agreement: f64,
    /// Between the Hall coefficients of the two diagonals: 10 % (ASTM F76, from memory).
    pub hall_pair_agreement: f64,
    /// What the correction of a drift of the temperature within a set may leave of it: 1 % (common practice, no source).
    pub drift: f64,
}

impl Default for Acceptance {
    fn default() -> Self {
        Self {
            reversal: 0.03,
            reciprocity: 0.03,
            pair_agreement: 0.10,
            hall_pair_agreement: 0.10,
            drift: 0.01,
        }
    }
}

/// How to reduce, where there is a choice.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Options {
    /// Limits of the checks.
    pub acceptance: Acceptance,
    /// Relative standard uncertainty of the flux density, common to all readings.
    pub field_u: f64,
    /// Standard uncertainty of the temperature in kelvins, common to all readings: the thermometer's accuracy.
    pub temperature_u: f64,
}

/// Results of one temperature in SI units; what was not measured is `None`, and absent when serialised.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Results {
    /// Sheet resistance, Ω.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheet_resistance_ohm: Option<Estimate>,
    /// Resistivity, Ω·m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resistivity_ohm_m: Option<Estimate>,
    /// Hall coefficient, m³/C; negative for electrons.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hall_coefficient_m3_per_c: Option<Estimate>,
    /// Carriers per area, m⁻².
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheet_carrier_density_per_m2: Option<Estimate>,
    /// Carriers per volume, m⁻³.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub carrier_density_per_m3: Option<Estimate>,
    /// Hall mobility, m²/(V·s), never negative.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mobility_m2_per_v_s: Option<Estimate>,
    /// Sign of the carriers that dominate the Hall voltage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub carrier_type: Option<CarrierType>,
}

/// Sign of the carriers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum CarrierType {
    /// Electrons: negative Hall coefficient.
    #[serde(rename = "n")]
    N,
    /// Holes: positive Hall coefficient.
    #[serde(rename = "p")]
    P,
}

/// One acceptance check.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// In words, with the configurations where it has any: `reversal 12|34`.
    pub name: String,
    /// What was found, relative.
    pub measured: f64,
    /// What is allowed: the most of a disagreement, the least of `positive resistances` and of `current reversal
    /// measured`.
    pub limit: f64,
    /// Whether it is within the limit.
    pub passed: bool,
}

/// What one source of uncertainty adds to one result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// The source in words: `voltmeter gain`, `scatter of repeats, 12|34`.
    pub name: String,
    /// Key of the result in [`Results`], or [`Reduced::TEMPERATURE`].
    pub result: String,
    /// Standard uncertainty of the result from this source alone, in the unit of the result.
    pub standard_uncertainty: f64,
}

/// A reduction with everything that is needed to judge it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Reduced {
    /// The temperature in kelvins that the results are of, with the thermometer's uncertainty.
    pub temperature: Estimate,
    /// The results.
    pub results: Results,
    /// The checks that could be made.
    pub checks: Vec<Check>,
    /// Contributions to every result's standard uncertainty; the squares of one result's add to its square.
    pub budget: Vec<Contribution>,
    /// What a reader should know: readings left out, checks that could not be made, substitutions.
    pub remarks: Vec<String>,
    /// Version of the method.
    pub method: &'static str,
}

impl Reduced {
    /// The name of the temperature as a result in the budget.
    pub const TEMPERATURE: &'static str = "temperature_k";

    /// Whether every check that could be made was passed.
    pub fn accepted(&self) -> bool {
        self.checks.iter().all(|check| check.passed)
    }
}
