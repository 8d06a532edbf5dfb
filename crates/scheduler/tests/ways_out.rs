//! Every way out of a run: whatever goes wrong at whichever operation, the bench is stood down, and what is said of
//! its output is what is known.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_quantity::Tesla;
use quadrille_scheduler::{Ending, Failure, Outcome, Output, run, stand_down};
use support::{FAULTS, Fault, Field, Log, Shared, World, bench, plan, quiet, rest, run_in};

/// What a stand-down says to the instruments, in order.
const STAND_DOWN: [&str; 8] = [
    "source level 0 A",
    "source off",
    "ammeter release",
    "ammeter range 200 µA",
    "ammeter reads",
    "source guard false",
    "ammeter short",
    "matrix open all",
];

/// Entries of instruments, as they were told.
fn told(log: &[String]) -> Vec<&str> {
    let instruments = ["source", "ammeter", "voltmeter", "matrix"];
    let told =
        |entry: &&String| instruments.iter().any(|it| entry.starts_with(it)) && !entry.ends_with("has read");
    log.iter().filter(told).map(String::as_str).collect()
}

/// How many operations of instruments a run takes, without and with its stand-down.
async fn operations() -> (usize, usize) {
    let world = World::shared();
    run_in(&world, &plan()).await;
    let all = world.lock().unwrap().operations;
    (all - STAND_DOWN.len(), all)
}

async fn run_with(fault: (usize, Fault)) -> (Outcome, Shared) {
    let world = World::shared();
    world.lock().unwrap().fault = Some(fault);
    let outcome = run_in(&world, &plan()).await;
    (outcome, world)
}

fn ended_as_it_should(ending: &Ending, fault: Fault) -> bool {
    match fault {
        Fault::Fails | Fault::FailsLate => matches!(ending, Ending::Failed(Failure::Instrument(_))),
        Fault::Panics => matches!(ending, Ending::Failed(Failure::Panic(_))),
        Fault::HangsAndStops => matches!(ending, Ending::Stopped),
    }
}

