//! The line at the top of the sheet: one sentence that is true now, made from a snapshot alone.

use super::words::{self, Clock, Fine};
use crate::moment::Moment;
use crate::view::{BenchState, BenchView, EndState, OutputState, RoundState, RunState, RunView};
use maud::{Markup, Render, html};

/// A piece of what is said.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Piece {
    Text(String),
    At(Moment, Fine),
}

/// What is said, piece by piece.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Said(Vec<Piece>);

impl Said {
    fn text(mut self, text: impl Into<String>) -> Self {
        self.0.push(Piece::Text(text.into()));
        self
    }

    fn at(mut self, moment: Moment) -> Self {
        self.0.push(Piece::At(moment, Fine::Minute));
        self
    }
}

impl Render for Said {
    fn render(&self) -> Markup {
        html! {
            @for piece in &self.0 {
                @match piece {
                    Piece::Text(text) => (text),
                    Piece::At(moment, fine) => (Clock(*moment, *fine)),
                }
            }
        }
    }
}

/// The sentence.
pub(crate) fn said(view: &BenchView) -> Said {
    let reason = view.reason.as_deref().unwrap_or("nobody wrote down why");
    match (view.state, &view.run) {
        (BenchState::Blocked, _) => {
            output(Said::default().text(format!("Blocked: {} ", words::sentence(reason))), view)
        }
        (BenchState::StandingDown, _) => {
            Said::default().text("Being stood down: current to zero, output off and read back.")
        }
        (BenchState::Asking, _) => {
            let field = view.asks.map_or_else(|| "the field".to_owned(), |asks| words::tesla(asks.field_t));
            Said::default().text(format!("Waits for you: set {field}, then say what the field is."))
        }
        (BenchState::Working, Some(run)) => working(view, run),
        (BenchState::Paused, Some(run)) => paused(view, run),
        (BenchState::Ready, Some(run)) if run.state == RunState::Ended => ended(view, run),
        _ => output(Said::default().text("Ready; nothing is being measured. "), view),
    }
}

/// `measures film at 142 K, round 37 of 61`, or what else is under way.
fn working(view: &BenchView, run: &RunView) -> Said {
    let taking = run.rounds.iter().find(|round| round.state == RoundState::Taking);
    let planned = taking.and_then(|taking| run.plan.rounds.iter().find(|plan| plan.number == taking.number));
    let mut said = Said::default();
    said = match (run.state, planned) {
        (RunState::Preparing, _) => {
            said.text("Preparing: rehearsing what it will take; nothing is energised")
        }
        (RunState::Stopping, _) => said.text(words::sentence(&run.saying).trim_end_matches('.')),
        (_, Some(planned)) => {
            let sensed = view.temperature_k.and_then(|kelvin| kelvin.now);
            let kelvin = words::kelvin(sensed.unwrap_or(planned.temperature_k));
            let of = run.rounds.len();
            said.text(format!("Measuring {} at {kelvin}, round {} of {of}", planned.sample, planned.number))
        }
        _ => said.text(words::sentence(&between(view, run)).trim_end_matches('.')),
    };
    said = match (view.output.state, view.output.current_a) {
        (OutputState::On, Some(ampere)) => said.text(format!("; output on, {}", words::current(ampere))),
        (state, _) => said.text(format!("; output {}", words::output_state(state))),
    };
    if run.state == RunState::Pausing {
        said = said.text("; pauses after this round");
    }
    match run.estimate.as_ref().and_then(|estimate| estimate.ends) {
        Some(ends) if run.state != RunState::Stopping => said.text("; ends about ").at(ends).text("."),
        _ => said.text("."),
    }
}

/// What goes on where no round is being taken: a way to a temperature, or what the run says of itself.
fn between(view: &BenchView, run: &RunView) -> String {
    let next = run.rounds.iter().find(|round| round.state == RoundState::Planned);
    let next = next.and_then(|next| run.plan.rounds.iter().find(|plan| plan.number == next.number));
    let sensed = view.temperature_k.and_then(|kelvin| kelvin.now);
    match (next, sensed) {
        (Some(next), Some(now)) if (next.temperature_k - now).abs() > 0.5 => {
            let (now, to) = (words::kelvin(now), words::kelvin(next.temperature_k));
            format!("on the way from {now} to {to} for round {} of {}", next.number, run.rounds.len())
        }
        (Some(next), _) if is_driven(view) => {
            format!(
                "setting the field to {} for round {} of {}",
                words::tesla(next.field_t),
                next.number,
                run.rounds.len()
            )
        }
        (Some(next), Some(now)) => {
            format!("waiting at {} for round {} of {}", words::kelvin(now), next.number, run.rounds.len())
        }
        (Some(next), None) => format!("before round {} of {}", next.number, run.rounds.len()),
        (None, _) => run.saying.clone(),
    }
}

/// Whether a field is on its way.
fn is_driven(view: &BenchView) -> bool {
    let field = view.field_t.and_then(|field| Some((field.target?, field.now?)));
    field.is_some_and(|(target, now)| (target - now).abs() > 0.01 * target.abs().max(0.1))
}

