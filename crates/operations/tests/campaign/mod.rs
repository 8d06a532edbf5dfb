//! A campaign: benches that are good or wrong in a known way, each proved on a standard of its own, simulated through the
//! strings that the instruments understand, and what the diagnosis says of them.

pub mod draw;
pub mod kinds;
pub mod standards;

use draw::Draw;
use kinds::{Kind, Wrong, wrong};
use quadrille_bench::Spread;
use quadrille_diagnosis::Class;
use quadrille_operations::{
    Begun, Circumstances, Conclusion, Depth, Event, Inputs, Observer, Proof, Reading, SimulationOptions,
    Strength, Told, rehearse_proof, strength,
};
use standards::{Ring, Scale};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// What is proved.
#[derive(Clone, Copy, Debug)]
pub struct Case {
    pub kind: Kind,
    pub scale: Scale,
    pub seed: u64,
}

/// What came of a case.
#[derive(Clone, Debug)]
pub struct Said {
    pub case: Case,
    pub ring: Ring,
    pub wrong: Wrong,
    pub told: Result<Option<Told>, String>,
    pub passed: bool,
    /// In the order in which they were taken.
    pub readings: Vec<(Reading, Circumstances)>,
}

impl Said {
    fn place(&self) -> Option<usize> {
        let told = self.told.as_ref().ok()?.as_ref()?;
        let class = self.wrong.class?;
        told.ranked.iter().position(|suspect| suspect.class == class)
    }

    /// Whether the true class comes first; a good bench that was not looked into is one.
    pub fn is_first(&self) -> bool {
        let is_plain = self.wrong.class == Some(Class::Good) && self.passed && matches!(self.told, Ok(None));
        is_plain || self.place() == Some(0)
    }

    pub fn is_in_first_two(&self) -> bool {
        self.is_first() || self.place() == Some(1)
    }

    fn concludes(&self, conclusion: Conclusion) -> bool {
        matches!(&self.told, Ok(Some(told)) if told.conclusion == conclusion)
    }

    /// Whether a class is named that it is not.
    pub fn is_sure_and_wrong(&self) -> bool {
        self.concludes(Conclusion::Accuses) && self.place() != Some(0)
    }

    pub fn is_none_of_these(&self) -> bool {
        self.concludes(Conclusion::NoneOfThese)
    }
}

/// Carries out a case in a folder of its own.
pub fn carry_out(case: Case, folder: &Path) -> Said {
    let ring = Ring::drawn(case.seed % STANDARDS, case.scale);
    let word = format!("{:?} {:?}", case.kind, case.scale);
    let mut draw = Draw::new(case.seed, &word);
    let spread = if case.kind == Kind::GoodEdge { Spread::Edge } else { Spread::Within };
    let seed = Draw::new(case.seed, &format!("bench {word}")).below(1 << 30) as u64;
    let options = SimulationOptions { seed: Some(seed), spread: Some(spread), ..Default::default() };
    let depth = Depth::Everything;
    let inputs = inputs(&ring, folder);
    let how = Proof { depth, ..Proof::default() };
    let strength = known_strength(&ring, &inputs, how);
    let wrong = wrong(case.kind, &ring, &strength, &mut draw);
    let mut heard = Heard::default();
    let verified = rehearse_proof(
        &inputs,
        how,
        options,
        |simulation| wrong.faults.iter().try_for_each(|fault| simulation.inject(fault).map(drop)),
        &mut heard,
    );
    let (told, passed) = match verified {
        Ok(verified) => {
            let passed = verified.passed();
            match verified.diagnosis {
                Some(Ok(told)) => (Ok(Some(told)), passed),
                Some(Err(reason)) => (Err(reason), passed),
                None if passed => (Ok(None), passed),
                None => (Err(format!("{:?}", verified.outcome.ending)), passed),
            }
        }
        Err(error) => (Err(error.to_string()), false),
    };
    Said { case, ring, wrong, told, passed, readings: heard.0 }
}

