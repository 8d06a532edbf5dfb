//! A simulated bench served on real transports until it is stopped.

use super::Shown;
use super::runs::{runtime, simulation_options};
use crate::args::Simulate;
use crate::exit::Exit;
use crate::field::lines;
use crate::{complain, json, print, signals, text};
use anyhow::Context;
use quadrille_operations::{Inputs, Simulation, documents_at};
use quadrille_quantity::Tesla;
use std::fs::File;
use std::io::Write;
use std::path::Path;

pub(crate) fn simulate(options: &Simulate, as_json: bool) -> anyhow::Result<(Exit, Shown)> {
    let inputs = Inputs::read(&options.bench, &options.sample, None)?;
    let lacking = simulation_options(&options.lacking, Tesla(options.field_t));
    let simulation = Simulation::new(&inputs, lacking)?;
    runtime()?.block_on(async {
        let served = simulation.serve(&inputs.equipped, options.listen).await?;
        if let Some(path) = &options.bench_out {
            let bench = std::fs::read_to_string(&options.bench).context("the bench document is gone")?;
            let copy = documents_at(&inputs.equipped, &options.bench, &bench, &served.devices);
            write_new(path, &copy)?;
        }
        let name = &inputs.equipped.bench.name;
        print(&if as_json { format!("{}\n", json::served(&served)) } else { text::served(name, &served) });
        attend(&simulation).await
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
async fn attend(simulation: &Simulation) -> anyhow::Result<()> {
    let mut stop = signals::stop()?;
    let mut lines = lines();
    loop {
        let line = tokio::select! {
            biased;
            stopped = stop.wait_for(|stop| *stop) => return stopped.map(|_| ()).context("no signals"),
            line = lines.recv() => line,
        };
        match line {
            Some(line) => obey(simulation, line.trim()),
            // Nobody will type any more; the bench goes on.
            None => return stop.wait_for(|stop| *stop).await.map(|_| ()).context("no signals"),
        }
    }
}

fn obey(simulation: &Simulation, line: &str) {
    let field = line.strip_prefix("field ").and_then(|value| value.trim().parse::<f64>().ok());
    match field {
        _ if line.is_empty() => {}
        Some(field) => match simulation.set_field(Tesla(field)) {
            Ok(()) => complain(&format!("field: {}", Tesla(field))),
            Err(error) => complain(&error.to_string()),
        },
        None => {
            complain(&format!("\"{line}\" is not understood; write field B, in teslas, as in: field -0.5"))
        }
    }
}
