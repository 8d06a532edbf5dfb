//! The bench: its wiring as a drawing, and each instrument with who it is and when it last answered.

use super::drawing::Connection;
use super::html::{Denied, Frame, Tab, age, page};
use super::ink::n;
use super::sections::output;
use super::words::{self, Clock, Fine};
use crate::api::sent::{InPath, aside};
use crate::host::Host;
use crate::problem::Refusal;
use crate::site::Site;
use crate::view::{BenchView, OutputState};
use crate::who::Look;
use axum::extract::State;
use axum::response::Html;
use maud::{Markup, html};
use std::sync::Arc;

/// Distance between rows and between columns on paper.
const STEP: f64 = 44.0;
const LEFT: f64 = 150.0;
const TOP: f64 = 62.0;

/// What is wired: the four rows, and the columns of each sample's contacts.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Wired {
    pub(crate) rows: [u16; 4],
    /// Name of a sample, where the map has one, and the columns of its contacts.
    pub(crate) maps: Vec<(Option<String>, Vec<u16>)>,
    pub(crate) has_guard: bool,
}

/// What the rows are for, in the order of a configuration's contacts.
const ROWS: [&str; 4] = ["source, high", "return, low", "sense, high", "sense, low"];

fn wired(host: &Host) -> Option<(Wired, f64)> {
    let inputs = host.library.bench_alone().ok()?;
    let bench = &inputs.equipped.bench;
    let maps = bench
        .wiring
        .maps
        .iter()
        .map(|map| (map.sample.as_ref().map(|name| name.value.clone()), map.columns.clone()));
    let maps = maps.collect();
    Some((
        Wired { rows: bench.wiring.rows.in_order(), maps, has_guard: bench.wiring.guard },
        bench.limits.current_a,
    ))
}

/// The page.
pub(crate) async fn bench(
    State(site): State<Arc<Site>>,
    look: Result<Look, Refusal>,
    path: Result<InPath<String>, Refusal>,
) -> Result<Html<String>, Denied> {
    let (_, InPath(bench)) = (look?, path?);
    let host = Arc::clone(site.bench(&bench)?);
    let body = aside(move || {
        let view = host.view();
        Ok(shown(&view, wired(&host)))
    })
    .await?;
    Ok(page(&Frame::still("Bench", Some(&bench), Tab::Bench), &body))
}

fn shown(view: &BenchView, wired: Option<(Wired, f64)>) -> Markup {
    html! {
        h1 { (words::sentence(&format!("{}: {}", view.title, words::bench_state(view.state)))) }
        p class="small" { "As of " (Clock(view.at, Fine::Second)) " " (age(view.at)) @if view.simulated { " \u{00b7} the instruments are simulated in this program" } }
        @if let Some(reason) = &view.reason { p class="lead" { (words::sentence(reason)) } }
        dl class="facts" {
            dt { "Output" } dd { (output(view)) }
            dt { "At most" } dd {
                (words::bare(view.most_v, "V"))
                @if let Some((_, ampere)) = &wired { ", " (words::current(*ampere)) }
            }
            dt { "Release" } dd {
                @match (&view.release, view.needs_release) {
                    (Some(release), _) => { "up to " (words::bare(release.up_to_v, "V")) " until " (Clock(release.until, Fine::Minute)) ", by " (release.by) },
                    (None, true) => "none: a start needs one, given at the bench",
                    (None, false) => "not asked for on this bench",
                }
            }
        }
        section {
            h2 { "Instruments" }
            (instruments(view))
        }
        @if let Some((wired, _)) = &wired {
            section {
                h2 { "Wiring" }
                p class="small" {
                    "Rows of the matrix across, contacts of the sample down. "
                    @if wired.has_guard { "The cables have a guard that the source can drive." } @else { "The cables have no guard that is driven." }
                }
                (drawing(wired, view))
            }
        }
    }
}

fn instruments(view: &BenchView) -> Markup {
    html! {
        div class="scroll" tabindex="0" role="group" aria-label="Table of instruments" {
            table {
                thead { tr {
                    th scope="col" { "Instrument" } th scope="col" { "What it does" } th scope="col" { "Who it says it is" }
                    th scope="col" { "Last answer" } th scope="col" { "Where, and its dialect" }
                } }
                tbody {
                    @for instrument in &view.instruments {
                        tr {
                            th scope="row" { (instrument.name) }
                            td { (words::role(&instrument.role)) }
                            td { @match &instrument.identity { Some(identity) => (identity), None => "not asked yet" } }
                            td class="time" {
                                @match instrument.last_answer {
                                    Some(at) => { (Clock(at, Fine::Second)) " " (age(at)) },
                                    None => "none yet",
                                }
                            }
                            td class="small" { code { (instrument.resource) } ", " (instrument.dialect) }
                        }
                    }
                }
            }
        }
    }
}