fn paused(view: &BenchView, run: &RunView) -> Said {
    let next = next_round(run);
    let why = match run.state {
        RunState::Interrupted => "Interrupted: the program ended in this run",
        _ => "Paused by a person",
    };
    let safe = safe(run);
    let next = next.map_or_else(String::new, |next| format!(" before round {next}"));
    output(Said::default().text(format!("{why}{next}. {safe} ")), view)
}

fn ended(view: &BenchView, run: &RunView) -> Said {
    output(past(run).text(" "), view)
}

/// How a run ended, and how much of it is kept.
pub(crate) fn past(run: &RunView) -> Said {
    let saying = run.saying.trim_end_matches('.');
    let mut said = Said::default().text(match (run.state, run.ending) {
        (RunState::Ended, Some(EndState::Finished)) => "Finished",
        (RunState::Ended, Some(EndState::Stopped)) => "Stood down",
        (RunState::Ended, Some(EndState::Failed)) => "Failed, and stood down",
        (RunState::Ended, None) => "Over",
        _ => "Not over",
    });
    if let Some(at) = run.ended {
        said = said.text(" at ").at(at);
    }
    if run.ending != Some(EndState::Finished) && !saying.is_empty() {
        said = said.text(format!(": {saying}"));
    }
    said.text(format!(". {}", safe(run)))
}

/// The round that a run goes on with.
pub(crate) fn next_round(run: &RunView) -> Option<u32> {
    let is_open = |state| matches!(state, RoundState::Planned | RoundState::BrokenOff | RoundState::Taking);
    run.rounds.iter().find(|round| is_open(round.state)).map(|round| round.number)
}

/// How much of a run is kept.
fn safe(run: &RunView) -> String {
    let is_kept = |state| matches!(state, RoundState::Kept | RoundState::Marked);
    let kept = run.rounds.iter().filter(|round| is_kept(round.state)).count();
    let marked = run.rounds.iter().filter(|round| round.state == RoundState::Marked).count();
    let all = run.rounds.len();
    let marked = if marked > 0 { format!(", {marked} of them marked") } else { String::new() };
    match kept {
        0 => format!("No round of {all} is complete."),
        kept if kept == all => format!("All {all} rounds are safe{marked}."),
        1 => format!("1 round of {all} is safe{marked}."),
        _ => format!("{kept} of {all} rounds are safe{marked}."),
    }
}

fn output(said: Said, view: &BenchView) -> Said {
    match view.output.state {
        OutputState::On => said.text("Output on."),
        state => said.text(format!("Output {}.", words::output_state(state))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::sample::{a_bench, a_run, moment};

    /// As plain text, times in UTC.
    fn plain(view: &BenchView) -> String {
        let pieces = said(view).0.into_iter().map(|piece| match piece {
            Piece::Text(text) => text,
            Piece::At(moment, fine) => fine.utc(moment),
        });
        pieces.collect::<String>().replace('\u{202f}', " ")
    }

    #[test]
    fn a_run_in_work_says_where_it_is_what_the_output_does_and_when_it_ends() {
        let mut view = a_bench(Some(a_run()));
        view.state = BenchState::Working;
        view.output.state = OutputState::On;
        view.output.current_a = Some(-12e-6);
        assert_eq!(
            plain(&view),
            "Measuring left film at 142.1 K, round 3 of 5; output on, 12 µA; ends about 06:40."
        );
        view.run.as_mut().unwrap().state = RunState::Pausing;
        assert!(plain(&view).contains("pauses after this round"));
    }

    #[test]
    fn a_run_that_was_stopped_says_why_and_how_much_is_safe() {
        let mut view = a_bench(Some(a_run()));
        let run = view.run.as_mut().unwrap();
        (run.state, run.ending) = (RunState::Ended, Some(EndState::Failed));
        run.saying = "the voltmeter did not answer".to_owned();
        run.ended = Some(moment("03:12"));
        run.rounds[2].state = RoundState::BrokenOff;
        assert_eq!(
            plain(&view),
            "Failed, and stood down at 03:12: the voltmeter did not answer. 2 of 5 rounds are safe, 1 of them \
             marked. Output verified off."
        );
    }

    #[test]
    fn an_output_that_nobody_knows_of_is_never_said_to_be_off() {
        let mut view = a_bench(None);
        for (state, said) in
            [(OutputState::NotKnown, "Output not known."), (OutputState::ToldOff, "Output told off.")]
        {
            view.output.state = state;
            assert!(plain(&view).ends_with(said), "{}", plain(&view));
        }
        view.state = BenchState::Blocked;
        view.reason = Some("the source did not answer".to_owned());
        assert_eq!(plain(&view), "Blocked: The source did not answer. Output told off.");
    }

    #[test]
    fn a_way_to_a_temperature_is_no_round() {
        let mut view = a_bench(Some(a_run()));
        view.state = BenchState::Working;
        view.run.as_mut().unwrap().rounds[2].state = RoundState::Kept;
        assert!(
            plain(&view)
                .starts_with("On the way from 142.1 K to 90.0 K for round 4 of 5; output verified off")
        );
    }
}
