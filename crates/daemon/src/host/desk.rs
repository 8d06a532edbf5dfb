//! The desk of a bench: what is asked for, who holds the bench, who may energise it, and the snapshot that is shown.

use crate::moment::Moment;
use crate::problem::Refusal;
use crate::view::{BenchState, Fold, PlanView, Queued, ReleaseView, RunState};
use http::StatusCode;
use quadrille_operations::{Inputs, RunId};
use quadrille_quantity::Tesla;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};
use tokio::sync::{oneshot, watch};
use utoipa::ToSchema;

/// Tickets whose fate is remembered.
const REMEMBERED: usize = 256;

/// Runs that may wait for a bench.
const MOST_WAITING: usize = 100;

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

    pub(super) fn take(&mut self, by: String, what: What, samples: Vec<String>, recipe: String) -> Ticket {
        let ticket =
            Ticket { ticket: self.next_ticket, state: TicketState::Waiting, run: None, reason: None };
        self.next_ticket += 1;
        let goes_on = matches!(what, What::Resume(_));
        let job = Job { ticket: ticket.ticket, by, at: Moment::now(), what, samples, recipe };
        // What was begun is ended before anything else begins.
        if goes_on {
            self.queue.push_front(job)
        } else {
            self.queue.push_back(job)
        }
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
            self.park_again(&job);
            self.ticket(job.ticket, |ticket| {
                (ticket.state, ticket.reason) = (TicketState::NotBegun, Some(why.to_owned()));
            });
        }
    }

    /// A run that was to go on, and does not: it waits as before.
    pub(super) fn park_again(&mut self, job: &Job) {
        if let What::Resume(run) = job.what {
            self.parked = Some(run);
            self.fold.change(Moment::now(), |view| {
                if view.state != BenchState::Blocked {
                    view.state = BenchState::Paused;
                }
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
    pub(super) fn refuse(&self, may_wait: bool) -> Result<(), Refusal> {
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
    pub(super) fn released(&self, most_v: f64) -> Result<(), Refusal> {
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
