//! What the thread of a bench does: stand it down, then take one order after the other, and leave on the desk what is true.

use super::desk::{Desk, Going, Job, TicketState, What};
use super::person::Person;
use super::retold::{how, retell, was_paused};
use super::teller::Teller;
use super::{DEEP, Host, lock};
use crate::moment::Moment;
use crate::view::{BenchState, EndState, OutputState, Point, RunState, RunView, output_state};
use quadrille_documents::Simulated;
use quadrille_operations::{
    Ending, Error, Event, Hands, Inputs, Measured, Outcome, Output, Records, RunId, SimulationOptions,
    StandDown, estimated, measure_with, rehearse, resume, stand_down,
};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tracing::Instrument as _;

/// Why what waits is not begun.
const FAILED: &str = "the run before it failed: look at what it says, then start again";
pub(super) const STOPPED: &str = "the run before it was stopped: start again";

/// Wall time between two looks at the pace of virtual time.
const STEP: Duration = Duration::from_millis(50);

impl Host {
    /// The life of a bench's thread.
    pub(super) fn live(self: Arc<Self>, inputs: &Inputs) {
        let mut builder = tokio::runtime::Builder::new_current_thread();
        builder.enable_all().thread_stack_size(DEEP);
        if matches!(self.simulated, Some(Simulated::Virtual(_))) {
            builder.start_paused(true);
        }
        let lived = builder.build().map_err(|error| error.to_string()).and_then(|runtime| {
            let life = || runtime.block_on(Self::work(&self, inputs));
            catch_unwind(AssertUnwindSafe(life)).map_err(|_| "its thread failed".to_owned())
        });
        if let Err(why) = lived {
            tracing::error!(bench = self.name, "the bench is out of work: {why}");
            self.block(&format!("{why}: start the daemon again"));
        }
        lock(&self.desk).is_over = true;
        self.over.notify_waiters();
    }

    async fn work(host: &Arc<Self>, inputs: &Inputs) {
        host.stand_down(inputs).await;
        loop {
            let (next, look_again, is_closing) = host.at_desk(|desk| {
                let is_free = desk.fold.view().state == BenchState::Ready && !desk.is_closing;
                let job = if is_free { desk.queue.pop_front() } else { None };
                // At once the run in work: there is no moment in which a stop would find none.
                let next = job.map(|job| (taken_up(desk, &job), job));
                (next, std::mem::take(&mut desk.look_again), desk.is_closing)
            });
            if let Some((wishes, job)) = next {
                Self::carry_out(host, job, wishes).await;
            } else if look_again {
                host.stand_down(inputs).await;
            } else if is_closing {
                return;
            } else {
                host.wake.notified().await;
            }
        }
    }

    /// Brings the bench to rest before it takes work, and finds the run in which the program ended.
    async fn stand_down(&self, inputs: &Inputs) {
        self.at_desk(|desk| {
            desk.fold.change(Moment::now(), |view| view.state = BenchState::StandingDown);
        });
        let came = stand_down(inputs, &self.rack).await;
        let (found, why) = match &came {
            Ok(at_rest) => (Some(&at_rest.stand_down), unverified(&at_rest.stand_down)),
            Err(error) => (None, Some(error.to_string())),
        };
        if let Err(error) = self.find_interrupted(found) {
            return self.block(&format!("its journal cannot be used: {error}"));
        }
        self.at_desk(|desk| {
            let now = Moment::now();
            let is_parked = desk.parked.is_some();
            desk.fold.change(now, |view| {
                if let Ok(at_rest) = &came {
                    for (name, identity) in &at_rest.identities {
                        let known = view.instruments.iter_mut().find(|known| known.name == *name);
                        known.into_iter().for_each(|known| known.identity = Some(identity.clone()));
                    }
                }
                let output =
                    found.map_or(OutputState::NotKnown, |down| output_state(&down.output.to_string()));
                (view.output.state, view.output.since) = (output, now);
                view.state = if is_parked { BenchState::Paused } else { BenchState::Ready };
                view.reason = None;
            });
        });
        if let Some(why) = why {
            self.block(&why);
        }
    }

