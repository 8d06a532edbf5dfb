//! What a sample's model says will be measured.

use crate::{Error, load};
use quadrille_documents::Faults;
use quadrille_network::NetworkError;
use quadrille_quantity::Tesla;
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
}

/// Most contacts of which every configuration is listed: 116,280 of them. The number grows as the fourth power.
const MOST_CONTACTS: usize = 20;

/// Predicts a sample from its model, at a field.
pub fn predict(sample: &Path, field: Tesla) -> Result<Predicted, Error> {
    let sample = load::sample(sample)?;
    let fault = |error: &NetworkError| {
        let fault = sample
            .name
            .fault(error.to_string(), "mend the model so that its contacts are joined by resistors");
        Error::Documents(Faults(vec![fault]))
    };
    let Some(forward) = quadrille_plan::forward(&sample)? else {
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
    let terminals = forward.terminals(field).map_err(|error| fault(&error))?;
    let four = terminals.all_four_terminal().map_err(|error| fault(&error))?;
    let two = terminals.all_two_terminal().map_err(|error| fault(&error))?;
    let dot = if sample.contacts > 9 { "." } else { "" };
    Ok(Predicted {
        sample: sample.name.value.clone(),
        four_terminal_ohm: four
            .into_iter()
            .map(|(configuration, ohm)| (configuration.to_string(), ohm.0))
            .collect(),
        two_terminal_ohm: two.into_iter().map(|(a, b, ohm)| (format!("{a}{dot}{b}"), ohm.0)).collect(),
    })
}
