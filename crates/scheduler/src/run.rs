//! One execution of a plan, from the first question to stand-down.

use crate::guarded::guarded;
use crate::learned::Learned;
use crate::leg::Here;
use crate::resumed::Course;
use crate::stand_down::{Rest, StandDown, duration, stand_down};
use crate::surroundings::Asked;
use crate::{FieldHand, RecordError, Recorder, Stop};
use quadrille_experiment::{Event, Reading};
use quadrille_instruments::{Bench, InstrumentError};
use quadrille_plan::{Plan, Purpose, Round, Settings};
use quadrille_quantity::{Ampere, Kelvin, Tesla};
use std::collections::{BTreeMap, BTreeSet};
use tokio::time::Instant;

/// Why a run ended before its plan did.
#[derive(Clone, Debug, thiserror::Error)]
pub enum Failure {
    /// An instrument, or the link to it.
    #[error(transparent)]
    Instrument(#[from] InstrumentError),
    /// The record.
    #[error("the record could not be kept: {0}")]
    Record(#[from] RecordError),
    /// The source said that its output was off, and the ammeter does not agree.
    #[error("the ammeter still sees current after the output was switched off")]
    CurrentFlows,
    /// A temperature that was not reached.
    #[error("temperature of {0}: {1}")]
    Temperature(Kelvin, String),
    /// A sample at which nothing could be chosen.
    #[error("a first look at the sample: {0}")]
    Look(String),
    /// A field that nobody confirmed, or that the magnet did not reach.
    #[error("field of {0}: {1}")]
    Field(Tesla, String),
    /// A sample whose contacts are not good enough, where the recipe does not go on with such.
    #[error("contacts of {sample} are not good enough: {why}")]
    Contacts {
        /// Its name.
        sample: String,
        /// What is wrong with them.
        why: String,
    },
    /// A defect of this program.
    #[error("the program failed: {0}")]
    Panic(String),
}

/// How a run ended.
#[derive(Clone, Debug)]
pub enum Ending {
    /// The plan is done.
    Finished,
    /// Somebody wanted it to stop.
    Stopped,
    /// Somebody wanted it to pause: a round is complete, and this one, from 1, is the next.
    Paused(u32),
    /// Something failed.
    Failed(Failure),
}

/// How a run ended, and in which state it left the bench.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// How it ended.
    pub ending: Ending,
    /// How the bench was brought to rest.
    pub stand_down: StandDown,
    /// Whether source, heater or magnet was ever switched on, or about to be.
    pub energised: bool,
}

/// What a run works with.
pub(crate) struct Work<'r> {
    pub(crate) plan: &'r Plan,
    pub(crate) bench: &'r mut Bench,
    pub(crate) recorder: &'r mut dyn Recorder,
    pub(crate) fields: &'r mut dyn FieldHand,
    pub(crate) begun: Instant,
    pub(crate) energised: bool,
    /// What was asked of cryostat and magnet, and what they taught.
    pub(crate) asked: Asked,
    /// The round that is being taken, from 1.
    pub(crate) round_now: u32,
    /// The sample that is connected next, of those of the plan.
    pub(crate) sample: usize,
    /// What is set for it on the instruments.
    pub(crate) settings: Settings,
    /// The readings of a contact check, while one goes on.
    pub(crate) of_contacts: Option<Vec<Reading>>,
    /// Whether the guard is driven now.
    pub(crate) guard_is_driven: bool,
    /// What the legs have taught of each sample.
    pub(crate) learned: BTreeMap<usize, Learned>,
    /// Samples at which nothing can be measured.
    left_out: BTreeSet<usize>,
}

/// Carries out a plan. Whatever happens (the plan done, a stop, a failure, a panic), the bench is stood down before
/// this returns.
pub async fn run(
    plan: &Plan,
    bench: &mut Bench,
    recorder: &mut dyn Recorder,
    fields: &mut dyn FieldHand,
    stop: Stop,
) -> Outcome {
    run_from(plan, bench, recorder, fields, stop, Course::whole()).await
}

