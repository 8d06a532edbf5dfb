//! What is true of a bench, its documents and their plans; and what a person at it confirms.

use super::sent::{InPath, Sent, aside};
use crate::problem::{Problem, Refusal};
use crate::site::Site;
use crate::view::{BenchState, BenchView, Documents, OutputState, PlanView};
use crate::who::{Look, Maintain, Operate};
use axum::Json;
use axum::extract::State;
use http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::sync::Arc;
use utoipa::ToSchema;

/// The benches.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Benches {
    /// By name.
    pub benches: Vec<BenchLine>,
}

/// A bench in a list.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct BenchLine {
    /// Name in paths.
    pub bench: String,
    /// Name by its document.
    pub title: String,
    /// What it does.
    pub state: BenchState,
    /// The source's output.
    pub output: OutputState,
    /// The run in work, or the last one.
    pub run: Option<i64>,
    /// What that does, in a sentence.
    pub saying: Option<String>,
}

/// Documents by their names on the machine.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Wanted {
    /// Sample documents, one at least.
    pub samples: Vec<String>,
    /// The recipe document.
    pub recipe: String,
}

/// A field that a person has set.
#[derive(Clone, Copy, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Confirmed {
    /// The field at the sample, in teslas.
    pub field_t: f64,
}

/// The benches of this daemon.
#[utoipa::path(get, path = "/api/v1/benches", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    responses((status = 200, body = Benches), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn list(State(site): State<Arc<Site>>, _: Look) -> Json<Benches> {
    let line = |host: &Arc<crate::host::Host>| {
        let view = host.view();
        BenchLine {
            bench: view.bench.clone(),
            title: view.title.clone(),
            state: view.state,
            output: view.output.state,
            run: view.run.as_ref().and_then(|run| run.run),
            saying: view.run.as_ref().map(|run| run.saying.clone()),
        }
    };
    Json(Benches { benches: site.benches.values().map(line).collect() })
}

/// What is true of a bench now.
#[utoipa::path(get, path = "/api/v1/benches/{bench}", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))), params(("bench" = String, Path, description = "Name of the bench")),
    responses((status = 200, body = BenchView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn view(
    State(site): State<Arc<Site>>,
    _: Look,
    InPath(bench): InPath<String>,
) -> Result<Json<Arc<BenchView>>, Refusal> {
    Ok(Json(site.bench(&bench)?.view()))
}

/// The documents that may be asked for.
#[utoipa::path(get, path = "/api/v1/benches/{bench}/documents", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))), params(("bench" = String, Path, description = "Name of the bench")),
    responses((status = 200, body = Documents), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn documents(
    State(site): State<Arc<Site>>,
    _: Look,
    InPath(bench): InPath<String>,
) -> Result<Json<Documents>, Refusal> {
    let host = Arc::clone(site.bench(&bench)?);
    aside(move || Ok(Json(host.library.list()))).await
}

/// The plan of documents, with the hash that a start names. Touches nothing.
#[utoipa::path(post, path = "/api/v1/benches/{bench}/plans", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("operate"))), params(("bench" = String, Path, description = "Name of the bench")),
    request_body = Wanted,
    responses((status = 200, body = PlanView), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn plan(
    State(site): State<Arc<Site>>,
    _: Operate,
    InPath(bench): InPath<String>,
    Sent(wanted): Sent<Wanted>,
) -> Result<Json<PlanView>, Refusal> {
    let host = Arc::clone(site.bench(&bench)?);
    aside(move || Ok(Json(host.plan(&wanted.samples, &wanted.recipe)?.1))).await
}

/// Says that a person has set the field that the bench asks for.
#[utoipa::path(post, path = "/api/v1/benches/{bench}/field", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("operate"))), params(("bench" = String, Path, description = "Name of the bench")),
    request_body = Confirmed,
    responses((status = 204), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn confirm_field(
    State(site): State<Arc<Site>>,
    Operate(who): Operate,
    InPath(bench): InPath<String>,
    Sent(confirmed): Sent<Confirmed>,
) -> Result<StatusCode, Refusal> {
    let host = site.bench(&bench)?;
    let came = if confirmed.field_t.is_finite() && confirmed.field_t.abs() <= 100.0 {
        host.confirm_field(confirmed.field_t)
    } else {
        Err(Refusal::unprocessable("that is no field of a laboratory", "send teslas, from -100 to 100"))
    };
    let of = json!({ "field_t": confirmed.field_t });
    site.written(&who, "confirm field", Some(&bench), of, came)?;
    Ok(StatusCode::NO_CONTENT)
}

/// Says that a person has looked at a bench that is blocked: it is stood down again, and takes work if its output is verified off.
#[utoipa::path(post, path = "/api/v1/benches/{bench}/clear", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("maintain"))), params(("bench" = String, Path, description = "Name of the bench")),
    responses((status = 202), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn clear(
    State(site): State<Arc<Site>>,
    Maintain(who): Maintain,
    InPath(bench): InPath<String>,
) -> Result<StatusCode, Refusal> {
    let host = site.bench(&bench)?;
    let why = host.view().reason.clone();
    site.written(&who, "clear", Some(&bench), json!({ "was": why }), host.clear())?;
    Ok(StatusCode::ACCEPTED)
}