#[tokio::test(start_paused = true)]
async fn a_fault_at_any_operation_of_a_run_ends_in_a_verified_stand_down() {
    let (of_run, _) = operations().await;
    assert!(of_run > 60, "{of_run}");
    for fault in FAULTS {
        for n in 1..=of_run {
            let (outcome, world) = run_with((n, fault)).await;
            let world = world.lock().unwrap();
            let at = world.fired_at.unwrap();
            let what = format!("{fault:?} at {n}, {:?}: {outcome:?}", world.log[at]);
            assert!(ended_as_it_should(&outcome.ending, fault), "{what}");
            // The two meters are asked together: of the second it may be written down after the first has failed.
            let after: Vec<&str> = told(&world.log[at + 1..])
                .into_iter()
                .skip_while(|entry| *entry == "ammeter reads")
                .collect();
            assert_eq!(after, STAND_DOWN, "{what}");
            assert!(outcome.stand_down.is_clean(), "{what}");
            assert_eq!(world.complaints, [""; 0], "{what}");
            assert_eq!(
                (world.level, world.output, world.shorted, world.closed),
                (0.0, false, true, None),
                "{what}"
            );
            let last = world.log.last().unwrap();
            assert_eq!(last, "record stood down verified []", "{what}");
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_fault_within_a_stand_down_leaves_out_only_what_would_do_harm_and_is_told() {
    let (of_run, all) = operations().await;
    use Output::{Commanded, Unknown, Verified};
    let expected = [Verified, Unknown, Commanded, Commanded, Commanded, Verified, Verified, Verified];
    for fault in FAULTS {
        for (step, output) in expected.into_iter().enumerate() {
            let (outcome, world) = run_with((of_run + 1 + step, fault)).await;
            let world = world.lock().unwrap();
            let what = format!("{fault:?} at {}: {outcome:?}", STAND_DOWN[step]);
            assert!(matches!(outcome.ending, Ending::Finished), "{what}");
            assert_eq!(outcome.stand_down.output, output, "{what}");
            assert!(!outcome.stand_down.failures.is_empty() && !outcome.stand_down.is_clean(), "{what}");
            let at = world.fired_at.unwrap();
            let rest: &[&str] = match step {
                // Relays stay as they are.
                1 => &[],
                2..=4 => &STAND_DOWN[5..],
                // The ammeter is told once more before relays move.
                6 => &STAND_DOWN[6..],
                _ => &STAND_DOWN[step + 1..],
            };
            assert_eq!(told(&world.log[at + 1..]), rest, "{what}");
            assert_eq!(world.complaints, [""; 0], "{what}");
            assert!(
                world.log.last().unwrap().starts_with(&format!("record stood down {output} [")),
                "{what}"
            );
        }
        // The sweep covers every operation: beyond the last nothing goes wrong.
        let (outcome, world) = run_with((all + 1, fault)).await;
        assert!(world.lock().unwrap().fired_at.is_none() && outcome.stand_down.is_clean());
    }
}

#[tokio::test(start_paused = true)]
async fn a_source_that_cannot_be_asked_any_more_is_unknown_and_no_relay_moves_again() {
    let (of_run, _) = operations().await;
    for n in 1..=of_run {
        let world = World::shared();
        world.lock().unwrap().source_dead_from = n;
        let outcome = run_in(&world, &plan()).await;
        let world = world.lock().unwrap();
        let at = world.fired_at.unwrap();
        let what = format!("dead from {n}, {:?}: {outcome:?}", world.log[at]);
        assert_eq!(outcome.stand_down.output, Output::Unknown, "{what}");
        let expected = ["source level 0 A", "source off"];
        assert!(told(&world.log[at..]).ends_with(&expected), "{what}");
        assert!(!told(&world.log[at..]).iter().any(|entry| entry.starts_with("matrix")), "{what}");
        assert!(
            outcome.stand_down.failures.iter().any(|failure| failure.contains("crosspoints were left")),
            "{what}"
        );
    }
}

#[tokio::test(start_paused = true)]
async fn a_record_that_fails_at_any_entry_ends_in_a_verified_stand_down() {
    for fault in [Fault::Fails, Fault::Panics] {
        let mut n = 0;
        loop {
            n += 1;
            let world = World::shared();
            world.lock().unwrap().failing_record = Some((n, fault));
            let outcome = run_in(&world, &plan()).await;
            let world = world.lock().unwrap();
            let Some(at) = world.fired_at else { break };
            let what = format!("{fault:?} at {n}, {:?}: {outcome:?}", world.log[at]);
            assert!(outcome.stand_down.is_clean(), "{what}");
            assert_eq!((world.output, world.closed, world.complaints.len()), (false, None, 0), "{what}");
            if world.log[at].starts_with("record stood down") {
                assert!(matches!(outcome.ending, Ending::Finished), "{what}");
                continue;
            }
            match fault {
                Fault::Panics => {
                    assert!(matches!(outcome.ending, Ending::Failed(Failure::Panic(_))), "{what}")
                }
                _ => assert!(matches!(outcome.ending, Ending::Failed(Failure::Record(_))), "{what}"),
            }
            assert_eq!(told(&world.log[at + 1..]), STAND_DOWN, "{what}");
        }
        // 4 identities; of 2 rounds 3 entries each; of 3 legs 4 each; the stand-down.
        assert_eq!(n, 4 + 2 * 3 + 3 * 4 + 1 + 1);
    }
}

#[tokio::test(start_paused = true)]
async fn without_its_intent_on_record_the_source_is_never_switched_on() {
    let world = World::shared();
    // After 4 identities, a field and the beginning of a round.
    world.lock().unwrap().failing_record = Some((7, Fault::Fails));
    let outcome = run_in(&world, &plan()).await;
    let world = world.lock().unwrap();
    assert!(world.log[world.fired_at.unwrap()].starts_with("record intent"));
    assert!(!world.log.contains(&"source on".to_owned()), "{outcome:?}");
}

#[tokio::test(start_paused = true)]
async fn a_stop_before_a_run_begins_stands_down_at_once() {
    let world = World::shared();
    let (_stop, wanted) = tokio::sync::watch::channel(true);
    let mut log = Log(world.clone());
    let mut field = Field(world.clone(), None);
    let outcome = run(&plan(), &mut bench(&world), &mut log, &mut field, wanted).await;
    assert!(matches!(outcome.ending, Ending::Stopped));
    assert!(outcome.stand_down.is_clean() && !outcome.energised);
    assert_eq!(told(&world.lock().unwrap().log), STAND_DOWN);
}

#[tokio::test(start_paused = true)]
async fn a_run_whose_stop_nobody_holds_any_more_goes_on() {
    let world = World::shared();
    let (stop, wanted) = tokio::sync::watch::channel(false);
    drop(stop);
    let mut field = Field(world.clone(), None);
    let outcome = run(&plan(), &mut bench(&world), &mut Log(world.clone()), &mut field, wanted).await;
    assert!(matches!(outcome.ending, Ending::Finished));
}

#[tokio::test(start_paused = true)]
async fn a_field_that_nobody_confirms_ends_in_a_stand_down() {
    for (field, energised) in [(Tesla(0.0), false), (Tesla(0.5), true)] {
        let world = World::shared();
        let (_stop, wanted) = tokio::sync::watch::channel(false);
        let mut hand = Field(world.clone(), Some(field));
        let outcome = run(&plan(), &mut bench(&world), &mut Log(world.clone()), &mut hand, wanted).await;
        let Ending::Failed(Failure::Field(which, why)) = &outcome.ending else { panic!("{outcome:?}") };
        assert_eq!((*which, why.as_str()), (field, "nobody is there"));
        assert!(outcome.stand_down.is_clean() && outcome.energised == energised, "{outcome:?}");
        let world = world.lock().unwrap();
        assert!(told(&world.log).ends_with(&STAND_DOWN));
        let fault = format!("record fault field of {field}: nobody is there");
        assert_eq!(world.log[world.log.len() - 2..], [fault, "record stood down verified []".to_owned()]);
    }
}

#[tokio::test(start_paused = true)]
async fn a_current_that_goes_on_after_off_is_not_verified_and_no_relay_opens_under_it() {
    // 1 % of 200 uA and three times 1 nA are taken for none.
    for (leak, output) in [
        (2.1e-6, Output::Commanded),
        (-2e-4, Output::Commanded),
        (1.9e-6, Output::Verified),
        (0.0, Output::Verified),
    ] {
        quiet();
        let world = World::shared();
        world.lock().unwrap().leak = leak;
        let stood = stand_down(&mut bench(&world), &rest()).await;
        assert_eq!(stood.output, output, "{leak} {stood:?}");
        let seen = stood.failures.iter().any(|failure| failure.contains("still sees current"));
        assert_eq!(seen, output == Output::Commanded);
        let world = world.lock().unwrap();
        let moved = told(&world.log).iter().any(|entry| entry.starts_with("matrix"));
        assert_eq!(moved, output == Output::Verified);
    }
}

#[tokio::test(start_paused = true)]
async fn an_ammeter_is_asked_again_while_the_leads_discharge() {
    // Twelve seconds: undriven cables behind tens of gigohms.
    let world = World::shared();
    let falling = world.clone();
    tokio::spawn(async move {
        let begun = tokio::time::Instant::now();
        loop {
            falling.lock().unwrap().leak = 1e-4 * (-begun.elapsed().as_secs_f64() / 12.0).exp();
            tokio::time::sleep(std::time::Duration::from_millis(10)).await;
        }
    });
    assert!(stand_down(&mut bench(&world), &rest()).await.is_clean());
}

#[tokio::test(start_paused = true)]
async fn an_output_that_stays_on_is_seen_before_another_crosspoint_moves() {
    let world = World::shared();
    {
        // Off in truth when the run begins, and then never again. The level stays, too, as no command is obeyed.
        let mut world = world.lock().unwrap();
        (world.output, world.stays_on, world.leak) = (false, true, 1e-4);
    }
    let outcome = run_in(&world, &plan()).await;
    assert!(matches!(outcome.ending, Ending::Failed(Failure::CurrentFlows)), "{outcome:?}");
    assert_eq!(outcome.stand_down.output, Output::Commanded);
    let log = &world.lock().unwrap().log;
    let on = log.iter().position(|entry| entry == "source on").unwrap();
    assert!(!log[on..].iter().any(|entry| entry.starts_with("matrix")), "{:?}", &log[on..]);
}
