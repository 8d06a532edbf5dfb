//! Why readings have no result; every message says what is missing.

use quadrille_experiment::Configuration;

/// Why readings could not be reduced.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// An empty list.
    #[error("there are no readings")]
    NoReadings,
    /// Nothing that a contact check could use.
    #[error("none of the {count} readings drives and senses at the same two contacts, as 12,12 does")]
    NoPairs {
        /// How many there are.
        count: usize,
    },
    /// Readings, but no value among them.
    #[error("none of the {count} readings is a value: all are overload, compliance or not-a-number")]
    NoneSound {
        /// How many there are.
        count: usize,
    },
    /// A reading that calls itself sound without being a number.
    #[error("the reading of {configuration} at {time_s} s is marked sound but {what} is not a finite number")]
    NotFinite {
        /// Of which configuration.
        configuration: Configuration,
        /// When it was taken, in seconds from the start of the run.
        time_s: f64,
        /// Which part of it.
        what: &'static str,
    },
    /// A resistance needs a current.
    #[error("the current of the reading of {configuration} at {time_s} s is zero")]
    ZeroCurrent {
        /// Of which configuration.
        configuration: Configuration,
        /// When it was taken, in seconds from the start of the run.
        time_s: f64,
    },
    /// Nothing that van der Pauw or Hall could use.
    #[error(
        "no readings of the contacts 1 to 4 that sheet resistance (12,43 and 23,14, or their reciprocals) or the Hall coefficient (13,24 or 24,31 at both signs of the field) could use"
    )]
    NothingToReduce,
    /// One of the two resistances of van der Pauw is missing.
    #[error("no readings of {missing}: sheet resistance needs {missing} as well as {present}")]
    MissingPair {
        /// The configurations of which at least one is needed.
        missing: &'static str,
        /// Those of which at least one is there.
        present: &'static str,
    },
    /// The readings of a pair are neither at zero field nor at both signs of one.
    #[error(
        "readings of {configurations} only at one sign of the field: sheet resistance needs them at zero field or at both signs"
    )]
    OneFieldSign {
        /// The configurations in question.
        configurations: &'static str,
    },
    /// Hall diagonals without anything odd in field, and nothing else.
    #[error(
        "readings of 13,24 and 24,31 each at one sign of the field only: the Hall coefficient needs +B and -B of one of them"
    )]
    NoFieldReversal,
    /// A thickness that is none.
    #[error(
        "thickness {value} m with standard uncertainty {standard_uncertainty} m: the first must be above zero, the second not below"
    )]
    BadThickness {
        /// As given, in metres.
        value: f64,
        /// As given, in metres.
        standard_uncertainty: f64,
    },
    /// An uncertainty of the field that is none.
    #[error("relative standard uncertainty of the field {field_u}: it must be a number from zero")]
    BadFieldUncertainty {
        /// As given.
        field_u: f64,
    },
    /// An uncertainty of the temperature that is none.
    #[error("standard uncertainty of the temperature {temperature_u} K: it must be a number from zero")]
    BadTemperatureUncertainty {
        /// As given, in kelvins.
        temperature_u: f64,
    },
}
