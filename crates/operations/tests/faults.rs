//! Every fault that the simulated bench can show, against the real plan, scheduler and drivers in virtual time: how the
//! run ends, how it stands down, and that no reading is recorded that a sound bench would not have given.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use quadrille_instruments::ErrorKind;
use quadrille_operations::{
    Begun, Circumstances, ComplaintKind, Ending, Event, Fault, FaultEvent, Happened, Inputs, Observer,
    Output, Reading, Rehearsed, Simulation, SimulationOptions, rehearse_with,
};
use quadrille_scheduler::Failure;
use std::path::PathBuf;
use tokio::sync::mpsc::UnboundedReceiver;

/// Readings of [`recipe`].
const READINGS: usize = 4;

const INSTRUMENTS: [&str; 4] = ["source", "voltmeter", "ammeter", "matrix"];

fn demo(file: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo")).join(file)
}

/// Two legs of the demonstration's film, which turns no corner into another.
fn inputs() -> Inputs {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recipe.toml");
    let text = std::fs::read_to_string(demo("film-recipe.toml")).unwrap();
    let text = text[..text.find("[hall]").unwrap()].replace("\"+--+\"", "\"+-\"");
    std::fs::write(&path, text.replace("\"standard\"", "[\"12,43\", \"23,14\"]")).unwrap();
    Inputs::read(&demo("bench.toml"), &demo("film.toml"), Some(&path)).unwrap()
}

/// Injects faults after so many readings; 0: before the run.
struct Saboteur<'f> {
    faults: &'f [String],
    after: usize,
    seen: usize,
    simulation: &'f std::sync::Mutex<Option<Simulation>>,
}

impl Saboteur<'_> {
    fn inject(&self) {
        let simulation = self.simulation.lock().unwrap();
        for fault in self.faults {
            simulation.as_ref().unwrap().inject(fault).unwrap();
        }
    }
}

impl Observer for Saboteur<'_> {
    fn begun(&mut self, _: &Begun<'_>) {
        if self.after == 0 {
            self.inject();
        }
    }

    fn reading(&mut self, _: i64, _: &Reading, _: &Circumstances) {
        self.seen += 1;
        if self.seen == self.after {
            self.inject();
        }
    }

    fn event(&mut self, _: i64, _: &Event) {}
}

/// What came of a run with faults.
struct Night {
    rehearsed: Rehearsed,
    events: Vec<FaultEvent>,
    is_energised: bool,
    what: String,
}

fn events(told: Option<UnboundedReceiver<FaultEvent>>) -> Vec<FaultEvent> {
    let mut told = told.unwrap();
    std::iter::from_fn(|| told.try_recv().ok()).collect()
}

fn night(inputs: &Inputs, faults: &[String], after: usize) -> Night {
    night_with(inputs, faults, after, |_| {})
}

fn night_with(inputs: &Inputs, faults: &[String], after: usize, prepare: impl FnOnce(&Simulation)) -> Night {
    let simulation = std::sync::Mutex::new(None);
    let mut told = None;
    let mut saboteur = Saboteur { faults, after, seen: 0, simulation: &simulation };
    let keep = |bench: &Simulation| {
        told = Some(bench.watch_faults());
        prepare(bench);
        *simulation.lock().unwrap() = Some(bench.clone());
    };
    let rehearsed = rehearse_with(inputs, SimulationOptions::default(), keep, &mut saboteur).unwrap();
    let is_energised = simulation.lock().unwrap().as_ref().unwrap().is_energised();
    let events = events(told);
    let struck = events.iter().filter(|event| event.happened == Happened::Struck);
    let struck: Vec<String> = struck.map(|event| format!("{:.3} s {}", event.time_s, event.fault)).collect();
    let what = format!("{faults:?} after {after} readings, struck: {struck:?}; {:?}", rehearsed.outcome);
    Night { rehearsed, events, is_energised, what }
}

impl Night {
    fn has_struck(&self) -> bool {
        self.events.iter().any(|event| event.happened == Happened::Struck)
    }

    /// Kind of the failure and the instrument that it names.
    fn failure(&self) -> Option<(ErrorKind, &str)> {
        match &self.rehearsed.outcome.ending {
            Ending::Finished => None,
            Ending::Failed(Failure::Instrument(error)) => Some((error.kind, &error.instrument)),
            other => panic!("{other:?}; {}", self.what),
        }
    }

    fn complaints(&self) -> Vec<ComplaintKind> {
        self.rehearsed.complaints.iter().map(|complaint| complaint.kind).collect()
    }

