//! The parts of a sheet, each made from a snapshot alone, so that each can be shown anew when it alone has changed.

use super::band::Band;
use super::drawing::{Connection, Figure, drawing, says};
use super::html::{age, of_bench};
use super::ink::{Paper, band, legend};
use super::plot::Over;
use super::words::{self, Clock, Fine};
use super::{results, rounds, sentence};
use crate::moment::Moment;
use crate::view::{BenchState, BenchView, EndState, NoteKind, OutputState, RoundState, RunState, RunView};
use maud::{Markup, html};
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};

/// The parts, in the order of the sheet.
pub(crate) const PARTS: [&str; 8] =
    ["saying", "stated", "act", "band", "sample", "notes", "results", "rounds"];

/// Samples as drawn, by their names, and whether their guard is driven.
#[derive(Clone, Debug, Default)]
pub(crate) struct Figures {
    pub(crate) of: BTreeMap<String, Figure>,
    pub(crate) is_guarded: bool,
}

/// What whoever looks may do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct May {
    pub(crate) operate: bool,
    pub(crate) maintain: bool,
}

/// A sheet.
pub(crate) struct Sheet<'s> {
    pub(crate) view: &'s BenchView,
    pub(crate) figures: &'s Figures,
    pub(crate) may: May,
    pub(crate) over: Over,
    pub(crate) now: Moment,
}

/// A part as it is sent: with a number that changes when it does.
pub(crate) struct Part {
    pub(crate) name: &'static str,
    pub(crate) html: String,
    pub(crate) hash: String,
}

impl Sheet<'_> {
    /// A part by its name.
    pub(crate) fn part(&self, name: &'static str) -> Part {
        let html = self.inside(name).into_string();
        let mut hasher = DefaultHasher::new();
        html.hash(&mut hasher);
        Part { name, html, hash: format!("{:016x}", hasher.finish()) }
    }

    fn run(&self) -> Option<&RunView> {
        self.view.run.as_ref()
    }

    fn inside(&self, name: &str) -> Markup {
        match (name, self.run()) {
            ("saying", _) => html! { h1 { (sentence::said(self.view)) } },
            ("stated", _) => self.stated(),
            ("act", _) => self.act(),
            ("sample", _) => self.sample(),
            ("band", Some(run)) => self.band(run),
            ("notes", Some(run)) => notes(run),
            ("results", Some(run)) => results::results(&self.view.bench, run, self.over),
            ("rounds", Some(run)) => rounds::rounds(&self.view.bench, run),
            _ => html! {},
        }
    }

    fn stated(&self) -> Markup {
        let view = self.view;
        html! {
            p class="small" {
                "As of " (Clock(view.at, Fine::Second)) " " (age(view.at))
                @if view.simulated { " \u{00b7} the instruments are simulated" }
                @if let Some(run) = self.run() {
                    @if let Some(by) = &run.by { " \u{00b7} begun by " (by) }
                    @if run.pace != 1.0 { " \u{00b7} its clock goes " (format!("{:.0}", run.pace)) " times as fast" }
                }
                @if let Some(release) = &view.release {
                    " \u{00b7} released up to " (words::bare(release.up_to_v, "V")) " by " (release.by) " until " (Clock(release.until, Fine::Minute))
                } @else if view.needs_release { " \u{00b7} not released: nobody at the bench allows a start" }
            }
        }
    }

    /// The one action that fits.
    fn act(&self) -> Markup {
        let (view, path) = (self.view, of_bench(&self.view.bench));
        let state = self.run().map(|run| run.state);
        let one = |act: &str, word: &str, says: &str| {
            html! {
                form method="post" action=(format!("{path}/{act}")) { button type="submit" { (word) } span class="says small" { (says) } }
            }
        };
        html! {
            @match (view.state, state) {
                (BenchState::Blocked, _) if self.may.maintain => {
                    (one("clear", "I have looked at the bench", "Stands it down again; it takes work only if the output is then verified off."))
                }
                (BenchState::Blocked, _) => p class="small" { "Somebody with the right to maintain must look at the bench and clear it." },
                _ if !self.may.operate => p class="small" { "You may look here; to operate takes another token." },
                (BenchState::Asking, _) => (self.field()),
                (BenchState::Paused, _) => (self.resume(&path)),
                (BenchState::Working, Some(RunState::Running)) => {
                    (one("pause", "Pause after this round", "The round is completed, then the bench comes to rest."))
                }
                (BenchState::Ready, _) => p { a class="button" href=(format!("{path}/compose")) { "Compose a run" } },
                _ => {}
            }
            @for waiting in &view.queue {
                p class="small" {
                    "Waits: " (waiting.samples.join(", ")) ", " (waiting.recipe) ", asked for by " (waiting.by) " at " (Clock(waiting.at, Fine::Minute)) ". "
                }
                @if self.may.operate {
                    form method="post" action=(format!("{path}/withdraw")) {
                        input type="hidden" name="ticket" value=(waiting.ticket);
                        button type="submit" class="quiet" { "Take it out of the queue" }
                    }
                }
            }
        }
    }

    fn field(&self) -> Markup {
        html! {
            form method="post" action=(format!("{}/field", of_bench(&self.view.bench))) class="row" {
                label for="field" { "The field is now" }
                input id="field" name="field_t" inputmode="decimal" required size="8"
                    value=[self.view.asks.map(|asks| asks.field_t)];
                span { "T" }
                button type="submit" { "Go on with it" }
            }
        }
    }

    fn resume(&self, path: &str) -> Markup {
        let Some(run) = self.run() else { return html! {} };
        let Some(number) = run.run else { return html! {} };
        let next = sentence::next_round(run).map_or_else(String::new, |next| format!(" with round {next}"));
        html! {
            form method="post" action=(format!("{path}/resume")) {
                input type="hidden" name="run" value=(number);
                button type="submit" { "Go on" (next) }
                span class="says small" { "Complete rounds are kept; the others are measured again." }
            }
        }
    }

    fn band(&self, run: &RunView) -> Markup {
        night(&Band::of(run, self.now), Some(""))
    }

    fn sample(&self) -> Markup {
        let view = self.view;
        let connected = view.connected.as_ref();
        let mut connection = connected.map_or_else(Connection::default, |connected| {
            Connection::parse(&connected.configuration, connected.polarity.as_deref())
        });
        connection.is_on = view.output.state == OutputState::On;
        connection.is_guarded = self.figures.is_guarded;
        connection.current = view.output.current_a.filter(|_| connection.is_on).map(words::current);
        let last = connected.and_then(|connected| connected.last.as_ref());
        connection.voltage = last.map(|last| words::value(last.voltage_v, "V"));
        let name = connected.map(|connected| connected.sample.clone());
        let name = name.or_else(|| self.run().and_then(|run| run.plan.samples.first().cloned()));
        let schematic = Figure::of(None, 4);
        let figure = name.as_ref().and_then(|name| self.figures.of.get(name)).unwrap_or(&schematic);
        html! {
            h2 { "The sample" }
            @if let Some(name) = &name { p { (name) @if !figure.is_to_scale { span class="small" { " (its outline is not written down)" } } } }
            (drawing(figure, &connection))
            p class="small" { (says(&connection)) }
            dl class="facts" {
                dt { "Output" } dd { (output(view)) }
                @if let Some(kelvin) = view.temperature_k { (surrounding("Temperature", kelvin, words::kelvin)) }
                @if let Some(field) = view.field_t { (surrounding("Field", field, words::tesla)) }
                @if let Some(last) = last {
                    dt { "Last reading" }
                    dd { (words::value(last.voltage_v, "V")) " at " (words::value(last.current_a, "A")) }
                }
            }
        }
    }
}

