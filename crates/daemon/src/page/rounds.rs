//! The rounds of a run, each to be opened, with its readings.

use super::html::of_bench;
use super::words::{self, Clock, Fine};
use crate::view::{PlannedRound, ReadingView, RoundState, RoundView, RunView};
use maud::{Markup, html};

/// All rounds.
pub(crate) fn rounds(bench: &str, run: &RunView) -> Markup {
    html! {
        h2 { "Rounds" }
        ol class="rounds" {
            @for round in &run.rounds {
                @let planned = run.plan.rounds.iter().find(|planned| planned.number == round.number);
                li { (one(bench, run, round, planned)) }
            }
        }
    }
}

fn one(bench: &str, run: &RunView, round: &RoundView, planned: Option<&PlannedRound>) -> Markup {
    let readings: Vec<&ReadingView> =
        run.last_readings.iter().filter(|reading| reading.round == round.number).collect();
    let is_whole = readings.len() as u32 >= round.readings;
    html! {
        details id=(format!("round-{}", round.number)) open[round.state == RoundState::Taking] {
            summary {
                span class="round-number" { "Round " (round.number) } " "
                @if let Some(planned) = planned { (title(planned, round)) }
                span class="small" { ": " (words::round_state(round.state)) (times(round)) }
            }
            @if let Some(planned) = planned { p class="small" { "Contacts, current pair and voltage pair: " (planned.configurations.join("  ")) "." } }
            @for why in &round.why { p { (words::sentence(why)) } }
            @if !readings.is_empty() { (table(&readings)) }
            @if let (false, Some(number)) = (is_whole, run.run) {
                p { a href=(format!("{}/runs/{number}/rounds/{}", of_bench(bench), round.number)) { "All " (round.readings) " readings of this round" } }
            }
            @if round.readings == 0 { p class="small" { "No readings." } }
        }
    }
}

fn title(planned: &PlannedRound, round: &RoundView) -> Markup {
    let purpose = match planned.purpose.as_str() {
        "hall" => "Hall effect",
        other => other,
    };
    html! {
        (planned.sample) ", " (purpose) ", "
        (words::kelvin(round.temperature_k.unwrap_or(planned.temperature_k)))
        @if planned.field_t != 0.0 { ", " (words::tesla(planned.field_t)) }
    }
}

fn times(round: &RoundView) -> Markup {
    html! {
        @if let Some(begun) = round.begun {
            ", " (Clock(begun, Fine::Minute))
            @if let Some(ended) = round.ended { "\u{2013}" (Clock(ended, Fine::Minute)) }
        }
        @if round.readings > 0 { ", " (round.readings) " readings" }
    }
}

/// Readings, oldest first.
pub(crate) fn table(readings: &[&ReadingView]) -> Markup {
    html! {
        div class="scroll" tabindex="0" role="group" aria-label="Table of readings" {
            table {
                thead { tr {
                    th scope="col" { "Time" } th scope="col" { "Contacts" } th scope="col" { "Direction" }
                    th scope="col" class="number" { "Voltage" } th scope="col" class="number" { "Current" }
                    th scope="col" { "Condition" }
                } }
                tbody {
                    @for reading in readings {
                        tr {
                            td { (Clock(reading.at, Fine::Second)) }
                            td { (reading.configuration) }
                            td { (if reading.polarity == "-" { "reversed" } else { "forward" }) }
                            td class="number" { (words::value(reading.voltage_v, "V")) }
                            td class="number" { (words::value(reading.current_a, "A")) }
                            td { (reading.condition) @if let Some(flag) = &reading.flag { "; " (flag) } }
                        }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::sample::a_run;

    #[test]
    fn a_round_stands_where_the_mark_of_the_band_leads() {
        let shown = rounds("cold", &a_run()).into_string();
        for number in 1..=5 {
            assert!(shown.contains(&format!("id=\"round-{number}\"")));
        }
        assert!(shown.contains("1.2345(12)\u{202f}mV"), "the last reading of the round that is taken");
        assert!(shown.contains("Voltage over range &lt;b&gt;."), "escaped: {shown}");
    }
}
