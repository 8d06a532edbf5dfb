//! The record and the field of a bench under test: they share the log of its instruments.

use super::{Fault, Shared};
use async_trait::async_trait;
use quadrille_experiment::{Circumstances, Event, Reading};
use quadrille_quantity::Tesla;
use quadrille_scheduler::{FieldHand, RecordError, Recorder};

/// Keeps records in the shared log.
pub(crate) struct Log(pub(crate) Shared);

impl Log {
    fn keep(&self, what: String) -> Result<(), RecordError> {
        let mut world = self.0.lock().unwrap();
        world.records += 1;
        world.log.push(what);
        match world.failing_record {
            Some((n, fault)) if n == world.records => {
                let at = world.log.len() - 1;
                world.fired_at.get_or_insert(at);
                drop(world);
                match fault {
                    Fault::Panics => panic!("planted"),
                    _ => Err(RecordError("the disk is full".to_owned())),
                }
            }
            _ => Ok(()),
        }
    }
}

#[async_trait]
impl Recorder for Log {
    async fn event(&mut self, event: &Event) -> Result<(), RecordError> {
        self.0.lock().unwrap().events.push(event.clone());
        self.keep(match event {
            Event::Identified { identity, .. } => format!("record {identity}"),
            Event::IntentToEnergise { configuration, current } => {
                format!("record intent {configuration} {current}")
            }
            Event::TemperatureReached { planned, .. } => format!("record temperature {planned}"),
            Event::TemperatureUnreached { planned, then, .. } => {
                format!("record unreached {planned} {then:?}")
            }
            Event::FieldSet { planned, confirmed } => format!("record field {planned} {confirmed}"),
            Event::RoundStarted { round, .. } => format!("record round {round} started"),
            Event::RoundFinished { round, .. } => format!("record round {round} finished"),
            Event::Marked { configuration, reason, .. } => format!("record marked {configuration}: {reason}"),
            Event::Flagged { configuration, .. } => format!("record flagged {configuration}"),
            Event::Audited { configuration, agrees, .. } => {
                format!("record audited {configuration} {agrees}")
            }
            Event::Estimated { .. } => "record estimate".to_owned(),
            Event::Chosen { current, .. } => format!("record chosen {current}"),
            Event::ContactsChecked { accepted, .. } => format!("record contacts {accepted}"),
            Event::SampleLeftOut { sample, .. } => format!("record left out {sample}"),
            Event::HallTimed { .. } => "record Hall legs timed".to_owned(),
            Event::Paused { next } => format!("record paused before {next}"),
            Event::Resumed { from } => format!("record resumed from {from}"),
            Event::Fault { what } => format!("record fault {what}"),
            Event::StoodDown { output, failures } => format!("record stood down {output} {failures:?}"),
        })
    }

    async fn reading(&mut self, reading: &Reading, circumstances: &Circumstances) -> Result<(), RecordError> {
        // A commit takes a while: whoever does not wait for it is seen to.
        tokio::time::sleep(std::time::Duration::from_millis(3)).await;
        self.0.lock().unwrap().readings.push((*reading, circumstances.clone()));
        self.keep(format!("record reading {} {}", reading.configuration, circumstances.polarity))
    }
}

/// Confirms every field, a little off, or refuses one.
pub(crate) struct Field(pub(crate) Shared, pub(crate) Option<Tesla>);

#[async_trait]
impl FieldHand for Field {
    async fn set(&mut self, field: Tesla) -> Result<Tesla, String> {
        self.0.lock().unwrap().log.push(format!("field {field}"));
        if self.1 == Some(field) { Err("nobody is there".to_owned()) } else { Ok(field * 1.01) }
    }
}
