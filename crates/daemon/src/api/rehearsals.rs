//! Rehearsals on the side: the recipe on a simulated bench in virtual time. No bench is touched, and none waits.

use super::benches::Wanted;
use super::sent::{InPath, Sent, aside};
use crate::host::DEEP;
use crate::moment::Moment;
use crate::problem::{Problem, Refusal};
use crate::site::Site;
use crate::view::{PlanView, Point};
use crate::who::{Look, Operate};
use axum::Json;
use axum::extract::State;
use http::StatusCode;
use quadrille_operations::{Ending, Inputs, SimulationOptions, rehearse};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::Semaphore;
use utoipa::ToSchema;

/// Rehearsals that are remembered.
const REMEMBERED: usize = 64;

/// Rehearsals at a time: they take a processor each.
const AT_ONCE: usize = 1;

/// Rehearsals that wait for that.
const MOST_WAITING: usize = 8;

/// A rehearsal.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct Rehearsal {
    /// Its number.
    pub rehearsal: u64,
    /// Of which bench.
    pub bench: String,
    /// Who asked for it.
    pub by: String,
    /// When.
    pub at: Moment,
    /// How far it is.
    pub state: RehearsalState,
    /// The plan, with the times of its rounds once it is done.
    pub plan: PlanView,
    /// How long the run will take, in seconds.
    pub duration_s: Option<f64>,
    /// How many readings it took.
    pub readings: Option<u64>,
    /// What the readings say.
    pub results: Vec<Point>,
    /// What the simulated bench complained of: a run of this plan would mistreat a real one.
    pub complaints: Vec<String>,
    /// Why it came to no end, or to no result.
    pub reason: Option<String>,
}

/// How far a rehearsal is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RehearsalState {
    /// It waits, or goes on.
    UnderWay,
    /// It came to the end of its plan.
    Done,
    /// It did not.
    Failed,
}

/// The rehearsals of late.
pub(crate) struct Rehearsals {
    known: Mutex<(u64, VecDeque<Rehearsal>)>,
    places: Arc<Semaphore>,
}

impl Default for Rehearsals {
    fn default() -> Self {
        Self { known: Mutex::default(), places: Arc::new(Semaphore::new(AT_ONCE)) }
    }
}

impl Rehearsals {
    fn add(&self, bench: &str, by: String, plan: PlanView) -> Result<Rehearsal, Refusal> {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let waiting = known.1.iter().filter(|known| known.state == RehearsalState::UnderWay).count();
        if waiting > MOST_WAITING {
            let detail = format!("{waiting} rehearsals wait already");
            let instead = "wait until some are done";
            return Err(Refusal::new(StatusCode::TOO_MANY_REQUESTS, "too-many-rehearsals", detail, instead));
        }
        known.0 += 1;
        let rehearsal = Rehearsal {
            rehearsal: known.0,
            bench: bench.to_owned(),
            by,
            at: Moment::now(),
            state: RehearsalState::UnderWay,
            plan,
            duration_s: None,
            readings: None,
            results: Vec::new(),
            complaints: Vec::new(),
            reason: None,
        };
        known.1.push_back(rehearsal.clone());
        if known.1.len() > REMEMBERED {
            known.1.pop_front();
        }
        Ok(rehearsal)
    }

    fn find(&self, bench: &str, number: u64) -> Option<Rehearsal> {
        let known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        known.1.iter().find(|known| known.rehearsal == number && known.bench == bench).cloned()
    }

    fn change(&self, number: u64, change: impl FnOnce(&mut Rehearsal)) {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = known.1.iter_mut().find(|known| known.rehearsal == number) {
            change(known);
        }
    }
}

/// Begins a rehearsal; the bench is not touched.
#[utoipa::path(post, path = "/api/v1/benches/{bench}/rehearsals", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("operate"))), params(("bench" = String, Path, description = "Name of the bench")),
    request_body = Wanted,
    responses((status = 202, body = Rehearsal), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn begin(
    State(site): State<Arc<Site>>,
    Operate(who): Operate,
    InPath(bench): InPath<String>,
    Sent(wanted): Sent<Wanted>,
) -> Result<(StatusCode, Json<Rehearsal>), Refusal> {
    let host = Arc::clone(site.bench(&bench)?);
    let (inputs, plan) = aside(move || host.plan(&wanted.samples, &wanted.recipe)).await?;
    let rehearsal = site.rehearsals.add(&bench, who.name.clone(), plan)?;
    let number = rehearsal.rehearsal;
    let own = Arc::clone(&site);
    tokio::spawn(async move {
        let Ok(_place) = Arc::clone(&own.rehearsals.places).acquire_owned().await else { return };
        let site = Arc::clone(&own);
        // On a thread of its own for its stack; one that panics drops its end of the channel.
        let (tell, done) = tokio::sync::oneshot::channel();
        let rehearsal = move || {
            carry_out(&site, number, &inputs);
            let _ = tell.send(());
        };
        let thread =
            std::thread::Builder::new().name("rehearsal".to_owned()).stack_size(DEEP).spawn(rehearsal);
        if thread.is_err() || done.await.is_err() {
            own.rehearsals.change(number, |known| {
                known.state = RehearsalState::Failed;
                known.reason = Some("the program failed: look at the daemon's log".to_owned());
            });
        }
    });
    Ok((StatusCode::ACCEPTED, Json(rehearsal)))
}

fn carry_out(site: &Site, number: u64, inputs: &Inputs) {
    let rehearsed = rehearse(inputs, SimulationOptions::default(), &mut ());
    site.rehearsals.change(number, |known| match rehearsed {
        Err(error) => {
            known.state = RehearsalState::Failed;
            known.reason = Some(error.to_string());
        }
        Ok(rehearsed) => {
            known.plan.expect(&rehearsed);
            known.duration_s = Some(rehearsed.duration.0);
            known.readings = Some(rehearsed.readings.len() as u64);
            known.complaints = rehearsed.complaints.iter().map(ToString::to_string).collect();
            match &rehearsed.reduction {
                Ok(reduction) => known.results = Point::of(reduction),
                Err(why) => known.reason = Some(why.clone()),
            }
            known.state = match &rehearsed.outcome.ending {
                Ending::Finished => RehearsalState::Done,
                Ending::Failed(failure) => {
                    known.reason = Some(failure.to_string());
                    RehearsalState::Failed
                }
                Ending::Stopped | Ending::Paused(_) => RehearsalState::Failed,
            };
        }
    });
}

/// How far a rehearsal is, and what it found.
#[utoipa::path(get, path = "/api/v1/benches/{bench}/rehearsals/{rehearsal}", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    params(("bench" = String, Path, description = "Name of the bench"), ("rehearsal" = u64, Path, description = "Number of the rehearsal")),
    responses((status = 200, body = Rehearsal), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn view(
    State(site): State<Arc<Site>>,
    _: Look,
    InPath((bench, rehearsal)): InPath<(String, u64)>,
) -> Result<Json<Rehearsal>, Refusal> {
    site.bench(&bench)?;
    let found = site.rehearsals.find(&bench, rehearsal);
    found.map(Json).ok_or_else(|| {
        Refusal::missing(format!("no rehearsal {rehearsal} is remembered here"), "begin another one")
    })
}
