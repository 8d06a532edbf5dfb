//! The commands: each asks the operations and gives what is to be shown.

pub(crate) mod daemon;
pub(crate) mod demo;
pub(crate) mod documents;
pub(crate) mod records;
pub(crate) mod remote;
pub(crate) mod runs;
pub(crate) mod simulate;

use crate::args::ResultsTable;
use crate::json;
use anyhow::Context;
use quadrille_operations::Reduction;
use serde_json::Value;

/// What a command found, for a person and for a program.
pub(crate) struct Shown {
    pub(crate) text: String,
    pub(crate) json: Value,
}

impl Shown {
    /// What went wrong, for a program; for a person it is told elsewhere.
    pub(crate) fn failure(error: &anyhow::Error) -> Self {
        Self { text: String::new(), json: json::failure(error) }
    }

    /// The JSON on one line.
    pub(crate) fn json_line(&self) -> String {
        format!("{}\n", self.json)
    }
}

/// Writes the results over temperature and field where a table of them is wanted.
fn write_table(reduction: &Reduction, wanted: &ResultsTable) -> anyhow::Result<()> {
    let Some(path) = &wanted.table else { return Ok(()) };
    let is_json = path.extension().is_some_and(|end| end == "json");
    let text = if is_json {
        format!("{:#}\n", quadrille_report::sweep_json(&reduction.rows))
    } else {
        quadrille_report::sweep_csv(&reduction.rows)
    };
    std::fs::write(path, text).with_context(|| format!("{} cannot be written", path.display()))
}
