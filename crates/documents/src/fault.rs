//! What is wrong in a document, where, and what would be right.

use std::fmt;
use std::sync::Arc;

/// A place in a document: where a person would put the cursor.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// The document, as messages call it.
    pub document: Arc<str>,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The key with its tables, as in `instrument[2].resource`; empty for the whole document.
    pub key: String,
}

/// A value that remembers where it was written.
#[derive(Clone, Debug, PartialEq)]
pub struct Located<T> {
    /// The value.
    pub value: T,
    /// Where it was written.
    pub place: Place,
}

impl<T> Located<T> {
    /// A fault at this value.
    pub fn fault(&self, problem: impl Into<String>, remedy: impl Into<String>) -> Fault {
        Fault { place: self.place.clone(), problem: problem.into(), remedy: remedy.into() }
    }

    pub(crate) fn map<U>(self, change: impl FnOnce(T) -> U) -> Located<U> {
        Located { value: change(self.value), place: self.place }
    }
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Where.
    pub place: Place,
    /// What is wrong.
    pub problem: String,
    /// What would be right.
    pub remedy: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Place { document, line, column, key } = &self.place;
        write!(f, "{document}:{line}:{column}: ")?;
        if !key.is_empty() {
            write!(f, "{key}: ")?;
        }
        write!(f, "{}; {}", self.problem, self.remedy)
    }
}

/// All that is wrong in one or several documents, in the order of the text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Faults(pub Vec<Fault>);

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (k, fault) in self.0.iter().enumerate() {
            if k > 0 {
                writeln!(f)?;
            }
            write!(f, "{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

impl From<Fault> for Faults {
    fn from(fault: Fault) -> Self {
        Self(vec![fault])
    }
}

/// Line and column of a byte offset.
pub(crate) struct Lines<'t> {
    document: Arc<str>,
    text: &'t str,
}

impl<'t> Lines<'t> {
    pub(crate) fn new(document: &str, text: &'t str) -> Self {
        Self { document: document.into(), text }
    }

    pub(crate) fn place(&self, offset: usize, key: &str) -> Place {
        let mut offset = offset.min(self.text.len());
        while !self.text.is_char_boundary(offset) {
            offset -= 1;
        }
        let before = &self.text[..offset];
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        Place {
            document: self.document.clone(),
            line: before.matches('\n').count() + 1,
            column: before[line_start..].chars().count() + 1,
            key: key.to_owned(),
        }
    }
}