/// Rows and columns, a dot where a crosspoint is closed.
fn drawing(wired: &Wired, view: &BenchView) -> Markup {
    let connected = view.connected.as_ref();
    let closed =
        connected.map(|connected| Connection::parse(&connected.configuration, connected.polarity.as_deref()));
    let columns: usize = wired.maps.iter().map(|(_, columns)| columns.len()).sum();
    let (width, height) = (LEFT + STEP * columns as f64 + 20.0, TOP + STEP * 4.0 + 10.0);
    let y = |row: usize| TOP + STEP * row as f64;
    let mut from = 0;
    let places: Vec<(usize, &Option<String>, &Vec<u16>)> = wired
        .maps
        .iter()
        .map(|(sample, columns)| {
            from += columns.len();
            (from - columns.len(), sample, columns)
        })
        .collect();
    let is_on = view.output.state == OutputState::On;
    let told = match &closed {
        Some(closed) if is_on => super::drawing::says(closed),
        _ => "No current flows.".to_owned(),
    };
    html! {
        svg class="wiring" viewBox=(format!("0 0 {} {}", n(width), n(height))) role="img" aria-label=(told) {
            @for (row, word) in ROWS.iter().enumerate() {
                text class="label" x=(n(LEFT - 34.0)) y=(n(y(row) + 4.0)) text-anchor="end" { (word) " (" (wired.rows[row]) ")" }
                line class="lead" x1=(n(LEFT - 28.0)) x2=(n(width - 10.0)) y1=(n(y(row))) y2=(n(y(row))) {}
            }
            @for (from, sample, columns) in &places {
                @if let Some(sample) = sample {
                    text class="label" x=(n(LEFT + STEP * *from as f64)) y="14" { (sample) }
                }
                @for (place, column) in columns.iter().enumerate() {
                    @let x = LEFT + STEP * (from + place) as f64;
                    text class="label contact-number" x=(n(x)) y="36" text-anchor="middle" { (place + 1) }
                    text class="number" x=(n(x)) y="50" text-anchor="middle" { "col " (column) }
                    line class="lead" x1=(n(x)) x2=(n(x)) y1=(n(TOP - 8.0)) y2=(n(y(3) + 14.0)) {}
                    @let is_its = connected.is_some_and(|connected| sample.as_ref().is_none_or(|name| *name == connected.sample));
                    @if let (Some(closed), true) = (&closed, is_its) {
                        @for row in rows_of(closed, place + 1) {
                            circle class=(if is_on { "accent" } else { "filled" }) cx=(n(x)) cy=(n(y(row))) r="6" {}
                        }
                    }
                }
            }
        }
        p class="small" { "A dot: what was connected last" @if is_on { ", and carries current now" } @else { "; no current flows" } "." }
    }
}

/// The rows that a contact is on: the source's terminals do not move when the current is reversed.
fn rows_of(closed: &Connection, contact: usize) -> Vec<usize> {
    let pairs = [
        closed.driven.map(|pair| pair.0),
        closed.driven.map(|pair| pair.1),
        closed.sensed.map(|pair| pair.0),
        closed.sensed.map(|pair| pair.1),
    ];
    (0..4).filter(|row| pairs[*row] == Some(contact)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::sample::{a_bench, moment};

    #[test]
    fn an_instrument_says_who_it_is_and_when_it_answered() {
        let mut view = a_bench(None);
        view.instruments[0].identity = Some("ACME & SONS,7".to_owned());
        view.instruments[1].last_answer = None;
        let told = shown(&view, None).into_string();
        assert!(
            told.contains("ACME &amp; SONS,7") && told.contains("not asked yet") && told.contains("none yet")
        );
        assert!(told.contains(&format!("data-age=\"{}\"", moment("23:00"))));
    }

    #[test]
    fn each_closed_crosspoint_is_a_dot_where_row_and_contact_meet() {
        let mut view = a_bench(None);
        view.connected = Some(crate::view::Connected {
            sample: "left film".to_owned(),
            configuration: "12,43".to_owned(),
            polarity: None,
            last: None,
        });
        let wired = Wired { rows: [1, 2, 3, 4], maps: vec![(None, vec![5, 6, 7, 8])], has_guard: true };
        let drawn = drawing(&wired, &view).into_string();
        assert_eq!(drawn.matches("<circle").count(), 4);
        // Contact 4 (fourth column) on sense high (third row).
        assert!(drawn.contains("cx=\"282\" cy=\"150\""), "{drawn}");
    }
}
