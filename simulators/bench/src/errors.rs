//! Why a bench cannot be simulated.

use quadrille_documents::{Faults, Role};
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
    /// The bench has an instrument that this simulation has no device for.
    #[error("a {0} is not simulated yet: leave it out of the bench document")]
    NotSimulated(Role),
    /// The circuit of bench and sample cannot be solved.
    #[error("bench and sample cannot be simulated: {0}")]
    Circuit(#[from] SpecimenError),
}
