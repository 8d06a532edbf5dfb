//! A bench in a laboratory's own words, unlike SCPI: rehearsed, verified, and what comes of a document that is wrong.
#![allow(clippy::unwrap_used)]

use quadrille_operations::{
    Ending, Error, Faults, Inputs, Proof, Rehearsed, Simulation, SimulationOptions, Switch, Verified,
    rehearse, verify,
};
use std::path::{Path, PathBuf};

const CONFIG: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../config");
const WORDS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../simulators/bench/tests/laboratory");
const ROLES: [&str; 4] = ["current-source", "voltmeter", "ammeter", "switch-matrix"];

fn demo(file: &str) -> PathBuf {
    Path::new(CONFIG).join("demo").join(file)
}

fn read(path: impl AsRef<Path>) -> String {
    std::fs::read_to_string(path).unwrap()
}

/// A laboratory's folder: the demonstration's bench with a dialect document of its own for each instrument.
struct Laboratory(tempfile::TempDir);

impl Laboratory {
    /// The shipped dialects, as the laboratory's own documents.
    fn shipped() -> Self {
        Self::with(|role| read(format!("{CONFIG}/dialects/{role}.toml")))
    }

    /// Words unlike SCPI with the facts of the shipped dialects, changed in one place.
    fn in_own_words(from: &str, to: &str) -> Self {
        let mut changes = 0;
        let laboratory = Self::with(|role| {
            let shipped = read(format!("{CONFIG}/dialects/{role}.toml"));
            let facts = shipped[shipped.find("[facts]").unwrap()..]
                .replace("compliance_bit = 0", "compliance_bit = 5");
            let words = read(format!("{WORDS}/{role}.toml"));
            changes += words.matches(from).count();
            format!("{}\n{facts}", words.replace(from, to))
        });
        assert!(from.is_empty() || changes == 1, "{from:?} stands {changes} times");
        laboratory
    }

    fn with(mut text: impl FnMut(&str) -> String) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut bench = read(demo("bench.toml"));
        for role in ROLES {
            let named = format!("dialect = \"{role}\"");
            assert!(bench.contains(&named));
            bench = bench.replace(&named, &format!("dialect = \"own/{role}.toml\""));
            std::fs::create_dir_all(folder.path().join("own")).unwrap();
            std::fs::write(folder.path().join("own").join(format!("{role}.toml")), text(role)).unwrap();
        }
        // Its voltmeter is somebody's, as in a document of real instruments.
        let bench = bench.replace("*VIRTUAL VOLTMETER*", "*NOBODY'S METER,7,*");
        std::fs::write(folder.path().join("bench.toml"), bench).unwrap();
        Self(folder)
    }

    fn bench(&self) -> PathBuf {
        self.0.path().join("bench.toml")
    }

    fn rehearsed(&self) -> Result<Rehearsed, Error> {
        rehearsed(&self.bench())
    }

    fn standard(&self) -> Inputs {
        Inputs::read(&self.bench(), &demo("standard-low.toml"), None).unwrap()
    }
}

fn rehearsed(bench: &Path) -> Result<Rehearsed, Error> {
    let inputs = Inputs::read(bench, &demo("film.toml"), Some(&demo("film-recipe.toml"))).unwrap();
    rehearse(&inputs, SimulationOptions::default(), &mut ())
}

/// What a bench needs beside controller and supply, named by their shipped dialects.
const SURROUNDINGS: &str = r#"
[[instrument]]
name = "thermostat"
role = "temperature-controller"
resource = "TCPIP::127.0.0.1::5029::SOCKET"
dialect = "temperature-controller"
[[instrument]]
name = "magnet supply"
role = "field-source"
resource = "TCPIP::127.0.0.1::5030::SOCKET"
dialect = "field-source"
[cryostat]
lowest_k = 80.0
highest_k = 330.0
most_ramp_k_per_min = 10.0
[magnet]
field_t_per_a = 0.03
most_field_t = 1.2
most_ramp_t_per_s = 0.02
"#;

/// The demonstration's bench with a cryostat and a magnet; in a laboratory's own words where `own` changes them.
fn surrounded(own: Option<&dyn Fn(String) -> String>) -> Rehearsed {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = read(demo("bench.toml")) + SURROUNDINGS;
    for role in ROLES.into_iter().chain(["temperature-controller", "field-source"]) {
        let Some(change) = own else { continue };
        let shipped = read(format!("{CONFIG}/dialects/{role}.toml"));
        let facts = shipped[shipped.find("[facts]").unwrap()..]
            .replace("ramping_bit = 3", "ramping_bit = 6\nramping_is_zero = true");
        let words = change(read(format!("{WORDS}/{role}.toml")));
        std::fs::write(folder.path().join(format!("{role}.toml")), format!("{words}\n{facts}")).unwrap();
        bench = bench.replace(&format!("dialect = \"{role}\""), &format!("dialect = \"{role}.toml\""));
    }
    let path = folder.path().join("bench.toml");
    std::fs::write(&path, bench).unwrap();
    rehearsed(&path).unwrap()
}

