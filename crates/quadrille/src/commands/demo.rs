//! The whole job on an invented scenario, over real SCPI on real sockets of this machine.

use super::Shown;
use super::runs::runtime;
use crate::args::Demo;
use crate::exit::Exit;
use crate::progress::Progress;
use crate::{json, proof, signals, text};
use anyhow::Context;
use quadrille_operations::{
    Complaint, Inputs, Measured, Proof, Records, Rehearsed, Simulation, SimulationOptions, Verified,
    documents_at,
};
use quadrille_quantity::Tesla;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;

/// The invented documents, as they stand in `config/demo`.
const DOCUMENTS: [(&str, &str); 5] = [
    ("bench.toml", include_str!("../../../../config/demo/bench.toml")),
    ("standard-low.toml", include_str!("../../../../config/demo/standard-low.toml")),
    ("standard-high.toml", include_str!("../../../../config/demo/standard-high.toml")),
    ("film.toml", include_str!("../../../../config/demo/film.toml")),
    ("film-recipe.toml", include_str!("../../../../config/demo/film-recipe.toml")),
];

const INTRODUCTION: &str =
    "Everything here is invented: the laboratory, its instruments, its standards and its film.
The instruments are simulated, but spoken to in SCPI over real sockets of this machine, in real time.
";

/// What the demonstration did.
struct Story {
    low: Verified,
    high: Verified,
    rehearsed: Rehearsed,
    measured: Measured,
    complaints: Vec<Complaint>,
}

pub(crate) fn demo(options: &Demo, quiet: bool) -> anyhow::Result<(Exit, Shown)> {
    let folder = &options.folder;
    std::fs::create_dir_all(folder).with_context(|| format!("{} cannot be made", folder.display()))?;
    for (name, document) in DOCUMENTS {
        write(&folder.join(name), document)?;
    }
    let journal = folder.join("journal.sqlite");
    let story = story(folder, &journal, quiet)?;
    tables(folder, &Records::open(&journal)?, &story)?;
    let passed = story.low.passed()
        && story.high.passed()
        && story.complaints.is_empty()
        && matches!(&story.measured.reduction, Some(Ok(reduction)) if reduction.accepted());
    let exit = [&story.low.outcome, &story.high.outcome, &story.measured.outcome]
        .map(|outcome| Exit::of_run(outcome, passed))
        .into_iter()
        .max()
        .unwrap_or(Exit::Done);
    Ok((exit, Shown { text: told(folder, &story), json: as_json(folder, &story) }))
}

fn story(folder: &Path, journal: &Path, quiet: bool) -> anyhow::Result<Story> {
    let mut complaints = Vec::new();
    let low = proof(folder, "standard-low.toml", journal, quiet, &mut complaints)?;
    let high = proof(folder, "standard-high.toml", journal, quiet, &mut complaints)?;
    let film = read(folder, "film.toml", Some("film-recipe.toml"))?;
    let rehearsed =
        quadrille_operations::rehearse(&film, SimulationOptions::default(), &mut Progress::none())?;
    let measured =
        on_sockets(folder, &film, quiet, &mut complaints, async |inputs, simulation, progress| {
            let stop = signals::stop()?;
            Ok(quadrille_operations::measure(inputs, None, journal, simulation, progress, stop).await?)
        })?;
    Ok(Story { low, high, rehearsed, measured, complaints })
}

fn read(folder: &Path, sample: &str, recipe: Option<&str>) -> anyhow::Result<Inputs> {
    let recipe = recipe.map(|recipe| folder.join(recipe));
    Ok(Inputs::read(&folder.join("bench.toml"), &folder.join(sample), recipe.as_deref())?)
}

fn proof(
    folder: &Path,
    standard: &str,
    journal: &Path,
    quiet: bool,
    complaints: &mut Vec<Complaint>,
) -> anyhow::Result<Verified> {
    let inputs = read(folder, standard, None)?;
    on_sockets(folder, &inputs, quiet, complaints, async |inputs, _, progress| {
        let stop = signals::stop()?;
        Ok(quadrille_operations::verify(inputs, Proof::default(), journal, progress, stop).await?)
    })
}

/// Serves the simulated bench with a sample in it on free ports, and does something with it as with any bench.
fn on_sockets<T>(
    folder: &Path,
    inputs: &Inputs,
    quiet: bool,
    complaints: &mut Vec<Complaint>,
    act: impl AsyncFnOnce(&Inputs, &mut Simulation, &mut Progress) -> anyhow::Result<T>,
) -> anyhow::Result<T> {
    runtime()?.block_on(async {
        let mut simulation =
            Simulation::new(inputs, SimulationOptions { field: Tesla(0.0), ..Default::default() })?;
        let anywhere = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
        let served = simulation.serve(&inputs.equipped, Some(anywhere)).await?;
        let bench =
            documents_at(&inputs.equipped, &folder.join(DOCUMENTS[0].0), DOCUMENTS[0].1, &served.devices);
        let served_bench = folder.join("bench-as-served.toml");
        write(&served_bench, &bench)?;
        let inputs = inputs.with_bench(quadrille_operations::equipped(&served_bench)?);
        let mut progress = Progress::new(quiet);
        let done = act(&inputs, &mut simulation, &mut progress).await;
        progress.finish();
        complaints.extend(simulation.complaints());
        done
    })
}

fn tables(folder: &Path, records: &Records, story: &Story) -> anyhow::Result<()> {
    write(&folder.join("readings.csv"), &records.readings_csv(story.measured.run)?)?;
    if let Some(Ok(reduction)) = &story.measured.reduction {
        write(&folder.join("results.csv"), &quadrille_report::results_csv(&reduction.by_temperature()))?;
    }
    write(&folder.join("summary.txt"), &text::measured(&story.measured))
}

fn write(path: &Path, text: &str) -> anyhow::Result<()> {
    std::fs::write(path, text).with_context(|| format!("{} cannot be written", path.display()))
}

fn told(folder: &Path, story: &Story) -> String {
    format!(
        "{INTRODUCTION}\n1. The bench proved on a standard of tens of kilohms.\n{}\n2. The bench proved on a standard \
         of gigohms.\n{}\n3. The film rehearsed in virtual time.\n{}\n4. The film measured.\n{}{}\nJournal, documents \
         and tables are in {}.\n",
        proof::verified(&story.low),
        proof::verified(&story.high),
        text::course(&story.rehearsed),
        text::measured(&story.measured),
        text::complaints(&story.complaints),
        folder.display()
    )
}

fn as_json(folder: &Path, story: &Story) -> serde_json::Value {
    serde_json::json!({
        "folder": folder,
        "verify_low": json::verified(&story.low),
        "verify_high": json::verified(&story.high),
        "rehearse": json::rehearsed(&story.rehearsed),
        "measure": json::measured(&story.measured),
        "complaints": json::complaints(&story.complaints)["complaints"],
    })
}
