//! Refusals: what was not done, why, and what to do instead; as problem details of RFC 9457 on the wire.

use axum::Json;
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, StatusCode, header};
use quadrille_operations::Error;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Why something was not done, and what to do instead.
#[derive(Clone, Debug, PartialEq)]
pub struct Refusal {
    /// Status of the answer.
    pub status: StatusCode,
    /// Kind of problem, in a word for programs.
    pub kind: &'static str,
    /// What is wrong, in a sentence.
    pub detail: String,
    /// What to do instead.
    pub instead: String,
    /// What else a program may want to know.
    pub more: Option<Box<serde_json::Value>>,
}

/// A refusal on the wire: problem details of RFC 9457.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Problem {
    /// A reference to the kind of problem.
    #[serde(rename = "type")]
    pub kind: String,
    /// The status in words.
    pub title: String,
    /// The status.
    pub status: u16,
    /// What is wrong, in a sentence.
    pub detail: String,
    /// What to do instead.
    pub instead: String,
    /// What else a program may want to know: faults of documents, who holds a bench, the plan's hash now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub more: Option<serde_json::Value>,
}

impl Refusal {
    /// Of any status.
    pub fn new(
        status: StatusCode,
        kind: &'static str,
        detail: impl Into<String>,
        instead: impl Into<String>,
    ) -> Self {
        Self { status, kind, detail: detail.into(), instead: instead.into(), more: None }
    }

    /// A request that is understood and wrong.
    pub fn unprocessable(detail: impl Into<String>, instead: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, "wrong-request", detail, instead)
    }

    /// Something that is not in a state for it.
    pub fn conflict(kind: &'static str, detail: impl Into<String>, instead: impl Into<String>) -> Self {
        Self::new(StatusCode::CONFLICT, kind, detail, instead)
    }

    /// Something that is not there.
    pub fn missing(detail: impl Into<String>, instead: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not-found", detail, instead)
    }

    /// With more for programs.
    #[must_use]
    pub fn with(self, more: serde_json::Value) -> Self {
        Self { more: Some(Box::new(more)), ..self }
    }

    /// Of an error of an operation.
    pub fn of(error: &Error) -> Self {
        let said = error.to_string();
        match error {
            Error::Documents(faults) => {
                let told = faults.0.iter().map(|fault| {
                    let place = &fault.place;
                    serde_json::json!({
                        "document": &*place.document, "line": place.line, "column": place.column,
                        "key": place.key, "problem": fault.problem, "remedy": fault.remedy,
                    })
                });
                let told: Vec<serde_json::Value> = told.collect();
                let instead = "mend the documents on the machine at the lines that are told";
                Self::new(StatusCode::UNPROCESSABLE_ENTITY, "documents", said, instead)
                    .with(serde_json::json!({ "faults": told }))
            }
            Error::NoSuchRun(_) => Self::missing(said, "look at the list of runs"),
            Error::Reduction(_) => {
                Self::conflict("no-result", said, "wait for more rounds, or look at the readings")
            }
            Error::Instrument(_) | Error::Simulation(_) | Error::Journal(_) => Self::new(
                StatusCode::INTERNAL_SERVER_ERROR,
                "failed",
                said,
                "look at the bench and at the machine, then try again",
            ),
        }
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        Self {
            kind: format!("/problems/{}", refusal.kind),
            title: refusal.status.canonical_reason().unwrap_or("Refused").to_owned(),
            status: refusal.status.as_u16(),
            detail: refusal.detail,
            instead: refusal.instead,
            more: refusal.more.map(|more| *more),
        }
    }
}

impl std::fmt::Display for Refusal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}; {}", self.detail, self.instead)
    }
}

impl std::error::Error for Refusal {}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let status = self.status;
        let mut response = (status, Json(Problem::from(self))).into_response();
        let kind = HeaderValue::from_static("application/problem+json");
        response.headers_mut().insert(header::CONTENT_TYPE, kind);
        if status == StatusCode::UNAUTHORIZED {
            let bearer = HeaderValue::from_static("Bearer realm=\"quadrille\"");
            response.headers_mut().insert(header::WWW_AUTHENTICATE, bearer);
        }
        response
    }
}
