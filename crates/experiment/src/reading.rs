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
/// one state (configuration, polarity, field, range) and independent between states. Noise is in neither: it is
/// seen from repeats.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeterReading<Q> {
    /// What the meter showed.
    pub value: Q,
    /// Relative standard uncertainty of the gain (dimensionless).
    pub gain_u: f64,
    /// Standard uncertainty of the rest, same unit as the value.
    pub own_u: Q,
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
    /// Averaging time of both meters.
    pub aperture: Second,
    /// Whether the guard was driven.
    pub guard: bool,
    /// Whether the buffers were in the sense lines.
    pub buffers: bool,
    /// The voltmeter's answer as it came.
    pub voltage_answer: String,
    /// The ammeter's answer as it came.
    pub current_answer: String,
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
pub const OPTIONAL_COLUMNS: [&str; 5] =
    ["current_u_a", "voltage_u_v", "current_gain_u", "voltage_gain_u", "condition"];
