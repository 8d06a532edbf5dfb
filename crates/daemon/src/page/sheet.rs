//! Routes of the sheet: the page of a bench, its parts one by one, and of runs that are over.

use super::html::{Denied, Frame, Tab, of_bench, page};
use super::plot::Over;
use super::sections::{Figures, May, PARTS, Part, Sheet, night, notes};
use super::{band::Band, drawing::Figure, results, rounds, sentence};
use crate::api::records::run_view;
use crate::api::sent::{InPath, aside};
use crate::host::Host;
use crate::moment::Moment;
use crate::problem::Refusal;
use crate::site::Site;
use crate::tokens::Right;
use crate::view::{BenchView, ReadingView, RunView};
use crate::who::{Look, Principal};
use axum::extract::State;
use axum::response::{Html, IntoResponse, Redirect, Response};
use http::{HeaderMap, StatusCode, Uri, header};
use maud::{Markup, PreEscaped, html};
use quadrille_operations::{Entry, RunId};
use std::sync::Arc;

/// Readings of a round on one page.
const MOST_READINGS: usize = 2000;

/// What is asked for after the question mark: pairs in order.
pub(crate) fn asked(uri: &Uri) -> Vec<(String, String)> {
    let query = uri.query().unwrap_or_default();
    form_urlencoded::parse(query.as_bytes()).into_owned().collect()
}

/// Over what results are plotted.
pub(crate) fn over(uri: &Uri) -> Over {
    match asked(uri).iter().find(|(key, _)| key == "over") {
        Some((_, over)) if over == "inverse" => Over::Inverse,
        _ => Over::Temperature,
    }
}

/// What somebody may do.
pub(crate) fn may(who: &Principal) -> May {
    May { operate: who.may(Right::Operate), maintain: who.may(Right::Maintain) }
}

/// Samples of a run as they are drawn; of a run that is not in the journal yet, nothing.
pub(crate) fn figures(host: &Host, run: Option<i64>) -> Figures {
    let found = run.and_then(|run| host.records().ok()?.inputs(RunId(run)).ok());
    let Some((inputs, plan, _)) = found else { return Figures::default() };
    let of = inputs
        .samples
        .iter()
        .map(|sample| (sample.name.value.clone(), Figure::of(sample.outline.as_ref(), sample.contacts)));
    let is_guarded = plan.samples.iter().any(|sample| sample.settings.guard);
    Figures { of: of.collect(), is_guarded }
}

/// The list of benches; where there is one alone, its sheet.
pub(crate) async fn benches(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    uri: Uri,
) -> Result<Response, Denied> {
    look?;
    let is_list = asked(&uri).iter().any(|(key, _)| key == "all");
    if let (1, false, Some(only)) = (site.benches.len(), is_list, site.benches.keys().next()) {
        return Ok(Redirect::to(&of_bench(only)).into_response());
    }
    let views: Vec<Arc<BenchView>> = site.benches.values().map(|host| host.view()).collect();
    let body = html! {
        h1 { "Benches" }
        ul class="benches" {
            @for view in &views {
                li {
                    h2 { a href=(of_bench(&view.bench)) { (view.title) } }
                    p { (sentence::said(view)) }
                    @if let Some(run) = &view.run { (super::ink::band(&Band::of(run, Moment::now()), super::ink::Paper::SMALL, None)) }
                }
            }
        }
        p class="small" { a href="/audit" { "What was done here, and by whom" } }
    };
    Ok(page(&Frame::still("Benches", None, Tab::Other), &body).into_response())
}

/// The sheet of a bench.
pub(crate) async fn sheet(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<String>, Refusal>,
    uri: Uri,
) -> Result<Html<String>, Denied> {
    let (Look(who), InPath(bench)) = (look?, path?);
    let host = Arc::clone(site.bench(&bench)?);
    let (over, may) = (over(&uri), may(&who));
    let (parts, title) = aside(move || {
        let view = host.view();
        let figures = figures(&host, view.run.as_ref().and_then(|run| run.run));
        let sheet = Sheet { view: &view, figures: &figures, may, over, now: Moment::now() };
        Ok((PARTS.map(|part| sheet.part(part)), view.title.clone()))
    })
    .await?;
    let events = format!("{}/sheet/events{}", of_bench(&bench), asked_over(over));
    let frame = Frame { live: Some(events), ..Frame::still(&title, Some(&bench), Tab::Sheet) };
    Ok(page(&frame, &laid_out(&bench, &parts, may)))
}

fn asked_over(over: Over) -> &'static str {
    match over {
        Over::Temperature => "",
        Over::Inverse => "?over=inverse",
    }
}

/// The parts on the page. Stop stands outside of them: it is never taken from under a hand by something that changed.
fn laid_out(bench: &str, parts: &[Part], may: May) -> Markup {
    let part = |name: &str| {
        let Some(part) = parts.iter().find(|part| part.name == name) else { return html! {} };
        let live = (name == "saying").then_some("polite");
        html! {
            section id=(format!("part-{name}")) data-hash=(part.hash) aria-live=[live] { (PreEscaped(&part.html)) }
        }
    };
    html! {
        div class="sheet" {
            div class="line" { (part("saying")) (part("stated")) }
            div class="acts" {
                (part("act"))
                @if may.operate {
                    form method="post" action=(format!("{}/stop", of_bench(bench))) class="stop" {
                        button type="submit" { "Stop and stand down" }
                        span class="says small" { "Current to zero, output off and read back, crosspoints open." }
                    }
                }
            }
            (part("band"))
            div class="two" { (part("sample")) (part("notes")) }
            (part("results"))
            (part("rounds"))
        }
    }
}

