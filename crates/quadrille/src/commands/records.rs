//! Commands that read the journal: runs, export.

use super::Shown;
use crate::args::{Export, Format, JournalPath};
use crate::exit::Exit;
use crate::{json, text};
use quadrille_operations::{Records, RunId};
use std::path::Path;

pub(crate) fn runs(journal: &JournalPath) -> anyhow::Result<(Exit, Shown)> {
    let runs = existing(&journal.journal)?.runs()?;
    Ok((Exit::Done, Shown { text: text::runs(&runs), json: json::runs(&runs) }))
}

pub(crate) fn export(options: &Export) -> anyhow::Result<(Exit, Shown)> {
    let records = existing(&options.journal.journal)?;
    let run = RunId(options.run);
    let Format::Csv = options.format;
    let text = records.readings_csv(run)?;
    Ok((Exit::Done, Shown { text, json: json::readings(run, &records.kept(run)?) }))
}

/// A journal that is read is not made: a mistyped path would leave an empty one behind.
fn existing(path: &Path) -> anyhow::Result<Records> {
    anyhow::ensure!(
        path.exists(),
        "{}: there is no journal; write its path with --journal, or measure something first",
        path.display()
    );
    Ok(Records::open(path)?)
}
