//! Runs told again from their records alone.

use crate::moment::Moment;
use crate::view::{EndState, PlanView, Point, RunState, RunView};
use quadrille_operations::{Entry, Error, Event, Records, RunId};

/// Rows of a record that are read at a time.
const PAGE: usize = 4096;

/// Whether the record of a run ends with a pause.
pub(super) fn was_paused(records: &Records, run: RunId) -> Result<bool, Error> {
    let last = records.last(run)?;
    let tail = records.after(run, (last - 2).max(0), PAGE)?;
    Ok(tail.iter().any(|placed| matches!(placed.entry, Entry::Event(Event::Paused { .. }))))
}

/// A run from its record alone: as it would be shown if nobody knew how it ended.
pub(crate) fn retell(records: &Records, run: RunId, pace: f64) -> Result<RunView, Error> {
    let (inputs, plan, sha256) = records.inputs(run)?;
    let mut told = RunView::prepared(PlanView { sha256, ..PlanView::of(&plan, &inputs) }, pace);
    told.run = Some(run.0);
    let line = records.runs()?.into_iter().find(|line| line.run == run);
    told.begun = line.as_ref().and_then(|line| Moment::parse(&line.begun));
    let mut after = 0;
    loop {
        let placed = records.after(run, after, PAGE)?;
        let Some(last) = placed.last() else { break };
        after = last.sequence;
        placed.iter().for_each(|placed| told.entry(placed));
    }
    told.results = records.reduced(run).map(|reduction| Point::of(&reduction)).unwrap_or_default();
    told.ended = line.as_ref().and_then(|line| line.ended.as_deref()).and_then(Moment::parse);
    if let Some(line) = line.filter(|line| line.ended.is_some()) {
        let (end, saying) = how(RunState::Ended, line.ending.as_deref());
        (told.state, told.ending, told.saying) = (RunState::Ended, end, saying);
    } else {
        told.state = RunState::Interrupted;
    }
    Ok(told)
}

/// How a run ended, by the words of its record.
pub(super) fn how(state: RunState, ending: Option<&str>) -> (Option<EndState>, String) {
    if state != RunState::Ended {
        return (None, "waits to be resumed".to_owned());
    }
    let ending = ending.unwrap_or("ended");
    let end = match ending.split([';', ':', ' ']).next() {
        Some("finished") => EndState::Finished,
        Some("stopped") => EndState::Stopped,
        _ => EndState::Failed,
    };
    (Some(end), ending.to_owned())
}
