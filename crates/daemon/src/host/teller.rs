//! What is kept of a run, told to the desk and to the streams.

use super::desk::TicketState;
use super::{Host, Record};
use crate::moment::Moment;
use crate::view::RunState;
use quadrille_operations::{Begun, Circumstances, Event, Now, Observer, Reading, RunId};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Tells the desk and the streams what was kept.
pub(super) struct Teller {
    host: Arc<Host>,
    run: i64,
    is_reducing: Arc<AtomicBool>,
}

impl Teller {
    pub(super) fn new(host: Arc<Host>) -> Self {
        Self { host, run: 0, is_reducing: Arc::new(AtomicBool::new(false)) }
    }

    fn send(&self, sequence: i64, kind: &str, data: serde_json::Value) {
        let record = Record { run: self.run, sequence, kind: kind.to_owned(), data: data.to_string().into() };
        // Nobody may be following.
        let _ = self.host.records.send(Arc::new(record));
    }

    /// Results of whole rounds, one reduction at a time; on another thread, so that the run waits for none.
    fn reduce(&self) {
        if self.is_reducing.swap(true, Ordering::SeqCst) {
            return;
        }
        let (host, run, is_reducing) = (Arc::clone(&self.host), self.run, Arc::clone(&self.is_reducing));
        tokio::task::spawn_blocking(move || {
            host.reduce(RunId(run));
            is_reducing.store(false, Ordering::SeqCst);
        });
    }
}

impl Observer for Teller {
    fn begun(&mut self, begun: &Begun<'_>) {
        let Some(run) = begun.run else { return };
        self.run = run.0;
        tracing::Span::current().record("run", run.0);
        tracing::info!("begins");
        let now = Moment::now();
        self.host.at_desk(|desk| {
            let ticket = desk.going.as_ref().map(|going| going.ticket);
            desk.fold.change_run(now, |shown| {
                shown.run = Some(run.0);
                shown.begun = shown.begun.or(Some(now));
                shown.state = RunState::Running;
                shown.saying = "asks the instruments who they are".to_owned();
            });
            if let Some(ticket) = ticket {
                desk.ticket(ticket, |ticket| (ticket.state, ticket.run) = (TicketState::Begun, Some(run.0)));
            }
        });
    }

    fn reading(&mut self, sequence: i64, reading: &Reading, circumstances: &Circumstances) {
        let at = Moment::now();
        self.host.at_desk(|desk| desk.fold.reading(sequence, at, reading, circumstances));
        self.send(sequence, "reading", reading_data(at, reading, circumstances));
    }

    fn event(&mut self, sequence: i64, event: &Event) {
        let at = Moment::now();
        tracing::info!(sequence, "{}", word(event));
        self.host.at_desk(|desk| desk.fold.event(sequence, at, event));
        self.send(sequence, &word(event), event_data(at, event));
        if matches!(event, Event::RoundFinished { .. }) {
            self.reduce();
        }
    }

    fn now(&mut self, now: Now) {
        self.host.at_desk(|desk| desk.fold.now(Moment::now(), now));
    }
}

/// The word by which records know an event.
pub(crate) fn word(event: &Event) -> String {
    let value = serde_json::to_value(event).unwrap_or_default();
    value.get("event").and_then(|word| word.as_str()).unwrap_or("event").to_owned()
}

/// A reading as streams send it: without what was watched while it settled, which the journal keeps.
pub(crate) fn reading_data(
    at: Moment,
    reading: &Reading,
    circumstances: &Circumstances,
) -> serde_json::Value {
    let circumstances = Circumstances { watch: None, ..circumstances.clone() };
    serde_json::json!({ "at": at, "reading": reading, "circumstances": circumstances })
}

/// An event as streams send it.
pub(crate) fn event_data(at: Moment, event: &Event) -> serde_json::Value {
    let mut data = serde_json::to_value(event).unwrap_or_default();
    data["at"] = serde_json::json!(at);
    data
}