    /// The run that an earlier life of the daemon did not end: told what became of it, and shown. Older ones are over.
    fn find_interrupted(&self, down: Option<&StandDown>) -> Result<(), Error> {
        let mut records = Records::open(&self.journal)?;
        if lock(&self.desk).fold.view().run.is_some() {
            return Ok(());
        }
        let runs = records.runs()?;
        let mut unfinished: Vec<RunId> =
            runs.iter().filter(|run| run.ended.is_none()).map(|run| run.run).collect();
        let waits = unfinished.pop();
        for run in unfinished {
            records.end(run, "interrupted, and another run was begun after it")?;
        }
        let Some(last) = runs.last() else { return Ok(()) };
        let paused = waits == Some(last.run) && was_paused(&records, last.run)?;
        if waits == Some(last.run) && !paused {
            records.note(last.run, &Event::Fault { what: "the program ended in this run".to_owned() })?;
            if let Some(StandDown { output, failures }) = down {
                let (output, failures) = (output.to_string(), failures.clone());
                records.note(last.run, &Event::StoodDown { output, failures })?;
            }
        }
        let state = match (waits == Some(last.run), paused) {
            (false, _) => RunState::Ended,
            (true, true) => RunState::Paused,
            (true, false) => RunState::Interrupted,
        };
        self.show_again(&records, last.run, state, last.ending.as_deref())
    }

    /// Shows a run from its record alone.
    fn show_again(
        &self,
        records: &Records,
        run: RunId,
        state: RunState,
        ending: Option<&str>,
    ) -> Result<(), Error> {
        let told = match retell(records, run, self.pace()) {
            Ok(told) => told,
            // Of a proof, or by a program whose documents are read otherwise by now: it is in the list of runs.
            Err(error) => {
                tracing::warn!(bench = self.name, run = run.0, "the last run is not shown: {error}");
                return Ok(());
            }
        };
        self.at_desk(|desk| {
            let ended = told.ended.unwrap_or_else(Moment::now);
            desk.fold.change(Moment::now(), |view| view.run = Some(told));
            let (end, saying) = how(state, ending);
            desk.fold.end(ended, state, end, saying);
            if state != RunState::Ended {
                desk.parked = Some(run);
            }
        });
        Ok(())
    }

    /// Takes no work until a person has looked.
    fn block(&self, why: &str) {
        tracing::error!(bench = self.name, "the bench is blocked: {why}");
        self.at_desk(|desk| {
            desk.turn_away(&format!("the bench is blocked: {why}"));
            desk.fold.change(Moment::now(), |view| {
                (view.state, view.reason) = (BenchState::Blocked, Some(why.to_owned()));
            });
        });
    }

    /// One order, from its rehearsal to the stand-down.
    async fn carry_out(host: &Arc<Self>, job: Job, wishes: Wishes) {
        let shown = match &job.what {
            What::Begin(begin) => RunView::prepared(begin.1.clone(), host.pace()),
            What::Resume(_) => match host.view().run.clone() {
                Some(run) => run,
                None => return host.at_desk(|desk| desk.going = None),
            },
        };
        let (ticket, by, since) = (job.ticket, job.by.clone(), Moment::now());
        host.at_desk(|desk| {
            desk.ticket(ticket, |ticket| ticket.state = TicketState::Preparing);
            desk.fold.begin(
                since,
                RunView { ticket: Some(ticket), by: Some(by), state: RunState::Preparing, ..shown },
            );
        });
        let resumed = match &job.what {
            What::Begin(_) => None,
            What::Resume(run) => Some(*run),
        };
        let came = Self::prepared_and_measured(host, job, wishes).await;
        host.settle(ticket, resumed, came);
    }

    async fn prepared_and_measured(
        host: &Arc<Self>,
        job: Job,
        wishes: Wishes,
    ) -> Result<Option<Measured>, String> {
        let Wishes { mut stopped, paused } = wishes;
        // It may have waited for longer than its release lasted.
        host.still_released()?;
        let begin = match job.what {
            What::Begin(begin) => Some(*begin),
            What::Resume(run) => {
                let measured = Self::measured(host, None, Some(run), stopped, paused).await;
                return measured.map(Some);
            }
        };
        let Some((inputs, mut plan)) = begin else { return Ok(None) };
        let mut expected = None;
        if inputs.samples.iter().all(|sample| sample.model.is_some()) {
            let own = inputs.clone();
            let rehearsed =
                tokio::task::spawn_blocking(move || rehearse(&own, SimulationOptions::default(), &mut ()));
            let rehearsed = tokio::select! {
                biased;
                _ = stopped.wait_for(|stop| *stop) => return Ok(None),
                rehearsed = rehearsed => rehearsed,
            };
            let rehearsed = rehearsed.map_err(|error| format!("its rehearsal failed: {error}"))?;
            let rehearsed = rehearsed.map_err(|error| format!("its rehearsal failed: {error}"))?;
            plan.expect(&rehearsed);
            host.lasts(rehearsed.duration.0)?;
            host.at_desk(|desk| desk.fold.change_run(Moment::now(), |run| run.plan = plan));
            expected = Some(estimated(&rehearsed));
        }
        Self::measured(host, Some((inputs, expected)), None, stopped, paused).await.map(Some)
    }

