//! Records: past nights as small bands, newest first; and the audit record.

use super::band::Band;
use super::html::{Denied, Frame, Tab, of_bench, page, part};
use super::ink::{Paper, band};
use super::sentence;
use super::sheet::asked;
use super::words::{Clock, Fine, sentence as spoken};
use crate::api::records::run_view;
use crate::api::sent::{InPath, aside};
use crate::moment::Moment;
use crate::problem::Refusal;
use crate::site::Site;
use crate::view::RunView;
use crate::who::{Look, Maintain};
use axum::extract::State;
use axum::response::Html;
use http::Uri;
use maud::{Markup, html};
use quadrille_operations::RunLine;
use std::sync::Arc;

/// Nights on one page: each is told from its record.
const MOST: usize = 12;

/// Lines of the audit record on one page.
const LINES: usize = 200;

/// The runs of a bench.
pub(crate) async fn records(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<String>, Refusal>,
    uri: Uri,
) -> Result<Html<String>, Denied> {
    let (_, InPath(bench)) = (look?, path?);
    let host = Arc::clone(site.bench(&bench)?);
    let before = asked(&uri).iter().find(|(key, _)| key == "before").and_then(|(_, run)| run.parse().ok());
    let before: i64 = before.unwrap_or(i64::MAX);
    let (told, older) = aside(move || {
        let mut runs = host.records()?.runs().map_err(|error| Refusal::of(&error))?;
        runs.retain(|line| line.run.0 < before);
        let older =
            runs.len().checked_sub(MOST + 1).and_then(|place| runs.get(place + 1)).map(|line| line.run.0);
        let newest = runs.into_iter().rev().take(MOST);
        let told = newest.map(|line| (run_view(&host, line.run.0).ok(), line));
        Ok((told.collect::<Vec<_>>(), older))
    })
    .await
    .map_err(Denied::at(&bench))?;
    let body = html! {
        h1 { "Records" }
        @if told.is_empty() { p { "No run yet." } }
        ol class="records" reversed { @for (run, line) in &told { li { (night(&bench, line, run.as_ref())) } } }
        @if let Some(older) = older { p { a href=(format!("?before={older}")) { "Older runs" } } }
    };
    Ok(page(&Frame::still("Records", Some(&bench), Tab::Records), &body))
}

fn night(bench: &str, line: &RunLine, run: Option<&RunView>) -> Markup {
    let (path, number) = (of_bench(bench), line.run.0);
    let begun = Moment::parse(&line.begun);
    html! {
        h2 { a href=(format!("{path}/runs/{number}")) { "Run " (number) ": " (line.sample) } }
        p {
            @if let Some(begun) = begun { (Clock(begun, Fine::Date)) ". " }
            @if line.kind == "verify" { "A proof of the bench. " }
            @match run {
                Some(run) => (sentence::past(run)),
                None => { (spoken(line.ending.as_deref().unwrap_or("not over"))) },
            }
        }
        @if let Some(run) = run { (band(&Band::of(run, Moment::now()), Paper::SMALL, None)) }
        p class="small keep" {
            span { (line.readings) " readings" }
            @if run.is_some_and(|run| !run.results.is_empty()) {
                a href=(format!("{path}/runs/{number}/results.csv")) download { "Results (CSV)" }
                a href=(format!("{path}/runs/{number}/plots.svg")) download { "Plots (SVG)" }
            }
            a href=(format!("/api/v1/benches/{}/runs/{number}/readings.csv", part(bench))) download { "Readings (CSV)" }
            a href=(format!("/api/v1/benches/{}/runs/{number}", part(bench))) { "Plan and documents (JSON)" }
        }
    }
}

/// What was done and refused, newest first.
pub(crate) async fn audit(
    State(site): State<Arc<Site>>,
    who: Result<Maintain, Refusal>,
) -> Result<Html<String>, Denied> {
    who?;
    let lines = aside(move || {
        let mut lines: Vec<crate::audit::Line> = crate::audit::lines(site.audit.path()).collect();
        let old = lines.len().saturating_sub(LINES);
        Ok(lines.split_off(old))
    })
    .await?;
    let body = html! {
        h1 { "What was done here, and by whom" }
        p class="small" { "The newest " (lines.len()) " lines of the audit record; each holds the hash of the one before it." }
        div class="scroll" tabindex="0" role="group" aria-label="Audit record" {
            table {
                thead { tr {
                    th scope="col" class="number" { "Line" } th scope="col" { "When" } th scope="col" { "Who" }
                    th scope="col" { "What" } th scope="col" { "Bench" } th scope="col" { "Outcome" }
                } }
                tbody {
                    @for line in lines.iter().rev() {
                        tr {
                            td class="number" { (line.n) }
                            td { (Clock(line.at, Fine::Date)) }
                            td { (line.act.who) @if !line.act.from.is_empty() { span class="small" { " from " (line.act.from) } } }
                            td { (line.act.act) }
                            td { (line.act.bench.as_deref().unwrap_or_default()) }
                            td { (line.act.outcome) }
                        }
                    }
                }
            }
        }
    };
    Ok(page(&Frame::still("Audit record", None, Tab::Other), &body))
}
