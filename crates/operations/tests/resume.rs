//! Runs that pause, or in which the program ends, and that go on by whole rounds: nothing is lost, nothing is taken twice, and
//! legs that belong together are taken alike.
#![allow(clippy::unwrap_used)]

use quadrille_operations::{
    Begun, Circumstances, Ending, Event, Hands, Inputs, Measured, Observer, Output, Rack, Reading, Records,
    RunId, SimulationOptions, measure_with, never, resume,
};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::sync::watch;

/// Wants a pause as soon as a round is complete.
struct After {
    round: u32,
    pause: watch::Sender<bool>,
}

impl Observer for After {
    fn begun(&mut self, _: &Begun<'_>) {}
    fn reading(&mut self, _: i64, _: &Reading, _: &Circumstances) {}
    fn event(&mut self, _: i64, event: &Event) {
        // While the round goes on: it is complete all the same.
        if matches!(event, Event::RoundStarted { round, .. } if *round == self.round) {
            self.pause.send_replace(true);
        }
    }
}

struct NoField;

#[async_trait::async_trait]
impl quadrille_operations::FieldHand for NoField {
    async fn set(&mut self, _: quadrille_quantity::Tesla) -> Result<quadrille_quantity::Tesla, String> {
        Err("nobody is here".to_owned())
    }
}

fn demo(file: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo")).join(file)
}

fn virtual_time<T>(future: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build();
    runtime.unwrap().block_on(future)
}

enum What<'w> {
    Begin(&'w Inputs),
    Resume(RunId),
}

/// Carries out a run, or its rest, until it ends, or pauses after a round.
fn carry_out(what: What<'_>, journal: &Path, pause_after: Option<u32>) -> Measured {
    let (pause, paused) = watch::channel(false);
    let mut observer = After { round: pause_after.unwrap_or(0), pause };
    let hands = Hands {
        rack: &Rack::simulated(SimulationOptions::default()),
        fields: &mut NoField,
        observer: &mut observer,
        stop: never(),
        pause: paused,
    };
    let measured = virtual_time(async {
        match what {
            What::Begin(inputs) => measure_with(inputs, None, journal, hands).await,
            What::Resume(run) => resume(run, journal, hands).await,
        }
    });
    measured.unwrap()
}

/// How many readings each round has.
fn by_round<'r>(readings: impl Iterator<Item = &'r Circumstances>) -> BTreeMap<u32, usize> {
    let mut found = BTreeMap::new();
    readings.for_each(|circumstances| *found.entry(circumstances.round).or_default() += 1);
    found
}

fn night() -> Inputs {
    Inputs::read(&demo("night-bench.toml"), &demo("night-film.toml"), Some(&demo("night-recipe.toml")))
        .unwrap()
}

#[test]
fn a_run_that_pauses_between_the_signs_of_the_field_goes_on_with_the_other_one() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("journal.sqlite");
    // Rounds come in threes: at zero field, at +B, at -B.
    let first = carry_out(What::Begin(&night()), &journal, Some(5));
    assert!(matches!(first.outcome.ending, Ending::Paused(6)), "{:?}", first.outcome);
    assert_eq!(first.outcome.stand_down.output, Output::Verified);
    assert_eq!(first.complaints, []);
    let before = Records::open(&journal).unwrap().kept(first.run).unwrap();
    assert!(Records::open(&journal).unwrap().runs().unwrap()[0].ended.is_none());

    let rest = carry_out(What::Resume(first.run), &journal, None);
    assert_eq!(rest.run, first.run);
    assert!(matches!(rest.outcome.ending, Ending::Finished), "{:?}", rest.outcome);
    assert_eq!(rest.complaints, []);
    let kept = Records::open(&journal).unwrap().kept(first.run).unwrap();
    assert_eq!(kept[..before.len()], before[..], "what was done is as it was");
    assert_eq!(kept.len(), rest.plan.readings());
    let rounds = by_round(kept.iter().map(|kept| &kept.circumstances));
    assert_eq!(rounds.keys().copied().collect::<Vec<_>>(), (1..=30).collect::<Vec<_>>());
    assert!(kept.windows(2).all(|two| two[0].reading.time.0 < two[1].reading.time.0), "time goes on");
    assert!(rest.events.contains(&Event::Resumed { from: 6 }));
    let reduction = rest.reduction.unwrap().unwrap();
    assert_eq!(reduction.points.len(), 10);
    assert!(reduction.accepted(), "{:?}", reduction.gaps);
    let runs = Records::open(&journal).unwrap().runs().unwrap();
    assert_eq!((runs.len(), runs[0].ending.as_deref()), (1, Some("finished; output verified")));
}

