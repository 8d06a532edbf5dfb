//! A simulated bench served on real transports until it is stopped.

use super::Shown;
use super::runs::{runtime, simulation_options};
use crate::args::Simulate;
use crate::exit::Exit;
use crate::field::lines;
use crate::{complain, json, print, signals, text};
use anyhow::Context;
use quadrille_operations::{Control, FaultEvent, Inputs, Simulation, Stop, command, documents_at};
use quadrille_quantity::Tesla;
use std::fs::File;
use std::io::Write;
use std::path::Path;
use tokio::sync::mpsc::UnboundedReceiver;

pub(crate) fn simulate(options: &Simulate, as_json: bool) -> anyhow::Result<(Exit, Shown)> {
    let inputs = Inputs::read_many(&options.bench, &options.samples, None)?;
    let lacking = simulation_options(&options.lacking, Tesla(options.field_t));
    let simulation = Simulation::new(&inputs, lacking)?;
    runtime()?.block_on(async {
        // Before anybody is told that it is ready, and may stop it.
        let stop = signals::stop()?;
        let events = simulation.watch_faults();
        let served = simulation.serve(&inputs.equipped, options.listen).await?;
        if let Some(path) = &options.bench_out {
            let bench = std::fs::read_to_string(&options.bench).context("the bench document is gone")?;
            let copy = documents_at(&inputs.equipped, &options.bench, &bench, &served.devices);
            write_new(path, &copy)?;
        }
        let control = match options.control {
            Some(address) => Some(Control::listen(&simulation, address).await?),
            None => None,
        };
        let at = control.as_ref().map(|control| control.address);
        let name = &inputs.equipped.bench.name;
        print(&if as_json {
            format!("{}\n", json::served(&served, at))
        } else {
            text::served(name, &served, at)
        });
        let faults = async {
            if let Some(seed) = options.faults {
                simulation.strike_at_random(seed, options.faults_per_minute).await;
            }
            std::future::pending().await
        };
        attend(&simulation, faults, events, as_json, stop).await
    })?;
    let complaints = simulation.complaints();
    let shown = text::complaints(&complaints);
    complain(shown.trim_end());
    Ok((Exit::Done, Shown { text: String::new(), json: json::complaints(&complaints) }))
}

/// Writes a file that is not there yet: a person's documents are never rewritten.
fn write_new(path: &Path, text: &str) -> anyhow::Result<()> {
    let file = File::options().write(true).create_new(true).open(path);
    let written = file.and_then(|mut file| file.write_all(text.as_bytes()));
    written.with_context(|| {
        format!("--bench-out: {} cannot be written; name a file that is not there yet", path.display())
    })
}

/// Follows what is typed until somebody stops the program.
async fn attend(
    simulation: &Simulation,
    faults: impl Future<Output = ()>,
    mut events: UnboundedReceiver<FaultEvent>,
    as_json: bool,
    mut stop: Stop,
) -> anyhow::Result<()> {
    let mut lines = lines();
    let mut faults = std::pin::pin!(faults);
    // When nobody will type any more the bench goes on.
    let mut is_typed_at = true;
    loop {
        tokio::select! {
            biased;
            stopped = stop.wait_for(|stop| *stop) => return stopped.map(|_| ()).context("no signals"),
            Some(event) = events.recv() => show(&event, as_json),
            line = lines.recv(), if is_typed_at => match line {
                Some(line) if line.trim().is_empty() => {}
                Some(line) => {
                    let reply = command(simulation, &line);
                    complain(reply.block().trim_end());
                    if reply.is_over {
                        return Ok(());
                    }
                }
                None => is_typed_at = false,
            },
            () = &mut faults => {}
        }
    }
}

/// What became of a fault, as it becomes known.
fn show(event: &FaultEvent, as_json: bool) {
    if as_json {
        print(&format!("{}\n", json::fault(event)));
    } else {
        complain(&text::fault(event));
    }
}
