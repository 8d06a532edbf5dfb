//! The night as a band: time across, temperature as a line over it, each round a mark. Numbers on paper, made from a run alone;
//! it knows no clock but the moment that it is given.

use super::axis::{Axis, ruled_times};
use super::words::{self, Fine};
use crate::moment::Moment;
use crate::view::{Gap, PlannedRound, RoundState, RoundView, RunState, RunView};

/// Nearest temperature of a plan to that of a result, in kelvins, that are taken for the same; ours.
const SAME_K: f64 = 1.0;

/// A moment is cut off at milliseconds: one more makes a round time of one that is round.
const TICK: f64 = 0.001;

/// How a mark looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Shape {
    Planned,
    Taking,
    Kept,
    /// Kept, and something is against it.
    Failed,
    LeftOut,
    BrokenOff,
}

/// A round on the band.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Mark {
    pub(crate) number: u32,
    pub(crate) shape: Shape,
    /// Seconds of the wall after the start.
    pub(crate) time_s: f64,
    pub(crate) kelvin: f64,
    pub(crate) says: String,
}

/// A time in which nothing could be measured.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Hole {
    pub(crate) from_s: f64,
    pub(crate) to_s: f64,
    pub(crate) says: String,
}

/// A band, in seconds of the wall after its start.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Band {
    /// When it began; `None` of a night that is not lived yet.
    pub(crate) start: Option<Moment>,
    /// Its length.
    pub(crate) span_s: f64,
    /// How many times as fast as a wall's its clock goes.
    pub(crate) pace: f64,
    pub(crate) planned: Vec<(f64, f64)>,
    pub(crate) measured: Vec<(f64, f64)>,
    pub(crate) marks: Vec<Mark>,
    pub(crate) holes: Vec<Hole>,
    /// Now, while it is lived.
    pub(crate) now_s: Option<f64>,
    /// Earliest, likeliest and latest end.
    pub(crate) end_s: Option<(f64, f64, f64)>,
}

impl Band {
    /// Of a run, as it stands at a moment; of one that is only rehearsed, from its plan.
    pub(crate) fn of(run: &RunView, now: Moment) -> Self {
        let start = run.begun;
        let since = |moment: Moment| start.map_or(0.0, |start| moment.since(start).max(0.0));
        let is_over = run.state == RunState::Ended;
        let now_s = start.filter(|_| !is_over).map(|_| since(now));
        let ends_s = run.ended.map(since);
        let expected_s = run.estimate.as_ref().map(|estimate| estimate.duration_s / run.pace);
        let end_s = now_s.zip(run.estimate.as_ref()).and_then(|(now, estimate)| {
            let (end, within) = (since(estimate.ends?), estimate.within_s.unwrap_or(0.0));
            Some(((end - within).max(now), end.max(now), end + within))
        });
        let marks = marks(run, &since, now_s, end_s.map(|end| end.1));
        let planned = planned(run, &marks);
        let trace = run.trace.iter().filter_map(|trace| Some((since(trace.at), trace.temperature_k?)));
        let holes = run.gaps.iter().map(|gap| Hole {
            from_s: since(gap.from),
            to_s: gap.to.map(since).or(ends_s).or(now_s).unwrap_or_else(|| since(gap.from)),
            says: reason(gap),
        });
        let mut band = Self {
            start,
            span_s: 1.0,
            pace: run.pace,
            planned,
            measured: trace.collect(),
            holes: holes.collect(),
            marks,
            now_s,
            end_s,
        };
        let last = |points: &[(f64, f64)]| points.last().map_or(0.0, |point| point.0);
        let lived = [ends_s, now_s, end_s.map(|end| end.2), Some(last(&band.measured))];
        let marked = band.marks.iter().map(|mark| mark.time_s).fold(0.0, f64::max);
        let coming =
            if is_over { 0.0 } else { last(&band.planned).max(marked).max(expected_s.unwrap_or(0.0)) };
        band.span_s = lived.into_iter().flatten().fold(coming, f64::max).max(1.0);
        if is_over {
            // What was never begun has no place in a night that is over.
            band.planned.retain(|(time, _)| *time <= band.span_s);
            band.marks.retain(|mark| mark.shape != Shape::Planned);
        }
        band
    }

