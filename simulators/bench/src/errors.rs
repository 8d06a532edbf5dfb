//! Why a bench cannot be simulated.

use quadrille_documents::Faults;
use quadrille_material::MaterialError;
use quadrille_specimen::SpecimenError;

/// Why a bench with a sample cannot be simulated, or a field cannot be applied.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SimulationError {
    /// The sample's document says nothing of what the sample is, electrically.
    #[error("sample \"{sample}\" has no model to simulate: write [model] in its document")]
    NoModel {
        /// Name of the sample.
        sample: String,
    },
    /// The sample's model is refused, at the lines of its document.
    #[error(transparent)]
    Model(#[from] Faults),
    /// A dialect of the laboratory's own in which a message could mean two things, at the lines of its document.
    #[error(transparent)]
    Ambiguous(Faults),
    /// Samples that the bench does not wire together, at the lines of their documents.
    #[error(transparent)]
    Unnamed(Faults),
    /// The bench has fewer columns than the sample has contacts.
    #[error("sample \"{sample}\" has {contacts} contacts, the bench wires {wired}")]
    Unwired {
        /// Name of the sample.
        sample: String,
        /// Its contacts.
        contacts: usize,
        /// Columns wired to contacts.
        wired: usize,
    },
    /// The cryostat's thermometer has no table that can be turned round.
    #[error("the thermometer cannot be simulated: {0}")]
    Thermometer(#[from] MaterialError),
    /// The field is the magnet's: nobody else sets it.
    #[error("the bench has a field source: the field is what it makes")]
    Driven,
    /// The temperature is the cryostat's: nobody else sets it.
    #[error("the bench has a temperature controller: the temperature is what it makes")]
    Cooled,
    /// Nothing has such a temperature.
    #[error("{0} is no temperature: write kelvins above zero")]
    NoTemperature(f64),
    /// The circuit of bench and sample cannot be solved.
    #[error("bench and sample cannot be simulated: {0}")]
    Circuit(#[from] SpecimenError),
}