#[test]
fn a_rehearsal_with_cryostat_and_magnet_in_a_laboratorys_own_words_is_that_of_the_shipped_ones() {
    let shipped = surrounded(None);
    assert!(matches!(shipped.outcome.ending, Ending::Finished), "{:?}", shipped.outcome);
    let starts = |words: String| words.replace("hold = \"STAY\"", "hold = \"STAY\"\nstart_ramp = \"MOVE\"");
    let own = surrounded(Some(&starts));
    assert_eq!(own.readings, shipped.readings);
    assert_eq!(own.duration, shipped.duration);
    // One that goes as soon as it is set takes its time for that too: the same run, at slightly other times.
    let own = surrounded(Some(&|words| words));
    assert!(matches!(own.outcome.ending, Ending::Finished), "{:?}", own.outcome);
    assert!(own.complaints.is_empty(), "{:?}", own.complaints);
    assert_eq!(own.readings.len(), shipped.readings.len());
}

#[test]
fn a_rehearsal_in_a_laboratorys_own_words_has_the_readings_of_the_shipped_ones_bit_for_bit() {
    let shipped = rehearsed(&demo("bench.toml")).unwrap();
    assert!(matches!(shipped.outcome.ending, Ending::Finished), "{:?}", shipped.outcome);
    assert_eq!(shipped.readings.len(), shipped.plan.readings());
    for laboratory in [Laboratory::shipped(), Laboratory::in_own_words("", "")] {
        let own = laboratory.rehearsed().unwrap();
        assert!(matches!(own.outcome.ending, Ending::Finished), "{:?}", own.outcome);
        assert!(own.outcome.stand_down.is_clean(), "{:?}", own.outcome.stand_down);
        assert!(own.complaints.is_empty(), "{:?}", own.complaints);
        assert_eq!(own.readings, shipped.readings);
        assert_eq!(own.duration, shipped.duration);
    }
}

/// Verifies with the documents of one laboratory against devices that were built from another's, over TCP.
async fn verified(drivers: &Laboratory, devices: &Laboratory) -> Verified {
    let there = devices.standard();
    let simulation = Simulation::new(&there, SimulationOptions::default()).unwrap();
    let served = simulation.serve(&there.equipped, Some("127.0.0.1:0".parse().unwrap())).await.unwrap();
    let mut inputs = drivers.standard();
    for (instrument, device) in inputs.equipped.bench.instruments.iter_mut().zip(&served.devices) {
        instrument.resource.value.clone_from(&device.resource);
    }
    let journal = tempfile::tempdir().unwrap();
    let (_nobody, stop) = tokio::sync::watch::channel(false);
    let plain = Proof { guard: Switch::Off, buffers: Switch::Off, ..Proof::default() };
    verify(&inputs, plain, &journal.path().join("runs.sqlite"), &mut (), stop).await.unwrap()
}

#[tokio::test]
async fn a_proof_in_a_laboratorys_own_words_passes() {
    let laboratory = Laboratory::in_own_words("", "");
    let verified = verified(&laboratory, &laboratory).await;
    assert!(verified.passed(), "{:?} {:?}", verified.outcome, verified.judgements);
    assert_eq!(verified.judgements.len(), 8);
}

#[tokio::test]
async fn a_word_that_the_instrument_does_not_know_is_noticed() {
    let devices = Laboratory::in_own_words("", "");
    for (from, to, message) in [
        ("\"I {level_a} A\"", "\"I {level_a} V\"", "I 0 V"),
        ("CLAMP 1,{limit_v}", "CLAMP {limit_v}", "CLAMP 2"),
        ("VRANGE {range_v}; SELF OFF", "VRANGE {range_v}; SELF ON", "VRANGE 10"),
        ("TERMINALS FREE", "TERMINALS LOOSE", "TERMINALS LOOSE"),
        ("R{row}C{column}", "C{column}R{row}", "JOIN C"),
    ] {
        let drivers = Laboratory::in_own_words(from, to);
        let verified = verified(&drivers, &devices).await;
        let ending = format!("{:?}", verified.outcome.ending);
        assert!(!verified.passed(), "{to}");
        assert!(ending.contains("-113") && ending.contains(message), "{to}: {ending}");
    }
}

#[test]
fn a_document_in_which_a_message_could_mean_two_things_is_refused_at_its_line() {
    let laboratory = Laboratory::in_own_words("IRANGE {range_a}", "I {range_a} A");
    let Err(Error::Documents(Faults(faults))) = laboratory.rehearsed() else { panic!("it was rehearsed") };
    let [fault] = faults.as_slice() else { panic!("{faults:?}") };
    assert!(fault.place.document.ends_with("own/current-source.toml"), "{fault}");
    assert_eq!((fault.place.line, fault.place.key.as_str()), (9, "commands.set_source_range"));
    assert!(fault.problem.contains("set_level \"I {level_a} A\" on line 8"), "{fault}");
}
