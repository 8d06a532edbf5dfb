//! Snapshots folded from what is kept and what goes on, one step after the other.

use super::run::{EndState, ReadingView, RunState, RunView};
use super::{BenchState, BenchView, Connected, OutputState, OutputView, Surrounding};
use crate::moment::Moment;
use quadrille_operations::{Circumstances, Event, Now, Reading};

/// A bench's snapshot as it grows.
#[derive(Clone, Debug)]
pub struct Fold {
    view: BenchView,
}

impl Fold {
    /// Begins with what is known before anything is asked.
    pub fn new(view: BenchView) -> Self {
        Self { view }
    }

    /// The snapshot.
    pub fn view(&self) -> &BenchView {
        &self.view
    }

    /// Changes what the daemon itself knows: its queue, releases, blocks.
    pub fn change(&mut self, at: Moment, change: impl FnOnce(&mut BenchView)) {
        change(&mut self.view);
        self.touch(at);
    }

    fn touch(&mut self, at: Moment) {
        self.view.version += 1;
        self.view.at = at;
    }

    /// The run in work changes.
    pub fn change_run(&mut self, at: Moment, change: impl FnOnce(&mut RunView)) {
        if let Some(run) = &mut self.view.run {
            change(run);
        }
        self.touch(at);
    }

    /// A run is the one in work from now on.
    pub fn begin(&mut self, at: Moment, run: RunView) {
        self.view.run = Some(run);
        self.view.state = BenchState::Working;
        self.touch(at);
    }

    /// The run ended, or waits.
    pub fn end(&mut self, at: Moment, state: RunState, ending: Option<EndState>, saying: String) {
        self.view.connected = None;
        if let Some(run) = &mut self.view.run {
            run.break_off(at);
            (run.state, run.ending, run.saying) = (state, ending, saying);
            run.ended = (state == RunState::Ended).then_some(at);
        }
        self.touch(at);
    }

    /// What goes on between events.
    pub fn now(&mut self, at: Moment, now: Now) {
        match now {
            Now::On { sample, configuration, current, limit } => {
                let samples = self.view.run.as_ref().map(|run| run.plan.samples.as_slice());
                let sample = samples.and_then(|names| names.get(sample)).cloned().unwrap_or_default();
                self.view.connected = Some(Connected {
                    sample,
                    configuration: configuration.to_string(),
                    polarity: Some(if current.0 < 0.0 { "-" } else { "+" }.to_owned()),
                    last: None,
                });
                self.output(at, OutputState::On, Some((current.0, limit.0)));
            }
            Now::Off => self.output(at, OutputState::VerifiedOff, None),
            Now::Temperature { planned, measured } => {
                self.view.temperature_k =
                    Some(Surrounding { target: Some(planned.0), now: Some(measured.0), at });
                self.trace(at);
            }
            Now::Field { planned, measured } => {
                let before = self.view.field_t.filter(|field| field.now.is_some());
                let (now, at) = match (measured, before) {
                    (Some(field), _) => (Some(field.0), at),
                    // What is not seen keeps its age.
                    (None, Some(before)) => (before.now, before.at),
                    (None, None) => (None, at),
                };
                self.view.field_t = Some(Surrounding { target: Some(planned.0), now, at });
            }
        }
        self.touch(at);
    }

    /// The bench was stood down, and so its output.
    pub fn stood_down(&mut self, at: Moment, state: OutputState) {
        self.output(at, state, None);
        self.touch(at);
    }

    fn output(&mut self, at: Moment, state: OutputState, on: Option<(f64, f64)>) {
        let since = if self.view.output.state == state { self.view.output.since } else { at };
        let (current_a, voltage_limit_v) = on.unzip();
        self.view.output = OutputView { state, since, current_a, voltage_limit_v };
    }

    fn trace(&mut self, at: Moment) {
        let now = |surrounding: &Option<Surrounding>| surrounding.and_then(|surrounding| surrounding.now);
        let (temperature, field) = (now(&self.view.temperature_k), now(&self.view.field_t));
        if let Some(run) = &mut self.view.run {
            run.trace(at, temperature, field);
        }
    }

    /// A reading was kept.
    pub fn reading(&mut self, sequence: i64, at: Moment, reading: &Reading, taken: &Circumstances) {
        let shown = ReadingView::of(sequence, at, reading, taken);
        if let Some(connected) = &mut self.view.connected
            && connected.configuration == shown.configuration
        {
            connected.polarity = Some(shown.polarity.clone());
            connected.last = Some(shown.clone());
        }
        if self.view.output.state == OutputState::On {
            self.view.output.current_a = Some(taken.commanded.0);
        }
        if let Some(run) = &mut self.view.run {
            run.reading(shown);
        }
        self.touch(at);
    }

    /// An event was kept.
    pub fn event(&mut self, sequence: i64, at: Moment, event: &Event) {
        match event {
            Event::Identified { instrument, identity } => {
                if let Some(found) = self.view.instruments.iter_mut().find(|known| known.name == *instrument)
                {
                    found.identity = Some(identity.clone());
                }
            }
            // Told before it is done: until the source has said that it is on, nobody knows.
            Event::IntentToEnergise { .. } => self.output(at, OutputState::NotKnown, None),
            Event::TemperatureReached { planned, measured, .. }
            | Event::TemperatureUnreached { planned, measured, .. } => {
                self.view.temperature_k =
                    Some(Surrounding { target: Some(planned.0), now: Some(measured.0), at });
            }
            Event::FieldSet { planned, confirmed } => {
                self.view.field_t = Some(Surrounding { target: Some(planned.0), now: Some(confirmed.0), at });
            }
            Event::RoundStarted { temperature, field, .. }
            | Event::RoundFinished { temperature, field, .. } => {
                sensed(&mut self.view.temperature_k, temperature.map(|kelvin| kelvin.0), at);
                sensed(&mut self.view.field_t, field.map(|tesla| tesla.0), at);
                self.trace(at);
            }
            Event::StoodDown { output, .. } => {
                self.output(at, output_state(output), None);
                self.view.connected = None;
            }
            _ => {}
        }
        if let Some(run) = &mut self.view.run {
            run.event(sequence, at, event);
        }
        self.touch(at);
    }
}

fn sensed(surrounding: &mut Option<Surrounding>, now: Option<f64>, at: Moment) {
    if let Some(now) = now {
        let target = surrounding.and_then(|surrounding| surrounding.target);
        *surrounding = Some(Surrounding { target, now: Some(now), at });
    }
}

/// What the record says of an output that was switched off.
pub fn output_state(word: &str) -> OutputState {
    match word {
        "verified" => OutputState::VerifiedOff,
        "commanded" => OutputState::ToldOff,
        _ => OutputState::NotKnown,
    }
}