    /// The readings are the first that a sound bench gives, to the last digit, and each is that of its own question.
    fn tells_the_truth(&self, sound: &Self) {
        let (found, expected) = (&self.rehearsed.readings, &sound.rehearsed.readings);
        assert!(found.len() <= expected.len(), "{}", self.what);
        for ((reading, of), (sound, of_sound)) in found.iter().zip(expected) {
            // A fault may cost time; what is measured does not depend on when.
            let reading = Reading { time: sound.time, ..*reading };
            assert_eq!((&reading, of), (sound, of_sound), "{}", self.what);
        }
        let is_finished = matches!(self.rehearsed.outcome.ending, Ending::Finished);
        assert!(!is_finished || found.len() == expected.len(), "{}", self.what);
    }

    fn has_no_other_complaint_than(&self, allowed: &[ComplaintKind]) {
        assert!(
            self.complaints().iter().all(|kind| allowed.contains(kind)),
            "{:?}; {}",
            self.complaints(),
            self.what
        );
    }

    /// Nobody is told that the output is off while it is on.
    fn is_honest_of_its_output(&self) {
        let is_verified = self.rehearsed.outcome.stand_down.output == Output::Verified;
        assert!(!(is_verified && self.is_energised), "{}", self.what);
    }
}

fn sound(inputs: &Inputs) -> Night {
    let sound = night(inputs, &[], 0);
    assert_eq!(sound.failure(), None);
    assert!(sound.rehearsed.outcome.stand_down.is_clean());
    assert_eq!(sound.rehearsed.readings.len(), READINGS);
    assert_eq!(sound.complaints(), []);
    sound
}

/// What strikes a single exchange, and the kind of failure that it is while readings are taken.
const ONCE: [(&str, ErrorKind); 14] = [
    ("silent", ErrorKind::Silent),
    ("late 5", ErrorKind::Silent),
    ("cut 1", ErrorKind::Silent),
    ("garbled", ErrorKind::Garbage),
    ("wrong-type", ErrorKind::Garbage),
    ("twice 0", ErrorKind::Garbage),
    ("echo", ErrorKind::Garbage),
    ("reset", ErrorKind::Link),
    ("closed", ErrorKind::Link),
    ("black-hole once", ErrorKind::Silent),
    ("reboot 1", ErrorKind::Link),
    ("ignored", ErrorKind::ReadBack),
    ("overflow", ErrorKind::Rejected),
    ("hang once", ErrorKind::Silent),
];

/// What the bench may complain of though the program does what it can. An echo says that the matrix is done before it
/// is: its relays still move while the stand-down looks at the current. An ammeter that fails in the stand-down itself
/// cannot be shorted any more, and a source that does cannot be switched off.
fn allowed(instrument: &str, fault: &str, is_clean: bool) -> Vec<ComplaintKind> {
    match (instrument, fault, is_clean) {
        ("matrix", "echo", _) | ("ammeter", _, false) => vec![ComplaintKind::AmmeterOpen],
        ("source", _, false) => vec![ComplaintKind::OutputLeftOn],
        _ => vec![],
    }
}

#[test]
fn a_fault_of_one_exchange_fails_the_run_with_its_kind_and_the_bench_comes_to_rest() {
    let inputs = inputs();
    let sound = sound(&inputs);
    for instrument in INSTRUMENTS {
        for (fault, kind) in ONCE {
            let night = night(&inputs, &[format!("{instrument} {fault}")], 1);
            assert!(night.has_struck(), "{}", night.what);
            assert_eq!(night.failure(), Some((kind, instrument)), "{}", night.what);
            assert!(night.rehearsed.outcome.energised);
            assert!(night.rehearsed.outcome.stand_down.is_clean(), "{}", night.what);
            assert!(!night.is_energised, "{}", night.what);
            night.has_no_other_complaint_than(&allowed(instrument, fault, true));
            night.tells_the_truth(&sound);
        }
    }
}

#[test]
fn an_answer_within_the_timeout_and_an_instrument_that_comes_back_in_time_change_no_reading() {
    let inputs = inputs();
    let sound = sound(&inputs);
    for instrument in INSTRUMENTS {
        for fault in ["late 1.5", "hang for 1.5", "held", "refused"] {
            let night = night(&inputs, &[format!("{instrument} {fault}")], 1);
            assert_eq!(night.failure(), None, "{}", night.what);
            assert!(night.rehearsed.outcome.stand_down.is_clean(), "{}", night.what);
            assert_eq!(night.rehearsed.readings.len(), READINGS, "{}", night.what);
            night.tells_the_truth(&sound);
        }
    }
}