#[test]
fn a_round_in_which_the_program_ended_is_taken_again_and_counts_once() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("journal.sqlite");
    let inputs = night();
    let (run, broken) = virtual_time(async {
        let mut observer = After { round: 0, pause: watch::channel(false).0 };
        let hands = Hands {
            rack: &Rack::simulated(SimulationOptions::default()),
            fields: &mut NoField,
            observer: &mut observer,
            stop: never(),
            pause: never(),
        };
        // Dropped where it is: nothing is stood down, nothing is noted, as by a crash.
        let cut =
            tokio::time::timeout(Duration::from_secs(1_000), measure_with(&inputs, None, &journal, hands));
        assert!(cut.await.is_err());
        let records = Records::open(&journal).unwrap();
        let run = records.runs().unwrap()[0].run;
        (run, by_round(records.kept(run).unwrap().iter().map(|kept| &kept.circumstances)))
    });
    let (&last, &part) = broken.last_key_value().unwrap();
    assert!(last > 1 && last < 30, "{broken:?}");

    let rest = carry_out(What::Resume(run), &journal, None);
    assert!(matches!(rest.outcome.ending, Ending::Finished), "{:?}", rest.outcome);
    let records = Records::open(&journal).unwrap();
    let kept = records.kept(run).unwrap();
    assert_eq!(kept.len(), rest.plan.readings());
    let all = records.after(run, 0, usize::MAX).unwrap();
    let taken = all.iter().filter(|placed| matches!(placed.entry, quadrille_operations::Entry::Reading(_)));
    let from = rest.events.iter().find_map(|event| match event {
        Event::Resumed { from } => Some(*from),
        _ => None,
    });
    let again = if from == Some(last) { part } else { 0 };
    assert_eq!(taken.count(), kept.len() + again, "what was broken off is in the record, and does not count");
    assert_eq!(records.readings_csv(run).unwrap().lines().count(), kept.len() + 1);
    assert!(rest.reduction.unwrap().unwrap().accepted());
}

#[test]
fn hall_legs_after_a_pause_wait_as_those_before_it_and_nothing_is_chosen_twice() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("journal.sqlite");
    let recipe = folder.path().join("recipe.toml");
    // Nothing is pinned: current, waits and the Hall legs' times are chosen in the run.
    let text = "kind = \"recipe\"\nname = \"nothing pinned\"\nwanted_relative_u = 0.01\ntemperatures_k = [290.0]\n\
                [resistivity]\nconfigurations = \"standard\"\n\
                [hall]\nfields_t = [0.6, -0.6]\nconfigurations = \"diagonals\"\n";
    std::fs::write(&recipe, text).unwrap();
    let inputs = Inputs::read(&demo("night-bench.toml"), &demo("night-film.toml"), Some(&recipe)).unwrap();
    let first = carry_out(What::Begin(&inputs), &journal, Some(2));
    assert!(matches!(first.outcome.ending, Ending::Paused(3)), "{:?}", first.outcome);
    let rest = carry_out(What::Resume(first.run), &journal, None);
    assert!(matches!(rest.outcome.ending, Ending::Finished), "{:?}", rest.outcome);
    let count = |wanted: fn(&Event) -> bool| rest.events.iter().filter(|event| wanted(event)).count();
    assert_eq!(count(|event| matches!(event, Event::Chosen { .. })), 1);
    assert_eq!(count(|event| matches!(event, Event::HallTimed { .. })), 1);
    let alike = |round: u32| -> BTreeSet<String> {
        let own = rest.readings.iter().filter(|(_, circumstances)| circumstances.round == round);
        own.map(|(_, c)| format!("{:?} {:?} {:?}", c.commanded.abs(), c.voltage_limit, c.guard)).collect()
    };
    assert_eq!(alike(2), alike(3));
    let window = |round: u32| -> Vec<f64> {
        let own = rest.readings.iter().filter(|(_, circumstances)| circumstances.round == round);
        own.map(|(_, c)| c.aperture.0).collect()
    };
    let (before, after) = (window(2), window(3));
    assert_eq!(before.len(), after.len());
    for (one, other) in before.iter().zip(&after) {
        assert!((one - other).abs() < 0.1 * one, "{before:?} {after:?}");
    }
}

#[test]
fn a_run_that_is_over_is_not_gone_on_with() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("journal.sqlite");
    let inputs =
        Inputs::read(&demo("bench.toml"), &demo("film.toml"), Some(&demo("film-recipe.toml"))).unwrap();
    let done = carry_out(What::Begin(&inputs), &journal, None);
    assert!(matches!(done.outcome.ending, Ending::Finished), "{:?}", done.outcome);
    let (_nobody, paused) = watch::channel(false);
    let hands = Hands {
        rack: &Rack::simulated(SimulationOptions::default()),
        fields: &mut NoField,
        observer: &mut After { round: 0, pause: watch::channel(false).0 },
        stop: never(),
        pause: paused,
    };
    let refused = virtual_time(resume(done.run, &journal, hands)).unwrap_err();
    assert!(refused.to_string().contains("is over (finished"), "{refused}");
}

#[test]
fn the_same_documents_give_the_same_plan_before_and_after_a_run() {
    let folder = tempfile::tempdir().unwrap();
    let plan = || {
        let plan = quadrille_operations::plan(&night()).unwrap();
        serde_json::to_string_pretty(&plan).unwrap()
    };
    let before = plan();
    carry_out(What::Begin(&night()), &folder.path().join("journal.sqlite"), Some(2));
    assert_eq!(before, plan());
}
