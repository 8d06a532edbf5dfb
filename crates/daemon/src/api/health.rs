//! For those who keep the daemon running: whether it lives, whether its benches take work, and numbers.

use crate::metrics;
use crate::problem::{Problem, Refusal};
use crate::site::Site;
use crate::view::BenchState;
use crate::who::Look;
use axum::Json;
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use http::{StatusCode, header};
use serde::Serialize;
use std::sync::Arc;
use utoipa::ToSchema;

/// Whether the daemon is well.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Health {
    /// Whether it is.
    well: bool,
    /// Benches that take no work.
    blocked: usize,
}

/// Numbers in the OpenMetrics text form.
#[utoipa::path(get, path = "/metrics", tag = "operations", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    responses((status = 200, body = String, content_type = "application/openmetrics-text"),
        (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn metrics(State(site): State<Arc<Site>>, _: Look) -> Result<Response, Refusal> {
    let text = metrics::text(&site).map_err(|error| {
        Refusal::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "failed",
            error.to_string(),
            "look at the daemon's log",
        )
    })?;
    let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    Ok(([(header::CONTENT_TYPE, kind)], text).into_response())
}

/// Whether the daemon answers at all.
#[utoipa::path(get, path = "/health/live", tag = "operations", security(()), extensions(("x-right" = json!("none"))),
    responses((status = 200, body = Health)))]
pub(crate) async fn live() -> Json<Health> {
    Json(Health { well: true, blocked: 0 })
}

/// Whether every bench was stood down and none is blocked.
#[utoipa::path(get, path = "/health/ready", tag = "operations", security(()), extensions(("x-right" = json!("none"))),
    responses((status = 200, body = Health), (status = 503, body = Health)))]
pub(crate) async fn ready(State(site): State<Arc<Site>>) -> (StatusCode, Json<Health>) {
    let states = site.benches.values().map(|host| host.view().state);
    let not_ready = |state: &BenchState| matches!(state, BenchState::Blocked | BenchState::StandingDown);
    let blocked = states.filter(not_ready).count();
    let status = if blocked == 0 { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (status, Json(Health { well: blocked == 0, blocked }))
}
