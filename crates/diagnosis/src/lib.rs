//! What the readings of a known network say of the bench that took them: which fault is likeliest, which cannot be told
//! apart, what was not tested. Pure, with a forward model of its own; it never sees the simulator, which would agree with
//! every mistake.

mod bench;
mod chi2;
mod circuit;
mod data;
mod diagnose;
mod elimination;
mod error;
mod evidence;
mod fault;
mod fit;
mod fits;
mod floating;
mod forward;
mod gram;
mod hanging;
mod hypotheses;
mod layout;
mod linear;
mod next;
mod power;
mod reading;
mod search;
mod standard;
mod state;
mod student;
#[cfg(test)]
mod testing;
mod wild;

pub use bench::{
    AmmeterModel, BenchModel, BuffersModel, CableModel, LeadModel, MatrixModel, Range, SourceModel,
    VoltmeterModel,
};
pub use diagnose::{Diagnosis, Ranked, Size, Verdict, diagnose};
pub use error::DiagnosisError;
pub use fault::{Class, Fault, Kind, Noisy, Row};
pub use next::{Next, next_reading};
pub use power::{Alike, Limit, Power, SEEN, power};
pub use reading::{Drive, Observation, ReadingSet, Setting, readings};
pub use standard::{Edge, Standard, StandardResistor};
pub use state::{Prediction, State, predict};
pub use wild::wild;
