//! The commands: each asks the operations and gives what is to be shown.

pub(crate) mod demo;
pub(crate) mod documents;
pub(crate) mod records;
pub(crate) mod runs;
pub(crate) mod simulate;

use crate::json;
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
