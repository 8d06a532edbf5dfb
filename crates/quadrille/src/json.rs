//! What is shown to a program.

use quadrille_operations::{
    Complaint, Ending, Error, FaultEvent, Measured, Outcome, Plan, Predicted, Reduction, Rehearsed, RunId,
    RunLine, SampleContacts, Served, Verified,
};
use serde_json::{Map, Value, json};
use std::net::SocketAddr;
use std::path::PathBuf;

pub(crate) fn failure(error: &anyhow::Error) -> Value {
    let mut failure = json!({ "error": format!("{error:#}") });
    if let Some(Error::Documents(faults)) = error.downcast_ref::<Error>() {
        let faults = faults.0.iter().map(|fault| {
            json!({
                "document": &*fault.place.document, "line": fault.place.line, "column": fault.place.column,
                "key": fault.place.key, "problem": fault.problem, "remedy": fault.remedy,
            })
        });
        failure["faults"] = faults.collect();
    }
    failure
}

pub(crate) fn checked(paths: &[PathBuf], kinds: &[&str]) -> Value {
    let documents = paths.iter().zip(kinds).map(|(path, kind)| json!({ "document": path, "kind": kind }));
    json!({ "documents": documents.collect::<Vec<_>>() })
}

pub(crate) fn predicted(predicted: &Predicted) -> Value {
    let map = |rows: &[(String, f64)]| -> Map<String, Value> {
        rows.iter().map(|(name, ohm)| (name.clone(), json!(ohm))).collect()
    };
    json!({
        "sample": predicted.sample,
        "four_terminal_ohm": map(&predicted.four_terminal_ohm),
        "two_terminal_ohm": map(&predicted.two_terminal_ohm),
        "temperature_k": predicted.temperature_k,
        "relative_bound": predicted.relative_bound,
    })
}

/// One temperature stands at the top, as most measurements have one; several stand in `points` alone.
pub(crate) fn reduction(reduction: &Reduction) -> Value {
    match (reduction.points.as_slice(), reduction.gaps.as_slice()) {
        ([only], []) => json!(only),
        (points, gaps) => json!({ "points": points, "gaps": gaps }),
    }
}

fn outcome(outcome: &Outcome) -> Value {
    let (ending, failure) = match &outcome.ending {
        Ending::Finished => ("finished", None),
        Ending::Stopped => ("stopped", None),
        Ending::Paused(_) => ("paused", None),
        Ending::Failed(failure) => ("failed", Some(failure.to_string())),
    };
    json!({
        "ending": ending,
        "failure": failure,
        "energised": outcome.energised,
        "output": outcome.stand_down.output.to_string(),
        "stand_down_failures": outcome.stand_down.failures,
    })
}

/// The check of the contacts, where there was one.
pub(crate) fn with_contacts(mut value: Value, contacts: &[SampleContacts]) -> Value {
    if !contacts.is_empty() {
        value["contacts"] = json!(contacts);
    }
    value
}

fn with_results(mut value: Value, result: Option<&Result<Reduction, String>>) -> Value {
    match result {
        Some(Ok(found)) => {
            if let (Value::Object(value), Value::Object(found)) = (&mut value, reduction(found)) {
                value.extend(found);
            }
        }
        Some(Err(reason)) => value["no_result"] = json!(reason),
        None => {}
    }
    value
}

fn planned(plan: &Plan) -> Value {
    json!(plan)
}

pub(crate) fn measured(measured: &Measured) -> Value {
    let value = json!({
        "run": measured.run.0,
        "outcome": outcome(&measured.outcome),
        "took_s": measured.took,
        "readings": measured.readings.len(),
        "events": measured.events,
        "plan": planned(&measured.plan),
    });
    let value = with_contacts(value, &measured.contacts);
    with_results(value, measured.reduction.as_ref())
}

pub(crate) fn rehearsed(rehearsed: &Rehearsed) -> Value {
    let value = json!({
        "duration_s": rehearsed.duration,
        "events": rehearsed.events,
        "outcome": outcome(&rehearsed.outcome),
        "readings": rehearsed.readings.len(),
        "complaints": complaint_list(&rehearsed.complaints),
        "plan": planned(&rehearsed.plan),
    });
    let value = with_contacts(value, &rehearsed.contacts);
    with_results(value, Some(&rehearsed.reduction))
}

pub(crate) fn verified(verified: &Verified) -> Value {
    let judgements = verified.judgements.iter().map(|judgement| {
        let predicted = judgement.predicted.0;
        json!({
            "configuration": judgement.configuration.to_string(),
            "predicted_ohm": predicted,
            "measured_ohm": judgement.measured.map(|measured| measured.0),
            "off_by": judgement.measured.map(|measured| (measured.0 - predicted) / predicted.abs()),
            "limit": judgement.limit.0 / predicted.abs(),
            "passed": judgement.passed,
            "remark": judgement.remark,
        })
    });
    json!({
        "run": verified.runs.first().map(|run| run.0),
        "runs": verified.runs.iter().map(|run| run.0).collect::<Vec<_>>(),
        "passed": verified.passed(),
        "outcome": outcome(&verified.outcome),
        "configurations": judgements.collect::<Vec<_>>(),
        "read_again": verified.read_again.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "diagnosis": verified.diagnosis.as_ref().and_then(|said| said.as_ref().ok()),
        "no_diagnosis": verified.diagnosis.as_ref().and_then(|said| said.as_ref().err()),
        "plan": planned(&verified.plan),
    })
}

fn complaint_list(complaints: &[Complaint]) -> Value {
    complaints.iter().map(|complaint| json!(complaint.to_string())).collect()
}

pub(crate) fn complaints(complaints: &[Complaint]) -> Value {
    json!({ "complaints": complaint_list(complaints) })
}

pub(crate) fn served(served: &Served, control: Option<SocketAddr>) -> Value {
    let mut value = json!({ "devices": served.devices });
    if let Some(address) = control {
        value["control"] = json!(address.to_string());
    }
    value
}

pub(crate) fn fault(event: &FaultEvent) -> Value {
    json!({
        "fault": event.fault.to_string(),
        "happened": event.happened.to_string(),
        "time_s": event.time_s,
    })
}

pub(crate) fn runs(runs: &[RunLine]) -> Value {
    let lines = runs.iter().map(|run| {
        json!({
            "run": run.run.0, "kind": run.kind, "sample": run.sample, "begun": run.begun, "ended": run.ended,
            "ending": run.ending, "readings": run.readings,
        })
    });
    json!({ "runs": lines.collect::<Vec<_>>() })
}

pub(crate) fn readings(run: RunId, kept: &[quadrille_operations::Kept]) -> Value {
    let readings = kept.iter().map(|kept| {
        json!({ "sequence": kept.sequence, "reading": kept.reading, "circumstances": kept.circumstances })
    });
    json!({ "run": run.0, "readings": readings.collect::<Vec<_>>() })
}