/// A band on both widths of paper, with what its shapes mean.
pub(crate) fn night(night: &Band, link: Option<&str>) -> Markup {
    html! {
        (band(night, Paper::WIDE, link))
        (band(night, Paper::NARROW, link))
        (legend(night))
    }
}

fn surrounding(word: &str, found: crate::view::Surrounding, write: fn(f64) -> String) -> Markup {
    html! {
        dt { (word) }
        dd {
            @match found.now {
                Some(now) => { (write(now)) span class="small" { " at " (Clock(found.at, Fine::Second)) } }
                None => "not known",
            }
            @if let Some(target) = found.target { span class="small" { ", asked for " (write(target)) } }
        }
    }
}

/// What is known of the output: a shape and a word.
pub(crate) fn output(view: &BenchView) -> Markup {
    let on = (view.output.state == OutputState::On)
        .then_some(view.output)
        .and_then(|output| output.current_a.zip(output.voltage_limit_v));
    html! {
        span class="state" {
            (output_shape(view.output.state)) (words::output_state(view.output.state))
        }
        @if let Some((ampere, volt)) = on { ", " (words::current(ampere)) ", at most " (words::bare(volt, "V")) }
        span class="small" { " since " (Clock(view.output.since, Fine::Second)) }
    }
}

/// Told apart without colour: an open switch, the same in a dashed frame, a question, a closed one.
pub(crate) fn output_shape(state: OutputState) -> Markup {
    html! {
        svg class="glyph" viewBox="0 0 16 16" aria-hidden="true" {
            @match state {
                OutputState::VerifiedOff => { path class="stroke" d="M1 11H5L11 5M11 11H15" {} },
                OutputState::ToldOff => { path class="stroke dashed" d="M1 11H5L11 5M11 11H15" {} },
                OutputState::NotKnown => { text class="glyph-text" x="8" y="13" text-anchor="middle" { "?" } },
                OutputState::On => { path class="accent-stroke" d="M1 11H15" {} circle class="accent" cx="5" cy="11" r="2" {} circle class="accent" cx="11" cy="11" r="2" {} },
            }
        }
    }
}

