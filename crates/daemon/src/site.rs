//! What all requests share: the benches, who may do what, the audit record, the limits.

use crate::api::rehearsals::Rehearsals;
use crate::api::runs::Starts;
use crate::audit::{Act, Audit};
use crate::host::Host;
use crate::limits::Limits;
use crate::metrics::Metrics;
use crate::problem::Refusal;
use crate::sessions::Sessions;
use crate::tokens::Tokens;
use crate::who::Principal;
use http::StatusCode;
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::sync::watch;

/// What all requests share.
pub struct Site {
    /// The benches by their names in paths.
    pub benches: BTreeMap<String, Arc<Host>>,
    /// The tokens; `None` where whoever is on this machine may do everything.
    pub tokens: Option<Tokens>,
    /// What was done and refused.
    pub audit: Audit,
    /// Where it listens.
    pub address: SocketAddr,
    /// Whether it speaks TLS.
    pub is_tls: bool,
    /// Names under which clients may reach it, beside those of this machine.
    pub hosts: Vec<String>,
    pub(crate) sessions: Sessions,
    pub(crate) limits: Limits,
    pub(crate) metrics: Metrics,
    pub(crate) rehearsals: Rehearsals,
    pub(crate) starts: Starts,
    /// Becomes true when the daemon ends: streams end then.
    pub(crate) closing: watch::Sender<bool>,
}

impl Site {
    /// The bench of a name.
    pub fn bench(&self, name: &str) -> Result<&Arc<Host>, Refusal> {
        self.benches.get(name).ok_or_else(|| {
            let known: Vec<&str> = self.benches.keys().map(String::as_str).collect();
            Refusal::missing("there is no such bench", format!("it is one of: {}", known.join(", ")))
        })
    }

    /// Writes down what somebody did, or was refused, and answers it: what cannot be written down is not done. `act` is done
    /// first where it only switches off.
    pub(crate) fn written<T>(
        &self,
        who: &Principal,
        act: &str,
        bench: Option<&str>,
        of: serde_json::Value,
        came: Result<T, Refusal>,
    ) -> Result<T, Refusal> {
        let outcome = match &came {
            Ok(_) => "done".to_owned(),
            Err(refusal) => format!("refused: {refusal}"),
        };
        self.note(who, act, bench, of, outcome)?;
        came
    }

    /// Writes a line of the audit record.
    pub(crate) fn note(
        &self,
        who: &Principal,
        act: &str,
        bench: Option<&str>,
        of: serde_json::Value,
        outcome: String,
    ) -> Result<(), Refusal> {
        tracing::info!(who = who.name, from = %who.from, act, bench, outcome);
        let line = Act {
            who: who.name.clone(),
            from: who.from.clone(),
            act: act.to_owned(),
            bench: bench.map(str::to_owned),
            outcome,
            of,
        };
        self.audit.write(line).map(|_| ()).map_err(|error| {
            tracing::error!("the audit record cannot be written: {error}");
            Refusal::new(
                StatusCode::INTERNAL_SERVER_ERROR,
                "not-audited",
                "the audit record cannot be written",
                "look at the disk of the daemon's machine, then try again",
            )
        })
    }
}