/// [`run`] from a round on, with what the record of the rounds before it says, to a round after which somebody wants it to
/// pause. The bench is stood down then too.
pub async fn run_from(
    plan: &Plan,
    bench: &mut Bench,
    recorder: &mut dyn Recorder,
    fields: &mut dyn FieldHand,
    mut stop: Stop,
    course: Course<'_>,
) -> Outcome {
    // Times of readings go on where those of the earlier part ended.
    let begun = Instant::now();
    let begun = begun.checked_sub(duration(course.before.0)).unwrap_or(begun);
    let mut work = Work {
        plan,
        bench,
        recorder,
        fields,
        begun,
        energised: false,
        asked: Asked::default(),
        round_now: 1,
        sample: 0,
        settings: plan.settings(0).clone(),
        of_contacts: None,
        guard_is_driven: false,
        learned: course.learned(plan),
        left_out: course.left_out(plan),
    };
    let ending = tokio::select! {
        biased;
        () = wanted(&mut stop) => Ending::Stopped,
        ended = guarded(work.all(&course)) => match ended {
            Ok(Ok(None)) => Ending::Finished,
            Ok(Ok(Some(next))) => Ending::Paused(next),
            Ok(Err(failure)) => Ending::Failed(failure),
            Err(panic) => Ending::Failed(Failure::Panic(panic)),
        },
    };
    let (energised, rest) = (work.energised, Rest::of(plan, &work.settings));
    let stand_down = stand_down(bench, &rest).await;
    if let Err(panic) = guarded(tell(recorder, &ending, &stand_down)).await {
        tracing::error!("the stand-down could not be recorded: the program failed: {panic}");
    }
    Outcome { ending, stand_down, energised }
}

/// Returns when a stop is wanted; never, when nobody can want one any more.
async fn wanted(stop: &mut Stop) {
    if stop.wait_for(|stop| *stop).await.is_err() {
        std::future::pending::<()>().await;
    }
}

/// Turning off never waits for the record: this comes after, and a record that fails here changes nothing.
async fn tell(recorder: &mut dyn Recorder, ending: &Ending, stand_down: &StandDown) {
    let why = match ending {
        Ending::Failed(failure) => Some(Event::Fault { what: failure.to_string() }),
        Ending::Paused(next) => Some(Event::Paused { next: *next }),
        Ending::Finished | Ending::Stopped => None,
    };
    if let Some(event) = why
        && let Err(error) = recorder.event(&event).await
    {
        tracing::error!("why it ended could not be recorded: {error}");
    }
    let event =
        Event::StoodDown { output: stand_down.output.to_string(), failures: stand_down.failures.clone() };
    if let Err(error) = recorder.event(&event).await {
        tracing::error!("the stand-down could not be recorded: {error}");
    }
}