    /// The range of temperatures on it.
    pub(crate) fn kelvins(&self) -> impl Iterator<Item = f64> + Clone + '_ {
        let lines = self.planned.iter().chain(&self.measured).map(|(_, kelvin)| *kelvin);
        lines.chain(self.marks.iter().map(|mark| mark.kelvin))
    }

    /// Times at which it is ruled, and what is written at each.
    pub(crate) fn ruled(&self, about: f64) -> Vec<(f64, Ruled)> {
        let Some(start) = self.start else {
            // A night that is not lived yet is told in its own time.
            let (_, times) = ruled_times(None, self.span_s * self.pace, about);
            return times
                .into_iter()
                .map(|time| (time / self.pace, Ruled::Text(words::lasting(time))))
                .collect();
        };
        let (step, times) = ruled_times(self.start, self.span_s, about);
        let fine = if step < 60.0 { Fine::Second } else { Fine::Minute };
        times.into_iter().map(|time| (time, Ruled::Clock(start.after_s(time + TICK), fine))).collect()
    }

    /// Where temperatures fall on paper.
    pub(crate) fn axis(&self, paper: (f64, f64)) -> Axis {
        Axis::around(self.kelvins(), f64::INFINITY, paper)
    }

    /// What it shows, in a sentence: for whoever does not see it.
    pub(crate) fn says(&self) -> String {
        let count = |shape| self.marks.iter().filter(|mark| mark.shape == shape).count();
        let told = [
            (Shape::Kept, "kept"),
            (Shape::Failed, "kept with a check that failed"),
            (Shape::LeftOut, "left out"),
            (Shape::BrokenOff, "broken off"),
            (Shape::Taking, "being taken"),
            (Shape::Planned, "planned"),
        ];
        let told = told.map(|(shape, word)| (count(shape), word));
        let told: Vec<String> =
            told.iter().filter(|told| told.0 > 0).map(|(count, word)| format!("{count} {word}")).collect();
        let (least, most) = self
            .kelvins()
            .fold((f64::INFINITY, 0.0f64), |(least, most), kelvin| (least.min(kelvin), most.max(kelvin)));
        let between = match (least, most) {
            (least, most) if least > most => String::new(),
            (least, most) if most - least < 1.0 => format!(" at {}", words::kelvin(most)),
            (least, most) => format!(" between {} and {}", words::kelvin(least), words::kelvin(most)),
        };
        format!("{} rounds{between}: {}.", self.marks.len(), told.join(", "))
    }
}

/// What is written at a ruled time.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Ruled {
    Clock(Moment, Fine),
    Text(String),
}

fn reason(gap: &Gap) -> String {
    let from = Fine::Minute.utc(gap.from);
    let to = gap.to.map_or_else(|| "now".to_owned(), |to| Fine::Minute.utc(to));
    format!("{from} to {to} UTC: {}", gap.reason)
}

fn shape(run: &RunView, plan: Option<&PlannedRound>, round: &RoundView) -> Shape {
    let is_against = |plan: &PlannedRound| {
        let here = |point: &&crate::view::Point| {
            point.sample == plan.sample && (point.temperature_k - plan.temperature_k).abs() < SAME_K
        };
        run.results.iter().find(here).is_some_and(|point| !point.checks.is_empty() && !point.accepted)
    };
    match round.state {
        RoundState::Planned => Shape::Planned,
        RoundState::Taking => Shape::Taking,
        RoundState::Kept if plan.is_some_and(is_against) => Shape::Failed,
        RoundState::Kept => Shape::Kept,
        RoundState::Marked => Shape::Failed,
        RoundState::LeftOut => Shape::LeftOut,
        RoundState::BrokenOff => Shape::BrokenOff,
    }
}

/// The rounds: those done where they were done, those to come spread over the time that is left as the rehearsal spread them.
fn marks(
    run: &RunView,
    since: &impl Fn(Moment) -> f64,
    now_s: Option<f64>,
    ends_s: Option<f64>,
) -> Vec<Mark> {
    let plan_of = |number: u32| run.plan.rounds.iter().find(|plan| plan.number == number);
    let expected = |number: u32| plan_of(number)?.expected_s.map(|(from, _)| from / run.pace);
    let done = run.rounds.iter().rev().find(|round| round.begun.is_some());
    let done_s = done.and_then(|done| expected(done.number));
    let open = run.rounds.iter().filter(|round| round.begun.is_none()).count().max(1);
    let (from, to) = (now_s.unwrap_or(0.0), ends_s.or(run.ended.map(since)));
    let duration_s = run.estimate.as_ref().map(|estimate| estimate.duration_s / run.pace);
    let mut place = 0;
    let mut last_s = 0.0f64;
    let mark = |round: &RoundView| {
        let plan = plan_of(round.number);
        let time_s = match (round.begun, expected(round.number), done_s) {
            (Some(begun), _, _) => since(begun),
            (None, expected, done) => {
                place += 1;
                let by_place = |to: f64| from + (to - from) * f64::from(place) / (open as f64 + 1.0);
                match (expected, to, duration_s) {
                    (Some(expected), Some(to), Some(all)) if now_s.is_some() => {
                        let done = done.unwrap_or(0.0);
                        let left = (all - done).max(1e-9);
                        from + (expected - done).max(0.0) / left * (to - from)
                    }
                    (Some(expected), _, _) => expected,
                    (None, Some(to), _) => by_place(to),
                    (None, None, all) => by_place(all.unwrap_or(from + 60.0 * open as f64)),
                }
            }
        };
        last_s = last_s.max(time_s);
        let kelvin = round.temperature_k.or(plan.map(|plan| plan.temperature_k)).unwrap_or(0.0);
        Mark {
            number: round.number,
            shape: shape(run, plan, round),
            time_s: last_s,
            kelvin,
            says: says(plan, round),
        }
    };
    run.rounds.iter().map(mark).collect()
}

