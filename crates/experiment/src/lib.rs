//! The nouns of a four-contact measurement: contact, configuration, polarity, reading, event. Says nothing of how
//! any of them comes about.

mod configuration;
mod event;
mod reading;

pub use configuration::{Configuration, Contact, ParseConfigurationError, Polarity};
pub use event::Event;
pub use reading::{Circumstances, Condition, MeterReading, Reading, Series};
