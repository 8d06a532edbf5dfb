//! What is kept comes back as it was, from a file that another program can open.
#![allow(clippy::unwrap_used)]

use quadrille_experiment::{
    Circumstances, Condition, Configuration, Event, Evidence, MeterReading, Polarity, Reading, Watch,
};
use quadrille_journal::{FrozenDocument, Journal, JournalError, NewRun, RunId};
use quadrille_quantity::{Ampere, Kelvin, Second, Tesla, Volt};

fn new_run() -> NewRun {
    NewRun {
        kind: "measure".into(),
        sample: "film".into(),
        program: "quadrille 0".into(),
        plan: "{}".into(),
        plan_sha256: "00".into(),
        documents: vec![FrozenDocument {
            kind: "sample".into(),
            name: "film.toml".into(),
            sha256: "11".into(),
            text: "kind = \"sample\"\n".into(),
        }],
    }
}

fn taken(current: f64) -> (Reading, Circumstances) {
    let configuration = Configuration::new(1, 2, 4, 3).unwrap();
    let reading = Reading {
        time: Second(1.25),
        temperature: Kelvin(295.0),
        field: Tesla(-0.5),
        configuration,
        current: MeterReading {
            value: Ampere(current),
            gain_u: 1e-4,
            own_u: Ampere(1e-12),
            ..MeterReading::default()
        },
        voltage: MeterReading {
            value: Volt(0.1 + 0.2),
            gain_u: 1e-5,
            own_u: Volt(1e-9),
            ..MeterReading::default()
        },
        condition: Condition::Sound,
    };
    let circumstances = Circumstances {
        round: 1,
        sample: "film B".into(),
        polarity: Polarity::Minus,
        commanded: Ampere(-1e-6),
        voltage_range: Volt(1.0),
        current_range: Ampere(1e-5),
        voltage_limit: Volt(2.0),
        settled: Second(0.1),
        aperture: Second(0.02),
        watch: Some(Watch {
            begun_s: vec![0.0, 0.02],
            aperture_s: vec![0.02, 0.02],
            voltage_v: vec![0.1 + 0.2, -1.0000000000000002e-6],
            current_a: vec![1e-6, 1e-6],
            voltage: Evidence { bias_u: 1e-9, flag: Some("not settled".into()), ..Evidence::default() },
            current: Evidence::default(),
        }),
        guard: true,
        buffers: false,
        voltage_answer: "3.0E-1".into(),
        current_answer: "-1.0E-6".into(),
    };
    (reading, circumstances)
}

#[test]
fn a_run_comes_back_as_it_was_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.sqlite");
    let (reading, circumstances) = taken(-1.0000000000000002e-6);
    let event = Event::RoundStarted { round: 1, temperature: Some(Kelvin(77.36)), field: None };
    let run = {
        let mut journal = Journal::open(&path).unwrap();
        let run = journal.begin(&new_run()).unwrap();
        journal.append_event(run, 1, &event).unwrap();
        journal.append_reading(run, 2, &reading, &circumstances).unwrap();
        run
    };
    let mut journal = Journal::open(&path).unwrap();
    let kept = journal.readings(run).unwrap();
    assert_eq!((kept[0].sequence, kept[0].reading, &kept[0].circumstances), (2, reading, &circumstances));
    assert_eq!(journal.events(run).unwrap(), [(1, event)]);
    assert_eq!(journal.documents(run).unwrap(), new_run().documents);
    let line = journal.runs().unwrap().remove(0);
    assert_eq!((line.run, line.readings, line.ended), (run, 1, None));
    journal.end(run, "finished").unwrap();
    assert_eq!(journal.runs().unwrap()[0].ending.as_deref(), Some("finished"));
}

#[test]
fn a_place_in_a_run_is_given_once() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(&folder.path().join("journal.sqlite")).unwrap();
    let run = journal.begin(&new_run()).unwrap();
    let (reading, circumstances) = taken(1e-6);
    journal.append_reading(run, 1, &reading, &circumstances).unwrap();
    assert!(journal.append_reading(run, 1, &reading, &circumstances).is_err());
    assert_eq!(journal.readings(run).unwrap().len(), 1);
}

#[test]
fn a_run_that_is_not_there_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let journal = Journal::open(&folder.path().join("journal.sqlite")).unwrap();
    assert!(matches!(journal.readings(RunId(7)), Err(JournalError::NoSuchRun { .. })));
}

#[test]
fn a_journal_of_a_newer_program_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.sqlite");
    rusqlite::Connection::open(&path).unwrap().pragma_update(None, "user_version", 99).unwrap();
    assert!(matches!(Journal::open(&path), Err(JournalError::Newer { found: 99, .. })));
}

#[test]
fn a_file_that_is_no_journal_is_told_with_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notes.txt");
    std::fs::write(
        &path,
        "these are notes, longer than the header of a database would be, so that it is read",
    )
    .unwrap();
    assert!(Journal::open(&path).unwrap_err().to_string().contains("notes.txt"));
}
