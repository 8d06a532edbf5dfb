//! Virtual current source, voltmeter, ammeter and switch matrix, temperature controller and magnet supply: SCPI devices
//! around one world, with a sample in it. Knows no driver, no plan and no reduction: it would agree with every mistake.

mod accuracy;
mod bench;
mod complaint;
mod device;
mod draw;
mod elements;
mod errors;
mod fault;
mod fault_answers;
mod fault_board;
mod fault_effects;
mod fault_schedule;
mod identity;
mod mirror;
mod parts;
mod plant;
mod session;
mod spread;
mod wiring;
mod world;

#[cfg(test)]
mod testing;

pub use bench::{Options, SimulatedBench};
pub use complaint::{Complaint, ComplaintKind};
pub use errors::SimulationError;
pub use fault::{Fault, FaultError, FaultKind, InstrumentFault, Scope};
pub use fault_board::{ArmedFault, FaultEvent, Happened};
pub use fault_schedule::Schedule;
pub use plant::{CryostatFault, MagnetFault};
pub use spread::Spread;
pub use wiring::{MeterFault, Row, SourceFault, WiringFault};
