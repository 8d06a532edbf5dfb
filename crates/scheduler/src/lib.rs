//! Carries out a plan on a bench of role traits: cold switching, settling, reading both meters together, and
//! stand-down on every way out. Knows no SCPI, no transport, no store and no wall clock.

mod contacts;
mod evidence;
mod guarded;
mod hall;
mod learned;
mod leg;
mod look;
mod resumed;
mod run;
mod stand_down;
mod surroundings;
mod watched;

pub use resumed::{Course, next_round};
pub use run::{Ending, Failure, Outcome, run, run_from};
pub use stand_down::{Output, Rest, StandDown, stand_down};

use async_trait::async_trait;
use quadrille_experiment::{Circumstances, Configuration, Event, Reading};
use quadrille_quantity::{Ampere, Kelvin, Tesla, Volt};

/// Why a record was not kept, in words. Whether it was kept after all is then not known.
#[derive(Clone, Debug, thiserror::Error)]
#[error("{0}")]
pub struct RecordError(pub String);

/// Keeps what happens. Each call returns when what it was given will outlast a crash and a loss of power.
#[async_trait]
pub trait Recorder: Send {
    /// Keeps an event.
    async fn event(&mut self, event: &Event) -> Result<(), RecordError>;

    /// Keeps a reading. Whoever shows readings shows this one only after the call returned.
    async fn reading(&mut self, reading: &Reading, circumstances: &Circumstances) -> Result<(), RecordError>;

    /// Hears what goes on between events: nothing of it is kept, and nothing waits for it.
    fn now(&mut self, _now: Now) {}
}

/// What goes on in a run, for whoever watches it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Now {
    /// The output is on, through a configuration of a sample.
    On {
        /// Which of the plan's samples, from 0.
        sample: usize,
        /// What is connected.
        configuration: Configuration,
        /// The level.
        current: Ampere,
        /// The source's voltage limit.
        limit: Volt,
    },
    /// The output is off: the source says so, and the ammeter agrees.
    Off,
    /// The thermometer was looked at while a temperature was waited for.
    Temperature {
        /// What is waited for.
        planned: Kelvin,
        /// What it said.
        measured: Kelvin,
    },
    /// The field is on its way to what is planned.
    Field {
        /// What is wanted.
        planned: Tesla,
        /// What the probe said before; `None` where nobody could say.
        measured: Option<Tesla>,
    },
}

/// Sets the field: a person at the bench, or a simulated sample that follows.
#[async_trait]
pub trait FieldHand: Send {
    /// Brings the sample to a field and answers the field that was confirmed; an error, in words, when nobody did.
    async fn set(&mut self, field: Tesla) -> Result<Tesla, String>;
}

/// Tells a run to stop and stand down: `true` once somebody wants it to.
pub type Stop = tokio::sync::watch::Receiver<bool>;
