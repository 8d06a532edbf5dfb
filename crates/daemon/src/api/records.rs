//! What the journals keep: runs, their readings and events, their results.

use super::sent::{InPath, InQuery, aside};
use crate::host::{Host, event_data, reading_data, retell};
use crate::moment::Moment;
use crate::problem::{Problem, Refusal};
use crate::site::Site;
use crate::view::{Point, RunView};
use crate::who::Look;
use axum::Json;
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use http::header;
use quadrille_operations::{Entry, Placed, RunId};
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use utoipa::{IntoParams, ToSchema};

/// Entries in one answer.
const MOST: u32 = 1000;

/// The runs of a bench.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Runs {
    /// Oldest first.
    pub runs: Vec<RunLine>,
}

/// A run in a list.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct RunLine {
    /// Its number.
    pub run: i64,
    /// `measure` or `verify`.
    pub kind: String,
    /// Names of the samples.
    pub sample: String,
    /// When it began.
    pub begun: String,
    /// When it ended; `None` while it goes on or waits.
    pub ended: Option<String>,
    /// How it ended, in words.
    pub ending: Option<String>,
    /// How many readings it has.
    pub readings: u64,
}

/// A run and what it was made of.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct RunDetail {
    /// The run.
    #[serde(flatten)]
    pub line: RunLine,
    /// SHA-256 of its plan.
    pub plan_sha256: String,
    /// Its plan, in full.
    pub plan: serde_json::Value,
    /// Its documents as they were.
    pub documents: Vec<FrozenDocument>,
}

/// A document as a run has frozen it.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct FrozenDocument {
    /// The file's name.
    pub name: String,
    /// SHA-256 of its text.
    pub sha256: String,
    /// Its text.
    pub text: String,
}

/// Readings and events of a run, in order.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct EntryPage {
    /// The entries.
    pub entries: Vec<RunEntry>,
    /// Ask after this place for those that follow; `None` where these are all there are by now.
    pub next: Option<i64>,
}

/// A reading or an event.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct RunEntry {
    /// Place in the run, from 1.
    pub sequence: i64,
    /// `reading`, or the event's word.
    pub kind: String,
    /// What was kept.
    pub data: serde_json::Value,
}

/// Which entries.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct After {
    /// Those after this place; all from the first after 0.
    #[serde(default)]
    #[param(minimum = 0)]
    after: i64,
    /// At most so many.
    #[serde(default = "most")]
    #[param(minimum = 1, maximum = 1000)]
    limit: u32,
}

fn most() -> u32 {
    MOST
}

fn line(line: &quadrille_operations::RunLine) -> RunLine {
    RunLine {
        run: line.run.0,
        kind: line.kind.clone(),
        sample: line.sample.clone(),
        begun: line.begun.clone(),
        ended: line.ended.clone(),
        ending: line.ending.clone(),
        readings: line.readings,
    }
}

/// The kind of an entry, and what streams and lists show of it.
pub(crate) fn shown(placed: &Placed) -> (String, serde_json::Value) {
    let at = Moment::parse(&placed.kept).unwrap_or_else(Moment::now);
    match &placed.entry {
        Entry::Reading(pair) => ("reading".to_owned(), reading_data(at, &pair.0, &pair.1)),
        Entry::Event(event) => (crate::host::word(event), event_data(at, event)),
    }
}

async fn of<T: Send + 'static>(
    site: &Site,
    bench: &str,
    read: impl FnOnce(&Host) -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    let host = Arc::clone(site.bench(bench)?);
    aside(move || read(&host)).await
}

