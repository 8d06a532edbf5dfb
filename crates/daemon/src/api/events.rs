//! A bench as a stream of events: readings and events of its runs with their places in the journal as ids, so that a stream that
//! broke off goes on where it did; and snapshots in between. The journal is the source: who is slow reads it again, and delays
//! nobody.

use super::records::shown;
use super::sent::{InPath, InQuery};
use crate::host::Host;
use crate::limits::Place;
use crate::problem::{Problem, Refusal};
use crate::site::Site;
use crate::who::Look;
use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use http::{HeaderMap, StatusCode};
use quadrille_operations::{Records, RunId};
use serde::Deserialize;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::{mpsc, watch};
use tokio_stream::wrappers::ReceiverStream;
use utoipa::IntoParams;

/// Least time between two snapshots of a stream.
const BETWEEN: Duration = Duration::from_millis(500);

/// Time after which a silent stream sends a comment, so that both ends know that the other is there.
const SILENCE: Duration = Duration::from_secs(10);

/// Events that a connection may be behind by; then its stream waits, alone.
const AHEAD: usize = 64;

/// Entries that are read of a journal at a time.
const PAGE: usize = 500;

/// What a stream tells.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct Told {
    /// Begin after this place, `RUN.SEQUENCE`, as the id of each event; the header `Last-Event-ID` counts more. Without either
    /// the stream begins now.
    #[serde(default)]
    after: Option<String>,
    /// Whether snapshots come too.
    #[serde(default = "yes")]
    snapshots: bool,
}

fn yes() -> bool {
    true
}

/// Where a stream is: all of the run up to the sequence has been sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct At {
    run: i64,
    sequence: i64,
}

impl At {
    fn parse(text: &str) -> Option<Self> {
        let (run, sequence) = text.trim().split_once('.')?;
        let at = Self { run: run.parse().ok()?, sequence: sequence.parse().ok()? };
        (at.run >= 0 && at.sequence >= 0).then_some(at)
    }
}

