//! How pieces of a good bench differ from what its documents say of them, drawn from the seed.

use crate::draw::Purpose;

/// Where the resistors of a network and the pieces of the bench lie within what is promised of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// Resistors uniformly within their tolerance.
    Within,
    /// Each resistor at one edge or the other of its tolerance.
    Edge,
}

/// An open crosspoint leaks this many times more or less than its document says, at most. Ours.
const OPEN_FACTOR: f64 = 2.0;

/// Resistance of the lead between a column and a contact, in ohms: half to one and a half of this. Ours: two metres of
/// thin cable and a plug.
const LEAD_OHM: f64 = 0.3;

impl Spread {
    /// What the resistance of a network's resistor is off by, of its relative tolerance.
    pub(crate) fn resistor(self, seed: u64, number: usize, tolerance: f64) -> f64 {
        let uniform = Purpose::new(seed, "resistor").whole(number as u64).uniform();
        1.0 + tolerance
            * match self {
                Self::Within => uniform,
                Self::Edge => uniform.signum(),
            }
    }

    /// What the resistance of an open crosspoint is off by.
    pub(crate) fn open(seed: u64, row: usize, column: usize) -> f64 {
        OPEN_FACTOR
            .powf(Purpose::new(seed, "open resistance").whole(row as u64).whole(column as u64).uniform())
    }

    /// Resistance of the lead to a contact, in ohms.
    pub(crate) fn lead_ohm(seed: u64, contact: usize) -> f64 {
        LEAD_OHM * (1.0 + 0.5 * Purpose::new(seed, "lead").whole(contact as u64).uniform())
    }
}
