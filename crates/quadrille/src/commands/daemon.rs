//! A daemon served, and what only somebody at its machine may do.

use super::Shown;
use super::runs::runtime;
use crate::args::Serve;
use crate::exit::Exit;
use crate::{print, signals};
use quadrille_daemon::config::Config;
use quadrille_daemon::serve::Daemon;
use quadrille_daemon::view::OutputState;
use serde_json::json;

pub(crate) fn serve(options: &Serve, as_json: bool) -> anyhow::Result<(Exit, Shown)> {
    let config = Config::read(&options.document.config)?;
    let outputs = runtime()?.block_on(async {
        // Before anybody is told that it listens, and may stop it.
        let stop = signals::stop()?;
        let daemon = Daemon::begin(config).await?;
        let site = std::sync::Arc::clone(&daemon.site);
        let scheme = if site.is_tls { "https" } else { "http" };
        let url = format!("{scheme}://{}", daemon.address());
        print(&if as_json {
            format!("{}\n", json!({ "listens": url }))
        } else {
            format!("Listens at {url}\n")
        });
        daemon.run(stop).await;
        let outputs = site.benches.values().map(|host| (host.name.clone(), host.view().output.state));
        anyhow::Ok(outputs.collect::<Vec<_>>())
    })?;
    let is_at_rest = outputs.iter().all(|(_, output)| *output == OutputState::VerifiedOff);
    let exit = if is_at_rest { Exit::Done } else { Exit::NotStoodDown };
    let told = outputs.iter().map(|(bench, output)| json!({ "bench": bench, "output": output }));
    let left = outputs.iter().filter(|(_, output)| *output != OutputState::VerifiedOff);
    let text = left.map(|(bench, _)| format!("Output of {bench} NOT verified off: look at the source.\n"));
    Ok((exit, Shown { text: text.collect(), json: json!({ "benches": told.collect::<Vec<_>>() }) }))
}
