//! The desk of a bench: what is asked for, who holds the bench, who may energise it, and the snapshot that is shown.

use super::Host;
use crate::moment::Moment;
use crate::problem::Refusal;
use crate::view::{BenchState, Fold, PlanView, Queued, ReleaseView, RunState};
use http::StatusCode;
use quadrille_operations::{Inputs, Records, RunId};
use quadrille_quantity::Tesla;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;
use tokio::sync::{oneshot, watch};
use utoipa::ToSchema;

/// Tickets whose fate is remembered.
const REMEMBERED: usize = 256;

/// Runs that may wait for a bench.
const MOST_WAITING: usize = 100;

/// Longest release: a person who was at the bench a day and a half ago knows nothing of it. Ours.
const LONGEST_RELEASE: Duration = Duration::from_secs(36 * 3600);

/// What is asked of a bench.
pub struct Order {
    /// Who asks.
    pub by: String,
    /// The documents, read.
    pub inputs: Inputs,
    /// Their plan.
    pub plan: PlanView,
    /// Names of the samples, as they were asked for.
    pub samples: Vec<String>,
    /// Name of the recipe, likewise.
    pub recipe: String,
    /// Whether it may wait for others.
    pub may_wait: bool,
}

/// An order that was taken.
pub(super) struct Job {
    pub(super) ticket: u64,
    pub(super) by: String,
    pub(super) at: Moment,
    pub(super) what: What,
    pub(super) samples: Vec<String>,
    pub(super) recipe: String,
}

/// What a job is.
pub(super) enum What {
    Begin(Box<(Inputs, PlanView)>),
    Resume(RunId),
}

/// Who holds a bench.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Hold {
    /// Who.
    pub by: String,
    /// Since when.
    pub since: Moment,
    /// The run, once it has a number.
    pub run: Option<i64>,
}

/// What became of an order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Ticket {
    /// Its number.
    pub ticket: u64,
    /// What became of it.
    pub state: TicketState,
    /// The run, once it has a number.
    pub run: Option<i64>,
    /// Why it was not begun, and what to do instead.
    pub reason: Option<String>,
}

/// What became of an order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TicketState {
    /// It waits for the bench.
    Waiting,
    /// Its rehearsal is under way.
    Preparing,
    /// It is a run of the journal.
    Begun,
    /// It was not begun.
    NotBegun,
}

/// Leave to energise a bench.
#[derive(Clone, Debug, PartialEq)]
pub struct Release {
    /// Up to this voltage.
    pub up_to_v: f64,
    /// Until then.
    pub until: Moment,
    /// Who gave it.
    pub by: String,
}

/// A run that goes on.
pub(super) struct Going {
    pub(super) ticket: u64,
    pub(super) by: String,
    pub(super) since: Moment,
    pub(super) most_v: f64,
    pub(super) stop: watch::Sender<bool>,
    pub(super) pause: watch::Sender<bool>,
    /// Who wanted it to stop.
    pub(super) stopped_by: Option<String>,
}

/// What lies on the desk.
pub(super) struct Desk {
    pub(super) fold: Fold,
    pub(super) queue: VecDeque<Job>,
    pub(super) going: Option<Going>,
    /// A run that waits to be resumed.
    pub(super) parked: Option<RunId>,
    /// The answer to a field that a person is asked for.
    pub(super) asked: Option<oneshot::Sender<Result<Tesla, String>>>,
    pub(super) release: Option<Release>,
    pub(super) tickets: VecDeque<Ticket>,
    /// Somebody has looked at a bench that is blocked.
    pub(super) look_again: bool,
    pub(super) is_closing: bool,
    /// The thread has ended.
    pub(super) is_over: bool,
    next_ticket: u64,
}

impl Desk {
    pub(super) fn new(fold: Fold) -> Self {
        Self {
            fold,
            queue: VecDeque::new(),
            going: None,
            parked: None,
            asked: None,
            release: None,
            tickets: VecDeque::new(),
            look_again: false,
            is_closing: false,
            is_over: false,
            next_ticket: 1,
        }
    }

