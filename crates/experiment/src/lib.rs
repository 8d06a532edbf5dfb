//! The nouns of a four-contact measurement: contact, configuration, polarity, reading, event. Says nothing of how
//! any of them comes about.

mod configuration;
mod event;
mod pattern;
mod reading;

pub use configuration::{Configuration, Contact, ParseConfigurationError, Polarity};
pub use event::{AtRest, ChosenFrom, Event, Expected, Unreached};
pub use pattern::{DIAGONALS, STANDARD};
pub use reading::{
    Circumstances, Condition, Evidence, MeterReading, NEEDED_COLUMNS, OPTIONAL_COLUMNS, Reading, Watch,
};
