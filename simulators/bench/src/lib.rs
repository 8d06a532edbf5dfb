//! Virtual instruments around one electrical world

mod accuracy;
mod complaint;
mod draw;
mod errors;
mod parts;
mod world;

pub use complaint::{Complaint, ComplaintKind};
pub use errors::SimulationError;