    /// Writes into the snapshot what lies on the desk.
    pub(super) fn tidy(&mut self, now: Moment, heard: &BTreeMap<String, Moment>) {
        self.release = self.release.take().filter(|release| release.until > now);
        let release = self.release.as_ref().map(|release| ReleaseView {
            up_to_v: release.up_to_v,
            until: release.until,
            by: release.by.clone(),
        });
        let waiting = self.queue.iter().map(|job| Queued {
            ticket: job.ticket,
            by: job.by.clone(),
            at: job.at,
            samples: job.samples.clone(),
            recipe: job.recipe.clone(),
            plan_sha256: match &job.what {
                What::Begin(begin) => begin.1.sha256.clone(),
                What::Resume(_) => String::new(),
            },
        });
        let waiting = waiting.collect();
        self.fold.change(now, |view| {
            view.release = release;
            view.queue = waiting;
            for instrument in &mut view.instruments {
                instrument.last_answer = heard.get(&instrument.name).copied().or(instrument.last_answer);
            }
        });
    }

    fn take(&mut self, by: String, what: What, samples: Vec<String>, recipe: String) -> Ticket {
        let ticket =
            Ticket { ticket: self.next_ticket, state: TicketState::Waiting, run: None, reason: None };
        self.next_ticket += 1;
        self.queue.push_back(Job { ticket: ticket.ticket, by, at: Moment::now(), what, samples, recipe });
        self.tickets.push_back(ticket.clone());
        if self.tickets.len() > REMEMBERED {
            self.tickets.pop_front();
        }
        ticket
    }

    pub(super) fn ticket(&mut self, number: u64, change: impl FnOnce(&mut Ticket)) {
        if let Some(ticket) = self.tickets.iter_mut().find(|ticket| ticket.ticket == number) {
            change(ticket);
        }
    }

    /// Whoever waits is told why it is not begun.
    pub(super) fn turn_away(&mut self, why: &str) {
        for job in std::mem::take(&mut self.queue) {
            self.ticket(job.ticket, |ticket| {
                (ticket.state, ticket.reason) = (TicketState::NotBegun, Some(why.to_owned()));
            });
        }
    }

    fn hold(&self) -> Option<Hold> {
        let run = self.fold.view().run.as_ref().and_then(|run| run.run);
        if let Some(going) = &self.going {
            return Some(Hold { by: going.by.clone(), since: going.since, run });
        }
        self.queue.front().map(|job| Hold { by: job.by.clone(), since: job.at, run: None })
    }

    /// Why a bench takes no order now.
    fn refuse(&self, may_wait: bool) -> Result<(), Refusal> {
        let view = self.fold.view();
        if self.is_closing {
            let instead = "wait until the daemon is started again";
            return Err(Refusal::new(StatusCode::SERVICE_UNAVAILABLE, "closing", "the daemon ends", instead));
        }
        if view.state == BenchState::Blocked {
            let why = view.reason.clone().unwrap_or_default();
            let instead = "look at the bench, then clear it (POST …/clear) with the right to maintain";
            return Err(Refusal::conflict("blocked", format!("the bench is blocked: {why}"), instead));
        }
        if let Some(run) = self.parked {
            let waits = view.run.as_ref().map_or("paused", |run| match run.state {
                RunState::Interrupted => "interrupted",
                _ => "paused",
            });
            let instead = "resume it, or stop it; then start";
            return Err(Refusal::conflict(
                "parked",
                format!("run {run} is {waits} and holds the bench"),
                instead,
            )
            .with(serde_json::json!({ "run": run.0 })));
        }
        if let Some(hold) = self.hold().filter(|_| !may_wait) {
            let detail = format!("{} started a run here at {}", hold.by, hold.since);
            let instead = "wait for it, or start with \"queue\": true";
            return Err(Refusal::conflict("busy", detail, instead).with(serde_json::json!({ "hold": hold })));
        }
        if self.queue.len() >= MOST_WAITING {
            let detail = format!("{MOST_WAITING} runs wait for this bench");
            return Err(Refusal::conflict("full", detail, "wait until some are done"));
        }
        Ok(())
    }

    /// Whether a bench that needs a release has one for a voltage.
    fn released(&self, most_v: f64) -> Result<(), Refusal> {
        let instead = format!(
            "the person at the bench runs `quadrille release {} --up-to-v {most_v} --hours 12` on its machine",
            self.fold.view().bench
        );
        let no = |detail: String| Err(Refusal::new(StatusCode::FORBIDDEN, "not-released", detail, &instead));
        match self.release.as_ref().filter(|release| release.until > Moment::now()) {
            None => no("nobody at the bench has released it: somebody may have their hands in it".to_owned()),
            Some(release) if release.up_to_v < most_v => no(format!(
                "{} released the bench up to {} V, and this plan may put {most_v} V on the leads",
                release.by, release.up_to_v
            )),
            Some(_) => Ok(()),
        }
    }
}

