//! The check of a sample's contacts: every pair at currents that go up from small, in both directions, judged while the
//! bench waits. Knows nothing of how lines are judged.

use crate::evidence::How;
use crate::leg::{Here, Ranges};
use crate::run::{Failure, Work};
use crate::stand_down::duration;
use quadrille_experiment::{Condition, Event, Polarity};
use quadrille_plan::{ByEvidence, ContactCheck, Round, Settings, Settle};
use quadrille_quantity::{Ampere, Tesla};
use quadrille_reduction::contacts::{ContactCriteria, Film, check_contacts};
use tokio::time::Instant;

/// How well a reading of the check settles, relative: a fifth of the usual limit of linearity and less; ours.
const SETTLED: f64 = 3e-3;

impl Work<'_> {
    /// Checks the contacts of a sample: all readings first, then the judgement, which may end the run.
    pub(crate) async fn check_contacts(&mut self, round: &Round, field: Tesla) -> Result<(), Failure> {
        let Some(check) = self.plan.contacts.clone() else { return Ok(()) };
        let base = loosened(self.settings.clone());
        let sizes = check.sizes(base.current);
        let largest = sizes.last().copied().unwrap_or(base.current);
        self.of_contacts = Some(Vec::new());
        for &configuration in &round.legs {
            let temperature = self.temperature(round.temperature).await?;
            self.energised = true;
            let here = Here { round: round.number, field, temperature, configuration };
            // What says the film needs no line.
            let sizes = if configuration.is_four_terminal() { vec![largest] } else { sizes.clone() };
            self.contact_leg(here, round, &base, &sizes).await?;
        }
        self.judge_contacts(round, &check).await
    }

    async fn judge_contacts(&mut self, round: &Round, check: &ContactCheck) -> Result<(), Failure> {
        let readings = self.of_contacts.take().unwrap_or_default();
        let criteria = ContactCriteria {
            linearity: check.linearity,
            asymmetry: check.asymmetry,
            largest_ohm: check.largest_ohm,
        };
        let sample = self.plan.samples[round.sample].name.clone();
        let (accepted, findings, why) = match check_contacts(&readings, Film::Edge, &criteria) {
            Ok(report) => (report.accepted(), report.findings(), report.faults()),
            Err(error) => (false, vec![error.to_string()], error.to_string()),
        };
        let event = Event::ContactsChecked { sample: sample.clone(), accepted, findings };
        self.recorder.event(&event).await?;
        if accepted || !check.stands_down { Ok(()) } else { Err(Failure::Contacts { sample, why }) }
    }

    /// One leg at rising currents. It goes no higher where a current has no value: the source is at its limit.
    async fn contact_leg(
        &mut self,
        here: Here,
        round: &Round,
        base: &Settings,
        sizes: &[Ampere],
    ) -> Result<(), Failure> {
        for (place, &current) in sizes.iter().enumerate() {
            let settings = Settings { current, ..base.clone() };
            if place == 0 {
                self.take_up(settings).await?;
                self.drive(here, Polarity::Plus).await?;
            } else {
                self.raise(here, settings).await?;
            }
            if !self.both_directions(here, round).await? {
                break;
            }
        }
        self.de_energise().await
    }

    /// Another current through the same crosspoints, which do not move.
    async fn raise(&mut self, here: Here, settings: Settings) -> Result<(), Failure> {
        let current = settings.current;
        self.bench.source.set_level(Ampere(0.0)).await?;
        self.bench.source.set_output(false).await?;
        self.take_up(settings).await?;
        let configuration = here.configuration;
        self.recorder.event(&Event::IntentToEnergise { configuration, current }).await?;
        self.bench.source.set_level(current).await?;
        self.bench.source.set_output(true).await?;
        self.tell_on(here, current);
        Ok(())
    }

    /// Reads both directions of a current that flows in the first; whether both have values.
    async fn both_directions(&mut self, here: Here, round: &Round) -> Result<bool, Failure> {
        let mut changed = Instant::now();
        let mut ranges = match self.settings.settle {
            Settle::Wait(wait) => self.ranges(wait).await?,
            Settle::Evidence(_) => self.ranges_for(here).await?,
        };
        let mut sound = true;
        for polarity in [Polarity::Plus, Polarity::Minus] {
            if polarity == Polarity::Minus {
                self.bench.source.set_level(self.settings.current * -1.0).await?;
                changed = Instant::now();
            }
            let condition;
            (condition, ranges) = self.contact_reading(here, round, polarity, changed, ranges).await?;
            sound &= condition == Condition::Sound;
        }
        Ok(sound)
    }

    async fn contact_reading(
        &mut self,
        here: Here,
        round: &Round,
        polarity: Polarity,
        changed: Instant,
        ranges: Ranges,
    ) -> Result<(Condition, Ranges), Failure> {
        match self.settings.settle {
            Settle::Wait(wait) => {
                tokio::time::sleep(duration(wait.0)).await;
                Ok((self.read(here, polarity, ranges).await?, ranges))
            }
            Settle::Evidence(evidence) => {
                let how = How::Until { audited: false, step: 2.0 };
                let settled = self.state(here, round, evidence, (changed, None), ranges, how).await?;
                let (condition, ranges) = (settled.condition, settled.ranges);
                self.keep_settled(here, round, polarity, changed, settled).await?;
                Ok((condition, ranges))
            }
        }
    }
}

/// What is set for a sample, but settled only as well as a check needs, and on ranges that a look finds: a contact may have
/// more voltage than the film.
fn loosened(settings: Settings) -> Settings {
    let settle = match settings.settle {
        Settle::Evidence(evidence) => Settle::Evidence(ByEvidence {
            uncertainty: evidence.uncertainty.max(SETTLED),
            bias: evidence.bias.max(SETTLED),
            strict: false,
            ..evidence
        }),
        wait @ Settle::Wait(_) => wait,
    };
    Settings { settle, voltage_range: None, ..settings }
}
