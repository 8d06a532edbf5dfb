//! Snapshots for the tests of the page: an invented bench, and a run of five rounds in the middle of its third.

use crate::moment::Moment;
use crate::view::*;

/// A moment of the night of the tests: times from noon on are of the evening before.
pub(crate) fn moment(clock: &str) -> Moment {
    let day = if clock >= "12:00" { "01" } else { "02" };
    Moment::parse(&format!("2026-03-{day}T{clock}:00Z")).unwrap()
}

pub(crate) fn a_bench(run: Option<RunView>) -> BenchView {
    let instrument = |name: &str, role: &str| InstrumentView {
        name: name.to_owned(),
        role: role.to_owned(),
        resource: "TCPIP::127.0.0.1::5025::SOCKET".to_owned(),
        dialect: role.to_owned(),
        identity: None,
        last_answer: Some(moment("23:00")),
    };
    BenchView {
        version: 7,
        at: moment("23:01"),
        bench: "cold".to_owned(),
        title: "the cold bench".to_owned(),
        simulated: true,
        state: BenchState::Ready,
        reason: None,
        documents: Documents::default(),
        instruments: vec![instrument("source", "current-source"), instrument("meter", "voltmeter")],
        output: OutputView {
            state: OutputState::VerifiedOff,
            since: moment("23:00"),
            current_a: None,
            voltage_limit_v: None,
        },
        temperature_k: Some(Surrounding { target: Some(142.0), now: Some(142.08), at: moment("23:00") }),
        field_t: None,
        connected: None,
        asks: None,
        release: None,
        needs_release: false,
        most_v: 20.0,
        run,
        queue: Vec::new(),
    }
}

pub(crate) fn a_run() -> RunView {
    let planned = [(300.0, 0.0), (142.0, 0.0), (142.0, 0.6), (90.0, 0.0), (90.0, 0.6)];
    let rounds = planned.iter().enumerate().map(|(place, (temperature_k, field_t))| PlannedRound {
        number: place as u32 + 1,
        sample: "left film".to_owned(),
        purpose: if *field_t == 0.0 { "resistivity" } else { "hall" }.to_owned(),
        temperature_k: *temperature_k,
        field_t: *field_t,
        configurations: vec!["12,43".to_owned(), "23,14".to_owned()],
        expected_s: Some((3600.0 * place as f64 + 600.0, 3600.0 * (place as f64 + 1.0))),
    });
    let plan = PlanView {
        sha256: "ab".repeat(32),
        samples: vec!["left film".to_owned()],
        recipe: "a night".to_owned(),
        rounds: rounds.collect(),
        readings: 80,
        most_v: 5.0,
        reasons: vec!["1 µA: the recipe says so".to_owned()],
        warnings: Vec::new(),
    };
    let mut run = RunView::prepared(plan, 1.0);
    run.run = Some(4);
    run.state = RunState::Running;
    run.begun = Some(moment("22:00"));
    run.estimate = Some(Estimate {
        duration_s: 5.0 * 3600.0,
        ends: Some(moment("06:40")),
        within_s: Some(1200.0),
        results: Vec::new(),
    });
    let state = |round: &mut RoundView, state, from: &str, to: Option<&str>| {
        (round.state, round.begun, round.ended) = (state, Some(moment(from)), to.map(moment));
        round.temperature_k = Some(142.1);
    };
    state(&mut run.rounds[0], RoundState::Kept, "22:10", Some("22:30"));
    run.rounds[0].temperature_k = Some(299.9);
    state(&mut run.rounds[1], RoundState::Marked, "22:45", Some("22:55"));
    run.rounds[1].why = vec!["voltage over range <b>".to_owned()];
    state(&mut run.rounds[2], RoundState::Taking, "23:00", None);
    run.trace = [("22:05", 300.0), ("22:20", 299.9), ("22:45", 160.0), ("22:50", 142.2), ("23:00", 142.1)]
        .map(|(at, kelvin)| Trace { at: moment(at), temperature_k: Some(kelvin), field_t: None })
        .to_vec();
    run.gaps = vec![Gap {
        from: moment("22:31"),
        to: Some(moment("22:44")),
        reason: "the link to the meter was cut".to_owned(),
    }];
    run.results = vec![a_point(299.9, true), a_point(142.1, false)];
    run.notes = vec![Note {
        sequence: 40,
        at: moment("22:50"),
        kind: NoteKind::Remark,
        round: Some(2),
        text: "12,43 +: voltage over range; kept, and marked".to_owned(),
    }];
    run.last_readings = vec![ReadingView {
        sequence: 41,
        at: moment("23:00"),
        round: 3,
        sample: "left film".to_owned(),
        configuration: "12,43".to_owned(),
        polarity: "+".to_owned(),
        temperature_k: 142.1,
        field_t: 0.6,
        voltage_v: Value { value: 1.2345e-3, u: 1.2e-6 },
        current_a: Value { value: 1e-6, u: 1e-10 },
        condition: "sound".to_owned(),
        flag: None,
    }];
    run
}

pub(crate) fn a_point(temperature_k: f64, accepted: bool) -> Point {
    let check = Check { name: "reciprocity".to_owned(), measured: 0.031, limit: 0.01, passed: accepted };
    Point {
        sample: "left film".to_owned(),
        temperature_k,
        sheet_resistance_ohm: Some(Value { value: 1240.0 * 300.0 / temperature_k, u: 12.0 }),
        sheet_carrier_density_per_m2: Some(Value { value: 2.0e17, u: 3.0e15 }),
        mobility_m2_per_v_s: Some(Value { value: 0.025, u: 0.0004 }),
        carrier_type: Some("n".to_owned()),
        checks: vec![check],
        accepted,
        ..Point::default()
    }
}
