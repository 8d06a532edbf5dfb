//! Commands to a daemon: plan, start, watch, pause, resume, stop, fetch.

use super::Shown;
use crate::args::{Remote, RemotePlan, RemoteStart};
use crate::exit::Exit;
use crate::print;
use anyhow::Context;
use quadrille_daemon::api::{Start, Wanted};
use quadrille_daemon::client::{Client, Told};
use quadrille_daemon::host::{Ticket, TicketState};
use quadrille_daemon::view::PlanView;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::io::Read as _;

fn client(remote: &Remote) -> anyhow::Result<Client> {
    Ok(Client::new(&remote.daemon, remote.token_file.as_deref(), remote.ca.as_deref())?)
}

pub(crate) fn plan(options: &RemotePlan) -> anyhow::Result<(Exit, Shown)> {
    let wanted = Wanted { samples: options.samples.clone(), recipe: options.recipe.clone() };
    let plan = client(&options.remote)?.plan(&options.remote.bench, &wanted)?;
    Ok((Exit::Done, Shown { text: planned(&plan), json: json!(plan) }))
}

fn planned(plan: &PlanView) -> String {
    let mut text = format!("{} by {}\n", plan.samples.join(", "), plan.recipe);
    // Writing into a text cannot fail.
    let _ =
        writeln!(text, "{} rounds, {} readings, up to {} V", plan.rounds.len(), plan.readings, plan.most_v);
    for reason in &plan.reasons {
        let _ = writeln!(text, "  {reason}");
    }
    for warning in &plan.warnings {
        let _ = writeln!(text, "  warning: {warning}");
    }
    let _ = writeln!(text, "\nTo start exactly this: --plan {}", plan.sha256);
    text
}

pub(crate) fn start(options: &RemoteStart) -> anyhow::Result<(Exit, Shown)> {
    let what = &options.what;
    let start = Start {
        samples: what.samples.clone(),
        recipe: what.recipe.clone(),
        plan_sha256: Some(options.plan.clone()),
        queue: options.queue,
    };
    let key = options.key.clone().map_or_else(new_key, Ok)?;
    let ticket = client(&what.remote)?.start(&what.remote.bench, &start, &key)?;
    Ok((Exit::Done, Shown { text: told(&ticket), json: json!(ticket) }))
}

/// A key that no other start has.
fn new_key() -> anyhow::Result<String> {
    let mut bytes = [0; 16];
    let random = std::fs::File::open("/dev/urandom").and_then(|mut random| random.read_exact(&mut bytes));
    random.context("no random numbers: give a key with --key")?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

fn told(ticket: &Ticket) -> String {
    match (ticket.state, ticket.run) {
        (TicketState::Begun, Some(run)) => format!("Run {run} has begun.\n"),
        (TicketState::NotBegun, _) => {
            format!("Not begun: {}.\n", ticket.reason.as_deref().unwrap_or("nobody knows why"))
        }
        _ => format!("Taken, as number {}; `watch` follows it.\n", ticket.ticket),
    }
}

pub(crate) fn watch(remote: &Remote, after: Option<&str>, as_json: bool) -> anyhow::Result<(Exit, Shown)> {
    let client = client(remote)?;
    let mut said = String::new();
    let last = client.follow(&remote.bench, after, |event| {
        if as_json {
            print(&format!("{}\n", json!({ "id": event.id, "event": event.kind, "data": event.data })));
        } else if let Some(line) = line(&event).filter(|line| *line != said) {
            print(&format!("{line}\n"));
            said = line;
        }
        true
    })?;
    let text =
        last.as_ref().map_or(String::new(), |id| format!("The stream has ended; go on with --after {id}\n"));
    Ok((Exit::Done, Shown { text, json: json!({ "last": last }) }))
}

/// A line for a person; nothing of what says nothing new.
fn line(event: &Told) -> Option<String> {
    let data = &event.data;
    let id = event.id.as_deref().unwrap_or("");
    let text = |value: &Value| value.as_str().map(str::to_owned);
    match event.kind.as_str() {
        "snapshot" => {
            let (state, output) = (text(&data["state"])?, text(&data["output"]["state"])?);
            let saying = text(&data["run"]["saying"]).unwrap_or_default();
            Some(format!("{state}, output {output}; {saying}"))
        }
        "reading" => {
            let (reading, circumstances) = (&data["reading"], &data["circumstances"]);
            let number = |value: &Value| value.as_f64().unwrap_or(f64::NAN);
            Some(format!(
                "{id}  {} {} {}  {:e} V  {:e} A",
                text(&circumstances["sample"])?,
                text(&reading["configuration"])?,
                text(&circumstances["polarity"])?,
                number(&reading["voltage"]["value"]),
                number(&reading["current"]["value"]),
            ))
        }
        kind => Some(format!("{id}  {kind}")),
    }
}

pub(crate) fn stop(remote: &Remote) -> anyhow::Result<(Exit, Shown)> {
    client(remote)?.stop(&remote.bench)?;
    let text = "Told to stop and stand down; `watch` shows when the output is verified off.\n".to_owned();
    Ok((Exit::Done, Shown { text, json: json!({ "told": "stop" }) }))
}

pub(crate) fn pause(remote: &Remote) -> anyhow::Result<(Exit, Shown)> {
    client(remote)?.pause(&remote.bench)?;
    let text = "Told to pause after the round; `watch` shows when it does.\n".to_owned();
    Ok((Exit::Done, Shown { text, json: json!({ "told": "pause" }) }))
}

pub(crate) fn resume(remote: &Remote, run: i64) -> anyhow::Result<(Exit, Shown)> {
    let ticket = client(remote)?.resume(&remote.bench, run)?;
    Ok((Exit::Done, Shown { text: told(&ticket), json: json!(ticket) }))
}

pub(crate) fn fetch(remote: &Remote, run: i64) -> anyhow::Result<(Exit, Shown)> {
    let table = client(remote)?.readings_csv(&remote.bench, run)?;
    let json = json!({ "run": run, "readings_csv": table });
    Ok((Exit::Done, Shown { text: table, json }))
}
