//! Runs begun, paused, resumed and stopped.

use super::sent::{InPath, Sent, aside};
use crate::host::{Order, Ticket};
use crate::problem::{Problem, Refusal};
use crate::site::Site;
use crate::who::{Look, Operate, Principal};
use axum::Json;
use axum::extract::State;
use http::{HeaderMap, StatusCode};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use tokio::sync::Mutex;
use utoipa::ToSchema;

/// Starts that are remembered by their keys.
const REMEMBERED: usize = 10_000;

/// A start.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Start {
    /// Sample documents by their names on the machine, one at least.
    pub samples: Vec<String>,
    /// The recipe document.
    pub recipe: String,
    /// SHA-256 of the plan that was looked at, in hexadecimal. A plan that is another by now is not begun.
    #[serde(default)]
    pub plan_sha256: Option<String>,
    /// Whether it waits for the runs before it; otherwise a bench that is busy refuses.
    #[serde(default)]
    pub queue: bool,
}

/// Starts by who made them and the keys that they gave: what was asked for, and what was answered, where that is known.
#[derive(Default)]
pub(crate) struct Starts(Mutex<Remembered>);

#[derive(Default)]
pub(crate) struct Remembered {
    known: BTreeMap<(String, String), (String, Option<Ticket>)>,
    order: VecDeque<(String, String)>,
}

impl Remembered {
    fn keep(&mut self, key: (String, String), asked: String, ticket: Option<Ticket>) {
        if self.known.insert(key.clone(), (asked, ticket)).is_none() {
            self.order.push_back(key);
        }
        if self.order.len() > REMEMBERED
            && let Some(oldest) = self.order.pop_front()
        {
            self.known.remove(&oldest);
        }
    }
}

impl Starts {
    /// With the starts that an earlier life of the daemon has written into its audit record.
    pub(crate) fn from_record(lines: impl Iterator<Item = crate::audit::Line>) -> Self {
        let mut known = Remembered::default();
        for line in lines.filter(|line| line.act.act == "start" && line.act.outcome == "done") {
            let text = |key: &str| line.act.of.get(key).and_then(|text| text.as_str()).map(str::to_owned);
            if let (Some(key), Some(asked)) = (text("key"), text("asked")) {
                known.keep((line.act.who.clone(), key), asked, None);
            }
        }
        Self(Mutex::new(known))
    }
}

/// What of a start must be the same when it is sent again.
fn asked(bench: &str, start: &Start) -> String {
    use sha2::{Digest, Sha256};
    let text = json!([bench, start.samples, start.recipe, start.plan_sha256, start.queue]).to_string();
    crate::audit::hexadecimal(&Sha256::digest(text))
}

fn key(headers: &HeaderMap) -> Result<String, Refusal> {
    let key = headers.get("idempotency-key").and_then(|key| key.to_str().ok()).map(str::trim);
    let key = key.filter(|key| (1..=200).contains(&key.len()));
    key.map(str::to_owned).ok_or_else(|| {
        Refusal::new(
            StatusCode::BAD_REQUEST,
            "no-key",
            "a start needs an Idempotency-Key of 1 to 200 characters",
            "send a text that is new for each start, and the same when you send that start again",
        )
    })
}