    /// Whether the release lasts as long as a run is expected to.
    fn lasts(&self, duration_s: f64) -> Result<(), String> {
        if !self.needs_release {
            return Ok(());
        }
        let until = lock(&self.desk).release.as_ref().map(|release| release.until);
        let ends = Moment::now().after_s(duration_s / self.pace());
        match until {
            Some(until) if until >= ends => Ok(()),
            Some(until) => Err(format!(
                "the release ends at {until}, and the run would at about {ends}: release the bench for longer"
            )),
            None => Err("the release has ended: release the bench again".to_owned()),
        }
    }

    async fn measured(
        host: &Arc<Self>,
        begin: Option<(Inputs, Option<Event>)>,
        earlier: Option<RunId>,
        stop: watch::Receiver<bool>,
        pause: watch::Receiver<bool>,
    ) -> Result<Measured, String> {
        let mut teller = Teller::new(Arc::clone(host));
        let has_fields = |inputs: &Inputs| inputs.recipe.as_ref().is_some_and(|recipe| recipe.hall.is_some());
        let asks = match (&begin, earlier) {
            (Some((inputs, _)), _) => has_fields(inputs),
            (None, Some(run)) => {
                let frozen = Records::read(&host.journal).and_then(|records| records.inputs(run));
                frozen.map_or(true, |(inputs, ..)| has_fields(&inputs))
            }
            (None, None) => true,
        };
        let mut person = Person { host: Arc::clone(host), asks };
        let hands = Hands { rack: &host.rack, fields: &mut person, observer: &mut teller, stop, pause };
        let span = tracing::info_span!("run", bench = host.name, run = tracing::field::Empty);
        let carried_out = async {
            match (begin, earlier) {
                (Some((inputs, expected)), _) => measure_with(&inputs, expected, &host.journal, hands).await,
                (None, Some(run)) => resume(run, &host.journal, hands).await,
                (None, None) => Err(Error::Simulation("nothing is asked for".to_owned())),
            }
        };
        let carried_out = async {
            tokio::select! {
                biased;
                measured = carried_out => measured,
                () = host.keep_pace() => Err(Error::Simulation("time ended".to_owned())),
            }
        };
        carried_out.instrument(span).await.map_err(|error| error.to_string())
    }

    /// Holds virtual time back so that it goes only so many times as fast as a wall's. Never returns.
    async fn keep_pace(&self) {
        let Some(Simulated::Virtual(Some(pace))) = self.simulated else {
            return std::future::pending().await;
        };
        loop {
            tokio::time::sleep(STEP.mul_f64(pace)).await;
            // What a runtime waits for on its blocking threads holds its virtual time.
            #[allow(clippy::disallowed_methods)]
            let wait = tokio::task::spawn_blocking(|| std::thread::sleep(STEP));
            if wait.await.is_err() {
                return std::future::pending().await;
            }
        }
    }

