//! What the readings of a known network say of the bench that took them: which fault is likeliest, which cannot be told
//! apart, what was not tested. Pure, with a forward model of its own; it never sees the simulator, which would agree with
//! every mistake.
//!
//! [`wild()`] comes first, and what it names is read again; [`diagnose`] ranks all classes and concludes; [`next_reading`] says
//! what would part two faults; [`power`] says before anything is read what a standard can show on a bench.
//!
//! What is modelled, and what a simulation must therefore have to try it: resistors uniform within their tolerance; each crosspoint
//! with its own closed resistance, leak when open and thermoelectric voltage; resistance of leads; insulation of each cable, guarded
//! or not, and without a guard its charging; the source's output resistance, gain, offset and voltage limit; burden of the ammeter;
//! the voltmeter's or the buffers' inputs and bias currents; gain and offset of each range; noise, digits, overload and compliance.
//! What is not: capacitance under any other fault, drift from reading to reading, contacts that are not ohmic, two faults at once.

mod bench;
mod beside;
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
#[cfg(test)]
mod forward_tests;
mod gram;
mod hanging;
mod hypotheses;
mod layout;
mod linear;
mod next;
mod power;
mod reading;
mod search;
mod seen;
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
