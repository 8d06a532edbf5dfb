//! Contact check: current-voltage lines of pairs of contacts, the resistance of each contact, and whether they are
//! good enough. Knows neither how the readings were taken nor what becomes of a sample that is not.
//!
//! A pair of contacts is measured with current through the two that also sense the voltage, `12,12`, at several
//! currents of both directions. What its line says is of both contacts and the film between them; the four-terminal
//! readings say what the film is, and all pairs together which contact it is.

mod lines;
mod resistances;
mod verdict;

pub use lines::{ContactLine, Curvature, PairLine, lines};
pub use resistances::{ContactResistances, Film, Squares, contact_resistances};
pub use verdict::{ContactCriteria, ContactReport, ContactVerdict, PairVerdict, check_contacts};
