//! A run's snapshot folded from its record: rounds, gaps, notes and the estimate of its end.

use super::run::{
    Estimate, Expected, Gap, Note, NoteKind, PlanView, ReadingView, RoundState, RoundView, RunState, RunView,
    Trace, Value,
};
use crate::moment::Moment;
use quadrille_operations::{Circumstances, Entry, Event, Placed, Reading, Unreached};

/// Bounds of the factor by which what is left may take longer than its rehearsal; ours.
const SLOWER: (f64, f64) = (0.5, 3.0);

/// Part of what is left that an estimate of it may be off by; ours.
const OFF: f64 = 0.1;

/// Times from the end of one round to that of the next after which they say something of those to come; ours.
const TELLING: usize = 2;

impl RunView {
    /// A run that is prepared: nothing of it is known but its plan.
    pub fn prepared(plan: PlanView, pace: f64) -> Self {
        let planned = plan.rounds.iter().map(|round| RoundView::planned(round.number));
        Self {
            run: None,
            ticket: None,
            by: None,
            pace,
            state: RunState::Preparing,
            saying: "rehearsing what it will take".to_owned(),
            rounds: planned.collect(),
            plan,
            begun: None,
            ended: None,
            ending: None,
            estimate: None,
            gaps: Vec::new(),
            readings: 0,
            last_readings: Vec::new(),
            results: Vec::new(),
            notes: Vec::new(),
            trace: Vec::new(),
            sequence: 0,
        }
    }

    /// Takes in one entry of a record.
    pub(crate) fn entry(&mut self, placed: &Placed) {
        let at = Moment::parse(&placed.kept).unwrap_or_else(Moment::now);
        match &placed.entry {
            Entry::Reading(pair) => {
                self.reading(ReadingView::of(placed.sequence, at, &pair.0, &pair.1));
            }
            Entry::Event(event) => {
                if let Event::RoundStarted { temperature, field, .. }
                | Event::RoundFinished { temperature, field, .. } = event
                {
                    self.trace(at, temperature.map(|kelvin| kelvin.0), field.map(|tesla| tesla.0));
                }
                self.event(placed.sequence, at, event);
            }
        }
    }

    pub(super) fn reading(&mut self, reading: ReadingView) {
        self.sequence = reading.sequence;
        self.readings += 1;
        if let Some(round) = self.round(reading.round) {
            round.readings += 1;
        }
        self.last_readings.push(reading);
        let most = self.last_readings.len().saturating_sub(Self::LAST);
        self.last_readings.drain(..most);
    }

