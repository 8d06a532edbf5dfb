//! Recorders: into the journal, or only into memory; what was kept is then told to whoever watches.

use async_trait::async_trait;
use quadrille_experiment::{Circumstances, Event, Reading};
use quadrille_journal::{Journal, RunId};
use quadrille_plan::Plan;
use quadrille_scheduler::{Now, RecordError, Recorder};

/// What is known when a run begins.
#[derive(Clone, Debug)]
pub struct Begun<'p> {
    /// Its number in the journal; `None` for a rehearsal, which leaves no record.
    pub run: Option<RunId>,
    /// The frozen plan.
    pub plan: &'p Plan,
}

/// Watches a run. Everything it is told has been kept before.
pub trait Observer: Send {
    /// The run begins.
    fn begun(&mut self, begun: &Begun<'_>);

    /// A reading was kept, at its place in the run.
    fn reading(&mut self, sequence: i64, reading: &Reading, circumstances: &Circumstances);

    /// An event was kept.
    fn event(&mut self, sequence: i64, event: &Event);

    /// What goes on between events; nothing of it is kept.
    fn now(&mut self, _now: Now) {}
}

/// Nobody watches.
impl Observer for () {
    fn begun(&mut self, _: &Begun<'_>) {}
    fn reading(&mut self, _: i64, _: &Reading, _: &Circumstances) {}
    fn event(&mut self, _: i64, _: &Event) {}
}

/// Where a run is kept.
pub(crate) enum Keep<'j> {
    /// In a journal, under a number.
    Journal(&'j mut Journal, RunId),
    /// Nowhere: a rehearsal.
    Nowhere,
}

/// Keeps, then remembers, then tells.
pub(crate) struct Record<'j> {
    keep: Keep<'j>,
    sequence: i64,
    readings: Vec<(Reading, Circumstances)>,
    events: Vec<Event>,
    observer: &'j mut dyn Observer,
}

impl<'j> Record<'j> {
    pub(crate) fn new(keep: Keep<'j>, observer: &'j mut dyn Observer) -> Self {
        Self { keep, sequence: 0, readings: Vec::new(), events: Vec::new(), observer }
    }

    /// Goes on after a place, with what was kept before it.
    pub(crate) fn go_on(
        &mut self,
        sequence: i64,
        readings: Vec<(Reading, Circumstances)>,
        events: Vec<Event>,
    ) {
        (self.sequence, self.readings, self.events) = (sequence, readings, events);
    }

    /// What was kept, and where the record goes on.
    pub(crate) fn finish(self) -> (Vec<(Reading, Circumstances)>, Vec<Event>, Keep<'j>) {
        (self.readings, self.events, self.keep)
    }
}

#[async_trait]
impl Recorder for Record<'_> {
    async fn event(&mut self, event: &Event) -> Result<(), RecordError> {
        let sequence = self.sequence + 1;
        if let Keep::Journal(journal, run) = &mut self.keep {
            journal.append_event(*run, sequence, event).map_err(|error| RecordError(error.to_string()))?;
        }
        self.sequence = sequence;
        self.events.push(event.clone());
        self.observer.event(sequence, event);
        Ok(())
    }

    async fn reading(&mut self, reading: &Reading, circumstances: &Circumstances) -> Result<(), RecordError> {
        let sequence = self.sequence + 1;
        if let Keep::Journal(journal, run) = &mut self.keep {
            let kept = journal.append_reading(*run, sequence, reading, circumstances);
            kept.map_err(|error| RecordError(error.to_string()))?;
        }
        self.sequence = sequence;
        self.readings.push((*reading, circumstances.clone()));
        self.observer.reading(sequence, reading, circumstances);
        Ok(())
    }

    fn now(&mut self, now: Now) {
        self.observer.now(now);
    }
}