/// One part of the sheet alone.
pub(crate) async fn part(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<(String, String)>, Refusal>,
    uri: Uri,
    headers: HeaderMap,
) -> Result<Response, Denied> {
    let (Look(who), InPath((bench, name))) = (look?, path?);
    let host = Arc::clone(site.bench(&bench)?);
    let known = PARTS.into_iter().find(|part| *part == name);
    let Some(name) = known else {
        return Err(Refusal::missing(
            "the sheet has no such part",
            format!("ask for one of: {}", PARTS.join(", ")),
        )
        .into());
    };
    let (over, may) = (over(&uri), may(&who));
    let part = aside(move || {
        let view = host.view();
        let figures = figures(&host, view.run.as_ref().and_then(|run| run.run));
        Ok(Sheet { view: &view, figures: &figures, may, over, now: Moment::now() }.part(name))
    })
    .await?;
    let tag = format!("\"{}\"", part.hash);
    let is_known =
        headers.get(header::IF_NONE_MATCH).and_then(|known| known.to_str().ok()) == Some(tag.as_str());
    if is_known {
        return Ok((StatusCode::NOT_MODIFIED, [(header::ETAG, tag)]).into_response());
    }
    Ok(([(header::ETAG, tag)], Html(part.html)).into_response())
}

/// A run of before, or the one that is shown.
pub(crate) async fn past(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<(String, i64)>, Refusal>,
    uri: Uri,
) -> Result<Html<String>, Denied> {
    let (_, InPath((bench, number))) = (look?, path?);
    let run = read(&site, &bench, number).await.map_err(Denied::at(&bench))?;
    let title = format!("Run {number}");
    let frame = Frame::still(&title, Some(&bench), Tab::Records);
    Ok(page(&frame, &lived(&bench, &run, over(&uri))))
}

/// A run that is over, as it was.
fn lived(bench: &str, run: &RunView, over: Over) -> Markup {
    html! {
        div class="sheet" {
            div class="line" {
                h1 { (run.plan.samples.join(", ")) ": " (sentence::past(run)) }
                p class="small" {
                    "Run " (run.run.unwrap_or_default()) ", recipe " (run.plan.recipe) ", plan "
                    code { (run.plan.sha256.get(..12).unwrap_or_default()) }
                }
            }
            section { (night(&Band::of(run, Moment::now()), Some(""))) }
            section { (notes(run)) }
            section { (results::results(bench, run, over)) }
            section id="part-rounds" { (rounds::rounds(bench, run)) }
        }
    }
}

async fn read(site: &Site, bench: &str, number: i64) -> Result<RunView, Refusal> {
    let host = Arc::clone(site.bench(bench)?);
    aside(move || run_view(&host, number)).await
}

/// The plots of a run as a file.
pub(crate) async fn plots(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<(String, i64)>, Refusal>,
    uri: Uri,
) -> Result<Response, Denied> {
    let (_, InPath((bench, number))) = (look?, path?);
    let run = read(&site, &bench, number).await?;
    let title = format!("{bench}, run {number}: {}", run.plan.samples.join(", "));
    let drawn = super::plot::standalone(&title, &run.results, over(&uri));
    Ok(file("image/svg+xml", &format!("{bench}-{number}.svg"), drawn))
}

/// The results of a run as a table.
pub(crate) async fn results_csv(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<(String, i64)>, Refusal>,
) -> Result<Response, Denied> {
    let (_, InPath((bench, number))) = (look?, path?);
    let run = read(&site, &bench, number).await?;
    let name = format!("{bench}-{number}-results.csv");
    Ok(file("text/csv; charset=utf-8", &name, results::csv(&run.results)))
}

fn file(kind: &'static str, name: &str, text: String) -> Response {
    let kept = |c: char| if c.is_ascii_alphanumeric() || "-_.".contains(c) { c } else { '_' };
    let name: String = name.chars().map(kept).collect();
    let disposition = format!("attachment; filename=\"{name}\"");
    ([(header::CONTENT_TYPE, kind.to_owned()), (header::CONTENT_DISPOSITION, disposition)], text)
        .into_response()
}

/// All readings of a round.
pub(crate) async fn round(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<(String, i64, u32)>, Refusal>,
) -> Result<Html<String>, Denied> {
    let (_, InPath((bench, number, round))) = (look?, path?);
    let host = Arc::clone(site.bench(&bench)?);
    let readings = aside(move || readings(&host, number, round)).await.map_err(Denied::at(&bench))?;
    let title = format!("Run {number}, round {round}");
    let body = html! {
        h1 { (title) }
        @if readings.is_empty() { p { "This round has no readings." } } @else {
            p { (readings.len()) " readings, oldest first; standard uncertainty in brackets." }
            (rounds::table(&readings.iter().collect::<Vec<_>>()))
        }
        p { a href=(format!("{}/runs/{number}#round-{round}", of_bench(&bench))) { "Back to the run" } }
    };
    Ok(page(&Frame::still(&title, Some(&bench), Tab::Records), &body))
}

fn readings(host: &Host, run: i64, round: u32) -> Result<Vec<ReadingView>, Refusal> {
    let records = host.records()?;
    let (mut found, mut after) = (Vec::new(), 0);
    while found.len() < MOST_READINGS {
        let placed = records.after(RunId(run), after, 1000).map_err(|error| Refusal::of(&error))?;
        let Some(last) = placed.last() else { break };
        after = last.sequence;
        for placed in &placed {
            if let Entry::Reading(pair) = &placed.entry
                && pair.1.round == round
            {
                let at = Moment::parse(&placed.kept).unwrap_or_else(Moment::now);
                found.push(ReadingView::of(placed.sequence, at, &pair.0, &pair.1));
            }
        }
    }
    Ok(found)
}
