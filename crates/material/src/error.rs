//! What can be wrong with a material: the parameter, the problem, and what would mend it.

use quadrille_quantity::Kelvin;

/// A parameter that is not physical, or a question that the material has no answer to.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{parameter}: {problem}; {remedy}")]
pub struct MaterialError {
    /// The parameter by its key in documents; also `preset`, `type`, `temperature`, `field`, `resistance`, `table`.
    pub parameter: &'static str,
    /// What is wrong with it.
    pub problem: String,
    /// What would mend it.
    pub remedy: String,
}

impl MaterialError {
    pub(crate) fn new(
        parameter: &'static str,
        problem: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self { parameter, problem: problem.into(), remedy: remedy.into() }
    }
}

pub(crate) fn insulates(temperature: Kelvin, resistivity: f64) -> MaterialError {
    let problem = if resistivity.is_finite() {
        format!("at {} K the material insulates: {resistivity:.1e} ohm m", temperature.0)
    } else {
        format!("at {} K the material insulates", temperature.0)
    };
    MaterialError::new("temperature", problem, "ask at higher temperatures")
}

/// A number above zero, and finite.
pub(crate) fn positive(parameter: &'static str, value: f64) -> Result<(), MaterialError> {
    if value > 0.0 && value.is_finite() {
        return Ok(());
    }
    Err(MaterialError::new(parameter, format!("{value} is not above zero"), "write a number above zero"))
}

/// A number in closed bounds.
pub(crate) fn within(parameter: &'static str, value: f64, low: f64, high: f64) -> Result<(), MaterialError> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    let remedy = format!("write a number from {low} to {high}");
    Err(MaterialError::new(parameter, format!("{value} is not physical"), remedy))
}

pub(crate) fn finite(parameter: &'static str, value: f64) -> Result<(), MaterialError> {
    if value.is_finite() {
        return Ok(());
    }
    Err(MaterialError::new(parameter, format!("{value} is not a number"), "write a number"))
}
