//! Why something could not be done, by what a person must look at.

use quadrille_documents::Faults;
use quadrille_instruments::InstrumentError;
use quadrille_journal::JournalError;
use quadrille_reduction::Error as ReductionError;

/// Why something could not be done.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Documents are wrong; nothing was touched.
    #[error(transparent)]
    Documents(#[from] Faults),
    /// An instrument or its link failed before anything was energised.
    #[error(transparent)]
    Instrument(#[from] InstrumentError),
    /// The journal has no such run.
    #[error(transparent)]
    NoSuchRun(JournalError),
    /// The journal cannot be used.
    #[error(transparent)]
    Journal(JournalError),
    /// Readings do not suffice.
    #[error(transparent)]
    Reduction(#[from] ReductionError),
    /// A device could not be simulated or served.
    #[error("{0}")]
    Simulation(String),
}

impl From<JournalError> for Error {
    fn from(error: JournalError) -> Self {
        match error {
            JournalError::NoSuchRun { .. } => Self::NoSuchRun(error),
            error => Self::Journal(error),
        }
    }
}