/// How much of a plan a run that was cut short has left.
fn not_taken(run: &RunView) -> String {
    let is_open = |state| matches!(state, RoundState::Planned | RoundState::BrokenOff);
    match run.rounds.iter().filter(|round| is_open(round.state)).count() {
        0 => String::new(),
        1 => "1 round was not completed.".to_owned(),
        open => format!("{open} rounds were not completed."),
    }
}

/// What went not as planned, and what was chosen.
pub(crate) fn notes(run: &RunView) -> Markup {
    let (chosen, rest): (Vec<_>, Vec<_>) = run.notes.iter().partition(|note| note.kind == NoteKind::Choice);
    html! {
        h2 { "Not as planned" }
        @let cut_short = run.ended.filter(|_| run.ending.is_some_and(|ending| ending != EndState::Finished));
        @if rest.is_empty() && cut_short.is_none() {
            p { @if run.state == RunState::Ended { "Nothing." } @else { "Nothing so far." } }
        }
        ol class="notes" {
            @for note in rest {
                li {
                    (Clock(note.at, Fine::Minute)) " "
                    @if note.kind == NoteKind::Fault { strong { "Costly. " } }
                    @if let Some(round) = note.round { a href=(format!("#round-{round}")) { "Round " (round) } ": " }
                    (words::sentence(&note.text))
                }
            }
            @if let Some(at) = cut_short {
                li { (Clock(at, Fine::Minute)) " " (words::sentence(&run.saying)) " " (not_taken(run)) }
            }
        }
        @if !(chosen.is_empty() && run.plan.reasons.is_empty() && run.plan.warnings.is_empty()) {
            details id="choices" {
                summary { "What was chosen, and why" }
                ul {
                    @for warning in &run.plan.warnings { li { strong { "Warning: " } (words::sentence(warning)) } }
                    @for reason in &run.plan.reasons { li { (words::sentence(reason)) } }
                    @for note in chosen { li { (Clock(note.at, Fine::Minute)) " " (words::sentence(&note.text)) } }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::sample::{a_bench, a_run, moment};

    fn sheet<'s>(view: &'s BenchView, figures: &'s Figures, may: May) -> Sheet<'s> {
        Sheet { view, figures, may, over: Over::Temperature, now: moment("23:05") }
    }

    #[test]
    fn a_part_has_another_number_only_when_it_has_changed() {
        let figures = Figures::default();
        let mut view = a_bench(Some(a_run()));
        view.state = BenchState::Working;
        let hashes =
            |view: &BenchView| PARTS.map(|part| sheet(view, &figures, May::default()).part(part).hash);
        let before = hashes(&view);
        view.at = moment("23:02");
        let after = hashes(&view);
        let changed: Vec<&str> = PARTS
            .into_iter()
            .zip(before.iter().zip(&after))
            .filter(|(_, (a, b))| a != b)
            .map(|(part, _)| part)
            .collect();
        assert_eq!(changed, ["stated"]);
    }

    #[test]
    fn whoever_may_look_only_is_offered_nothing_else() {
        let figures = Figures::default();
        let mut view = a_bench(Some(a_run()));
        view.state = BenchState::Working;
        let shown = |may| sheet(&view, &figures, may).part("act").html;
        assert!(!shown(May::default()).contains("<button"));
        assert!(shown(May { operate: true, maintain: false }).contains("action=\"/benches/cold/pause\""));
    }

    #[test]
    fn states_of_the_output_differ_in_shape_and_word() {
        let all = [OutputState::VerifiedOff, OutputState::ToldOff, OutputState::NotKnown, OutputState::On];
        let shapes: std::collections::BTreeSet<String> =
            all.iter().map(|state| output_shape(*state).into_string()).collect();
        assert_eq!(shapes.len(), 4);
    }

    #[test]
    fn a_run_that_was_cut_short_says_what_it_cost() {
        let mut run = a_run();
        (run.state, run.ending, run.ended) =
            (RunState::Ended, Some(EndState::Stopped), Some(moment("23:12")));
        run.saying = "stopped, by ada".to_owned();
        run.rounds[2].state = RoundState::BrokenOff;
        let shown = notes(&run).into_string();
        assert!(shown.contains("Stopped, by ada. 3 rounds were not completed."), "{shown}");
    }

    #[test]
    fn notes_lead_to_their_round() {
        let shown = notes(&a_run()).into_string();
        assert!(shown.contains("href=\"#round-2\"") && shown.contains("voltage over range"));
    }
}
