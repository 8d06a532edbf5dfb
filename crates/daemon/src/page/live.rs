//! The sheet as a stream: each part when it has changed, and a sign of life in between. Who is slow is sent fewer of them, and
//! delays nobody.

use super::sections::{PARTS, Sheet};
use super::sheet::{figures, may, over};
use crate::api::sent::{InPath, aside};
use crate::host::Host;
use crate::moment::Moment;
use crate::problem::Refusal;
use crate::site::Site;
use crate::view::BenchView;
use crate::who::Look;
use axum::extract::State;
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use http::Uri;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

/// Least time between two looks at what has changed: people read no faster.
const BETWEEN: Duration = Duration::from_millis(1000);

/// Longest silence: a page that hears nothing for some of these says that it is cut off.
const SILENCE: Duration = Duration::from_secs(5);

/// Events that a connection may be behind by.
const AHEAD: usize = 16;

/// The parts of a sheet as they change.
pub(crate) async fn follow(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<String>, Refusal>,
    uri: Uri,
) -> Result<Response, Refusal> {
    let (Look(who), InPath(bench)) = (look?, path?);
    let host = Arc::clone(site.bench(&bench)?);
    let place = site.limits.stream(&who.name)?;
    let (send, events) = mpsc::channel(AHEAD);
    let mut closing = site.closing.subscribe();
    let (may, over) = (may(&who), over(&uri));
    tokio::spawn(async move {
        let _place = place;
        tokio::select! {
            biased;
            _ = closing.wait_for(|closing| *closing) => {}
            () = send.closed() => {}
            _ = tell(&host, &send, |view, figures, now| {
                let sheet = Sheet { view, figures, may, over, now };
                PARTS.map(|part| sheet.part(part)).into()
            }) => {}
        }
    });
    Ok(Sse::new(ReceiverStream::new(events)).into_response())
}

/// The client has gone.
struct Gone;

type Send = mpsc::Sender<Result<Event, Infallible>>;

async fn tell(
    host: &Arc<Host>,
    send: &Send,
    parts: impl Fn(&BenchView, &super::sections::Figures, Moment) -> Vec<super::sections::Part>,
) -> Result<(), Gone> {
    let mut views = host.views();
    let mut sent: BTreeMap<&str, String> = BTreeMap::new();
    let mut drawn = (None, super::sections::Figures::default());
    push(send, Event::default().retry(Duration::from_secs(2)).comment("follows")).await?;
    loop {
        let view = views.borrow_and_update().clone();
        let run = view.run.as_ref().and_then(|run| run.run);
        if drawn.0 != run {
            let host = Arc::clone(host);
            let found = aside(move || Ok(figures(&host, run))).await.unwrap_or_default();
            drawn = (run, found);
        }
        let now = Moment::now();
        push(send, Event::default().event("now").data(now.to_string())).await?;
        for part in parts(&view, &drawn.1, now) {
            if sent.get(part.name) != Some(&part.hash) {
                let told = serde_json::json!({ "part": part.name, "hash": part.hash, "html": part.html });
                push(send, Event::default().event("part").data(told.to_string())).await?;
                sent.insert(part.name, part.hash);
            }
        }
        tokio::time::sleep(BETWEEN).await;
        while let Err(_still) = tokio::time::timeout(SILENCE, views.changed()).await {
            push(send, Event::default().event("now").data(Moment::now().to_string())).await?;
        }
        if views.has_changed().is_err() {
            return Ok(());
        }
    }
}

async fn push(send: &Send, event: Event) -> Result<(), Gone> {
    send.send(Ok(event)).await.map_err(|_| Gone)
}