/// Starts a run. Sent again with the same key it starts nothing and is answered alike.
#[utoipa::path(post, path = "/api/v1/benches/{bench}/runs", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("operate"))),
    params(("bench" = String, Path, description = "Name of the bench"),
        ("Idempotency-Key" = String, Header, description = "New for each start, the same when it is sent again",
            min_length = 1, max_length = 200)),
    request_body = Start,
    responses((status = 202, body = Ticket), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn start(
    State(site): State<Arc<Site>>,
    Operate(who): Operate,
    InPath(bench): InPath<String>,
    headers: HeaderMap,
    Sent(start): Sent<Start>,
) -> Result<(StatusCode, Json<Ticket>), Refusal> {
    let host = Arc::clone(site.bench(&bench)?);
    // One start after the other: two with one key are one, and of two people one wins.
    let mut starts = site.starts.0.lock().await;
    let of = json!({ "samples": start.samples, "recipe": start.recipe, "plan_sha256": start.plan_sha256 });
    let key = match key(&headers) {
        Ok(key) => (who.name.clone(), key),
        Err(refusal) => return site.written(&who, "start", Some(&bench), of, Err(refusal)),
    };
    let asked = asked(&bench, &start);
    if let Some((before, ticket)) = starts.known.get(&key) {
        let came = again(before == &asked, ticket.as_ref());
        return match came {
            Ok(ticket) => Ok((StatusCode::ACCEPTED, Json(host.ticket(ticket.ticket).unwrap_or(ticket)))),
            Err(refusal) => site.written(&who, "start", Some(&bench), of, Err(refusal)),
        };
    }
    let by = who.name.clone();
    let (own, at) = (start.clone(), Arc::clone(&host));
    let came = aside(move || ordered(&at, &own, by)).await;
    let taken = came.as_ref().ok().map(|ticket| ticket.ticket);
    let of = json!({
        "samples": start.samples, "recipe": start.recipe, "plan_sha256": start.plan_sha256, "key": key.1,
        "asked": asked, "ticket": taken,
    });
    let ticket = match (site.written(&who, "start", Some(&bench), of, came), taken) {
        (Ok(ticket), _) => ticket,
        (Err(refusal), None) => return Err(refusal),
        (Err(refusal), Some(taken)) => {
            // What could not be written down is not done: out of the queue, or stopped where it has begun by now.
            if host.withdraw(taken, "the daemon").is_err() && host.stop("the daemon").is_err() {
                tracing::error!("a start that is not in the audit record is over already");
            }
            return Err(refusal);
        }
    };
    starts.keep(key, asked, Some(ticket.clone()));
    Ok((StatusCode::ACCEPTED, Json(ticket)))
}

/// A start that was sent again.
fn again(is_same: bool, ticket: Option<&Ticket>) -> Result<Ticket, Refusal> {
    match ticket {
        _ if !is_same => Err(Refusal::conflict(
            "key-taken",
            "this Idempotency-Key was given with another start",
            "give each start a key of its own",
        )),
        Some(ticket) => Ok(ticket.clone()),
        None => Err(Refusal::conflict(
            "taken-before",
            "this start was taken before the daemon was started again",
            "look at the list of runs for what became of it; start anew with a new key",
        )),
    }
}

fn ordered(host: &crate::host::Host, start: &Start, by: String) -> Result<Ticket, Refusal> {
    let (inputs, plan) = host.plan(&start.samples, &start.recipe)?;
    let now = json!({ "plan_sha256": plan.sha256 });
    match &start.plan_sha256 {
        None => {
            let instead = "look at the plan (POST …/plans), and send its sha256 as plan_sha256";
            Err(Refusal::new(
                StatusCode::PRECONDITION_REQUIRED,
                "no-plan",
                "a start names the plan that was looked at",
                instead,
            )
            .with(now))
        }
        Some(looked_at) if !looked_at.eq_ignore_ascii_case(&plan.sha256) => {
            let detail = "the plan is another than the one that was looked at: a document was changed since";
            let instead = "look at the plan again (POST …/plans), then start that";
            Err(Refusal::conflict("plan-changed", detail, instead).with(now))
        }
        Some(_) => host.order(Order {
            by,
            inputs,
            plan,
            samples: start.samples.clone(),
            recipe: start.recipe.clone(),
            may_wait: start.queue,
        }),
    }
}

/// What became of an order.
#[utoipa::path(get, path = "/api/v1/benches/{bench}/orders/{ticket}", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    params(("bench" = String, Path, description = "Name of the bench"), ("ticket" = u64, Path, description = "Number of the order")),
    responses((status = 200, body = Ticket), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn ticket(
    State(site): State<Arc<Site>>,
    _: Look,
    InPath((bench, ticket)): InPath<(String, u64)>,
) -> Result<Json<Ticket>, Refusal> {
    Ok(Json(site.bench(&bench)?.ticket(ticket)?))
}

/// Takes an order out of the queue.
#[utoipa::path(delete, path = "/api/v1/benches/{bench}/orders/{ticket}", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("operate"))),
    params(("bench" = String, Path, description = "Name of the bench"), ("ticket" = u64, Path, description = "Number of the order")),
    responses((status = 200, body = Ticket), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn withdraw(
    State(site): State<Arc<Site>>,
    Operate(who): Operate,
    InPath((bench, ticket)): InPath<(String, u64)>,
) -> Result<Json<Ticket>, Refusal> {
    let came = site.bench(&bench)?.withdraw(ticket, &who.name);
    Ok(Json(site.written(&who, "withdraw", Some(&bench), json!({ "ticket": ticket }), came)?))
}

/// Stops the run in work, and stands the bench down; ends a run that waits to be resumed.
#[utoipa::path(post, path = "/api/v1/benches/{bench}/stop", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("operate"))), params(("bench" = String, Path, description = "Name of the bench")),
    responses((status = 202), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn stop(
    State(site): State<Arc<Site>>,
    Operate(who): Operate,
    InPath(bench): InPath<String>,
) -> Result<StatusCode, Refusal> {
    let host = Arc::clone(site.bench(&bench)?);
    let run = run_of(&host);
    let by = who.name.clone();
    // Switching off waits for no record.
    let came = aside(move || host.stop(&by)).await;
    asked_for(&site, &who, "stop", &bench, run, came)
}

/// Lets the run in work pause after its round; the bench is at rest then.
#[utoipa::path(post, path = "/api/v1/benches/{bench}/pause", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("operate"))), params(("bench" = String, Path, description = "Name of the bench")),
    responses((status = 202), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn pause(
    State(site): State<Arc<Site>>,
    Operate(who): Operate,
    InPath(bench): InPath<String>,
) -> Result<StatusCode, Refusal> {
    let host = site.bench(&bench)?;
    let (run, came) = (run_of(host), host.pause(&who.name));
    asked_for(&site, &who, "pause", &bench, run, came)
}

/// Goes on with a run that was paused, or in which the daemon ended, from the first round that is not complete.
#[utoipa::path(post, path = "/api/v1/benches/{bench}/runs/{run}/resume", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("operate"))),
    params(("bench" = String, Path, description = "Name of the bench"), ("run" = i64, Path, description = "Number of the run")),
    responses((status = 202, body = Ticket), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn resume(
    State(site): State<Arc<Site>>,
    Operate(who): Operate,
    InPath((bench, run)): InPath<(String, i64)>,
) -> Result<(StatusCode, Json<Ticket>), Refusal> {
    let host = Arc::clone(site.bench(&bench)?);
    let by = who.name.clone();
    let came = aside(move || host.resume(run, &by)).await;
    let ticket = site.written(&who, "resume", Some(&bench), json!({ "run": run }), came)?;
    Ok((StatusCode::ACCEPTED, Json(ticket)))
}

fn run_of(host: &crate::host::Host) -> Option<i64> {
    host.view().run.as_ref().and_then(|run| run.run)
}

fn asked_for(
    site: &Site,
    who: &Principal,
    act: &str,
    bench: &str,
    run: Option<i64>,
    came: Result<(), Refusal>,
) -> Result<StatusCode, Refusal> {
    site.written(who, act, Some(bench), json!({ "run": run }), came)?;
    Ok(StatusCode::ACCEPTED)
}
