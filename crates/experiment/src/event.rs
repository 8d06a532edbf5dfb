//! What happens in a run besides readings.

use crate::{Configuration, Polarity};
use quadrille_quantity::{Ampere, Kelvin, Ohm, Second, Tesla, Volt};
use serde::{Deserialize, Serialize};

/// A result that a rehearsal found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    /// Name of the sample.
    pub sample: String,
    /// Its temperature in kelvins.
    pub temperature_k: f64,
    /// Name of the quantity, with its unit.
    pub quantity: String,
    /// Its value.
    pub value: f64,
    /// Its relative standard uncertainty.
    pub relative_u: f64,
}

/// From what it was seen that a temperature stays where it is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AtRest {
    /// How fast it moved at the end, in kelvins per second.
    pub drift_k_per_s: f64,
    /// Standard deviation of a reading of the thermometer.
    pub scatter: Kelvin,
    /// The farthest that it was expected to get from where it was.
    pub worst: Kelvin,
    /// Period of its approach; `None` where it had none.
    pub period: Option<Second>,
    /// Length of the window that was looked at.
    pub window: Second,
    /// The farthest that the approach passed its target by.
    pub overshoot: Kelvin,
    /// How long was waited after it was at rest, for the sample to follow.
    pub soaked: Second,
}

/// What a first look saw of a sample, from which its settings were chosen.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChosenFrom {
    /// The largest two-terminal resistance.
    pub two_terminal: Ohm,
    /// The largest four-terminal resistance.
    pub four_terminal: Ohm,
    /// Two-terminal resistance of the first pair: a later look compares with it.
    pub first_pair: Ohm,
    /// Temperature of the sample.
    pub temperature: Kelvin,
}

/// What was done where a temperature was not reached.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unreached {
    /// These rounds of the plan, from 1, were left out.
    Skipped {
        /// Their numbers.
        rounds: Vec<u32>,
    },
    /// The run stayed there without current.
    Parked,
}

/// Something that happened in a run, as its record keeps it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum Event {
    /// An instrument said who it is.
    Identified {
        /// The laboratory's name of the instrument.
        instrument: String,
        /// Its answer to `*IDN?`.
        identity: String,
    },
    /// The source is about to be switched on; recorded before it is.
    IntentToEnergise {
        /// Where the current will flow.
        configuration: Configuration,
        /// The largest current of the leg.
        current: Ampere,
    },
    /// The sample's thermometer stayed at a temperature.
    TemperatureReached {
        /// The temperature that the plan asks for.
        planned: Kelvin,
        /// What the thermometer said at the end.
        measured: Kelvin,
        /// How long it took.
        waited: Second,
        /// From what it was seen that it stays there; `None` in records of programs that did not keep it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        seen: Option<AtRest>,
    },
    /// A temperature was not reached in its time.
    TemperatureUnreached {
        /// The temperature that the plan asks for.
        planned: Kelvin,
        /// What the thermometer said at the end.
        measured: Kelvin,
        /// How long it was waited for.
        waited: Second,
        /// What was missing, in words.
        because: String,
        /// What was done then.
        then: Unreached,
    },
    /// A person, the magnet or the simulated sample set the field.
    FieldSet {
        /// The field that the plan asks for.
        planned: Tesla,
        /// The field that was confirmed, or that the probe saw.
        confirmed: Tesla,
    },
    /// A round began.
    RoundStarted {
        /// Round of the plan, from 1.
        round: u32,
        /// Temperature of the sample before it; `None` in records of programs that did not keep it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        temperature: Option<Kelvin>,
        /// Field before it, likewise.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        field: Option<Tesla>,
    },
    /// A round is complete.
    RoundFinished {
        /// Round of the plan, from 1.
        round: u32,
        /// Temperature of the sample after it, likewise.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        temperature: Option<Kelvin>,
        /// Field after it, likewise.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        field: Option<Tesla>,
    },
    /// A reading was no value and was kept as what it is.
    Marked {
        /// Where the current flowed.
        configuration: Configuration,
        /// In which direction.
        polarity: Polarity,
        /// Why, in words.
        reason: String,
    },
    /// A reading did not settle, or not as well as wanted; it was kept with what is uncertain of it.
    Flagged {
        /// Where the current flowed.
        configuration: Configuration,
        /// In which direction.
        polarity: Polarity,
        /// Why, in words.
        reason: String,
    },
    /// A state that could have been stopped was held for longer, to see whether that would have been right.
    Audited {
        /// Where the current flowed.
        configuration: Configuration,
        /// When it could have been stopped, in seconds after the change.
        stopped_s: f64,
        /// Until when it was held.
        held_s: f64,
        /// How far the voltages of both are apart.
        difference_v: f64,
        /// How far they may be.
        allowed_v: f64,
        /// Whether voltage and current agree. Where they do not, what comes is waited for longer.
        agrees: bool,
    },
    /// How long the run should take and what it should find, from a rehearsal before it began.
    Estimated {
        /// How long.
        duration: Second,
        /// What, as far as it goes.
        results: Vec<Expected>,
    },
    /// What a sample is measured with at a temperature was chosen from a first look.
    Chosen {
        /// Name of the sample.
        sample: String,
        /// Its temperature.
        temperature: Kelvin,
        /// Magnitude of the current.
        current: Ampere,
        /// Voltage limit of the source.
        voltage_limit: Volt,
        /// Whether the guard is driven.
        guard: bool,
        /// Whether the buffers are in.
        buffers: bool,
        /// A sentence for each choice.
        because: Vec<String>,
        /// Where the wanted uncertainty cannot be had: what can.
        short_of: Option<String>,
        /// What was seen; `None` in records of programs that did not keep it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        seen: Option<ChosenFrom>,
    },
    /// The contacts of a sample were checked.
    ContactsChecked {
        /// Name of the sample.
        sample: String,
        /// Whether they are good enough.
        accepted: bool,
        /// What was found of each contact and pair, in sentences.
        findings: Vec<String>,
    },
    /// Nothing can be measured at one of several samples; the others are gone on with.
    SampleLeftOut {
        /// Name of the sample.
        sample: String,
        /// Why, in words.
        because: String,
        /// The rounds of the plan, from 1, that are left out with it.
        rounds: Vec<u32>,
    },
    /// Dead time and window of the Hall legs were decided, alike at every field of a temperature.
    HallTimed {
        /// Wait after each change.
        dead: Second,
        /// Averaging time after that.
        window: Second,
        /// Why, in a sentence.
        because: String,
    },
    /// Somebody wanted a pause, and the bench is about to be brought to rest; this round of the plan, from 1, is the next.
    Paused {
        /// Its number.
        next: u32,
    },
    /// The run goes on with this round of the plan, from 1, whose earlier readings, and those of the rounds after it, count no
    /// more.
    Resumed {
        /// Its number.
        from: u32,
    },
    /// Something failed.
    Fault {
        /// What, in words.
        what: String,
    },
    /// The bench was brought to rest.
    StoodDown {
        /// Whether the output is off: `verified`, `commanded` or `unknown`.
        output: String,
        /// What could not be done, in the order in which it was tried.
        failures: Vec<String>,
    },
}
