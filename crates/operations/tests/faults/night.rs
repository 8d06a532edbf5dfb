//! A run of the demonstration's film in virtual time, on a bench that is given faults.

use quadrille_instruments::ErrorKind;
use quadrille_operations::{
    Begun, Circumstances, ComplaintKind, Ending, Event, FaultEvent, Happened, Inputs, Observer, Output,
    Reading, Rehearsed, Simulation, SimulationOptions, rehearse_with,
};
use quadrille_scheduler::Failure;
use std::path::PathBuf;
use tokio::sync::mpsc::UnboundedReceiver;

/// Readings of [`inputs`].
pub(crate) const READINGS: usize = 4;

pub(crate) const INSTRUMENTS: [&str; 4] = ["source", "voltmeter", "ammeter", "matrix"];

fn demo(file: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo")).join(file)
}

/// Two legs of the demonstration's film, which turns no corner into another.
pub(crate) fn inputs() -> Inputs {
    inputs_with("[\"12,43\", \"23,14\"]")
}

pub(crate) fn inputs_with(configurations: &str) -> Inputs {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recipe.toml");
    let text = std::fs::read_to_string(demo("film-recipe.toml")).unwrap();
    let text = text[..text.find("[hall]").unwrap()].replace("\"+--+\"", "\"+-\"");
    std::fs::write(&path, text.replace("\"standard\"", configurations)).unwrap();
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
pub(crate) struct Night {
    pub(crate) rehearsed: Rehearsed,
    pub(crate) events: Vec<FaultEvent>,
    pub(crate) is_energised: bool,
    pub(crate) what: String,
}

fn events(told: Option<UnboundedReceiver<FaultEvent>>) -> Vec<FaultEvent> {
    let mut told = told.unwrap();
    std::iter::from_fn(|| told.try_recv().ok()).collect()
}

pub(crate) fn night(inputs: &Inputs, faults: &[String], after: usize) -> Night {
    night_with(inputs, faults, after, |_| {})
}

pub(crate) fn night_with(
    inputs: &Inputs,
    faults: &[String],
    after: usize,
    prepare: impl FnOnce(&Simulation),
) -> Night {
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
    pub(crate) fn has_struck(&self) -> bool {
        self.events.iter().any(|event| event.happened == Happened::Struck)
    }

    /// Kind of the failure and the instrument that it names.
    pub(crate) fn failure(&self) -> Option<(ErrorKind, &str)> {
        match &self.rehearsed.outcome.ending {
            Ending::Finished => None,
            Ending::Failed(Failure::Instrument(error)) => Some((error.kind, &error.instrument)),
            // The ammeter contradicts the source.
            Ending::Failed(Failure::CurrentFlows) => Some((ErrorKind::ReadBack, "source")),
            other => panic!("{other:?}; {}", self.what),
        }
    }

    pub(crate) fn complaints(&self) -> Vec<ComplaintKind> {
        self.rehearsed.complaints.iter().map(|complaint| complaint.kind).collect()
    }

    /// The readings are the first that a sound bench gives, to the last digit, and each is that of its own question.
    pub(crate) fn tells_the_truth(&self, sound: &Self) {
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

    pub(crate) fn has_no_other_complaint_than(&self, allowed: &[ComplaintKind]) {
        assert!(
            self.complaints().iter().all(|kind| allowed.contains(kind)),
            "{:?}; {}",
            self.complaints(),
            self.what
        );
    }

    /// Nobody is told that the output is off while it is on.
    pub(crate) fn is_honest_of_its_output(&self) {
        let is_verified = self.rehearsed.outcome.stand_down.output == Output::Verified;
        assert!(!(is_verified && self.is_energised), "{}", self.what);
    }
}

pub(crate) fn sound(inputs: &Inputs) -> Night {
    let sound = night(inputs, &[], 0);
    assert_eq!(sound.failure(), None);
    assert!(sound.rehearsed.outcome.stand_down.is_clean());
    assert_eq!(sound.rehearsed.readings.len(), READINGS);
    assert_eq!(sound.complaints(), []);
    sound
}
