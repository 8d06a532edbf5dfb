//! The page for people: routes that show [`crate::view`] snapshots. Asks nothing of instruments and decides nothing.

use crate::site::Site;
use axum::Router;
use std::sync::Arc;

/// Routes of the page. Each handler that shows something of a bench takes [`crate::who::Look`]; assets need nobody.
pub(crate) fn routes() -> Router<Arc<Site>> {
    Router::new()
}
