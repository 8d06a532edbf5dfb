//! One voltage and one current, taken together, with what they were taken at.

use crate::{Configuration, Polarity};
use quadrille_quantity::{Ampere, Kelvin, Second, Tesla, Volt};
use serde::{Deserialize, Serialize};

/// Whether a reading is a value at all. Overload and compliance are states, never values.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    /// A value of both meters.
    Sound,
    /// The voltmeter was over its range.
    VoltmeterOverload,
    /// The ammeter was over its range.
    AmmeterOverload,
    /// A meter answered not-a-number.
    NotANumber,
    /// The source could not drive its current within its voltage limit.
    Compliance,
}

impl Condition {
    /// All of them.
    pub const ALL: [Self; 5] =
        [Self::Sound, Self::VoltmeterOverload, Self::AmmeterOverload, Self::NotANumber, Self::Compliance];

    /// As tables and records write it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Sound => "sound",
            Self::VoltmeterOverload => "voltmeter-overload",
            Self::AmmeterOverload => "ammeter-overload",
            Self::NotANumber => "not-a-number",
            Self::Compliance => "compliance",
        }
    }
}

impl std::fmt::Display for Condition {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Sound => "both meters gave a value",
            Self::VoltmeterOverload => "the voltmeter was over its range",
            Self::AmmeterOverload => "the ammeter was over its range",
            Self::NotANumber => "a meter answered not-a-number",
            Self::Compliance => "the source was at its voltage limit",
        })
    }
}

/// A value of one meter with what is known of its accuracy.
///
/// The gain part is common to all readings of that meter in a series; the own part is common to the readings of
/// one state (configuration, polarity, field, range) and independent between states. Noise and what is left of a
/// transient stand apart, each 0 where nobody looked: noise is then seen from repeats, and a transient not at all.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct MeterReading<Q> {
    /// What the meter showed.
    pub value: Q,
    /// Relative standard uncertainty of the gain (dimensionless).
    pub gain_u: f64,
    /// Standard uncertainty of the rest, same unit as the value.
    pub own_u: Q,
    /// Standard uncertainty of the value by noise, same unit: independent between readings, so that it averages down.
    #[serde(default)]
    pub noise_u: Q,
    /// Standard uncertainty by what may be left of the transient after the last change, same unit: it follows the current's
    /// direction and is alike in all readings of a round, so that no averaging lessens it.
    #[serde(default)]
    pub settling_u: Q,
}

/// One voltage and one current, taken together: what the reduction needs, and nothing of how it was obtained.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Monotonic time since the start of the run, at the middle of the apertures.
    pub time: Second,
    /// Sample temperature.
    pub temperature: Kelvin,
    /// Flux density; positive towards the viewer who sees the contacts numbered counter-clockwise.
    pub field: Tesla,
    /// Where current flowed and where voltage was sensed.
    pub configuration: Configuration,
    /// Current into `source_in`, as the ammeter in the return lead measured it; `value` may be negative.
    pub current: MeterReading<Ampere>,
    /// Potential of `sense_high` against `sense_low`.
    pub voltage: MeterReading<Volt>,
    /// Whether the values are values. Readings that are not sound carry what the meters sent, and never enter a
    /// mean.
    pub condition: Condition,
}

/// What a run keeps beside a reading so that another laboratory could repeat it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Circumstances {
    /// Round of the plan, from 1.
    pub round: u32,
    /// Name of the sample; empty in records of runs that could have only one.
    #[serde(default)]
    pub sample: String,
    /// Direction asked for.
    pub polarity: Polarity,
    /// Current asked of the source, with its sign.
    pub commanded: Ampere,
    /// Full scale of the voltmeter's range.
    pub voltage_range: Volt,
    /// Full scale of the ammeter's range.
    pub current_range: Ampere,
    /// Voltage limit of the source.
    pub voltage_limit: Volt,
    /// Wait between the last change and the start of the reading.
    pub settled: Second,
    /// Averaging time of both meters; of a reading that is a mean over a window of the watch, that window.
    pub aperture: Second,
    /// What was watched from the change on, and why it counts as settled; `None` where a fixed time was waited.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub watch: Option<Watch>,
    /// Whether the guard was driven.
    pub guard: bool,
    /// Whether the buffers were in the sense lines.
    pub buffers: bool,
    /// The voltmeter's answer as it came.
    pub voltage_answer: String,
    /// The ammeter's answer as it came.
    pub current_answer: String,
}

/// The readings of both meters from a change on, as they came, and what they say of the transient.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Watch {
    /// Start of each reading after the change, in seconds.
    pub begun_s: Vec<f64>,
    /// Averaging time of each, in seconds.
    pub aperture_s: Vec<f64>,
    /// What the voltmeter showed, in volts.
    pub voltage_v: Vec<f64>,
    /// What the ammeter showed, in amperes.
    pub current_a: Vec<f64>,
    /// What the voltages say.
    pub voltage: Evidence,
    /// What the currents say.
    pub current: Evidence,
}

/// Why a mean counts as settled. Volts or amperes, as the meter.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Start and end of the window of the mean after the change, in seconds.
    pub window_s: (f64, f64),
    /// Estimate of what is left of the transient in the mean.
    pub bias: f64,
    /// Standard uncertainty of that.
    pub bias_u: f64,
    /// Mean square of the residuals over what the noise explains; 1 where the model fits.
    pub misfit: f64,
    /// Why the mean does not count as settled, in words; `None` where it does.
    pub flag: Option<String>,
}

/// Columns that every table of readings has.
pub const NEEDED_COLUMNS: [&str; 9] = [
    "time_s",
    "temperature_k",
    "field_t",
    "source_in",
    "source_out",
    "sense_high",
    "sense_low",
    "current_a",
    "voltage_v",
];

/// Columns that a table of readings may have.
pub const OPTIONAL_COLUMNS: [&str; 10] = [
    "current_u_a",
    "voltage_u_v",
    "current_gain_u",
    "voltage_gain_u",
    "current_noise_u_a",
    "voltage_noise_u_v",
    "current_settling_u_a",
    "voltage_settling_u_v",
    "condition",
    "sample",
];
