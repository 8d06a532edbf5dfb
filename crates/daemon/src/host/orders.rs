//! What may be asked of a bench: orders, stops, pauses, releases. Each changes the desk, and wakes the thread.

use super::desk::{Order, Release, Ticket, TicketState, What};
use super::{Host, lock};
use crate::moment::Moment;
use crate::problem::Refusal;
use crate::view::{BenchState, EndState, RunState};
use quadrille_operations::{Records, RunId};
use quadrille_quantity::Tesla;
use std::time::Duration;

/// Longest release: a person who was at the bench a day and a half ago knows nothing of it. Ours.
const LONGEST_RELEASE: Duration = Duration::from_secs(36 * 3600);

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
        let found = lock(&self.desk).tickets.iter().find(|ticket| ticket.ticket == number).cloned();
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
            if let Some(job) = desk.queue.remove(place) {
                desk.park_again(&job);
            }
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
                let ended = EndState::Stopped;
                desk.fold.end(now, RunState::Ended, Some(ended), ending);
                // What blocks a bench is not mended by a run that ends.
                desk.fold.change(now, |view| {
                    if view.state != BenchState::Blocked {
                        view.state = BenchState::Ready;
                    }
                });
                desk.turn_away(super::work::STOPPED);
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
            let (state, is_closing) = (desk.fold.view().state, desk.is_closing);
            if is_closing || state != BenchState::Paused {
                let (detail, instead) = match (is_closing, state) {
                    (true, _) => ("the daemon is ending", "resume it when the daemon has begun again"),
                    (_, BenchState::Blocked) => ("the bench is blocked", "go and look, then clear the bench"),
                    _ => ("the bench is not at rest yet", "resume it in a moment"),
                };
                return Err(Refusal::conflict("not-at-rest", detail, instead));
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
        let desk = lock(&self.desk);
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
            let desk = lock(&self.desk);
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
            if lock(&self.desk).is_over {
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
