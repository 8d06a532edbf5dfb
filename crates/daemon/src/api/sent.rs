//! Bodies, paths and queries of requests, each refused as a problem where it is wrong.

use crate::guard::too_large;
use crate::problem::Refusal;
use axum::extract::rejection::JsonRejection;
use axum::extract::{FromRequest, FromRequestParts, Request};
use http::StatusCode;
use http::request::Parts;
use serde::de::DeserializeOwned;

/// A body of JSON.
pub(crate) struct Sent<T>(pub(crate) T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Sent<T> {
    type Rejection = Refusal;

    async fn from_request(request: Request, state: &S) -> Result<Self, Refusal> {
        match axum::Json::<T>::from_request(request, state).await {
            Ok(axum::Json(found)) => Ok(Self(found)),
            Err(rejection) if rejection.status() == StatusCode::PAYLOAD_TOO_LARGE => Err(too_large()),
            Err(JsonRejection::MissingJsonContentType(_)) => Err(Refusal::new(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "not-json",
                "the body is not said to be JSON",
                "send Content-Type: application/json",
            )),
            Err(JsonRejection::JsonSyntaxError(error)) => {
                Err(Refusal::new(StatusCode::BAD_REQUEST, "not-json", error.body_text(), "send JSON"))
            }
            Err(rejection) => {
                Err(Refusal::unprocessable(rejection.body_text(), "send what /api/v1/openapi.json describes"))
            }
        }
    }
}

/// Parts of the path.
pub(crate) struct InPath<T>(pub(crate) T);

impl<S: Send + Sync, T: DeserializeOwned + Send> FromRequestParts<S> for InPath<T> {
    type Rejection = Refusal;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Refusal> {
        let found = axum::extract::Path::<T>::from_request_parts(parts, state).await;
        found.map(|found| Self(found.0)).map_err(|rejection| {
            Refusal::missing(rejection.body_text(), "write the number that the list shows")
        })
    }
}

/// The query.
pub(crate) struct InQuery<T>(pub(crate) T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequestParts<S> for InQuery<T> {
    type Rejection = Refusal;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Refusal> {
        let found = axum::extract::Query::<T>::from_request_parts(parts, state).await;
        found.map(|found| Self(found.0)).map_err(|rejection| {
            Refusal::new(
                StatusCode::BAD_REQUEST,
                "wrong-query",
                rejection.body_text(),
                "write what /api/v1/openapi.json describes",
            )
        })
    }
}

/// Does something that blocks, a read of a journal for one, where it delays no other request.
pub(crate) async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    tokio::task::spawn_blocking(work).await.unwrap_or_else(|_| {
        let instead = "look at the daemon's log; the bench goes on";
        Err(Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "failed", "the program failed", instead))
    })
}
