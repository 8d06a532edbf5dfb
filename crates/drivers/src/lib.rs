//! The roles of instruments, spoken as SCPI by a dialect over a link. Knows no sequence and no policy: what to do when
//! is the scheduler's.
//!
//! [`Session`] owns a link and keeps its contract: an answer never outlives its question, every setting is read
//! back, the error queue is empty after each operation. The drivers say which action of the dialect an operation
//! is, and what the answer must be.

mod ammeter;
mod answers;
mod command;
mod field;
mod matrix;
mod session;
mod source;
mod temperature;
mod voltmeter;

pub use ammeter::AmmeterDriver;
pub use field::FieldDriver;
pub use matrix::MatrixDriver;
pub use session::{Session, Settings};
pub use source::SourceDriver;
pub use temperature::TemperatureDriver;
pub use voltmeter::VoltmeterDriver;
