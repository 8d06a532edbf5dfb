//! What can be wrong with a sheet, and which part of its description is at fault.

use crate::NetworkError;
use std::fmt;

/// The part of a sheet's description that a fault is in, so that the line of a document can be found. Counted from
/// zero; written out, from one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The outline as a whole, or a dimension of it.
    Outline,
    /// A corner of the outline, in the order given.
    Vertex(usize),
    /// A hole, in the order added.
    Hole(usize),
    /// A contact on the edge, in the order given.
    Contact(usize),
    /// An equipotential area inside, in the order added.
    InnerContact(usize),
    /// What the sheet is made of, or the accuracy asked for.
    Request,
}

impl fmt::Display for Part {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Outline => write!(f, "outline"),
            Self::Vertex(i) => write!(f, "vertex {} of the outline", i + 1),
            Self::Hole(h) => write!(f, "hole {}", h + 1),
            Self::Contact(k) => write!(f, "contact {}", k + 1),
            Self::InnerContact(k) => write!(f, "inner contact {}", k + 1),
            Self::Request => write!(f, "sheet"),
        }
    }
}

/// Why a sheet is refused or not solved.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SheetError {
    /// A part is not what it must be; both in words.
    #[error("{part}: {problem}; {wanted}")]
    Bad {
        /// Where.
        part: Part,
        /// What is wrong, with the numbers that are.
        problem: String,
        /// What would be right.
        wanted: String,
    },
    /// The mesh that the accuracy asks for does not fit in memory; said before it is allocated.
    #[error(
        "the mesh would have {unknowns} unknowns or more and take about {bytes} bytes, more than the {limit} bytes \
         allowed; ask for less accuracy, or leave out the smallest parts of the outline"
    )]
    TooFine {
        /// Estimate of the number of unknowns.
        unknowns: usize,
        /// Estimate of the memory.
        bytes: usize,
        /// How much is allowed.
        limit: usize,
    },
    /// The finest mesh that is tried leaves a larger error.
    #[error("asked for a relative accuracy of {relative:e}, reached {reached:e} with {unknowns} unknowns")]
    NotReached {
        /// The accuracy asked for.
        relative: f64,
        /// The bound of the last solution.
        reached: f64,
        /// Its unknowns.
        unknowns: usize,
    },
    /// The outline could not be divided into triangles.
    #[error("the outline could not be divided into triangles: {reason}")]
    Mesh {
        /// What went wrong.
        reason: String,
    },
    /// The solution is no terminal matrix.
    #[error("the terminals of the sheet")]
    Network(#[from] NetworkError),
}

impl SheetError {
    /// A fault of a part.
    pub(crate) fn bad(part: Part, problem: impl Into<String>, wanted: impl Into<String>) -> Self {
        Self::Bad { part, problem: problem.into(), wanted: wanted.into() }
    }

    /// The part at fault, if it is one.
    pub fn part(&self) -> Option<Part> {
        match self {
            Self::Bad { part, .. } => Some(*part),
            _ => None,
        }
    }
}
