//! From what a run chooses current, ranges, guard, buffers and averaging, where a person has not pinned them.

use serde::Serialize;

/// What a choice depends on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Choosing {}
