//! A value at which a leg was stopped against the same leg held for longer: the defence against tails that no hypothesis has.

use super::Arrival;
use serde::{Deserialize, Serialize};

/// How far apart two values of one leg may be, in standard uncertainties of the first. Common practice between 2 and 3.
const ALLOWED: f64 = 2.5;

/// How a stopped and a held value of one leg compare.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Agreement {
    /// The held value less the stopped one.
    pub difference: f64,
    /// How large that may be: 2.5 standard uncertainties of the stopped value, with what the specified drift does meanwhile.
    pub allowed: f64,
    /// Standard uncertainty of the stopped value, and of others that were stopped alike, now that the difference is known: the
    /// difference is in it.
    pub u: f64,
}

impl Agreement {
    /// Whether the leg that was held confirms the value at which it could have been stopped.
    pub fn agrees(&self) -> bool {
        self.difference.abs() <= self.allowed
    }
}

/// Compares the arrival at which a leg could have been stopped with that of the same leg when it had been
/// [`held`](super::Watch::held) about four times as long. If
/// they disagree, the round's values are not to be trusted: go on from [`Knowledge::widened`](super::Knowledge::widened).
pub fn audit(stopped: &Arrival, held: &Arrival) -> Agreement {
    let drifted = stopped.drift_per_s * (held.at_s - stopped.at_s);
    let difference = held.value - stopped.value;
    Agreement { difference, allowed: ALLOWED * stopped.u.hypot(drifted), u: stopped.u.hypot(difference) }
}
