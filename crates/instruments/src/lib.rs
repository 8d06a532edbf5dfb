//! What each role of instrument can be asked to do, and what holds afterwards: the contract between whoever carries
//! out a plan and whoever speaks to instruments. Knows no SCPI, no transport and no model of instrument.
//!
//! Common to every operation:
//! - it returns when the instrument says that the action is complete, or after the instrument's timeout with an
//!   error; after an error nothing is known of the setting until it is set again;
//! - a setting that matters has been read back and agrees, or the operation fails with [`ErrorKind::ReadBack`];
//! - the instrument's own error queue was empty afterwards, or the operation fails with [`ErrorKind::Rejected`];
//! - dropping the future leaves the instrument in an unknown state, and the next operation clears that up first.

use async_trait::async_trait;
use quadrille_experiment::Configuration;
use quadrille_quantity::{Ampere, Volt};

/// What kind of failure an operation met.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ErrorKind {
    /// The link could not be opened, or was lost.
    Link,
    /// No answer within the timeout.
    Silent,
    /// An answer that is not of the expected form.
    Garbage,
    /// The instrument is another than the bench document expects.
    Identity,
    /// The instrument reported an error of its own.
    Rejected,
    /// A setting that was read back is not what was set.
    ReadBack,
    /// This kind of instrument cannot do it.
    Unable,
}

/// What went wrong, at which instrument, while doing what.
#[derive(Clone, Debug, thiserror::Error)]
#[error("{instrument}: could not {operation}: {detail}")]
pub struct InstrumentError {
    /// Kind of failure.
    pub kind: ErrorKind,
    /// The laboratory's name of the instrument.
    pub instrument: String,
    /// What was to be done, in words.
    pub operation: String,
    /// Both halves of the exchange, or what the link said.
    pub detail: String,
}

/// Result of an operation.
pub type Result<T> = std::result::Result<T, InstrumentError>;

/// What a meter answered, with what its data sheet says of it on the range that was used.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    /// The value, or why there is none.
    pub value: MeterValue,
    /// The answer as it came.
    pub text: String,
    /// Full scale of the range, in the unit of the role.
    pub range: f64,
    /// Relative standard uncertainty of the gain.
    pub gain_u: f64,
    /// Standard uncertainty of the rest, in the unit of the role.
    pub own_u: f64,
}

/// A value, or the state in which a meter has none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum MeterValue {
    /// A value in the unit of the role.
    Value(f64),
    /// Over range, with the sign of the overload.
    Overload(f64),
    /// Not a number.
    NotANumber,
}

/// What every instrument can do.
#[async_trait]
pub trait Instrument: Send {
    /// The laboratory's name of the instrument.
    fn name(&self) -> &str;

    /// Asks who it is, compares with what the bench expects, and brings it to the state of its initialisation.
    /// Answers its identity.
    async fn prepare(&mut self) -> Result<String>;
}

/// Drives the current.
#[async_trait]
pub trait CurrentSource: Instrument {
    /// Range for the largest magnitude that is to come, and the voltage limit.
    async fn set_range_and_limit(&mut self, largest: Ampere, limit: Volt) -> Result<()>;

    /// Drives the guard, or leaves it undriven.
    async fn set_guard(&mut self, driven: bool) -> Result<()>;

    /// Sets the current; it flows when the output is on.
    async fn set_level(&mut self, level: Ampere) -> Result<()>;

    /// Switches the output on or off and reads back that it is.
    async fn set_output(&mut self, on: bool) -> Result<()>;

    /// Whether the source is at its voltage limit; `None` where this kind of instrument cannot tell.
    async fn in_compliance(&mut self) -> Result<Option<bool>>;
}

/// Measures the voltage between the sense contacts.
#[async_trait]
pub trait Voltmeter: Instrument {
    /// Smallest range that holds a voltage; answers its full scale.
    async fn set_range(&mut self, largest: Volt) -> Result<Volt>;

    /// Averaging time in power-line cycles.
    async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()>;

    /// Takes one reading over the aperture, beginning now.
    async fn read(&mut self) -> Result<Answer>;
}

/// Measures the current in the return lead.
#[async_trait]
pub trait Ammeter: Instrument {
    /// Smallest range that holds a current; answers its full scale.
    async fn set_range(&mut self, largest: Ampere) -> Result<Ampere>;

    /// Averaging time in power-line cycles.
    async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()>;

    /// Shorts the input (while crosspoints move), or releases it.
    async fn short_input(&mut self, shorted: bool) -> Result<()>;

    /// Takes one reading over the aperture, beginning now. Positive when current returns from `source_out`.
    async fn read(&mut self) -> Result<Answer>;
}

/// Routes source, ammeter and voltmeter to the contacts.
#[async_trait]
pub trait SwitchMatrix: Instrument {
    /// Opens every crosspoint and reads back that none is closed.
    async fn open_all(&mut self) -> Result<()>;

    /// From all open: joins the instruments to the contacts of a configuration, with or without the buffers, and
    /// reads back that exactly those crosspoints are closed.
    async fn connect(&mut self, configuration: Configuration, buffers: bool) -> Result<()>;
}

/// The instruments of one bench.
pub struct Bench {
    /// Drives the current.
    pub source: Box<dyn CurrentSource>,
    /// Measures the voltage.
    pub voltmeter: Box<dyn Voltmeter>,
    /// Measures the returned current.
    pub ammeter: Box<dyn Ammeter>,
    /// Routes them.
    pub matrix: Box<dyn SwitchMatrix>,
}
