//! Limits of the checks of a recipe.

use super::absent_or;
use crate::table::{Bounds, Table};

/// Limits of the checks; each relative. Defaults are the standards'.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Acceptance {
    /// Directed resistances of one current pair.
    pub reversal: f64,
    /// Exchange of current and sense pairs.
    pub reciprocity: f64,
    /// The two resistivities of the two halves of the configurations.
    pub pair_agreement: f64,
    /// The two Hall coefficients of the two diagonals.
    pub hall_pair_agreement: f64,
    /// Current asked of the source against current returned.
    pub returned_current: f64,
}

impl Default for Acceptance {
    /// Reversal and reciprocity 3 % (NIST's public description of the Hall measurement: investigate above 5 %,
    /// preferably 3 %; from memory), pairs 10 % (ASTM F76, from memory), returned current 1 % (common practice, no
    /// source).
    fn default() -> Self {
        Self {
            reversal: 0.03,
            reciprocity: 0.03,
            pair_agreement: 0.10,
            hall_pair_agreement: 0.10,
            returned_current: 0.01,
        }
    }
}

pub(super) fn acceptance(table: &Table<'_>) -> Option<Acceptance> {
    let standard = Acceptance::default();
    let limit = |key, otherwise: f64| {
        let found = table.number(key, Bounds::new(1e-9, 10.0, ""));
        absent_or(table, key, found).map(|found| found.map_or(otherwise, |limit| limit.value))
    };
    let reversal = limit("reversal", standard.reversal);
    let reciprocity = limit("reciprocity", standard.reciprocity);
    let pair_agreement = limit("pair_agreement", standard.pair_agreement);
    let hall_pair_agreement = limit("hall_pair_agreement", standard.hall_pair_agreement);
    let returned_current = limit("returned_current", standard.returned_current);
    Some(Acceptance {
        reversal: reversal?,
        reciprocity: reciprocity?,
        pair_agreement: pair_agreement?,
        hall_pair_agreement: hall_pair_agreement?,
        returned_current: returned_current?,
    })
}