impl Host {
    /// Takes an order, or says why not, and who holds the bench. What was looked at must be what is planned now: the caller has
    /// compared the hashes.
    pub fn order(&self, order: Order) -> Result<Ticket, Refusal> {
        let needs_release = self.needs_release;
        let taken = self.at_desk(|desk| {
            desk.refuse(order.may_wait)?;
            if needs_release {
                desk.released(order.plan.most_v)?;
            }
            let what = What::Begin(Box::new((order.inputs, order.plan)));
            Ok(desk.take(order.by, what, order.samples, order.recipe))
        });
        self.wake.notify_one();
        taken
    }

    /// What became of an order.
    pub fn ticket(&self, number: u64) -> Result<Ticket, Refusal> {
        let found = super::lock(&self.desk).tickets.iter().find(|ticket| ticket.ticket == number).cloned();
        found.ok_or_else(|| {
            Refusal::missing(format!("no order {number} is remembered"), "look at the list of runs")
        })
    }

    /// Takes an order out of the queue before it begins.
    pub fn withdraw(&self, number: u64, by: &str) -> Result<Ticket, Refusal> {
        self.at_desk(|desk| {
            let Some(place) = desk.queue.iter().position(|job| job.ticket == number) else {
                let instead = "stop the run instead, where it has begun";
                return Err(Refusal::conflict("begun", format!("order {number} does not wait"), instead));
            };
            desk.queue.remove(place);
            desk.ticket(number, |ticket| {
                (ticket.state, ticket.reason) = (TicketState::NotBegun, Some(format!("withdrawn by {by}")));
            });
            Ok(desk.tickets.iter().find(|ticket| ticket.ticket == number).cloned())
        })?
        .ok_or_else(|| Refusal::missing("no such order", "look at the queue"))
    }

    /// Stops the run in work, or ends one that waits to be resumed. The bench stands down; that it does is seen in the snapshot.
    pub fn stop(&self, by: &str) -> Result<(), Refusal> {
        let parked = self.at_desk(|desk| {
            if let Some(going) = &mut desk.going {
                going.stop.send_replace(true);
                going.stopped_by.get_or_insert_with(|| by.to_owned());
                let saying = format!("told to stop by {by}: stands down");
                desk.fold.change_run(Moment::now(), |run| {
                    (run.state, run.saying) = (RunState::Stopping, saying);
                });
                return Ok(None);
            }
            let nothing = || Refusal::conflict("nothing-to-stop", "no run goes on here", "start one first");
            desk.parked.take().map(Some).ok_or_else(nothing)
        })?;
        if let Some(run) = parked {
            let ending = format!("stopped while it waited, by {by}");
            let ended = Records::open(&self.journal).and_then(|mut records| records.end(run, &ending));
            if let Err(error) = ended {
                self.at_desk(|desk| desk.parked = Some(run));
                return Err(Refusal::of(&error));
            }
            self.at_desk(|desk| {
                let now = Moment::now();
                let ended = crate::view::EndState::Stopped;
                desk.fold.end(now, RunState::Ended, Some(ended), ending);
                desk.fold.change(now, |view| view.state = BenchState::Ready);
            });
            self.wake.notify_one();
        }
        Ok(())
    }

    /// Lets the run in work pause after its round.
    pub fn pause(&self, by: &str) -> Result<(), Refusal> {
        self.at_desk(|desk| {
            let Some(going) = &desk.going else {
                return Err(Refusal::conflict("nothing-to-pause", "no run goes on here", "start one first"));
            };
            going.pause.send_replace(true);
            desk.fold.change_run(Moment::now(), |run| {
                if run.state == RunState::Running {
                    run.state = RunState::Pausing;
                }
                run.saying = format!("told by {by} to pause after the round: {}", run.saying);
            });
            Ok(())
        })
    }

