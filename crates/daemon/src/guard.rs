//! What is checked before any route is looked for: that a request came to a name of this daemon and from its own page, that it
//! is not too large, that its sender asks not too often, that it ends in time. And the headers of each answer.

use crate::limits::LARGEST_BODY;
use crate::problem::Refusal;
use crate::site::Site;
use crate::who::{Known, Peer, Principal, knock, short};
use axum::extract::{Request, State};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri, header};
use std::sync::Arc;
use std::time::Duration;

/// Longest time until an answer begins, the request's body included.
const LONGEST: Duration = Duration::from_secs(30);

/// What a page of this daemon may load: what comes from the daemon, and nothing else.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
     connect-src 'self'; font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Checks a request before it is routed.
pub(crate) async fn check(State(site): State<Arc<Site>>, request: Request, next: Next) -> Response {
    let (method, path) = (request.method().clone(), short(request.uri().path()));
    let peer = request.extensions().get::<Peer>().map_or_else(String::new, |peer| peer.0.ip().to_string());
    let checked = came_right(&site, request.method(), request.uri(), request.headers());
    let response = match checked {
        Ok(()) => match tokio::time::timeout(LONGEST, next.run(request)).await {
            Ok(response) => response,
            Err(_) => {
                let detail =
                    format!("no answer in {} s: the request was not there in full", LONGEST.as_secs());
                let instead = "send the body without pauses";
                Refusal::new(StatusCode::REQUEST_TIMEOUT, "too-slow", detail, instead).into_response()
            }
        },
        Err(refusal) => {
            knock(&site, &Principal::stranger(peer), &format!("{method} {path}"), &refusal);
            refusal.into_response()
        }
    };
    site.metrics.answered(&method, response.status().as_u16());
    with_headers(&site, response)
}

/// Counts what somebody asks for.
pub(crate) async fn count(State(site): State<Arc<Site>>, request: Request, next: Next) -> Response {
    let known = request.extensions().get::<Known>().and_then(|known| known.0.as_ref());
    let peer = request.extensions().get::<Peer>().map_or_else(String::new, |peer| peer.0.ip().to_string());
    let who = known.map_or(peer, |known| known.name.clone());
    // Nobody asks too often to be allowed to switch off.
    let switches_off = request.method() == Method::POST && request.uri().path().ends_with("/stop");
    if switches_off {
        return next.run(request).await;
    }
    match site.limits.request(&who) {
        Ok(()) => next.run(request).await,
        Err(refusal) => {
            let mut response = refusal.into_response();
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("5"));
            response
        }
    }
}

fn came_right(site: &Site, method: &Method, uri: &Uri, headers: &HeaderMap) -> Result<(), Refusal> {
    let mut hosts = headers.get_all(header::HOST).iter();
    let host = hosts.next().and_then(|host| host.to_str().ok());
    let is_ours = hosts.next().is_none()
        && host.is_some_and(|host| site.is_named(host))
        && uri.authority().is_none_or(|authority| site.is_named(authority.as_str()));
    if !is_ours {
        return Err(Refusal::new(
            StatusCode::MISDIRECTED_REQUEST,
            "wrong-host",
            "the request is for another host than this daemon",
            "use the daemon's address, or a name that its document lists in `hosts`",
        ));
    }
    let foreign = || {
        Refusal::new(
            StatusCode::FORBIDDEN,
            "wrong-origin",
            "the request comes from a page of another site",
            "use the daemon's own page, or a program that sends no Origin",
        )
    };
    for origin in headers.get_all(header::ORIGIN) {
        let scheme = if site.is_tls { "https://" } else { "http://" };
        let same = origin.to_str().ok().and_then(|origin| origin.strip_prefix(scheme));
        if same.is_none() || same != host {
            return Err(foreign());
        }
    }
    let site_of = headers.get("sec-fetch-site").and_then(|value| value.to_str().ok());
    let is_safe = method == Method::GET || method == Method::HEAD;
    if !is_safe && site_of.is_some_and(|of| of != "same-origin" && of != "none") {
        return Err(foreign());
    }
    let length =
        headers.get(header::CONTENT_LENGTH).and_then(|length| length.to_str().ok()?.parse::<u64>().ok());
    if length.is_some_and(|length| length > LARGEST_BODY as u64) {
        return Err(too_large());
    }
    Ok(())
}

/// A body that is larger than any that this daemon understands.
pub(crate) fn too_large() -> Refusal {
    let detail = format!("a body has {LARGEST_BODY} bytes at most");
    Refusal::new(StatusCode::PAYLOAD_TOO_LARGE, "too-large", detail, "name documents instead of sending them")
}

impl Site {
    /// Whether a Host header names this daemon.
    fn is_named(&self, host: &str) -> bool {
        let host = host.to_ascii_lowercase();
        let (name, port) = match host.rsplit_once(':') {
            Some((name, port)) if !port.ends_with(']') && port.parse::<u16>().is_ok() => (name, Some(port)),
            _ => (host.as_str(), None),
        };
        let usual = if self.is_tls { 443 } else { 80 };
        let port = port.map_or(Some(usual), |port| port.parse::<u16>().ok());
        if port != Some(self.address.port()) {
            return false;
        }
        let own = match self.address.ip() {
            std::net::IpAddr::V4(ip) => ip.to_string(),
            std::net::IpAddr::V6(ip) => format!("[{ip}]"),
        };
        let here = self.address.ip().is_loopback() && ["localhost", "127.0.0.1", "[::1]"].contains(&name);
        here || name == own || self.hosts.iter().any(|known| known.eq_ignore_ascii_case(name))
    }
}

fn with_headers(site: &Site, mut response: Response) -> Response {
    let headers = response.headers_mut();
    let fixed: [(HeaderName, &'static str); 6] = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        // Not "no-referrer": a browser would send the page's own forms with `Origin: null`, which is refused above.
        (header::REFERRER_POLICY, "same-origin"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("permissions-policy"), "camera=(), microphone=(), geolocation=()"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    if !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    if site.is_tls {
        let a_year = HeaderValue::from_static("max-age=31536000");
        headers.insert(header::STRICT_TRANSPORT_SECURITY, a_year);
    }
    response
}
