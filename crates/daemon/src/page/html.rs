//! What all pages have in common: the head, the ways to the other pages, refusals that say what to do instead.

use super::words::{Clock, Fine};
use crate::moment::Moment;
use crate::problem::Refusal;
use axum::response::{Html, IntoResponse, Response};
use http::StatusCode;
use maud::{DOCTYPE, Markup, html};

/// Which page of a bench it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Tab {
    Sheet,
    Compose,
    Bench,
    Records,
    Other,
}

/// What stands around a page.
#[derive(Clone, Debug)]
pub(crate) struct Frame<'f> {
    pub(crate) title: &'f str,
    /// The bench's name in paths.
    pub(crate) bench: Option<&'f str>,
    pub(crate) tab: Tab,
    /// Where its events come from, while it is alive.
    pub(crate) live: Option<String>,
    /// Seconds after which it is asked for again.
    pub(crate) again_s: Option<u32>,
}

impl<'f> Frame<'f> {
    /// Of a page that stands still.
    pub(crate) fn still(title: &'f str, bench: Option<&'f str>, tab: Tab) -> Self {
        Self { title, bench, tab, live: None, again_s: None }
    }
}

/// A name as a part of a path.
pub(crate) fn part(name: &str) -> String {
    form_urlencoded::byte_serialize(name.as_bytes()).collect::<String>().replace('+', "%20")
}

/// The path of a bench.
pub(crate) fn of_bench(bench: &str) -> String {
    format!("/benches/{}", part(bench))
}

/// A whole page.
pub(crate) fn page(frame: &Frame<'_>, body: &Markup) -> Html<String> {
    let now = Moment::now();
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                // Forms tell where they come from: the daemon refuses those that do not come from itself.
                meta name="referrer" content="same-origin";
                @if let Some(seconds) = frame.again_s { meta http-equiv="refresh" content=(seconds); }
                title { (frame.title) " \u{2013} Quadrille" }
                link rel="stylesheet" href="/assets/page.css";
                link rel="icon" href="/assets/icon.svg" type="image/svg+xml";
                script src="/assets/page.js" defer {}
            }
            body data-now=(now) data-live=[frame.live.as_ref()] {
                a class="skip" href="#content" { "To the content" }
                header { (ways(frame)) }
                p id="connection" role="status" aria-live="polite" hidden {}
                main id="content" { (body) }
                footer class="small" {
                    p {
                        "Quadrille controls a measurement; it protects nobody. People are protected by interlocks, enclosures \
                         and procedures; assume that this program can fail at any moment with an output on."
                    }
                    p { "Shown at " (Clock(now, Fine::Second)) ". " span class="zone" { "Times are UTC." } }
                }
            }
        }
    };
    Html(markup.into_string())
}

fn ways(frame: &Frame<'_>) -> Markup {
    let Some(bench) = frame.bench else {
        return html! { nav aria-label="Pages" { a href="/" { "Benches" } } };
    };
    let path = of_bench(bench);
    let ways = [
        (Tab::Sheet, "Sheet", path.clone()),
        (Tab::Compose, "Compose", format!("{path}/compose")),
        (Tab::Bench, "Bench", format!("{path}/bench")),
        (Tab::Records, "Records", format!("{path}/records")),
    ];
    html! {
        nav aria-label="Pages" {
            a class="quiet" href="/?all" { "Benches" }
            strong { (bench) }
            @for (tab, word, path) in ways {
                a href=(path) aria-current=[(tab == frame.tab).then_some("page")] { (word) }
            }
        }
    }
}

/// A time that a script counts on from.
pub(crate) fn age(at: Moment) -> Markup {
    html! { span class="age" data-age=(at) {} }
}

/// What was refused, as a part of a page.
pub(crate) fn refused(refusal: &Refusal) -> Markup {
    let faults =
        refusal.more.as_ref().and_then(|more| more.get("faults")).and_then(|faults| faults.as_array());
    let text = |fault: &serde_json::Value, key: &str| {
        fault
            .get(key)
            .map_or_else(String::new, |value| value.as_str().map_or_else(|| value.to_string(), str::to_owned))
    };
    html! {
        section class="refusal" role="alert" {
            h1 { "Not done" }
            p class="lead" { (super::words::sentence(&refusal.detail)) }
            @if let Some(faults) = faults {
                ul {
                    @for fault in faults {
                        // The folder of a document is nobody's business.
                        @let document = text(fault, "document");
                        li {
                            strong { (document.rsplit('/').next().unwrap_or_default()) ", line " (text(fault, "line")) }
                            ": " (text(fault, "problem")) ". " (super::words::sentence(&text(fault, "remedy")))
                        }
                    }
                }
            }
            p { strong { "Instead: " } (super::words::sentence(&refusal.instead)) }
        }
    }
}

/// A refusal as a page; where nobody is known, with the way in.
pub(crate) struct Denied(pub(crate) Box<Refusal>, pub(crate) Option<String>);

impl From<Refusal> for Denied {
    fn from(refusal: Refusal) -> Self {
        Self(Box::new(refusal), None)
    }
}

impl Denied {
    /// On a bench.
    pub(crate) fn at(bench: &str) -> impl FnOnce(Refusal) -> Self + '_ {
        |refusal| Self(Box::new(refusal), Some(bench.to_owned()))
    }
}

impl IntoResponse for Denied {
    fn into_response(self) -> Response {
        let Self(refusal, bench) = self;
        let is_stranger = refusal.status == StatusCode::UNAUTHORIZED;
        let body = html! {
            @if is_stranger { (sign_in(&refusal)) } @else { (refused(&refusal)) }
            @if let Some(bench) = &bench { p { a href=(of_bench(bench)) { "Back to the sheet" } } }
        };
        let title = if is_stranger { "Who are you?" } else { "Not done" };
        let frame = Frame::still(title, bench.as_deref(), Tab::Other);
        (refusal.status, page(&frame, &body)).into_response()
    }
}

fn sign_in(refusal: &Refusal) -> Markup {
    html! {
        h1 { "Who are you?" }
        p { (super::words::sentence(&refusal.detail)) " " (super::words::sentence("ask whoever keeps the daemon's machine for one")) }
        form method="post" action="/session" class="stack" {
            label for="token" { "Token" }
            input id="token" name="token" type="password" autocomplete="current-password" required;
            button type="submit" { "Begin a session" }
        }
        p class="small" { "The session lasts sixteen hours in this browser." }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refusal_says_what_to_do_instead_and_escapes_what_others_wrote() {
        let refusal = Refusal::conflict("busy", "<script> started a run here", "wait for it");
        let shown = refused(&refusal).into_string();
        assert!(shown.contains("&lt;script&gt; started a run here."));
        assert!(shown.contains("Instead: </strong>Wait for it."));
    }

    #[test]
    fn faults_of_documents_are_told_with_their_lines_and_without_their_folders() {
        let more = serde_json::json!({ "faults": [
            { "document": "/home/ada/film.toml", "line": 7, "problem": "2000 V is above the limit", "remedy": "write less" }
        ]});
        let shown =
            refused(&Refusal::unprocessable("two documents disagree", "mend them").with(more)).into_string();
        assert!(shown.contains("film.toml, line 7") && !shown.contains("/home/ada"), "{shown}");
    }

    #[test]
    fn a_name_in_a_path_cannot_leave_its_place() {
        assert_eq!(of_bench("cold 1/../x"), "/benches/cold%201%2F..%2Fx");
    }
}