/// For what lasts: how the output is known, whether the stand-down is clean, and what the bench may complain of.
fn lasting(instrument: &str) -> (Output, bool, Vec<ComplaintKind>) {
    match instrument {
        // Nothing can switch it off: everything is left as it is, and a person is told.
        "source" => (Output::Unknown, false, vec![ComplaintKind::OutputLeftOn]),
        "voltmeter" => (Output::Verified, true, vec![]),
        // Its source says that it is off, and nothing else can be had: the crosspoints open.
        "ammeter" => (Output::Commanded, false, vec![ComplaintKind::AmmeterOpen]),
        _ => (Output::Verified, false, vec![]),
    }
}

#[test]
fn an_instrument_that_stays_away_is_told_and_what_can_be_brought_to_rest_is() {
    let inputs = inputs();
    let sound = sound(&inputs);
    for instrument in INSTRUMENTS {
        let (output, is_clean, complaints) = lasting(instrument);
        for faults in [&["silent until cleared"][..], &["black-hole"], &["hang"], &["closed", "held"]] {
            let faults: Vec<String> = faults.iter().map(|fault| format!("{instrument} {fault}")).collect();
            let night = night(&inputs, &faults, 1);
            assert!(night.has_struck(), "{}", night.what);
            let (kind, named) = night.failure().unwrap();
            assert!(matches!(kind, ErrorKind::Silent | ErrorKind::Link), "{}", night.what);
            assert_eq!(named, instrument, "{}", night.what);
            // A silent source was carrying out what it was told.
            let is_deaf = faults.len() > 1 || !faults[0].contains("silent");
            let stand_down = &night.rehearsed.outcome.stand_down;
            assert_eq!((stand_down.output, stand_down.is_clean()), (output, is_clean), "{}", night.what);
            if is_deaf {
                assert_eq!(night.complaints(), complaints, "{}", night.what);
                assert_eq!(night.is_energised, instrument == "source", "{}", night.what);
            }
            night.tells_the_truth(&sound);
        }
    }
}

#[test]
fn another_instrument_at_an_address_is_found_before_anything_is_energised() {
    let inputs = inputs();
    for instrument in INSTRUMENTS {
        let night = night(&inputs, &[format!("{instrument} stranger")], 0);
        assert_eq!(night.failure(), Some((ErrorKind::Identity, instrument)), "{}", night.what);
        assert!(!night.rehearsed.outcome.energised && !night.is_energised, "{}", night.what);
        assert_eq!(night.rehearsed.readings.len(), 0);
        // Nothing is said to a stranger.
        assert_eq!(night.complaints(), [], "{}", night.what);
    }
}

#[test]
fn an_instrument_that_became_another_in_a_run_is_told_nothing_more_once_its_link_was_opened_again() {
    let inputs = inputs();
    let sound = sound(&inputs);
    for instrument in INSTRUMENTS {
        let night = night(&inputs, &[format!("{instrument} stranger")], 1);
        assert!(night.has_struck(), "{}", night.what);
        assert_eq!(night.failure().map(|(_, named)| named), Some(instrument), "{}", night.what);
        night.tells_the_truth(&sound);
        night.is_honest_of_its_output();
        // What was under way when it changed could not be known.
        let told =
            night.complaints().iter().filter(|kind| matches!(kind, ComplaintKind::StrangerTold(_))).count();
        assert!(told <= 1, "{:?}; {}", night.rehearsed.complaints, night.what);
    }
}

#[test]
fn a_source_that_pretends_its_limit_gives_marked_readings_and_no_result() {
    let night = night(&inputs(), &["source compliance".to_owned()], 0);
    assert_eq!(night.failure(), None);
    assert!(night.rehearsed.outcome.stand_down.is_clean());
    let marked = |(reading, _): &(Reading, Circumstances)| reading.condition.to_string().contains("limit");
    assert!(night.rehearsed.readings.iter().all(marked), "{:?}", night.rehearsed.readings);
    assert!(night.rehearsed.reduction.is_err());
}

#[test]
fn an_output_that_stays_on_is_never_said_to_be_off() {
    for after in 0..READINGS {
        let night = night(&inputs(), &["source stays-on".to_owned()], after);
        assert!(night.has_struck() && night.is_energised, "{}", night.what);
        assert_eq!(night.rehearsed.outcome.stand_down.output, Output::Commanded, "{}", night.what);
        assert!(!night.rehearsed.outcome.stand_down.is_clean());
        assert!(night.complaints().contains(&ComplaintKind::OutputLeftOn), "{}", night.what);
        // In the last leg the stand-down is the first to move crosspoints, and does not: they would open under current.
        let is_in_last_leg = after > READINGS / 2;
        assert!(!is_in_last_leg || night.complaints() == [ComplaintKind::OutputLeftOn], "{}", night.what);
    }
}