/// What a standard shows, worked out once.
fn known_strength(ring: &Ring, inputs: &Inputs, how: Proof) -> Strength {
    static KNOWN: Mutex<BTreeMap<[u64; 4], Strength>> = Mutex::new(BTreeMap::new());
    let key = ring.ohms.map(f64::to_bits);
    if let Some(known) = KNOWN.lock().unwrap().get(&key) {
        return known.clone();
    }
    let found = strength(inputs, how).unwrap().unwrap();
    KNOWN.lock().unwrap().insert(key, found.clone());
    found
}

/// Standards of a campaign: cases take them in turn.
pub const STANDARDS: u64 = 25;

fn inputs(ring: &Ring, folder: &Path) -> Inputs {
    let demo = concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo/bench.toml");
    let sample = folder.join("standard.toml");
    std::fs::write(&sample, ring.document()).unwrap();
    Inputs::read(Path::new(demo), &sample, None).unwrap()
}

#[derive(Default)]
struct Heard(Vec<(Reading, Circumstances)>);

impl Observer for Heard {
    fn begun(&mut self, _: &Begun<'_>) {}
    fn reading(&mut self, _: i64, reading: &Reading, circumstances: &Circumstances) {
        self.0.push((*reading, circumstances.clone()));
    }
    fn event(&mut self, _: i64, _: &Event) {}
}

/// Carries out cases on two threads; what came of each, in the order of the cases.
pub fn carry_out_all(cases: &[Case], done: impl Fn(&Said) + Sync) -> Vec<Said> {
    let next = AtomicUsize::new(0);
    let all = Mutex::new(BTreeMap::new());
    let work = || {
        let folder = tempfile::tempdir().unwrap();
        loop {
            let place = next.fetch_add(1, Ordering::Relaxed);
            let Some(&case) = cases.get(place) else { break };
            let said = carry_out(case, folder.path());
            done(&said);
            all.lock().unwrap().insert(place, said);
        }
    };
    std::thread::scope(|scope| {
        (0..2).for_each(|_| {
            scope.spawn(work);
        });
    });
    all.into_inner().unwrap().into_values().collect()
}

/// Counts of one kind.
#[derive(Clone, Copy, Debug, Default)]
pub struct Row {
    pub cases: usize,
    pub first: usize,
    pub first_two: usize,
    pub sure_and_wrong: usize,
    pub none_of_these: usize,
    pub not_passed: usize,
    pub failed: usize,
}

impl Row {
    /// Both together.
    pub fn and(self, other: Self) -> Self {
        Self {
            cases: self.cases + other.cases,
            first: self.first + other.first,
            first_two: self.first_two + other.first_two,
            sure_and_wrong: self.sure_and_wrong + other.sure_and_wrong,
            none_of_these: self.none_of_these + other.none_of_these,
            not_passed: self.not_passed + other.not_passed,
            failed: self.failed + other.failed,
        }
    }

    fn add(&mut self, said: &Said) {
        self.cases += 1;
        self.first += usize::from(said.is_first());
        self.first_two += usize::from(said.is_in_first_two());
        self.sure_and_wrong += usize::from(said.is_sure_and_wrong());
        self.none_of_these += usize::from(said.is_none_of_these());
        self.not_passed += usize::from(!said.passed);
        self.failed += usize::from(said.told.is_err());
    }
}

/// Counts kind by kind.
pub fn table(all: &[Said]) -> BTreeMap<Kind, Row> {
    let mut rows: BTreeMap<Kind, Row> = BTreeMap::new();
    all.iter().for_each(|said| rows.entry(said.case.kind).or_default().add(said));
    rows
}

/// The table as a person reads it.
pub fn shown(rows: &BTreeMap<Kind, Row>) -> String {
    let mut text =
        "| kind | cases | first | first two | sure and wrong | none of these | not passed | failed |\n\
                    |---|---|---|---|---|---|---|---|\n"
            .to_owned();
    for (kind, row) in rows {
        text.push_str(&format!(
            "| {kind:?} | {} | {} | {} | {} | {} | {} | {} |\n",
            row.cases,
            row.first,
            row.first_two,
            row.sure_and_wrong,
            row.none_of_these,
            row.not_passed,
            row.failed
        ));
    }
    text
}
