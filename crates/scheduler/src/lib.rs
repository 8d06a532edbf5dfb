//! Carries out a plan on a bench of role traits: cold switching, settling, reading both meters together, and
//! stand-down on every way out. Knows no SCPI, no transport, no store and no wall clock.

mod contacts;
mod evidence;
mod guarded;
mod hall;
mod learned;
mod leg;
mod look;
mod run;
mod stand_down;
mod surroundings;

pub use run::{Ending, Failure, Outcome, run};
pub use stand_down::{Output, Rest, StandDown, stand_down};

use async_trait::async_trait;
use quadrille_experiment::{Circumstances, Event, Reading};
use quadrille_quantity::Tesla;

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
}

/// Sets the field: a person at the bench, or a simulated sample that follows.
#[async_trait]
pub trait FieldHand: Send {
    /// Brings the sample to a field and answers the field that was confirmed; an error, in words, when nobody did.
    async fn set(&mut self, field: Tesla) -> Result<Tesla, String>;
}

/// Tells a run to stop and stand down: `true` once somebody wants it to.
pub type Stop = tokio::sync::watch::Receiver<bool>;