/// Everything that can strike one exchange, at each exchange of the run in turn, the stand-down's included.
fn sweep(instrument: &str) {
    let inputs = inputs();
    let sound = sound(&inputs);
    // Answers that come again: at once, before the next answer, with it, after it, in another operation.
    let others =
        ["twice 0.001", "twice 0.012", "twice 0.021", "twice 0.3", "late 1.5", "late 2.5", "stranger"];
    let (mut strikes, mut left_on) = (0, 0);
    for fault in ONCE.iter().map(|(fault, _)| *fault).chain(others) {
        for spared in 0.. {
            let text = format!("{instrument} {} once after {spared}", fault.trim_end_matches(" once"));
            let night = night(&inputs, &[text], 0);
            if !night.has_struck() {
                // Who it is is asked once a run, and of settings there are only some.
                let fewest = if ["stranger", "ignored"].contains(&fault) { 1 } else { 20 };
                assert!(spared >= fewest, "{}: struck {spared} times only", night.what);
                break;
            }
            strikes += 1;
            left_on += u32::from(night.is_energised);
            night.tells_the_truth(&sound);
            night.is_honest_of_its_output();
            let is_clean = night.rehearsed.outcome.stand_down.is_clean();
            night.has_no_other_complaint_than(&allowed(instrument, fault, is_clean));
            let named = night.failure().map(|(_, named)| named);
            assert!(named.is_none_or(|named| named == instrument), "{}", night.what);
        }
    }
    println!("{instrument}: {strikes} exchanges struck; current was left on, and told so, {left_on} times");
}

#[test]
fn no_fault_at_any_exchange_with_the_source_makes_a_wrong_reading() {
    sweep("source");
}

#[test]
fn no_fault_at_any_exchange_with_the_voltmeter_makes_a_wrong_reading() {
    sweep("voltmeter");
}

#[test]
fn no_fault_at_any_exchange_with_the_ammeter_makes_a_wrong_reading() {
    sweep("ammeter");
}

#[test]
fn no_fault_at_any_exchange_with_the_matrix_makes_a_wrong_reading() {
    sweep("matrix");
}

/// Lets faults of a seed strike while the run goes on.
fn random(inputs: &Inputs, seed: u64, per_minute: f64) -> Night {
    night_with(inputs, &[], 0, |bench| {
        let bench = bench.clone();
        tokio::spawn(async move { bench.strike_at_random(seed, per_minute).await });
    })
}

#[test]
fn a_seed_gives_the_same_night_twice_and_another_seed_another() {
    let inputs = inputs();
    let (first, again, other) =
        (random(&inputs, 4, 600.0), random(&inputs, 4, 600.0), random(&inputs, 5, 600.0));
    assert!(first.has_struck());
    assert_eq!(first.events, again.events);
    assert_eq!(first.rehearsed.readings, again.rehearsed.readings);
    assert_eq!(first.what, again.what);
    assert_ne!(first.events, other.events);
}

/// Whether a fault changes the circuit or the current, and so what the meters rightly read.
fn is_of_the_circuit(fault: &Fault) -> bool {
    let text = fault.to_string();
    ["stuck", "wrong-relay", "stays-on", "compliance"].iter().any(|word| text.contains(word))
}

#[test]
fn on_nights_of_many_faults_no_answer_is_taken_for_another_and_no_output_is_called_off_that_is_on() {
    let inputs = inputs();
    let sound = sound(&inputs);
    let (mut struck, mut finished, mut held_to_the_truth, mut unseen) = (0, 0, 0, 0);
    for seed in 0..400 {
        // From some faults a minute to several a second; a run takes a quarter of a second.
        let night = random(&inputs, seed, [60.0, 300.0, 1500.0][seed as usize % 3]);
        struck += u32::from(night.has_struck());
        finished += u32::from(night.failure().is_none());
        let struck: Vec<&Fault> =
            night.events.iter().filter(|e| e.happened == Happened::Struck).map(|e| &e.fault).collect();
        let stays_on = struck.iter().any(|fault| fault.to_string().contains("stays-on"));
        if !struck.iter().any(|fault| is_of_the_circuit(fault)) {
            held_to_the_truth += 1;
            night.tells_the_truth(&sound);
        }
        // The one pair of faults that is not seen: between legs crosspoints open on the source's word alone, and then an
        // ammeter that no current reaches cannot contradict a source that says it is off and is not.
        if stays_on && struck.len() > 1 {
            unseen += u32::from(night.is_energised && night.rehearsed.outcome.stand_down.is_clean());
        } else {
            night.is_honest_of_its_output();
        }
    }
    println!(
        "{struck} nights struck, {finished} runs finished, {held_to_the_truth} held to the sound run, {unseen} unseen"
    );
    assert!(struck > 200 && finished > 50 && held_to_the_truth > 100);
}