/// Readings and events as they are kept (`event: reading`, `event: round-started` …, `id: RUN.SEQUENCE`), and snapshots
/// (`event: snapshot`, no id).
#[utoipa::path(get, path = "/api/v1/benches/{bench}/events", tag = "benches", security(("token" = []), ("session" = [])),
    extensions(("x-right" = json!("look"))),
    params(("bench" = String, Path, description = "Name of the bench"),
        ("Last-Event-ID" = Option<String>, Header, description = "Id of the last event that was received"), Told),
    responses((status = 200, body = String, content_type = "text/event-stream"),
        (status = "4XX", body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn follow(
    State(site): State<Arc<Site>>,
    Look(who): Look,
    InPath(bench): InPath<String>,
    InQuery(Told { after, snapshots }): InQuery<Told>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let host = Arc::clone(site.bench(&bench)?);
    let last = headers.get("last-event-id").map(|last| last.to_str().unwrap_or("?").to_owned()).or(after);
    let from = match &last {
        None => None,
        Some(text) => Some(At::parse(text).ok_or_else(|| {
            let instead = "send the id of an event of this stream, RUN.SEQUENCE";
            Refusal::new(StatusCode::BAD_REQUEST, "wrong-query", "that is no id of an event", instead)
        })?),
    };
    let place = site.limits.stream(&who.name)?;
    let (send, events) = mpsc::channel(AHEAD);
    let closing = site.closing.subscribe();
    let stream = Stream { host, send, _place: place };
    tokio::spawn(async move { stream.run(from, snapshots, closing).await });
    let alive = KeepAlive::new().interval(SILENCE).text("still here");
    Ok(Sse::new(ReceiverStream::new(events)).keep_alive(alive).into_response())
}

struct Stream {
    host: Arc<Host>,
    send: mpsc::Sender<Result<Event, Infallible>>,
    _place: Place,
}

/// The client has gone.
struct Gone;

impl Stream {
    async fn run(self, from: Option<At>, snapshots: bool, mut closing: watch::Receiver<bool>) {
        let ended = tokio::select! {
            biased;
            _ = closing.wait_for(|closing| *closing) => Ok(()),
            () = self.send.closed() => Err(Gone),
            ended = self.tell(from, snapshots) => ended,
        };
        if ended.is_err() {
            tracing::debug!(bench = self.host.name, "a stream's client has gone");
        }
    }

    async fn tell(&self, from: Option<At>, snapshots: bool) -> Result<(), Gone> {
        // What is kept from now on comes by itself; what was kept before is read from the journal.
        let mut records = self.host.follow();
        let mut views = self.host.views();
        let mut at = match from {
            Some(at) => at,
            None => self.newest().await,
        };
        self.send(Event::default().retry(Duration::from_secs(2)).comment("follows")).await?;
        if from.is_some() {
            self.catch_up(&mut at).await?;
        }
        let mut next = tokio::time::Instant::now();
        let mut is_new = snapshots;
        loop {
            if is_new && next.elapsed() > Duration::ZERO {
                let view = views.borrow_and_update().clone();
                is_new = false;
                next = tokio::time::Instant::now() + BETWEEN;
                let data = serde_json::to_string(&*view).unwrap_or_default();
                self.send(Event::default().event("snapshot").data(data)).await?;
            }
            tokio::select! {
                biased;
                record = records.recv() => match record {
                    Ok(record) => {
                        let here = At { run: record.run, sequence: record.sequence };
                        if here > at {
                            at = here;
                            let id = format!("{}.{}", record.run, record.sequence);
                            let event = Event::default().id(id).event(record.kind.as_str());
                            self.send(event.data(&record.data)).await?;
                        }
                    }
                    Err(RecvError::Lagged(_)) => self.catch_up(&mut at).await?,
                    Err(RecvError::Closed) => return Ok(()),
                },
                changed = views.changed(), if snapshots && !is_new => match changed {
                    Ok(()) => is_new = true,
                    Err(_) => return Ok(()),
                },
                () = tokio::time::sleep_until(next), if is_new => {}
            }
        }
    }

    async fn send(&self, event: Event) -> Result<(), Gone> {
        self.send.send(Ok(event)).await.map_err(|_| Gone)
    }

    /// The last entry of the last run.
    async fn newest(&self) -> At {
        let path = self.host.journal.clone();
        let newest = tokio::task::spawn_blocking(move || {
            let records = Records::read(&path).ok()?;
            let run = records.runs().ok()?.last()?.run;
            Some(At { run: run.0, sequence: records.last(run).ok()? })
        });
        newest.await.ok().flatten().unwrap_or(At { run: 0, sequence: 0 })
    }

    /// Sends what the journal holds after a place.
    async fn catch_up(&self, at: &mut At) -> Result<(), Gone> {
        loop {
            let (path, from) = (self.host.journal.clone(), *at);
            let part = tokio::task::spawn_blocking(move || read(&path, from)).await.ok().flatten();
            let Some((run, placed)) = part else { return Ok(()) };
            for (sequence, kind, data) in placed {
                *at = At { run, sequence };
                let event = Event::default().id(format!("{run}.{sequence}")).event(kind).data(data);
                self.send(event).await?;
            }
        }
    }
}

/// Entries of one run, each with its place, its kind and what was kept.
type Part = (i64, Vec<(i64, String, String)>);

/// The entries that follow a place, of the first run that has any; `None` where none does.
fn read(journal: &std::path::Path, from: At) -> Option<Part> {
    let records = Records::read(journal).ok()?;
    let runs = records.runs().ok()?;
    for line in runs.iter().filter(|line| line.run.0 >= from.run) {
        let after = if line.run.0 == from.run { from.sequence } else { 0 };
        let placed = records.after(RunId(line.run.0), after, PAGE).ok()?;
        if !placed.is_empty() {
            let told = placed.iter().map(|placed| {
                let (kind, data) = shown(placed);
                (placed.sequence, kind, data.to_string())
            });
            return Some((line.run.0, told.collect()));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_is_a_run_and_a_place_and_nothing_else() {
        assert_eq!(At::parse("3.17"), Some(At { run: 3, sequence: 17 }));
        for wrong in ["", "3", "3.", ".17", "-1.2", "3.x", "3.1.2", "99999999999999999999.1"] {
            assert_eq!(At::parse(wrong), None, "{wrong}");
        }
    }
}
