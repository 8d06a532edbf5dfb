//! Sessions, tokens and the audit record.

use super::sent::{InPath, InQuery, Sent, aside};
use crate::audit::Line;
use crate::problem::{Problem, Refusal};
use crate::sessions::LASTING;
use crate::site::Site;
use crate::tokens::{Right, Token};
use crate::who::{COOKIE, Look, Maintain, Peer, Principal, cookie, knock};
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use http::{HeaderMap, StatusCode, header};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::io::BufRead;
use std::sync::Arc;
use utoipa::{IntoParams, ToSchema};

/// Lines of the audit record in one answer.
const MOST: usize = 1000;

/// A token that begins a session.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Given {
    /// The secret.
    token: String,
}

/// Who somebody is here.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub(crate) struct You {
    /// Name of the token.
    name: String,
    /// What it allows.
    rights: Vec<Right>,
}

/// A token in a list: no secret, and no hash of one.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub(crate) struct TokenLine {
    /// Whose.
    name: String,
    /// What it allows.
    rights: Vec<Right>,
    /// Until when.
    expires: crate::moment::Moment,
    /// Whether it is good now.
    good: bool,
}

/// Lines of the audit record.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub(crate) struct Audited {
    /// The lines, each with its hash and that of the line before it.
    #[schema(value_type = Vec<serde_json::Value>)]
    lines: Vec<Line>,
}

/// Which lines.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct After {
    /// Those after this number.
    #[serde(default)]
    #[param(minimum = 0)]
    after: i64,
}

/// Who you are here.
#[utoipa::path(get, path = "/api/v1/session", tag = "administration", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    responses((status = 200, body = You), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn session(Look(who): Look) -> Json<You> {
    let rights = Right::ALL.into_iter().filter(|right| who.may(*right)).collect();
    Json(You { name: who.name, rights })
}

/// Begins a session of a browser: a cookie instead of the token.
#[utoipa::path(post, path = "/api/v1/session", tag = "administration", security(()),
    extensions(("x-right" = json!("none"))), request_body = Given,
    responses((status = 204), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn begin_session(
    State(site): State<Arc<Site>>,
    peer: Option<Extension<Peer>>,
    Sent(Given { token }): Sent<Given>,
) -> Result<Response, Refusal> {
    let Some(tokens) = &site.tokens else { return Ok(StatusCode::NO_CONTENT.into_response()) };
    let from = peer.map_or_else(String::new, |peer| peer.0.0.ip().to_string());
    let Some(token) = tokens.of(token.trim()) else {
        let refusal = Refusal::new(
            StatusCode::UNAUTHORIZED,
            "no-token",
            "the token is no good: unknown, expired or revoked",
            "ask whoever keeps the daemon's machine for a token (`quadrille token add`)",
        );
        knock(&site, &Principal::stranger(from), "session", &refusal);
        return Err(refusal);
    };
    let who = Principal::with_rights(&token.name, from, &token.rights);
    let secret = site.sessions.begin(&token.sha256).map_err(|error| {
        Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "failed", error.to_string(), "try again")
    })?;
    site.note(&who, "session", None, serde_json::Value::Null, "done".to_owned())?;
    let secure = if site.is_tls { "; Secure" } else { "" };
    let cookie = format!(
        "{COOKIE}={secret}; Path=/; HttpOnly; SameSite=Strict; Max-Age={}{secure}",
        LASTING.as_secs()
    );
    Ok((StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie)]).into_response())
}

/// Ends the session.
#[utoipa::path(delete, path = "/api/v1/session", tag = "administration", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    responses((status = 204), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn end_session(State(site): State<Arc<Site>>, _: Look, headers: HeaderMap) -> Response {
    if let Some(secret) = cookie(&headers) {
        site.sessions.end(secret);
    }
    let gone = format!("{COOKIE}=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0");
    (StatusCode::NO_CONTENT, [(header::SET_COOKIE, gone)]).into_response()
}

fn no_tokens() -> Refusal {
    let instead = "write tokens = true in the daemon's document";
    Refusal::conflict("no-tokens", "this daemon needs no tokens: it serves this machine alone", instead)
}

/// The tokens, without their secrets.
#[utoipa::path(get, path = "/api/v1/tokens", tag = "administration", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("maintain"))),
    responses((status = 200, body = Vec<TokenLine>), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn tokens(
    State(site): State<Arc<Site>>,
    _: Maintain,
) -> Result<Json<Vec<TokenLine>>, Refusal> {
    let tokens = site.tokens.as_ref().ok_or_else(no_tokens)?;
    let failed = |error: crate::tokens::TokenError| {
        Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "failed", error.to_string(), "look at the file")
    };
    let now = crate::moment::Moment::now();
    let line = |token: Token| TokenLine {
        good: token.is_good(now),
        name: token.name,
        rights: token.rights.into_iter().collect(),
        expires: token.expires,
    };
    Ok(Json(tokens.list().map_err(failed)?.into_iter().map(line).collect()))
}

/// Takes a token back; its sessions end.
#[utoipa::path(post, path = "/api/v1/tokens/{name}/revoke", tag = "administration", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("maintain"))), params(("name" = String, Path, description = "Name of the token")),
    responses((status = 204), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn revoke(
    State(site): State<Arc<Site>>,
    Maintain(who): Maintain,
    InPath(name): InPath<String>,
) -> Result<StatusCode, Refusal> {
    let came = site.tokens.as_ref().ok_or_else(no_tokens).and_then(|tokens| {
        tokens
            .revoke(&name)
            .map_err(|error| Refusal::missing(error.to_string(), "look at the list of tokens"))
    });
    site.written(&who, "revoke", None, json!({ "token": name }), came)?;
    Ok(StatusCode::NO_CONTENT)
}

/// The audit record.
#[utoipa::path(get, path = "/api/v1/audit", tag = "administration", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("maintain"))), params(After),
    responses((status = 200, body = Audited), (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn audit(
    State(site): State<Arc<Site>>,
    _: Maintain,
    InQuery(After { after }): InQuery<After>,
) -> Result<Json<Audited>, Refusal> {
    let Ok(after) = u64::try_from(after) else {
        let instead = "ask after 0 or more";
        return Err(Refusal::new(StatusCode::BAD_REQUEST, "wrong-query", "no such line", instead));
    };
    aside(move || {
        let failed = |error: std::io::Error| {
            let instead = "look at the disk of the daemon's machine";
            Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "failed", error.to_string(), instead)
        };
        let file = std::fs::File::open(site.audit.path()).map_err(failed)?;
        let mut lines = Vec::new();
        for line in std::io::BufReader::new(file).lines() {
            let line: Option<Line> = serde_json::from_str(&line.map_err(failed)?).ok();
            lines.extend(line.filter(|line| line.n > after));
            if lines.len() >= MOST {
                break;
            }
        }
        Ok(Json(Audited { lines }))
    })
    .await
}