/// The runs of a bench.
#[utoipa::path(get, path = "/api/v1/benches/{bench}/runs", tag = "records", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))), params(("bench" = String, Path, description = "Name of the bench")),
    responses((status = 200, body = Runs), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn runs(
    State(site): State<Arc<Site>>,
    _: Look,
    InPath(bench): InPath<String>,
) -> Result<Json<Runs>, Refusal> {
    of(&site, &bench, |host| {
        let runs = host.records()?.runs().map_err(|error| Refusal::of(&error))?;
        Ok(Json(Runs { runs: runs.iter().map(line).collect() }))
    })
    .await
}

/// A run with its plan and its documents.
#[utoipa::path(get, path = "/api/v1/benches/{bench}/runs/{run}", tag = "records", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    params(("bench" = String, Path, description = "Name of the bench"), ("run" = i64, Path, description = "Number of the run")),
    responses((status = 200, body = RunDetail), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn run(
    State(site): State<Arc<Site>>,
    _: Look,
    InPath((bench, run)): InPath<(String, i64)>,
) -> Result<Json<RunDetail>, Refusal> {
    of(&site, &bench, move |host| {
        let records = host.records()?;
        let failed = |error| Refusal::of(&error);
        let (plan, plan_sha256) = records.frozen_plan(RunId(run)).map_err(failed)?;
        let runs = records.runs().map_err(failed)?;
        let found = runs.iter().find(|line| line.run.0 == run).map(line);
        let found =
            found.ok_or_else(|| Refusal::missing("there is no such run", "look at the list of runs"))?;
        let documents = records.documents(RunId(run)).map_err(failed)?.into_iter();
        let documents = documents.map(|document| FrozenDocument {
            // A path of this machine is nobody's business.
            name: document.name.rsplit('/').next().unwrap_or_default().to_owned(),
            sha256: document.sha256,
            text: document.text,
        });
        let plan = serde_json::from_str(&plan).unwrap_or_default();
        Ok(Json(RunDetail { line: found, plan_sha256, plan, documents: documents.collect() }))
    })
    .await
}

/// A run as its bench showed it: rounds, gaps, notes, results.
#[utoipa::path(get, path = "/api/v1/benches/{bench}/runs/{run}/view", tag = "records", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    params(("bench" = String, Path, description = "Name of the bench"), ("run" = i64, Path, description = "Number of the run")),
    responses((status = 200, body = RunView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn view(
    State(site): State<Arc<Site>>,
    _: Look,
    InPath((bench, run)): InPath<(String, i64)>,
) -> Result<Json<RunView>, Refusal> {
    of(&site, &bench, move |host| run_view(host, run).map(Json)).await
}

/// A run from the snapshot where it is shown there, or else from its record.
pub(crate) fn run_view(host: &Host, run: i64) -> Result<RunView, Refusal> {
    let view = host.view();
    if let Some(shown) = view.run.as_ref().filter(|shown| shown.run == Some(run)) {
        return Ok(shown.clone());
    }
    retell(&host.records()?, RunId(run), host.pace()).map_err(|error| Refusal::of(&error))
}

/// Readings and events of a run, in order.
#[utoipa::path(get, path = "/api/v1/benches/{bench}/runs/{run}/entries", tag = "records", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    params(("bench" = String, Path, description = "Name of the bench"), ("run" = i64, Path, description = "Number of the run"), After),
    responses((status = 200, body = EntryPage), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn entries(
    State(site): State<Arc<Site>>,
    _: Look,
    InPath((bench, run)): InPath<(String, i64)>,
    InQuery(After { after, limit }): InQuery<After>,
) -> Result<Json<EntryPage>, Refusal> {
    if after < 0 || !(1..=MOST).contains(&limit) {
        let instead = format!("ask after 0 or more, for 1 to {MOST}");
        return Err(Refusal::new(
            http::StatusCode::BAD_REQUEST,
            "wrong-query",
            "no such part of a run",
            instead,
        ));
    }
    of(&site, &bench, move |host| {
        let placed = host.records()?.after(RunId(run), after, limit as usize);
        let placed = placed.map_err(|error| Refusal::of(&error))?;
        let next = placed.last().filter(|_| placed.len() == limit as usize).map(|last| last.sequence);
        let entries = placed.iter().map(|placed| {
            let (kind, data) = shown(placed);
            RunEntry { sequence: placed.sequence, kind, data }
        });
        Ok(Json(EntryPage { entries: entries.collect(), next }))
    })
    .await
}

/// The readings of a run that count, as a table that `quadrille reduce` reads.
#[utoipa::path(get, path = "/api/v1/benches/{bench}/runs/{run}/readings.csv", tag = "records", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    params(("bench" = String, Path, description = "Name of the bench"), ("run" = i64, Path, description = "Number of the run")),
    responses((status = 200, body = String, content_type = "text/csv"),
        (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn readings(
    State(site): State<Arc<Site>>,
    _: Look,
    InPath((bench, run)): InPath<(String, i64)>,
) -> Result<Response, Refusal> {
    let table = of(&site, &bench, move |host| {
        host.records()?.readings_csv(RunId(run)).map_err(|error| Refusal::of(&error))
    })
    .await?;
    let name = format!("attachment; filename=\"{bench}-{run}.csv\"");
    let headers =
        [(header::CONTENT_TYPE, "text/csv; charset=utf-8".to_owned()), (header::CONTENT_DISPOSITION, name)];
    Ok((headers, table).into_response())
}

/// What the readings of a run say so far.
#[utoipa::path(get, path = "/api/v1/benches/{bench}/runs/{run}/results", tag = "records", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    params(("bench" = String, Path, description = "Name of the bench"), ("run" = i64, Path, description = "Number of the run")),
    responses((status = 200, body = Vec<Point>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn results(
    State(site): State<Arc<Site>>,
    _: Look,
    InPath((bench, run)): InPath<(String, i64)>,
) -> Result<Json<Vec<Point>>, Refusal> {
    of(&site, &bench, move |host| {
        let reduced = host.records()?.reduced(RunId(run)).map_err(|error| Refusal::of(&error))?;
        Ok(Json(Point::of(&reduced)))
    })
    .await
}
