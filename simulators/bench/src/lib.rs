//! Virtual current source, voltmeter, ammeter and switch matrix: SCPI devices around one electrical world, with a
//! sample in it. Knows no driver, no plan and no reduction: it would agree with every mistake.

mod accuracy;
mod bench;
mod complaint;
mod device;
mod draw;
mod errors;
mod parts;
mod session;
mod world;

#[cfg(test)]
mod testing;

pub use bench::{Options, SimulatedBench};
pub use complaint::{Complaint, ComplaintKind};
pub use errors::SimulationError;
