//! What is wrong with a sheet, and with which part of it, so that whoever wrote it can be shown the line.

/// A part of a sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The outline as a whole.
    Outline,
    /// A corner of the outline, from 0.
    Vertex(usize),
    /// A hole, from 0.
    Hole(usize),
    /// A contact, from 0: those on the edge first, then those inside.
    Contact(usize),
}

/// Why a sheet is refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{problem}; {remedy}")]
pub struct SheetError {
    /// The part that is wrong.
    pub part: Part,
    /// What is wrong.
    pub problem: String,
    /// What would be right.
    pub remedy: String,
}

impl SheetError {
    pub(crate) fn new(part: Part, problem: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { part, problem: problem.into(), remedy: remedy.into() }
    }
}
