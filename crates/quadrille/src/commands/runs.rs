//! Commands that run a plan: rehearse, measure, verify.

use super::{Shown, write_table};
use crate::args::{Lacking, Measure, Rehearse, Release, Verify};
use crate::exit::Exit;
use crate::field::Person;
use crate::progress::Progress;
use crate::{complain, json, proof, signals, text};
use anyhow::Context;
use quadrille_operations::{Depth, Inputs, Proof, SimulationOptions};
use quadrille_quantity::{Tesla, Volt};
use tokio::runtime::Runtime;

/// Above this nobody energises a bench without saying that they stand at it. 60 V dc: hazardous live in normal dry
/// conditions, IEC 61010-1, from memory.
const HAZARDOUS: Volt = Volt(60.0);

pub(crate) fn runtime() -> anyhow::Result<Runtime> {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().context("no runtime")
}

pub(crate) fn simulation_options(lacking: &Lacking, field: Tesla) -> SimulationOptions {
    SimulationOptions {
        without_guard: lacking.without_guard,
        without_buffers: lacking.without_buffers,
        field,
        seed: lacking.seed,
        ..SimulationOptions::default()
    }
}

pub(crate) fn rehearse(options: &Rehearse) -> anyhow::Result<(Exit, Shown)> {
    let documents = &options.documents;
    let inputs = Inputs::read_many(&documents.bench, &documents.samples, Some(&documents.recipe))?;
    let lacking = simulation_options(&options.lacking, Tesla(0.0));
    let rehearsed = quadrille_operations::rehearse(&inputs, lacking, &mut Progress::none())?;
    if let Ok(reduction) = &rehearsed.reduction {
        write_table(reduction, &options.table)?;
    }
    if let Some(path) = &options.readings {
        let written = std::fs::write(path, rehearsed.readings_csv());
        written.with_context(|| format!("{} cannot be written", path.display()))?;
    }
    let accepted = rehearsed.reduction.as_ref().is_ok_and(quadrille_operations::Reduction::accepted);
    let good = rehearsed.contacts.iter().all(|checked| checked.accepted);
    let exit = Exit::of_run(&rehearsed.outcome, accepted && good && rehearsed.complaints.is_empty());
    Ok((exit, Shown { text: text::rehearsed(&rehearsed), json: json::rehearsed(&rehearsed) }))
}

pub(crate) fn measure(options: &Measure, quiet: bool) -> anyhow::Result<(Exit, Shown)> {
    let documents = &options.documents;
    let inputs = Inputs::read_many(&documents.bench, &documents.samples, Some(&documents.recipe))?;
    // A recipe that leaves the limit open may end with any that the bench allows.
    let pinned = inputs.recipe.as_ref().and_then(|recipe| recipe.voltage_limit_v.as_ref());
    let limit = pinned.map_or(inputs.equipped.bench.limits.voltage_v, |limit| limit.value);
    released(options.release, Volt(limit))?;
    let expected = quadrille_operations::estimate(&inputs)?;
    let measured = runtime()?.block_on(async {
        // A magnet's supply is told, and its probe asked: nobody has to confirm anything.
        let is_by_hand = inputs.equipped.bench.magnet.is_none();
        let has_fields = inputs.recipe.as_ref().is_some_and(|recipe| recipe.hall.is_some());
        let mut person = Person::new(is_by_hand && has_fields);
        let mut progress = Progress::new(quiet);
        let stop = signals::stop()?;
        let journal = &options.journal.journal;
        let measured =
            quadrille_operations::measure(&inputs, expected, journal, &mut person, &mut progress, stop).await;
        progress.finish();
        anyhow::Ok(measured?)
    })?;
    // A table that cannot be written hides neither how the run ended nor what it found.
    if let Some(Ok(reduction)) = &measured.reduction
        && let Err(error) = write_table(reduction, &options.table)
    {
        tracing::error!("{error:#}");
    }
    let accepted = matches!(&measured.reduction, Some(Ok(reduction)) if reduction.accepted());
    let good = measured.contacts.iter().all(|checked| checked.accepted);
    let exit = Exit::of_run(&measured.outcome, accepted && good);
    Ok((exit, Shown { text: text::measured(&measured), json: json::measured(&measured) }))
}

pub(crate) fn verify(options: &Verify, quiet: bool) -> anyhow::Result<(Exit, Shown)> {
    let inputs = Inputs::read(&options.bench, &options.sample, None)?;
    let depth = match (options.thorough, options.eight) {
        (true, _) => Depth::Everything,
        (_, true) => Depth::Eight,
        _ => Depth::AsNeeded,
    };
    let how = Proof { guard: options.guard.into(), buffers: options.buffers.into(), depth };
    let strength = quadrille_operations::strength(&inputs, how)?;
    if let Ok(strength) = &strength {
        proof::warnings(strength).iter().for_each(|warning| complain(warning.trim_end()));
    }
    let verified = runtime()?.block_on(async {
        let mut progress = Progress::new(quiet);
        let stop = signals::stop()?;
        let journal = &options.journal.journal;
        let verified = quadrille_operations::verify(&inputs, how, journal, &mut progress, stop).await;
        progress.finish();
        anyhow::Ok(verified?)
    })?;
    let exit = Exit::of_run(&verified.outcome, verified.passed());
    let mut text = proof::verified(&verified);
    let mut json = json::verified(&verified);
    json["standard"] = serde_json::json!(strength.as_ref().ok());
    match &strength {
        Ok(strength) if options.thorough => text.push_str(&proof::strength(strength)),
        // A diagnosis says it itself; where the proof failed, something else comes first.
        Ok(strength) if verified.diagnosis.is_none() && verified.passed() => {
            text.push_str(&proof::not_tested(strength))
        }
        _ => {}
    }
    Ok((exit, Shown { text, json }))
}

fn released(release: Release, limit: Volt) -> anyhow::Result<()> {
    if limit.0 <= HAZARDOUS.0 {
        return Ok(());
    }
    let enough = release.release_v.is_some_and(|volts| volts >= limit.0);
    anyhow::ensure!(
        enough,
        "the source may put {limit} on the leads, which can be hazardous: the person at the bench releases it with \
         --release-v {} (see docs/CAUTIONS.md)",
        limit.0
    );
    Ok(())
}
