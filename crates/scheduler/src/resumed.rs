//! What a run that goes on takes from the record of its earlier part: which round is next, and what was decided for rounds
//! that belong together. Nothing is taken over of how the bench was set: a run that goes on begins with identity and
//! initialisation like any other.

use crate::Stop;
use crate::learned::{HallTiming, Learned};
use crate::look::Choice;
use quadrille_experiment::{Event, Unreached};
use quadrille_plan::Plan;
use quadrille_quantity::Second;
use std::collections::{BTreeMap, BTreeSet};

/// Where a run begins, and after which round it pauses.
pub struct Course<'e> {
    /// The first round that is taken, from 1.
    pub from: u32,
    /// The events of the earlier part, in order.
    pub events: &'e [Event],
    /// How long ago the run began: times of readings go on from there.
    pub before: Second,
    /// Tells it to pause after the round that is being taken: `true` once somebody wants it to.
    pub pause: Stop,
}

impl Course<'_> {
    /// From the first round to the last, and nobody wants a pause.
    pub fn whole() -> Self {
        let (_nobody, pause) = tokio::sync::watch::channel(false);
        Self { from: 1, events: &[], before: Second(0.0), pause }
    }

    /// What the earlier part decided for rounds that belong together: with what a sample is measured at a temperature, and
    /// how long its Hall legs wait, which must be alike at every field.
    pub(crate) fn learned(&self, plan: &Plan) -> BTreeMap<usize, Learned> {
        let mut all: BTreeMap<usize, Learned> = BTreeMap::new();
        let mut round = None;
        for event in self.events {
            match event {
                Event::RoundStarted { round: number, .. } => {
                    round = plan.rounds.iter().find(|round| round.number == *number);
                }
                Event::Chosen { seen: Some(seen), .. } => {
                    let Some(round) = round else { continue };
                    let Some(choosing) = &plan.samples[round.sample].choosing else { continue };
                    let choice = Choice::again(choosing, round.temperature, seen);
                    all.entry(round.sample).or_default().choice = Some(choice);
                }
                Event::HallTimed { dead, window, .. } => {
                    let Some(round) = round else { continue };
                    let timing = HallTiming { dead: *dead, window: *window };
                    all.entry(round.sample).or_default().hall = Some((round.temperature.0, timing));
                }
                Event::RoundFinished { .. } => {
                    let Some(round) = round.take() else { continue };
                    let learned = all.entry(round.sample).or_default();
                    if let Some(choice) = &mut learned.choice {
                        choice.stands_at(round.temperature);
                    }
                }
                _ => {}
            }
        }
        all
    }

    /// The samples at which nothing could be measured.
    pub(crate) fn left_out(&self, plan: &Plan) -> BTreeSet<usize> {
        let named = self.events.iter().filter_map(|event| match event {
            Event::SampleLeftOut { sample, .. } => Some(sample),
            _ => None,
        });
        named.filter_map(|name| plan.samples.iter().position(|sample| sample.name == *name)).collect()
    }
}

/// The round that a run goes on with, from 1, by the events of its record: the first after those that are complete or were
/// left out. More than the plan has, where nothing is left.
pub fn next_round(events: &[Event]) -> u32 {
    let done = events.iter().map(|event| match event {
        Event::RoundFinished { round, .. } => *round,
        Event::TemperatureUnreached { then: Unreached::Skipped { rounds }, .. } => {
            rounds.iter().copied().max().unwrap_or(0)
        }
        _ => 0,
    });
    done.max().unwrap_or(0) + 1
}

#[cfg(test)]
mod tests {
    use super::*;
    use quadrille_quantity::Kelvin;

    #[test]
    fn a_round_that_was_begun_and_not_finished_is_next_and_one_that_was_left_out_is_done() {
        let started = |round| Event::RoundStarted { round, temperature: None, field: None };
        let finished = |round| Event::RoundFinished { round, temperature: None, field: None };
        let skipped = Event::TemperatureUnreached {
            planned: Kelvin(90.0),
            measured: Kelvin(97.0),
            waited: Second(10.0),
            because: "too warm".to_owned(),
            then: Unreached::Skipped { rounds: vec![4, 5] },
        };
        assert_eq!(next_round(&[]), 1);
        assert_eq!(next_round(&[started(1)]), 1);
        let mut events = vec![started(1), finished(1), started(2), finished(2), started(3)];
        assert_eq!(next_round(&events), 3);
        events.extend([finished(3), skipped]);
        assert_eq!(next_round(&events), 6);
    }
}