    pub(super) fn event(&mut self, sequence: i64, at: Moment, event: &Event) {
        self.sequence = sequence;
        match event {
            Event::Estimated { duration, results } => {
                let results = results.iter().map(|result| Expected {
                    sample: result.sample.clone(),
                    temperature_k: result.temperature_k,
                    quantity: result.quantity.clone(),
                    value: result.value,
                    relative_u: result.relative_u,
                });
                self.estimate = Some(Estimate {
                    duration_s: duration.0,
                    ends: None,
                    within_s: None,
                    results: results.collect(),
                });
                self.estimate_end(at);
            }
            Event::RoundStarted { round, temperature, field } => {
                self.end_gap(at);
                let (temperature, field) = (temperature.map(|kelvin| kelvin.0), field.map(|tesla| tesla.0));
                if let Some(round) = self.round(*round) {
                    *round = RoundView {
                        state: RoundState::Taking,
                        begun: Some(at),
                        temperature_k: temperature,
                        field_t: field,
                        ..RoundView::planned(round.number)
                    };
                }
                self.say();
            }
            Event::RoundFinished { round, .. } => {
                if let Some(round) = self.round(*round) {
                    let is_marked = !round.why.is_empty();
                    round.state = if is_marked { RoundState::Marked } else { RoundState::Kept };
                    round.ended = Some(at);
                }
                self.estimate_end(at);
                self.say();
            }
            Event::Resumed { from } => {
                self.end_gap(at);
                self.ended = None;
                let again = self.rounds.iter_mut().filter(|round| round.number >= *from);
                again.for_each(|round| *round = RoundView::planned(round.number));
                self.note(sequence, at, NoteKind::Remark, format!("goes on with round {from}"));
                self.estimate_end(at);
            }
            Event::Paused { next } => {
                self.note(sequence, at, NoteKind::Remark, format!("paused before round {next}"));
                self.begin_gap(at, "paused by a person");
            }
            Event::Fault { what } => {
                self.why(what);
                self.note(sequence, at, NoteKind::Fault, what.clone());
                self.begin_gap(at, what);
            }
            Event::StoodDown { output, failures } => {
                self.break_off(at);
                let told = failures.iter().map(|failure| format!("; while standing down: {failure}"));
                if output != "verified" || !failures.is_empty() {
                    let told: String = told.collect();
                    self.note(sequence, at, NoteKind::Fault, format!("stood down, output {output}{told}"));
                }
            }
            Event::TemperatureUnreached { planned, waited, because, then, .. } => {
                self.unreached(at, because, then);
                let came = match then {
                    Unreached::Skipped { rounds } => format!("{} rounds left out", rounds.len()),
                    Unreached::Parked => "waits there without current".to_owned(),
                };
                let text = format!("{planned} not reached in {waited}: {because}; {came}");
                self.note(sequence, at, NoteKind::Fault, text);
            }
            Event::Marked { configuration, polarity, reason }
            | Event::Flagged { configuration, polarity, reason } => {
                if self.why(reason) {
                    let text = format!("{configuration} {polarity}: {reason}; kept, and marked");
                    self.note(sequence, at, NoteKind::Remark, text);
                }
            }
            Event::Audited { configuration, agrees: false, .. } => {
                let text =
                    format!("{configuration} was still moving when it was held: what comes waits longer");
                self.note(sequence, at, NoteKind::Remark, text);
            }
            Event::Chosen { sample, temperature, because, short_of, .. } => {
                let sentences: Vec<&str> = because.iter().chain(short_of).map(String::as_str).collect();
                let text = format!("{sample} at {temperature}: {}", sentences.join("; "));
                let kind = if short_of.is_some() { NoteKind::Remark } else { NoteKind::Choice };
                self.note(sequence, at, kind, text);
            }
            Event::ContactsChecked { sample, accepted, findings } => {
                let verdict = if *accepted { "good" } else { "not good enough" };
                let kind = if *accepted { NoteKind::Choice } else { NoteKind::Fault };
                let text = format!("contacts of {sample}: {verdict}; {}", findings.join("; "));
                self.note(sequence, at, kind, text);
            }
            Event::SampleLeftOut { sample, because, rounds } => {
                for number in rounds {
                    if let Some(round) = self.round(*number) {
                        (round.state, round.ended) = (RoundState::LeftOut, round.begun.map(|_| at));
                        round.why = vec![because.clone()];
                    }
                }
                let text = format!("{sample} is left out from here on, {} rounds: {because}", rounds.len());
                self.note(sequence, at, NoteKind::Fault, text);
            }
            Event::HallTimed { dead, window, because } => {
                let text = format!("Hall legs wait {dead} and average {window}: {because}");
                self.note(sequence, at, NoteKind::Choice, text);
            }
            Event::FieldSet { confirmed, .. } => {
                let confirmed = confirmed.0;
                if let Some(round) = self.taking() {
                    round.field_t = Some(confirmed);
                }
            }
            Event::Identified { .. }
            | Event::IntentToEnergise { .. }
            | Event::TemperatureReached { .. }
            | Event::Audited { .. } => {}
        }
    }

    fn unreached(&mut self, at: Moment, because: &str, then: &Unreached) {
        let Unreached::Skipped { rounds } = then else {
            return self.begin_gap(at, because);
        };
        for number in rounds {
            if let Some(round) = self.round(*number) {
                round.state = RoundState::LeftOut;
                round.why = vec![because.to_owned()];
            }
        }
    }

    fn round(&mut self, number: u32) -> Option<&mut RoundView> {
        self.rounds.iter_mut().find(|round| round.number == number)
    }

    fn taking(&mut self) -> Option<&mut RoundView> {
        self.rounds.iter_mut().find(|round| round.state == RoundState::Taking)
    }

    /// A reason in the round that is being taken; whether it is new there.
    fn why(&mut self, reason: &str) -> bool {
        let Some(round) = self.taking() else { return true };
        let is_new = !round.why.iter().any(|known| known == reason);
        if is_new {
            round.why.push(reason.to_owned());
        }
        is_new
    }

    fn note(&mut self, sequence: i64, at: Moment, kind: NoteKind, text: String) {
        let round = self.taking().map(|round| round.number);
        self.notes.push(Note { sequence, at, kind, round, text });
    }

    fn begin_gap(&mut self, at: Moment, reason: &str) {
        if self.gaps.last().is_none_or(|gap| gap.to.is_some()) {
            self.gaps.push(Gap { from: at, to: None, reason: reason.to_owned() });
        }
    }

