//! Who asks, and whether they may: found before routing, asked for by each handler.

use crate::problem::Refusal;
use crate::site::Site;
use crate::tokens::Right;
use axum::extract::{FromRequestParts, Request, State};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use http::request::Parts;
use http::{HeaderMap, StatusCode, header};
use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::sync::Arc;

/// Name of the cookie of a session.
pub(crate) const COOKIE: &str = "quadrille_session";

/// The other end of a connection.
#[derive(Clone, Copy, Debug)]
pub struct Peer(pub SocketAddr);

/// Who asks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Principal {
    /// Name of the token; `this machine` where none is needed.
    pub name: String,
    /// Address of the client.
    pub from: String,
    rights: BTreeSet<Right>,
}

impl Principal {
    /// Whoever is on this machine, where no tokens are needed.
    pub(crate) fn local(from: String) -> Self {
        Self { name: "this machine".to_owned(), from, rights: Right::ALL.into() }
    }

    /// Somebody without rights.
    pub(crate) fn stranger(from: String) -> Self {
        Self { name: "a stranger".to_owned(), from, rights: BTreeSet::new() }
    }

    pub(crate) fn with_rights(name: &str, from: String, rights: &BTreeSet<Right>) -> Self {
        Self { name: name.to_owned(), from, rights: rights.clone() }
    }

    /// Whether they may.
    pub fn may(&self, right: Right) -> bool {
        self.rights.contains(&right) || right == Right::Look && !self.rights.is_empty()
    }
}

/// Whom a request is from, as found before routing.
#[derive(Clone, Debug)]
pub struct Known(pub Option<Principal>);

/// Finds who asks. A token that is no good is refused, whatever is asked for; none at all is told by what needs one.
pub(crate) async fn find(State(site): State<Arc<Site>>, mut request: Request, next: Next) -> Response {
    let from = request.extensions().get::<Peer>().map_or_else(String::new, |peer| peer.0.ip().to_string());
    let found = match principal(&site, request.headers(), &from) {
        Ok(found) => found,
        Err(refusal) => {
            let stranger = Principal::stranger(from);
            let act = format!("{} {}", request.method(), short(request.uri().path()));
            // Whoever tries tokens is counted by where they come from.
            let refusal = match site.limits.request(&stranger.from) {
                Ok(()) => refusal,
                Err(too_often) => too_often,
            };
            knock(&site, &stranger, &act, &refusal);
            return refusal.into_response();
        }
    };
    request.extensions_mut().insert(Known(found));
    next.run(request).await
}

/// So much of a stranger's path as a record needs.
pub(crate) fn short(path: &str) -> String {
    path.chars().take(120).collect()
}

/// Writes down that somebody unknown was refused.
pub(crate) fn knock(site: &Site, stranger: &Principal, act: &str, refusal: &Refusal) {
    let act = crate::audit::Act {
        who: stranger.name.clone(),
        from: stranger.from.clone(),
        act: act.to_owned(),
        bench: None,
        outcome: format!("refused: {}", refusal.detail),
        of: serde_json::Value::Null,
    };
    if let Err(error) = site.audit.knock(act) {
        tracing::error!("the audit record cannot be written: {error}");
    }
}

fn principal(site: &Site, headers: &HeaderMap, from: &str) -> Result<Option<Principal>, Refusal> {
    let Some(tokens) = &site.tokens else { return Ok(Some(Principal::local(from.to_owned()))) };
    let no_good = |what: &str| {
        Refusal::new(
            StatusCode::UNAUTHORIZED,
            "no-token",
            format!("{what} is no good: unknown, expired or revoked"),
            "ask whoever keeps the daemon's machine for a token (`quadrille token add`)",
        )
    };
    if let Some(sent) = headers.get(header::AUTHORIZATION) {
        let secret = sent.to_str().ok().and_then(|text| text.strip_prefix("Bearer "));
        let token = secret.and_then(|secret| tokens.of(secret.trim()));
        let token = token.ok_or_else(|| no_good("the token"))?;
        return Ok(Some(Principal::with_rights(&token.name, from.to_owned(), &token.rights)));
    }
    // A session that has ended is no reason to refuse the page where one begins a new one.
    let session = cookie(headers).and_then(|session| site.sessions.of(session));
    let token = session.and_then(|sha256| tokens.good(&sha256));
    Ok(token.map(|token| Principal::with_rights(&token.name, from.to_owned(), &token.rights)))
}

/// The session's cookie.
pub(crate) fn cookie(headers: &HeaderMap) -> Option<&str> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|cookies| cookies.to_str().ok());
    let pairs = cookies.flat_map(|cookies| cookies.split(';'));
    pairs
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(name, _)| *name == COOKIE)
        .map(|(_, value)| value)
}

fn allowed(parts: &Parts, right: Right) -> Result<Principal, Refusal> {
    let known = parts.extensions.get::<Known>().and_then(|known| known.0.clone());
    let Some(who) = known else {
        return Err(Refusal::new(
            StatusCode::UNAUTHORIZED,
            "no-token",
            "this needs a token",
            "send Authorization: Bearer …, or begin a session on the page",
        ));
    };
    if who.may(right) {
        return Ok(who);
    }
    let word = right.word();
    Err(Refusal::new(
        StatusCode::FORBIDDEN,
        "no-right",
        format!("{} may not {word}", who.name),
        format!("ask for a token with the right to {word}"),
    ))
}

macro_rules! needs {
    ($name:ident, $right:expr, $doc:expr) => {
        #[doc = $doc]
        #[derive(Clone, Debug)]
        pub struct $name(pub Principal);

        impl FromRequestParts<Arc<Site>> for $name {
            type Rejection = Refusal;

            async fn from_request_parts(parts: &mut Parts, site: &Arc<Site>) -> Result<Self, Refusal> {
                allowed(parts, $right).map(Self).inspect_err(|refusal| {
                    let who = parts.extensions.get::<Known>().and_then(|known| known.0.clone());
                    let from =
                        parts.extensions.get::<Peer>().map_or_else(String::new, |p| p.0.ip().to_string());
                    let who = who.unwrap_or_else(|| Principal::stranger(from));
                    let act = format!("{} {}", parts.method, short(parts.uri.path()));
                    knock(site, &who, &act, refusal);
                })
            }
        }
    };
}

needs!(Look, Right::Look, "Somebody who may look.");
needs!(Operate, Right::Operate, "Somebody who may operate.");
needs!(Maintain, Right::Maintain, "Somebody who may maintain.");
