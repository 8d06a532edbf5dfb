//! The JSON interface, versioned by path, and its description by OpenAPI 3.1, made from the handlers themselves.

// The macro that describes parameters names their types in full.
#![allow(unused_qualifications)]

pub(crate) mod admin;
pub(crate) mod benches;
mod events;
mod health;
pub(crate) mod records;
pub(crate) mod rehearsals;
pub(crate) mod runs;
pub(crate) mod sent;

pub use benches::{BenchLine, Benches, Confirmed, Wanted};
pub use records::{EntryPage, RunDetail, RunLine, Runs};
pub use rehearsals::{Rehearsal, RehearsalState};
pub use runs::Start;

use crate::guard;
use crate::limits::LARGEST_BODY;
use crate::page;
use crate::problem::{Problem, Refusal};
use crate::site::Site;
use crate::who::{self, Look};
use axum::extract::DefaultBodyLimit;
use axum::{Json, Router, middleware};
use http::{Method, StatusCode, Uri};
use std::sync::Arc;
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Quadrille",
        version = "1",
        description = "Benches that measure sheet resistance, carrier density and mobility. Not a protective device: \
            people are protected by interlocks, enclosures and procedures. Every refusal is a problem of RFC 9457 whose \
            `instead` says what to do instead. `x-right` names the right that an operation needs."
    ),
    components(schemas(Problem)),
    modifiers(&Security),
    tags(
        (name = "benches", description = "What is true now, and what a bench is asked to do"),
        (name = "records", description = "What the journals keep"),
        (name = "administration", description = "Sessions, tokens, audit record"),
        (name = "operations", description = "For those who keep the daemon running"),
    )
)]
struct Description;

/// The two ways of saying who one is.
struct Security;

impl utoipa::Modify for Security {
    fn modify(&self, openapi: &mut utoipa::openapi::OpenApi) {
        use utoipa::openapi::security::{ApiKey, ApiKeyValue, HttpAuthScheme, HttpBuilder, SecurityScheme};
        let components = openapi.components.get_or_insert_with(Default::default);
        let token = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).description(Some("A token")).build();
        components.add_security_scheme("token", SecurityScheme::Http(token));
        let session = ApiKey::Cookie(ApiKeyValue::new(who::COOKIE));
        components.add_security_scheme("session", SecurityScheme::ApiKey(session));
    }
}

fn described() -> (Router<Arc<Site>>, utoipa::openapi::OpenApi) {
    OpenApiRouter::with_openapi(Description::openapi())
        .routes(routes!(benches::list))
        .routes(routes!(benches::view))
        .routes(routes!(benches::documents))
        .routes(routes!(benches::plan))
        .routes(routes!(rehearsals::begin))
        .routes(routes!(rehearsals::view))
        .routes(routes!(events::follow))
        .routes(routes!(runs::start, records::runs))
        .routes(routes!(runs::ticket, runs::withdraw))
        .routes(routes!(runs::stop))
        .routes(routes!(runs::pause))
        .routes(routes!(runs::resume))
        .routes(routes!(benches::confirm_field))
        .routes(routes!(benches::clear))
        .routes(routes!(records::run))
        .routes(routes!(records::view))
        .routes(routes!(records::entries))
        .routes(routes!(records::readings))
        .routes(routes!(records::results))
        .routes(routes!(admin::session, admin::begin_session, admin::end_session))
        .routes(routes!(admin::tokens))
        .routes(routes!(admin::revoke))
        .routes(routes!(admin::audit))
        .routes(routes!(health::metrics))
        .routes(routes!(health::live))
        .routes(routes!(health::ready))
        .split_for_parts()
}

/// The description of the interface, OpenAPI 3.1.
pub fn description() -> utoipa::openapi::OpenApi {
    described().1
}

/// Everything that the daemon answers, behind everything that it checks.
pub(crate) fn router(site: &Arc<Site>) -> Router {
    let (routes, description) = described();
    let description = Arc::new(description);
    let openapi = move |_: Look| async move { Json(Arc::clone(&description)) };
    routes
        .route("/api/v1/openapi.json", axum::routing::get(openapi))
        .merge(page::routes())
        .fallback(nothing)
        .method_not_allowed_fallback(not_so)
        .layer(DefaultBodyLimit::max(LARGEST_BODY))
        .layer(middleware::from_fn_with_state(Arc::clone(site), guard::count))
        .layer(middleware::from_fn_with_state(Arc::clone(site), who::find))
        .layer(middleware::from_fn_with_state(Arc::clone(site), guard::check))
        .layer(tower_http::catch_panic::CatchPanicLayer::custom(panicked))
        .with_state(Arc::clone(site))
}

async fn nothing(uri: Uri) -> Refusal {
    let path = who::short(uri.path());
    Refusal::missing(format!("there is nothing at {path}"), "look at /api/v1/openapi.json for what there is")
}

async fn not_so(method: Method) -> Refusal {
    Refusal::new(
        StatusCode::METHOD_NOT_ALLOWED,
        "wrong-method",
        format!("{} is not understood here", who::short(method.as_str())),
        "look at /api/v1/openapi.json for what is",
    )
}

fn panicked(_: Box<dyn std::any::Any + Send + 'static>) -> axum::response::Response {
    use axum::response::IntoResponse;
    tracing::error!("a handler failed");
    let instead = "look at the daemon's log; the bench goes on";
    Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "failed", "the program failed", instead).into_response()
}
