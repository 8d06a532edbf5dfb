//! What earlier runs left, read again.

use crate::Error;
use quadrille_journal::Journal;
pub use quadrille_journal::{Kept, RunId, RunLine};
use std::path::Path;

/// A journal, for whoever reads it.
pub struct Records(Journal);

impl Records {
    /// Opens a journal, and makes it where there is none.
    pub fn open(path: &Path) -> Result<Self, Error> {
        Ok(Self(Journal::open(path)?))
    }

    /// The runs, oldest first.
    pub fn runs(&self) -> Result<Vec<RunLine>, Error> {
        Ok(self.0.runs()?)
    }

    /// The readings of a run as a table that [`crate::reduce`] reads again.
    pub fn readings_csv(&self, run: RunId) -> Result<String, Error> {
        let kept = self.kept(run)?;
        let rows = kept.iter().map(|kept| (&kept.reading, kept.circumstances.sample.as_str()));
        Ok(quadrille_report::readings_csv(rows))
    }

    /// The readings of a run with their places.
    pub fn kept(&self, run: RunId) -> Result<Vec<Kept>, Error> {
        Ok(self.0.readings(run)?)
    }
}