    fn end_gap(&mut self, at: Moment) {
        if let Some(gap) = self.gaps.last_mut().filter(|gap| gap.to.is_none()) {
            gap.to = Some(at);
        }
    }

    /// A round that is being taken is not complete, and will not be.
    pub(super) fn break_off(&mut self, at: Moment) {
        if let Some(round) = self.taking() {
            (round.state, round.ended) = (RoundState::BrokenOff, Some(at));
        }
    }

    pub(super) fn trace(&mut self, at: Moment, temperature_k: Option<f64>, field_t: Option<f64>) {
        self.trace.push(Trace { at, temperature_k, field_t });
        if self.trace.len() > Self::MOST_TRACE {
            // Every second one goes, but for the newest.
            let newest = self.trace.len() - 1;
            let mut place = 0;
            self.trace.retain(|_| {
                place += 1;
                (place - 1) % 2 == 0 || place - 1 == newest
            });
        }
    }

    fn say(&mut self) {
        let of = self.rounds.len();
        let Some(number) = self.taking().map(|round| round.number) else { return };
        let planned = self.plan.rounds.iter().find(|round| round.number == number);
        if let Some(planned) = planned {
            self.saying =
                format!("measures {} at {} K, round {number} of {of}", planned.sample, planned.temperature_k);
        }
    }

    /// When it will end: what is left of the rehearsal, by how much longer than there it took from round to round so far.
    fn estimate_end(&mut self, at: Moment) {
        let mut last: Option<(Moment, f64)> = None;
        let (mut took, mut should, mut at_then, mut spans) = (0.0, 0.0, 0.0, 0);
        for round in &self.rounds {
            let is_done = matches!(round.state, RoundState::Kept | RoundState::Marked);
            let planned = self.plan.rounds.iter().find(|planned| planned.number == round.number);
            let expected = planned.and_then(|planned| planned.expected_s);
            // From end to end: the way to a round, and what is switched for it, is as much of the night as its readings are.
            let (true, Some((_, to)), Some(ended)) = (is_done, expected, round.ended) else {
                last = None;
                continue;
            };
            if let Some((before, at)) = last
                && !self.gaps.iter().any(|gap| gap.from.since(before) >= 0.0 && ended.since(gap.from) >= 0.0)
            {
                took += ended.since(before) * self.pace;
                should += to - at;
                spans += 1;
            }
            (last, at_then) = (Some((ended, to)), to);
        }
        let Some(estimate) = &mut self.estimate else { return };
        let left = (estimate.duration_s - at_then).max(0.0);
        let is_telling = spans >= TELLING && should > 0.0;
        let slower = if is_telling { (took / should).clamp(SLOWER.0, SLOWER.1) } else { 1.0 };
        estimate.ends = Some(at.after_s(left * slower / self.pace));
        estimate.within_s = Some(((took - should).abs() + OFF * left * slower) / self.pace);
    }
}

impl RoundView {
    fn planned(number: u32) -> Self {
        Self {
            number,
            state: RoundState::Planned,
            begun: None,
            ended: None,
            temperature_k: None,
            field_t: None,
            readings: 0,
            why: Vec::new(),
        }
    }
}

impl ReadingView {
    /// Of a reading that was kept.
    pub fn of(sequence: i64, at: Moment, reading: &Reading, taken: &Circumstances) -> Self {
        let u = |gain: f64, value: f64, own: f64, noise: f64, settling: f64| {
            [gain * value, own, noise, settling].iter().map(|part| part * part).sum::<f64>().sqrt()
        };
        let (v, i) = (&reading.voltage, &reading.current);
        let watch = taken.watch.as_ref();
        let flags = watch.map(|watch| [&watch.voltage.flag, &watch.current.flag]);
        Self {
            sequence,
            at,
            round: taken.round,
            sample: taken.sample.clone(),
            configuration: reading.configuration.to_string(),
            polarity: taken.polarity.to_string(),
            temperature_k: reading.temperature.0,
            field_t: reading.field.0,
            voltage_v: Value {
                value: v.value.0,
                u: u(v.gain_u, v.value.0, v.own_u.0, v.noise_u.0, v.settling_u.0),
            },
            current_a: Value {
                value: i.value.0,
                u: u(i.gain_u, i.value.0, i.own_u.0, i.noise_u.0, i.settling_u.0),
            },
            condition: reading.condition.word().to_owned(),
            flag: flags.and_then(|flags| flags.into_iter().flatten().next().cloned()),
        }
    }
}

#[cfg(test)]
mod tests;