    /// Leaves on the desk how a run ended, and whether the bench may take the next.
    fn settle(&self, ticket: u64, resumed: Option<RunId>, came: Result<Option<Measured>, String>) {
        let now = Moment::now();
        let blocked = match &came {
            Ok(Some(measured)) => unverified(&measured.outcome.stand_down),
            Ok(None) | Err(_) => None,
        };
        self.at_desk(|desk| {
            let stopped_by = desk.going.take().and_then(|going| going.stopped_by);
            let stopped_by = stopped_by.map_or_else(String::new, |by| format!(", by {by}"));
            desk.asked = None;
            let begun = desk.fold.view().run.as_ref().and_then(|run| run.run);
            let mut state = BenchState::Ready;
            match &came {
                Ok(Some(measured)) => {
                    let (how, end, mut saying) = ended(&measured.outcome);
                    if end == Some(EndState::Stopped) {
                        saying.push_str(&stopped_by);
                    }
                    if how == RunState::Paused {
                        desk.parked = Some(measured.run);
                        state = BenchState::Paused;
                    }
                    desk.fold.end(now, how, end, saying);
                    // Told by the run itself: the record may have failed.
                    desk.fold.stood_down(now, output_state(&measured.outcome.stand_down.output.to_string()));
                    match end {
                        Some(EndState::Failed) => desk.turn_away(FAILED),
                        // Who stopped it may have their hands on the leads.
                        Some(EndState::Stopped) => desk.turn_away(STOPPED),
                        _ => {}
                    }
                    for complaint in &measured.complaints {
                        tracing::warn!(
                            bench = self.name,
                            run = measured.run.0,
                            "the bench complains: {complaint}"
                        );
                    }
                }
                Ok(None) => {
                    desk.fold.end(
                        now,
                        RunState::Ended,
                        Some(EndState::Stopped),
                        format!("stopped before it began{stopped_by}"),
                    );
                    desk.turn_away(STOPPED);
                }
                // Nothing was begun: it waits as before.
                Err(why) if resumed.is_some() => {
                    desk.fold.end(now, RunState::Interrupted, None, format!("could not go on: {why}"));
                    (desk.parked, state) = (resumed, BenchState::Paused);
                }
                Err(why) => {
                    desk.fold.end(now, RunState::Ended, Some(EndState::Failed), why.clone());
                    desk.turn_away(FAILED);
                }
            }
            let reason = match (&came, begun) {
                (_, Some(_)) => None,
                (Err(why), None) => Some(why.clone()),
                (Ok(_), None) => Some(format!("stopped before it began{stopped_by}")),
            };
            desk.ticket(ticket, |ticket| {
                ticket.run = begun;
                ticket.state = if begun.is_some() { TicketState::Begun } else { TicketState::NotBegun };
                ticket.reason = reason;
            });
            desk.fold.change(now, |view| (view.state, view.asks) = (state, None));
        });
        let run = self.view().run.as_ref().and_then(|run| run.run);
        if let Some(run) = run {
            self.reduce(RunId(run));
        }
        if let Some(why) = blocked {
            self.block(&why);
        }
    }

    /// Reduces what counts of a run so far, and shows it.
    pub(super) fn reduce(&self, run: RunId) {
        let reduced = Records::read(&self.journal).and_then(|records| records.reduced(run));
        match reduced {
            Ok(reduction) => {
                let points = Point::of(&reduction);
                self.at_desk(|desk| {
                    desk.fold.change_run(Moment::now(), |shown| {
                        if shown.run == Some(run.0) {
                            shown.results = points;
                        }
                    });
                });
            }
            Err(error) => tracing::debug!(bench = self.name, run = run.0, "no results yet: {error}"),
        }
    }
}

/// What those who watch a run may want of it.
struct Wishes {
    stopped: watch::Receiver<bool>,
    paused: watch::Receiver<bool>,
}

/// Makes an order the run in work.
fn taken_up(desk: &mut Desk, job: &Job) -> Wishes {
    let (stop, stopped) = watch::channel(false);
    let (pause, paused) = watch::channel(false);
    let most_v = match &job.what {
        What::Begin(begin) => begin.1.most_v,
        What::Resume(_) => desk.fold.view().run.as_ref().map_or(f64::INFINITY, |run| run.plan.most_v),
    };
    let (ticket, by, since) = (job.ticket, job.by.clone(), Moment::now());
    desk.going = Some(Going { ticket, by, since, most_v, stop, pause, stopped_by: None });
    Wishes { stopped, paused }
}

/// Why a bench may not take work after it was stood down.
fn unverified(down: &StandDown) -> Option<String> {
    (down.output != Output::Verified).then(|| {
        let told = down.failures.iter().map(|failure| format!("; {failure}"));
        format!("its output is not verified off ({}){}", down.output, told.collect::<String>())
    })
}

fn ended(outcome: &Outcome) -> (RunState, Option<EndState>, String) {
    match &outcome.ending {
        Ending::Finished => (RunState::Ended, Some(EndState::Finished), "finished".to_owned()),
        Ending::Stopped => (RunState::Ended, Some(EndState::Stopped), "stopped".to_owned()),
        Ending::Paused(next) => (RunState::Paused, None, format!("paused before round {next}")),
        Ending::Failed(failure) => (RunState::Ended, Some(EndState::Failed), failure.to_string()),
    }
}