/// What a mark says when it is touched.
fn says(plan: Option<&PlannedRound>, round: &RoundView) -> String {
    let plan = plan.map_or_else(String::new, |plan| {
        let kelvin = words::kelvin(round.temperature_k.unwrap_or(plan.temperature_k));
        format!(", {} of {} at {kelvin}", plan.purpose, plan.sample)
    });
    let why: String = round.why.iter().map(|why| format!("; {why}")).collect();
    format!("Round {}{plan}: {}{why}", round.number, words::round_state(round.state))
}

/// The line of the plan: where a rehearsal saw each round, or else where its mark stands.
fn planned(run: &RunView, marks: &[Mark]) -> Vec<(f64, f64)> {
    let mut line = Vec::new();
    for (plan, mark) in run.plan.rounds.iter().zip(marks) {
        let (from, to) = match plan.expected_s {
            Some((from, to)) => (from / run.pace, to / run.pace),
            None => (mark.time_s, mark.time_s),
        };
        line.push((from, plan.temperature_k));
        if to > from {
            line.push((to, plan.temperature_k));
        }
    }
    line.sort_by(|a, b| a.0.total_cmp(&b.0));
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::sample::{a_run, moment};
    use crate::view::EndState;

    #[test]
    fn rounds_stand_where_they_were_taken_and_those_to_come_between_now_and_the_end() {
        let band = Band::of(&a_run(), moment("23:05"));
        let shapes: Vec<Shape> = band.marks.iter().map(|mark| mark.shape).collect();
        assert_eq!(shapes, [Shape::Kept, Shape::Failed, Shape::Taking, Shape::Planned, Shape::Planned]);
        assert_eq!(band.marks[0].time_s, 600.0);
        assert_eq!(band.now_s, Some(3900.0));
        let end = band.end_s.unwrap();
        assert_eq!(end, (30_000.0, 31_200.0, 32_400.0));
        assert!(3900.0 < band.marks[3].time_s && band.marks[3].time_s < band.marks[4].time_s);
        assert!(band.marks[4].time_s < end.1);
        assert_eq!(band.span_s, end.2);
    }

    #[test]
    fn a_gap_keeps_its_reason_and_a_mark_says_why_it_failed() {
        let band = Band::of(&a_run(), moment("23:05"));
        assert_eq!(band.holes[0].says, "22:31 to 22:44 UTC: the link to the meter was cut");
        assert!(band.marks[1].says.contains("voltage over range"), "{}", band.marks[1].says);
        assert_eq!(
            band.says().replace('\u{202f}', " "),
            "5 rounds between 90.0 K and 300.0 K: 1 kept, 1 kept with a check that failed, 1 being taken, 2 planned."
        );
    }

    #[test]
    fn a_round_is_against_itself_where_the_result_of_its_temperature_was_rejected() {
        let mut run = a_run();
        run.rounds[1].state = RoundState::Kept;
        run.rounds[1].why.clear();
        assert_eq!(Band::of(&run, moment("23:05")).marks[1].shape, Shape::Failed, "its check failed");
        run.results[1].accepted = true;
        assert_eq!(Band::of(&run, moment("23:05")).marks[1].shape, Shape::Kept);
    }

    #[test]
    fn a_night_that_is_over_has_no_now_and_ends_where_it_ended() {
        let mut run = a_run();
        (run.state, run.ending, run.ended) =
            (RunState::Ended, Some(EndState::Stopped), Some(moment("23:12")));
        let band = Band::of(&run, moment("08:00"));
        assert_eq!((band.now_s, band.end_s), (None, None));
        assert_eq!(band.span_s, 72.0 * 60.0);
        assert_eq!(band.marks.len(), 3, "rounds that were never begun have no place on it");
    }

    #[test]
    fn a_plan_that_was_only_rehearsed_is_told_in_its_own_time() {
        let mut run = a_run();
        run.pace = 100.0;
        let mut fresh = RunView::prepared(run.plan.clone(), 100.0);
        fresh.estimate = run.estimate.take();
        let band = Band::of(&fresh, moment("23:05"));
        assert_eq!((band.start, band.now_s, band.end_s), (None, None, None));
        assert_eq!(band.span_s, 180.0);
        assert!(band.ruled(8.0).iter().any(|(_, label)| *label == Ruled::Text("1\u{202f}h".to_owned())));
    }
}
