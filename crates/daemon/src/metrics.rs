//! Numbers for a monitoring system, in the OpenMetrics text form that Prometheus reads.

use crate::site::Site;
use crate::view::{BenchState, OutputState};
use prometheus_client::encoding::{EncodeLabelSet, text::encode};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use std::sync::atomic::AtomicU64;

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfAnswer {
    method: String,
    status: u16,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfBench {
    bench: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfState {
    bench: String,
    state: String,
}

/// What is counted while the daemon lives.
#[derive(Default)]
pub(crate) struct Metrics {
    answers: Family<OfAnswer, Counter>,
}

impl Metrics {
    pub(crate) fn answered(&self, method: &http::Method, status: u16) {
        let known = ["GET", "POST", "PUT", "DELETE", "HEAD", "OPTIONS", "PATCH"];
        let method = known.iter().find(|known| **known == method.as_str()).unwrap_or(&"other");
        self.answers.get_or_create(&OfAnswer { method: (*method).to_owned(), status }).inc();
    }
}

/// Everything that is measured, as text.
pub(crate) fn text(site: &Site) -> Result<String, std::fmt::Error> {
    let mut registry = Registry::with_prefix("quadrille");
    registry.register("http_answers", "Answers to requests", site.metrics.answers.clone());
    let streams: Gauge = Gauge::default();
    streams.set(i64::from(site.limits.open_streams()));
    registry.register("event_streams", "Event streams that are open", streams);
    let states = Family::<OfState, Gauge>::default();
    let outputs = Family::<OfState, Gauge>::default();
    let waiting = Family::<OfBench, Gauge>::default();
    let readings = Family::<OfBench, Gauge>::default();
    let rounds = Family::<OfState, Gauge>::default();
    let kelvin = Family::<OfBench, Gauge<f64, AtomicU64>>::default();
    let tesla = Family::<OfBench, Gauge<f64, AtomicU64>>::default();
    let age = Family::<OfBench, Gauge<f64, AtomicU64>>::default();
    let now = crate::moment::Moment::now();
    for host in site.benches.values() {
        let view = host.view();
        let of = OfBench { bench: view.bench.clone() };
        let state = |state: String| OfState { bench: view.bench.clone(), state };
        for one in [
            BenchState::StandingDown,
            BenchState::Ready,
            BenchState::Working,
            BenchState::Asking,
            BenchState::Paused,
            BenchState::Blocked,
        ] {
            states.get_or_create(&state(word(&one))).set(i64::from(view.state == one));
        }
        for one in [OutputState::VerifiedOff, OutputState::ToldOff, OutputState::NotKnown, OutputState::On] {
            outputs.get_or_create(&state(word(&one))).set(i64::from(view.output.state == one));
        }
        waiting.get_or_create(&of).set(i64::try_from(view.queue.len()).unwrap_or(i64::MAX));
        if let Some(run) = &view.run {
            readings.get_or_create(&of).set(i64::try_from(run.readings).unwrap_or(i64::MAX));
            for round in &run.rounds {
                rounds.get_or_create(&state(word(&round.state))).inc();
            }
        }
        if let Some(now) = view.temperature_k.and_then(|surrounding| surrounding.now) {
            kelvin.get_or_create(&of).set(now);
        }
        if let Some(now) = view.field_t.and_then(|surrounding| surrounding.now) {
            tesla.get_or_create(&of).set(now);
        }
        age.get_or_create(&of).set(now.since(view.at));
    }
    registry.register("bench_state", "1 for the state of the bench", states);
    registry.register("output_state", "1 for what is known of the source's output", outputs);
    registry.register("queue_length", "Runs that wait for the bench", waiting);
    registry.register("run_readings", "Readings of the run in work, or the last", readings);
    registry.register("run_rounds", "Rounds of that run by how they went", rounds);
    registry.register_with_unit(
        "temperature",
        "Temperature of the sample",
        Unit::Other("kelvin".into()),
        kelvin,
    );
    registry.register_with_unit("field", "Field at the sample", Unit::Other("tesla".into()), tesla);
    registry.register_with_unit("statement_age", "Age of what is shown of the bench", Unit::Seconds, age);
    let mut text = String::new();
    encode(&mut text, &registry)?;
    Ok(text)
}

/// The word of an enumeration, as JSON writes it.
fn word(value: &impl serde::Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|word| word.as_str().map(str::to_owned)).unwrap_or_default()
}
