//! What earlier runs left, read again.

use crate::measure::plan;
use crate::reduce::{Reduction, of_run};
use crate::{Error, Inputs, PROGRAM};
use quadrille_experiment::{Circumstances, Event, Reading};
pub use quadrille_journal::{Entry, Kept, Placed, RunId, RunLine};
use quadrille_journal::{FrozenDocument, Journal};
use quadrille_plan::Plan;
use std::path::Path;

/// A journal, for whoever reads it.
pub struct Records(Journal);

impl Records {
    /// Opens a journal, and makes it where there is none.
    pub fn open(path: &Path) -> Result<Self, Error> {
        Ok(Self(Journal::open(path)?))
    }

    /// Opens a journal that a run may be writing, to read it: the writer waits for nothing. It must be there.
    pub fn read(path: &Path) -> Result<Self, Error> {
        Ok(Self(Journal::read(path)?))
    }

    /// The runs, oldest first.
    pub fn runs(&self) -> Result<Vec<RunLine>, Error> {
        Ok(self.0.runs()?)
    }

    /// The readings of a run as a table that [`crate::reduce`] reads again.
    pub fn readings_csv(&self, run: RunId) -> Result<String, Error> {
        let kept = self.kept(run)?;
        let rows = kept.iter().map(|kept| (&kept.reading, kept.circumstances.sample.as_str()));
        Ok(quadrille_report::readings_csv(rows))
    }

    /// The readings of a run with their places; those of a round that was broken off and taken again count no more, and are
    /// not among them.
    pub fn kept(&self, run: RunId) -> Result<Vec<Kept>, Error> {
        Ok(counting(self.0.readings(run)?, &self.0.events(run)?))
    }

    /// Readings and events of a run after a place, in order, at most so many: all that the record holds.
    pub fn after(&self, run: RunId, sequence: i64, most: usize) -> Result<Vec<Placed>, Error> {
        Ok(self.0.after(run, sequence, most)?)
    }

    /// Place of the last reading or event of a run; 0 where it has none.
    pub fn last(&self, run: RunId) -> Result<i64, Error> {
        Ok(self.0.last(run)?)
    }

    /// The plan of a run as it was frozen, as JSON, and its SHA-256.
    pub fn frozen_plan(&self, run: RunId) -> Result<(String, String), Error> {
        let plan = self.0.plan(run)?;
        Ok((plan.json, plan.sha256))
    }

    /// The documents of a run as they were when it began.
    pub fn documents(&self, run: RunId) -> Result<Vec<FrozenDocument>, Error> {
        Ok(self.0.documents(run)?)
    }

    /// The documents of a run as they were when it began, and the plan that they give, with its SHA-256 as it was kept.
    pub fn inputs(&self, run: RunId) -> Result<(Inputs, Plan, String), Error> {
        let inputs = Inputs::frozen(&self.0.documents(run)?)?;
        let plan = plan(&inputs)?;
        Ok((inputs, plan, self.0.plan(run)?.sha256))
    }

    /// What the readings of a run say that count so far.
    pub fn reduced(&self, run: RunId) -> Result<Reduction, Error> {
        let (inputs, plan, _) = self.inputs(run)?;
        let readings = self.kept(run)?.into_iter().map(|kept| (kept.reading, kept.circumstances));
        of_run(&readings.collect::<Vec<_>>(), &inputs, &plan)
    }

    /// Adds an event to a run that nobody carries out now: what became of it while the program was gone.
    pub fn note(&mut self, run: RunId, event: &Event) -> Result<i64, Error> {
        let sequence = self.0.last(run)? + 1;
        self.0.append_event(run, sequence, event)?;
        Ok(sequence)
    }

    /// Notes that a run is over which will not be gone on with.
    pub fn end(&mut self, run: RunId, ending: &str) -> Result<(), Error> {
        Ok(self.0.end(run, ending)?)
    }

    /// What a run needs to be gone on with.
    pub(crate) fn unfinished(&self, run: RunId) -> Result<Unfinished, Error> {
        let line = self.0.runs()?.into_iter().find(|line| line.run == run);
        if let Some(ending) = line.and_then(|line| line.ending) {
            let why = format!("run {run} is over ({ending}): begin it anew");
            return Err(Error::Simulation(why));
        }
        let (inputs, plan, sha256) = self.inputs(run)?;
        if Inputs::plan_sha256(&plan) != sha256 {
            let why = format!(
                "{PROGRAM} plans run {run} otherwise than the program that began it: begin it anew, or go on with \
                 that program"
            );
            return Err(Error::Simulation(why));
        }
        let events = self.0.events(run)?;
        let all = counting(self.0.readings(run)?, &events);
        let events: Vec<Event> = events.into_iter().map(|(_, event)| event).collect();
        let from = quadrille_scheduler::next_round(&events);
        let counts = all.into_iter().filter(|kept| kept.circumstances.round < from);
        let readings = counts.map(|kept| (kept.reading, kept.circumstances)).collect();
        Ok(Unfinished { inputs, plan, readings, events })
    }
}

/// A run that is to go on.
pub(crate) struct Unfinished {
    pub(crate) inputs: Inputs,
    pub(crate) plan: Plan,
    /// Of whole rounds.
    pub(crate) readings: Vec<(Reading, Circumstances)>,
    pub(crate) events: Vec<Event>,
}

/// The readings that no later part of the run has taken again.
fn counting(readings: Vec<Kept>, events: &[(i64, Event)]) -> Vec<Kept> {
    let resumed: Vec<(i64, u32)> = events
        .iter()
        .filter_map(|(sequence, event)| match event {
            Event::Resumed { from } => Some((*sequence, *from)),
            _ => None,
        })
        .collect();
    let is_taken_again = |kept: &Kept| {
        resumed.iter().any(|(sequence, from)| kept.sequence < *sequence && kept.circumstances.round >= *from)
    };
    readings.into_iter().filter(|kept| !is_taken_again(kept)).collect()
}
