//! Signals that ask a run to stop: interrupt, termination, hang-up.

use anyhow::Context;
use quadrille_operations::Stop;
use tokio::signal::unix::{SignalKind, signal};

/// Becomes true at the first signal. From then on the program ends by standing down, however often it is asked.
pub(crate) fn stop() -> anyhow::Result<Stop> {
    let (tell, stop) = tokio::sync::watch::channel(false);
    for kind in [SignalKind::interrupt(), SignalKind::terminate(), SignalKind::hangup()] {
        let mut signal = signal(kind).context("no signal handler")?;
        let tell = tell.clone();
        tokio::spawn(async move {
            while signal.recv().await.is_some() {
                tell.send_replace(true);
            }
        });
    }
    Ok(stop)
}