    /// Goes on with a run that waits.
    pub fn resume(&self, run: i64, by: &str) -> Result<Ticket, Refusal> {
        let (_, plan, _) = self.records()?.inputs(RunId(run)).map_err(|error| Refusal::of(&error))?;
        let needs_release = self.needs_release;
        let taken = self.at_desk(|desk| {
            if desk.parked != Some(RunId(run)) {
                let instead = "look at the bench: it shows which run waits, if any does";
                return Err(Refusal::conflict(
                    "not-parked",
                    format!("run {run} does not wait here"),
                    instead,
                ));
            }
            if needs_release {
                let limits = plan.samples.iter().map(|sample| sample.settings.voltage_limit.0);
                let shown = desk.fold.view().run.as_ref().map(|run| run.plan.most_v);
                desk.released(shown.unwrap_or_else(|| limits.fold(0.0, f64::max)))?;
            }
            desk.parked = None;
            desk.fold.change(Moment::now(), |view| view.state = BenchState::Ready);
            let names = plan.samples.iter().map(|sample| sample.name.clone()).collect();
            Ok(desk.take(by.to_owned(), What::Resume(RunId(run)), names, String::new()))
        });
        self.wake.notify_one();
        taken
    }

    /// A person has set the field that was asked for.
    pub fn confirm_field(&self, confirmed: f64) -> Result<(), Refusal> {
        let asked = self.at_desk(|desk| desk.asked.take());
        let Some(asked) = asked else {
            return Err(Refusal::conflict(
                "not-asked",
                "nobody is asked for a field now",
                "wait until it is",
            ));
        };
        // A run that ended in this moment needs no answer.
        let _ = asked.send(Ok(Tesla(confirmed)));
        Ok(())
    }

    /// A person has looked at a bench that is blocked: it is stood down again, and takes work where its output is verified off.
    pub fn clear(&self) -> Result<(), Refusal> {
        self.at_desk(|desk| {
            if desk.fold.view().state != BenchState::Blocked {
                return Err(Refusal::conflict("not-blocked", "the bench is not blocked", "just start"));
            }
            desk.look_again = true;
            Ok(())
        })?;
        self.wake.notify_one();
        Ok(())
    }

    /// A person at the bench allows it to be energised.
    pub fn release(&self, up_to_v: f64, lasting: Duration, by: String) -> Result<Release, Refusal> {
        let most = self.view().most_v;
        if !(up_to_v > 0.0 && up_to_v <= most) {
            let detail = format!("the bench document allows up to {most} V");
            return Err(Refusal::unprocessable(detail, "release it up to that, or less"));
        }
        if lasting.is_zero() || lasting > LONGEST_RELEASE {
            let detail = "a release lasts more than nothing, and 36 hours at most";
            return Err(Refusal::unprocessable(detail, "release it for less, and again when you are there"));
        }
        let release = Release { up_to_v, until: Moment::now().after(lasting), by };
        self.at_desk(|desk| desk.release = Some(release.clone()));
        self.wake.notify_one();
        Ok(release)
    }

    /// A person takes the release back: a run that needs it stops and stands down.
    pub fn withdraw_release(&self) {
        self.at_desk(|desk| desk.release = None);
        if self.needs_release {
            self.stop_unreleased();
        }
    }

    /// Whether the run that is about to begin may energise the bench now.
    pub(super) fn still_released(&self) -> Result<(), String> {
        let desk = super::lock(&self.desk);
        match desk.going.as_ref().filter(|_| self.needs_release) {
            Some(going) => desk.released(going.most_v).map_err(|refusal| refusal.to_string()),
            None => Ok(()),
        }
    }

    /// Stops a run that has no release any more, or none for its voltage.
    pub(crate) fn stop_unreleased(&self) {
        if !self.needs_release {
            return;
        }
        let has_none = {
            let desk = super::lock(&self.desk);
            desk.going
                .as_ref()
                .is_some_and(|going| !*going.stop.borrow() && desk.released(going.most_v).is_err())
        };
        if has_none && self.stop("the end of the release").is_err() {
            tracing::debug!(bench = self.name, "the run ended with its release");
        }
    }

    /// Waits until the thread has ended: the bench is at rest then.
    pub async fn over(&self) {
        loop {
            let over = self.over.notified();
            if super::lock(&self.desk).is_over {
                return;
            }
            over.await;
        }
    }

    /// The daemon ends: a run stops and stands down, nothing is begun any more.
    pub fn close(&self) {
        self.at_desk(|desk| {
            desk.is_closing = true;
            desk.turn_away("the daemon ended; start it again");
            if let Some(going) = &mut desk.going {
                going.stop.send_replace(true);
                going.stopped_by.get_or_insert_with(|| "the end of the daemon".to_owned());
            }
        });
        self.wake.notify_one();
    }
}
