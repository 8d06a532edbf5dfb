//! What a sample's model says will be measured.

use crate::{Error, load};
use quadrille_documents::Model;
use quadrille_quantity::{Kelvin, Tesla};
use quadrille_specimen::{ROOM, Specimen, SpecimenError};
use std::path::Path;

/// Every resistance that four or two of a sample's contacts can show, in ohms.
#[derive(Clone, Debug, PartialEq)]
pub struct Predicted {
    /// Name of the sample.
    pub sample: String,
    /// By ordered configuration, `12,43`.
    pub four_terminal_ohm: Vec<(String, f64)>,
    /// By pair of contacts, `12`.
    pub two_terminal_ohm: Vec<(String, f64)>,
    /// Temperature at which the model was asked; `None` where nothing of it depends on that.
    pub temperature_k: Option<f64>,
    /// Largest error of each resistance by the solver's own bound, relative to the geometric mean of the two-terminal
    /// resistances of its current pair and its sense pair; zero where a model is exact.
    pub relative_bound: f64,
}

/// Most contacts of which every configuration is listed: 116,280 of them. The number grows as the fourth power.
const MOST_CONTACTS: usize = 20;

/// Predicts a sample from its model, at a temperature and in a field.
///
/// `tolerance` replaces the largest relative error that the document wants of a sheet.
pub fn predict(
    sample: &Path,
    temperature: Option<Kelvin>,
    field: Tesla,
    tolerance: Option<f64>,
) -> Result<Predicted, Error> {
    let mut sample = load::sample(sample)?;
    if let (Some(Model::Sheet(sheet)), Some(tolerance)) = (&mut sample.model, tolerance) {
        sheet.tolerance = tolerance;
    }
    let fault = |error: SpecimenError| {
        let remedy = "mend the model, or ask for a temperature and field at which it conducts";
        Error::Documents(sample.name.fault(error.to_string(), remedy).into())
    };
    let Some(specimen) = Specimen::new(&sample)? else {
        let fault =
            sample.name.fault("the sample has no model to predict from", "write [model] with its resistors");
        return Err(Error::Documents(fault.into()));
    };
    if sample.contacts > MOST_CONTACTS {
        let fault = sample.name.fault(
            format!("{} contacts have too many configurations to list", sample.contacts),
            format!("name at most {MOST_CONTACTS} nodes in `contacts`"),
        );
        return Err(Error::Documents(fault.into()));
    }
    let temperature = temperature.unwrap_or(ROOM);
    let terminals = specimen.terminals(temperature, field).map_err(fault)?;
    let bound = specimen.bound(temperature, field).map_err(fault)?;
    let four = terminals.all_four_terminal().map_err(|error| fault(error.into()))?;
    let two = terminals.all_two_terminal().map_err(|error| fault(error.into()))?;
    let dot = if sample.contacts > 9 { "." } else { "" };
    Ok(Predicted {
        sample: sample.name.value.clone(),
        temperature_k: specimen.depends_on_temperature().then_some(temperature.0),
        relative_bound: bound,
        four_terminal_ohm: four
            .into_iter()
            .map(|(configuration, ohm)| (configuration.to_string(), ohm.0))
            .collect(),
        two_terminal_ohm: two.into_iter().map(|(a, b, ohm)| (format!("{a}{dot}{b}"), ohm.0)).collect(),
    })
}
