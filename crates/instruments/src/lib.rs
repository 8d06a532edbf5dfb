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
use quadrille_quantity::{Ampere, Kelvin, Tesla, Volt};
use std::fmt;

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
    /// Standard deviation of one such reading by the meter's white noise over its aperture, in the unit of the role.
    pub noise_u: f64,
    /// Where the meter's 1/f noise is as dense as the white, in hertz; 0 where its data sheet tells of none.
    pub corner_hz: f64,
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

/// One of the samples on the matrix: its place in the list of those of a run, from 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place(pub usize);

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "sample {} of the run", self.0 + 1)
    }
}

/// Routes source, ammeter and voltmeter to the contacts.
#[async_trait]
pub trait SwitchMatrix: Instrument {
    /// Opens every crosspoint and reads back that none is closed.
    async fn open_all(&mut self) -> Result<()>;

    /// From all open: joins the instruments to the contacts of a configuration of one sample, with or without the
    /// buffers, and reads back that exactly those crosspoints are closed. A contact that carries the current and is
    /// sensed has two crosspoints. Fails with [`ErrorKind::Unable`], before anything is sent, for a sample or a contact
    /// that is not wired.
    async fn connect(&mut self, place: Place, configuration: Configuration, buffers: bool) -> Result<()>;
}

/// What a thermometer or a field probe answered, with what its data sheet says of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Sensed {
    /// Kelvins or teslas, or why there is no value: an open or shorted sensor is an overload or not a number.
    pub value: MeterValue,
    /// The answer as it came.
    pub text: String,
    /// Relative standard uncertainty of the gain.
    pub gain_u: f64,
    /// Standard uncertainty of the rest, in kelvins or teslas.
    pub own_u: f64,
}

/// What a temperature controller is doing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ThermalState {
    /// Its heater is off: the temperature goes where the bath takes it.
    Off,
    /// Its set point is on its way to the target.
    Ramping,
    /// Its set point is at the target. Whether the temperature is, and stays, is not said by this.
    Holding,
    /// It says that something is wrong, in words.
    Fault(String),
}

/// What a temperature controller says of itself.
#[derive(Clone, Debug, PartialEq)]
pub struct ThermalStatus {
    /// What it is doing.
    pub state: ThermalState,
    /// Heater power in percent of the most it gives; `None` where this kind of instrument cannot tell.
    pub heater_percent: Option<f64>,
}

impl ThermalStatus {
    /// Whether the heater can give no more: the target is beyond what it can hold, or the ramp beyond what it can
    /// follow. `None` where this kind of instrument cannot tell.
    pub fn is_saturated(&self) -> Option<bool> {
        self.heater_percent.map(|percent| percent >= 99.9)
    }
}

/// Holds the temperature of the cryostat.
///
/// Nothing here waits for a temperature: each operation returns as soon as the controller took the setting, and whoever
/// carries out a plan watches the temperature. [`Instrument::prepare`] leaves controller and heater as they are found:
/// a cryostat that is cold is not to be lost because a run begins.
///
/// Temperatures and ramps beyond the bench's limits fail with [`ErrorKind::Unable`] before anything is sent.
#[async_trait]
pub trait TemperatureController: Instrument {
    /// How fast the set point goes to a target, in kelvins per minute, positive. It is to be set before the target.
    async fn set_ramp(&mut self, kelvin_per_minute: f64) -> Result<()>;

    /// Where the set point goes, by the ramp; with the heater on, it goes from now. After a failure the old or the new
    /// target is being gone to.
    async fn set_target(&mut self, target: Kelvin) -> Result<()>;

    /// Lets the controller drive its heater, or takes the heat away; reads back which.
    async fn set_heater(&mut self, on: bool) -> Result<()>;

    /// The temperature of the controller's thermometer, which is not the sample's: lag and leads lie between.
    async fn temperature(&mut self) -> Result<Sensed>;

    /// What the controller is doing.
    async fn status(&mut self) -> Result<ThermalStatus>;

    /// No heat: heater off, read back. The temperature then goes where the bath takes it, by itself and without
    /// anybody; cold is at rest, hot is not. The target stays as it is.
    async fn rest(&mut self) -> Result<()>;
}

/// What a magnet supply is doing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FieldState {
    /// On its way to the field that was asked for.
    Ramping,
    /// At the field that was asked for, or held where it was told to hold.
    AtRest,
    /// It says that something is wrong, in words.
    Fault(String),
}

/// Drives the magnet, and says what field there is.
///
/// A magnet stores ½·L·I²: its current changes by the supply's own ramp and by nothing else, and its circuit is not
/// opened while current flows. So no operation here switches the output off, and [`Instrument::prepare`] leaves the
/// field as it is found.
///
/// Fields and ramps beyond the bench's limits fail with [`ErrorKind::Unable`] before anything is sent.
#[async_trait]
pub trait FieldSource: Instrument {
    /// How fast the field changes, in teslas per second, positive. It is to be set before the first ramp.
    async fn set_ramp(&mut self, tesla_per_second: f64) -> Result<()>;

    /// Starts towards a field and does not wait for it. The output is switched on for it where it is off. After a
    /// failure the supply is where it was, or on its way to the old or the new field.
    async fn go_to(&mut self, field: Tesla) -> Result<()>;

    /// Stays where it is. The field may go on for as long as the supply needs to stop.
    async fn hold(&mut self) -> Result<()>;

    /// The field at the probe, iron included.
    async fn field(&mut self) -> Result<Sensed>;

    /// What the supply is doing.
    async fn state(&mut self) -> Result<FieldState>;

    /// Starts towards no current by the supply's own ramp, reads back that it is going there, and does not wait: a ramp
    /// takes minutes, and goes on whether or not anybody is there. The output stays on; the field that is left is what
    /// the iron keeps. A supply whose output is off is at rest already, and nothing is switched on for it.
    async fn rest(&mut self) -> Result<()>;
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
    /// Holds the temperature, where the bench has somebody for it.
    pub temperature: Option<Box<dyn TemperatureController>>,
    /// Drives the magnet, where the bench has one.
    pub field: Option<Box<dyn FieldSource>>,
}