impl Work<'_> {
    /// Takes the rounds that are left; answers the next one where somebody wants a pause before it.
    async fn all(&mut self, course: &Course<'_>) -> Result<Option<u32>, Failure> {
        self.prepare().await?;
        for round in self.plan.rounds.iter().filter(|round| round.number >= course.from) {
            if round.number > course.from && *course.pause.borrow() {
                return Ok(Some(round.number));
            }
            if self.left_out.contains(&round.sample) {
                continue;
            }
            if let Err(failure) = self.round(round).await {
                self.leave_out(round, failure).await?;
            }
        }
        Ok(None)
    }

    /// What is wrong with one sample alone does not cost the night of those beside it. Both failures come with the output
    /// off and the crosspoints open.
    async fn leave_out(&mut self, round: &Round, failure: Failure) -> Result<(), Failure> {
        let is_the_samples = matches!(failure, Failure::Contacts { .. } | Failure::Look(_));
        let others = (0..self.plan.samples.len()).any(|k| k != round.sample && !self.left_out.contains(&k));
        if !(is_the_samples && others) {
            return Err(failure);
        }
        self.left_out.insert(round.sample);
        let its = |other: &&Round| other.sample == round.sample && other.number >= round.number;
        let event = Event::SampleLeftOut {
            sample: self.plan.samples[round.sample].name.clone(),
            because: failure.to_string(),
            rounds: self.plan.rounds.iter().filter(its).map(|round| round.number).collect(),
        };
        Ok(self.recorder.event(&event).await?)
    }

    /// Everybody says who they are and comes to a known state, the source first: whatever an earlier run left on is
    /// off before anything else happens.
    async fn prepare(&mut self) -> Result<(), Failure> {
        let identity = self.bench.source.prepare().await?;
        self.identified(self.bench.source.name().to_owned(), identity).await?;
        self.bench.source.set_output(false).await?;
        let identity = self.bench.ammeter.prepare().await?;
        self.identified(self.bench.ammeter.name().to_owned(), identity).await?;
        let identity = self.bench.voltmeter.prepare().await?;
        self.identified(self.bench.voltmeter.name().to_owned(), identity).await?;
        self.bench.ammeter.short_input(true).await?;
        let identity = self.bench.matrix.prepare().await?;
        self.identified(self.bench.matrix.name().to_owned(), identity).await?;
        self.bench.matrix.open_all().await?;
        let ramps = self.plan.ramps;
        if let Some(controller) =
            self.bench.temperature.as_mut().filter(|_| ramps.kelvin_per_minute.is_some())
        {
            let identity = controller.prepare().await?;
            let name = controller.name().to_owned();
            self.identified(name, identity).await?;
        }
        if let Some(magnet) = self.bench.field.as_mut().filter(|_| ramps.tesla_per_second.is_some()) {
            let identity = magnet.prepare().await?;
            let name = magnet.name().to_owned();
            self.identified(name, identity).await?;
        }
        let settings = self.settings.clone();
        self.bench.source.set_range_and_limit(settings.current, settings.voltage_limit).await?;
        self.bench.source.set_level(Ampere(0.0)).await?;
        self.bench.source.set_guard(false).await?;
        self.set_aperture(settings.aperture_plc).await
    }

    pub(crate) async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<(), Failure> {
        self.bench.voltmeter.set_aperture(power_line_cycles).await?;
        self.bench.ammeter.set_aperture(power_line_cycles).await?;
        Ok(())
    }

    /// Drives the guard where the settings want it: only with a configuration connected. Rows that hang open drift by bias
    /// currents, and a guard that follows them leaves nothing that would hold them.
    pub(crate) async fn drive_guard(&mut self) -> Result<(), Failure> {
        if self.settings.guard && !self.guard_is_driven {
            self.bench.source.set_guard(true).await?;
            self.guard_is_driven = true;
        }
        Ok(())
    }

    /// Leaves the guard undriven: before a long wait with nothing connected.
    pub(crate) async fn undrive_guard(&mut self) -> Result<(), Failure> {
        if self.guard_is_driven {
            self.bench.source.set_guard(false).await?;
            self.guard_is_driven = false;
        }
        Ok(())
    }

    /// Brings other settings in force. Only between legs: the output is off.
    pub(crate) async fn take_up(&mut self, settings: Settings) -> Result<(), Failure> {
        let now = &self.settings;
        if (settings.current, settings.voltage_limit) != (now.current, now.voltage_limit) {
            self.bench.source.set_range_and_limit(settings.current, settings.voltage_limit).await?;
        }
        if !settings.guard {
            self.undrive_guard().await?;
        }
        if settings.aperture_plc != self.settings.aperture_plc {
            self.set_aperture(settings.aperture_plc).await?;
        }
        self.settings = settings;
        Ok(())
    }

    async fn identified(&mut self, instrument: String, identity: String) -> Result<(), Failure> {
        Ok(self.recorder.event(&Event::Identified { instrument, identity }).await?)
    }

    /// What thermometer and probe say before and after a round; nothing of what nobody measures.
    async fn surroundings(
        &mut self,
        round: &Round,
        confirmed: Tesla,
    ) -> Result<(Option<Kelvin>, Option<Tesla>), Failure> {
        let ramps = self.plan.ramps;
        let thermometer = self.bench.temperature.is_some() && ramps.kelvin_per_minute.is_some();
        let probe = self.bench.field.is_some() && ramps.tesla_per_second.is_some();
        let temperature = self.temperature(round.temperature).await?;
        let field = if probe { Some(self.probe(confirmed).await?) } else { None };
        Ok((thermometer.then_some(temperature), field))
    }

    async fn round(&mut self, round: &Round) -> Result<(), Failure> {
        self.undrive_guard().await?;
        self.round_now = round.number;
        if !self.reach_temperature(round.temperature).await? {
            return Ok(());
        }
        let planned = round.field;
        let confirmed = self.reach_field(planned).await?;
        self.recorder.event(&Event::FieldSet { planned, confirmed }).await?;
        let number = round.number;
        let (temperature, field) = self.surroundings(round, confirmed).await?;
        self.recorder.event(&Event::RoundStarted { round: number, temperature, field }).await?;
        self.settle_on(round, confirmed).await?;
        if round.purpose == Purpose::Contacts {
            self.check_contacts(round, confirmed).await?;
        } else {
            self.legs(round, confirmed).await?;
        }
        let (temperature, field) = self.surroundings(round, confirmed).await?;
        self.recorder.event(&Event::RoundFinished { round: number, temperature, field }).await?;
        Ok(())
    }

    async fn legs(&mut self, round: &Round, field: Tesla) -> Result<(), Failure> {
        for &configuration in &round.legs {
            let temperature = self.temperature(round.temperature).await?;
            self.energised = true;
            self.leg(Here { round: round.number, field, temperature, configuration }, round).await?;
        }
        Ok(())
    }
}
