//! Why something could not be done, by what a person must look at.

use quadrille_documents::Faults;
use quadrille_instruments::InstrumentError;
use quadrille_journal::JournalError;
use quadrille_reduction::Error as ReductionError;

/// Why something could not be done.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Documents are wrong; nothing was touched.
    #[error("{0}")]
    Documents(#[from] Faults),
    /// An instrument or its link failed before anything was energised.
    #[error("{0}")]
    Instrument(#[from] InstrumentError),
    /// The journal cannot be used.
    #[error("{0}")]
    Journal(#[from] JournalError),
    /// Readings do not suffice.
    #[error("{0}")]
    Reduction(#[from] ReductionError),
    /// A device could not be simulated or served.
    #[error("{0}")]
    Simulation(String),
}
