//! Signals that ask a run to stop: interrupt, termination, hang-up, quit; and one that must not end it.

use anyhow::Context;
use quadrille_operations::Stop;
use tokio::signal::unix::{SignalKind, signal};

/// Becomes true at the first signal. From then on the program ends by standing down, however often it is asked.
pub(crate) fn stop() -> anyhow::Result<Stop> {
    let (tell, stop) = tokio::sync::watch::channel(false);
    outgrow()?;
    for kind in [SignalKind::interrupt(), SignalKind::terminate(), SignalKind::hangup(), SignalKind::quit()] {
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

/// A file that outgrows its limit is an error of the write that did it, which stands the bench down; without a handler
/// the signal would end the program where it is, output on.
fn outgrow() -> anyhow::Result<()> {
    /// SIGXFSZ on Linux.
    const FILE_SIZE: i32 = 25;
    let mut signal = signal(SignalKind::from_raw(FILE_SIZE)).context("no signal handler")?;
    tokio::spawn(async move { while signal.recv().await.is_some() {} });
    Ok(())
}
