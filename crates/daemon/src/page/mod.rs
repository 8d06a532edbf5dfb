//! The page for people: routes that show [`crate::view`] snapshots, and forms that do what the JSON interface does, by its own
//! handlers. Asks nothing of instruments and decides nothing.
//!
//! What is shown is made by pure functions from snapshots: the line ([`sentence`]), the night ([`band`], [`ink`]), the sample
//! ([`drawing`]), the results ([`plot`], [`results`]). Everything can be read without scripts; with them parts of the sheet are
//! shown anew when they have changed.

mod acts;
mod axis;
mod band;
mod compose;
mod drawing;
mod html;
mod ink;
mod live;
mod plot;
mod records;
mod results;
mod rounds;
#[cfg(test)]
mod sample;
mod sections;
mod sentence;
mod sheet;
mod wiring;
mod words;

use crate::site::Site;
use axum::Router;
use axum::response::IntoResponse;
use axum::routing::{get, post};
use http::header;
use std::sync::Arc;

/// How long a browser may keep what never changes while the daemon lives.
const KEPT: &str = "public, max-age=300";

/// Routes of the page. Each handler that shows something of a bench takes [`crate::who::Look`]; assets need nobody.
pub(crate) fn routes() -> Router<Arc<Site>> {
    Router::new()
        .route("/", get(sheet::benches))
        .route("/session", post(acts::begin_session))
        .route("/audit", get(records::audit))
        .route("/benches/{bench}", get(sheet::sheet))
        .route("/benches/{bench}/sheet/events", get(live::follow))
        .route("/benches/{bench}/sheet/{part}", get(sheet::part))
        .route("/benches/{bench}/stop", post(acts::stop))
        .route("/benches/{bench}/pause", post(acts::pause))
        .route("/benches/{bench}/resume", post(acts::resume))
        .route("/benches/{bench}/field", post(acts::field))
        .route("/benches/{bench}/clear", post(acts::clear))
        .route("/benches/{bench}/withdraw", post(acts::withdraw))
        .route("/benches/{bench}/compose", get(compose::compose))
        .route("/benches/{bench}/rehearse", post(compose::rehearse))
        .route("/benches/{bench}/rehearsals/{rehearsal}", get(compose::rehearsal))
        .route("/benches/{bench}/start", post(compose::start))
        .route("/benches/{bench}/bench", get(wiring::bench))
        .route("/benches/{bench}/records", get(records::records))
        .route("/benches/{bench}/runs/{run}", get(sheet::past))
        .route("/benches/{bench}/runs/{run}/rounds/{round}", get(sheet::round))
        .route("/benches/{bench}/runs/{run}/plots.svg", get(sheet::plots))
        .route("/benches/{bench}/runs/{run}/results.csv", get(sheet::results_csv))
        .route(
            "/assets/page.css",
            get(async || asset("text/css; charset=utf-8", include_str!("../../assets/page.css"))),
        )
        .route(
            "/assets/page.js",
            get(async || asset("text/javascript; charset=utf-8", include_str!("../../assets/page.js"))),
        )
        .route(
            "/assets/icon.svg",
            get(async || asset("image/svg+xml", include_str!("../../assets/icon.svg"))),
        )
}

fn asset(kind: &'static str, text: &'static str) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, KEPT)], text)
}
