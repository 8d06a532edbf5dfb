//! Stories of runs, and what is seen of them.

use super::*;
use crate::view::PlannedRound;
use quadrille_quantity::{Kelvin, Second, Tesla};

fn moment(s: i64) -> Moment {
    Moment::from_unix(1_770_000_000 + s).unwrap()
}

/// A run of five rounds, each expected to take 100 s after a way of 20 s.
fn story() -> RunView {
    let round = |number: u32| {
        let begun = 20.0 + 120.0 * f64::from(number - 1);
        PlannedRound {
            number,
            sample: "film".to_owned(),
            purpose: "resistivity".to_owned(),
            temperature_k: 300.0 - 10.0 * f64::from(number),
            field_t: 0.0,
            configurations: vec!["12,43".to_owned()],
            expected_s: Some((begun, begun + 100.0)),
        }
    };
    let plan = PlanView {
        sha256: String::new(),
        samples: vec!["film".to_owned()],
        recipe: "recipe".to_owned(),
        rounds: (1..=5).map(round).collect(),
        readings: 10,
        most_v: 1.0,
        reasons: Vec::new(),
        warnings: Vec::new(),
    };
    RunView::prepared(plan, 1.0)
}

fn started(round: u32) -> Event {
    Event::RoundStarted { round, temperature: Some(Kelvin(290.5)), field: Some(Tesla(0.25)) }
}

fn finished(round: u32) -> Event {
    Event::RoundFinished { round, temperature: None, field: None }
}

/// Events, each at its second, numbered in order.
fn told(events: Vec<(i64, Event)>) -> RunView {
    let mut run = story();
    for (sequence, (second, event)) in (1..).zip(events) {
        run.event(sequence, moment(second), &event);
    }
    run
}

fn states(run: &RunView) -> Vec<RoundState> {
    run.rounds.iter().map(|round| round.state).collect()
}

fn flagged(reason: &str) -> Event {
    let configuration = "12,43".parse().unwrap();
    let polarity = quadrille_experiment::Polarity::Plus;
    Event::Flagged { configuration, polarity, reason: reason.to_owned() }
}

#[test]
fn a_round_is_kept_marked_broken_off_or_still_to_come_and_says_why() {
    use RoundState::{BrokenOff, Kept, Marked, Planned};
    let run = told(vec![
        (20, started(1)),
        (120, finished(1)),
        (140, started(2)),
        (150, flagged("not settled")),
        (151, flagged("not settled")),
        (240, finished(2)),
        (260, started(3)),
        (300, Event::Fault { what: "voltmeter: no answer".to_owned() }),
        (301, Event::StoodDown { output: "verified".to_owned(), failures: Vec::new() }),
    ]);
    assert_eq!(states(&run), [Kept, Marked, BrokenOff, Planned, Planned]);
    assert_eq!(run.rounds[1].why, ["not settled"], "each reason once");
    assert_eq!(run.rounds[2].why, ["voltmeter: no answer"]);
    assert_eq!((run.rounds[0].temperature_k, run.rounds[0].field_t), (Some(290.5), Some(0.25)));
    assert_eq!(run.notes.len(), 2, "{:?}", run.notes);
    assert_eq!((run.notes[1].kind, run.notes[1].round), (NoteKind::Fault, Some(3)));
    assert_eq!((run.gaps.len(), run.gaps[0].to), (1, None));
    assert_eq!(run.sequence, 9);
}

#[test]
fn a_run_that_goes_on_takes_its_broken_round_anew_and_closes_the_gap() {
    use RoundState::{Kept, Planned, Taking};
    let run = told(vec![
        (20, started(1)),
        (120, finished(1)),
        (140, started(2)),
        (150, Event::Fault { what: "the program ended in this run".to_owned() }),
        (1000, Event::Resumed { from: 2 }),
        (1100, started(2)),
    ]);
    assert_eq!(states(&run), [Kept, Taking, Planned, Planned, Planned]);
    assert_eq!(run.gaps[0].to, Some(moment(1000)));
    assert!(run.rounds[1].why.is_empty());
}

#[test]
fn the_end_is_estimated_from_what_is_left_and_by_how_the_rounds_so_far_went() {
    let estimated = Event::Estimated { duration: Second(650.0), results: Vec::new() };
    let mut events = vec![(0, estimated)];
    assert_eq!(told(events.clone()).estimate.unwrap().ends, Some(moment(650)));
    // From end to end 170 s in the place of 120 s; the third is the first that says something of those to come.
    for (round, begun) in [(1, 20), (2, 190), (3, 360)] {
        events.extend([(begun, started(round)), (begun + 150, finished(round))]);
    }
    let left = 650.0 - 360.0;
    let first = told(events[..3].to_vec()).estimate.unwrap();
    assert_eq!(first.ends, Some(moment(170 + 530)));
    let third = told(events).estimate.unwrap();
    let slower = 170.0 / 120.0;
    assert_eq!(third.ends, Some(moment(510).after_s(slower * left)));
    // Off by 100 s so far, and by a tenth of what is left.
    assert!((third.within_s.unwrap() - (100.0 + 0.1 * slower * left)).abs() < 1e-6, "{third:?}");
}

#[test]
fn a_pause_says_nothing_of_how_long_rounds_take() {
    let mut events = vec![(0, Event::Estimated { duration: Second(650.0), results: Vec::new() })];
    for (round, begun) in [(1, 20), (2, 140), (3, 260)] {
        events.extend([(begun, started(round)), (begun + 100, finished(round))]);
    }
    // An hour's pause, then two rounds as in the rehearsal.
    events.extend([(361, Event::Paused { next: 4 }), (3961, Event::Resumed { from: 4 })]);
    for (round, begun) in [(4, 3980), (5, 4100)] {
        events.extend([(begun, started(round)), (begun + 100, finished(round))]);
    }
    let estimate = told(events).estimate.unwrap();
    assert_eq!(estimate.ends, Some(moment(4200).after_s(650.0 - 600.0)));
}

#[test]
fn a_long_night_has_a_thinned_trace_that_ends_with_what_is_true_now() {
    let mut run = story();
    for second in 0..5000 {
        run.trace(moment(second), Some(second as f64), None);
    }
    assert!(run.trace.len() <= RunView::MOST_TRACE);
    assert_eq!(run.trace.last().unwrap().at, moment(4999));
    assert_eq!(run.trace[0].at, moment(0));
    assert!(run.trace.windows(2).all(|two| two[0].at < two[1].at));
}
