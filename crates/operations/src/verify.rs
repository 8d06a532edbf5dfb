//! A bench proved on a resistor network of known value; where it reads that wrong, what is wrong with it.

mod hands;
mod known;
mod told;

pub use told::{Conclusion, Size, Smallest, Strength, Suspect, Told};

use crate::record::Observer;
use crate::{Error, Inputs, Simulation, SimulationOptions};
use hands::{Hands, InMemory, OnBench, Taken};
use known::{Known, observations};
use quadrille_diagnosis::{ReadingSet, diagnose, power, wild};
use quadrille_documents::Switch;
use quadrille_experiment::{Circumstances, Configuration, Reading};
use quadrille_journal::RunId;
use quadrille_plan::{Judgement, Plan, Prediction, Settle, Verification, judge};
use quadrille_quantity::Second;
use quadrille_scheduler::{Ending, Outcome, Stop};
use std::path::Path;

/// How much longer than in a proof leads may settle where something is wrong. Ours.
const LONGER: f64 = 3.0;

/// Longest wait for that.
const PATIENCE: Second = Second(2.0);

/// How a bench is proved.
#[derive(Clone, Copy, Debug)]
pub struct Proof {
    /// The guard; pinned to see what a proof without it says.
    pub guard: Switch,
    /// The buffers, likewise.
    pub buffers: Switch,
    /// How much is read.
    pub depth: Depth,
}

impl Default for Proof {
    fn default() -> Self {
        Self { guard: Switch::ByResistance, buffers: Switch::ByResistance, depth: Depth::default() }
    }
}

/// How much is read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Depth {
    /// The eight configurations of the standards and no more: says which disagree, and not why.
    Eight,
    /// The eight configurations of the standards; all where they disagree with what is predicted.
    #[default]
    AsNeeded,
    /// All 24 four-terminal and 12 two-terminal configurations in any case, which show what the eight cannot.
    Everything,
}

/// What came of a proof.
#[derive(Debug)]
pub struct Verified {
    /// Its runs in the journal: the proof, then what it asked for. Empty for a rehearsal.
    pub runs: Vec<RunId>,
    /// The plan of the eight configurations.
    pub plan: Plan,
    /// How the last run ended.
    pub outcome: Outcome,
    /// A judgement of each configuration; of those that were not read, that they were not.
    pub judgements: Vec<Judgement>,
    /// Configurations that were read again because a reading was far from what all others say, or disagreed alone; what
    /// was read then counts.
    pub read_again: Vec<Configuration>,
    /// What is wrong, where that was looked for; or why it could not be.
    pub diagnosis: Option<Result<Told, String>>,
}

impl Verified {
    /// Whether the whole proof was carried out, every configuration read right, and nothing is accused.
    pub fn passed(&self) -> bool {
        let is_accused = matches!(&self.diagnosis, Some(Ok(told)) if !told.clears());
        let is_right = self.judgements.iter().all(|judgement| judgement.passed);
        self.is_finished() && is_right && !is_accused
    }

    fn is_finished(&self) -> bool {
        matches!(self.outcome.ending, Ending::Finished)
    }
}

/// What all configurations of a standard will be able to show of a bench. Touches nothing; the error of the inner result says
/// why of this standard it cannot be said.
pub fn strength(inputs: &Inputs, proof: Proof) -> Result<Result<Strength, String>, Error> {
    let Verification { plan, .. } =
        Verification::new(&inputs.equipped, inputs.sample(), proof.guard, proof.buffers)?;
    let known = match Known::of(&inputs.equipped, inputs.sample(), &patient(&plan)) {
        Ok(known) => known,
        Err(reason) => return Ok(Err(reason.to_string())),
    };
    let power = power(&known.standard, &known.bench, known.drive, ReadingSet::Full);
    let strength = power.map(|power| Strength::of(&known, &power)).map_err(|error| error.to_string());
    Ok(strength.map(|mut strength| {
        strength.not_tested.extend(unused(inputs, &plan));
        strength
    }))
}

/// What a bench has and its proof does without, and so says nothing of.
fn unused(inputs: &Inputs, plan: &Plan) -> Vec<String> {
    let (bench, settings) = (&inputs.equipped, plan.settings(0));
    let guard = bench.can_guard() && !settings.guard;
    let buffers = bench.bench.wiring.buffers.is_some() && !settings.buffers;
    let told = [
        guard.then_some("the guard is driven when it is asked for (this proof does without it)"),
        buffers.then_some(
            "the buffers go into the sense lines when they are asked for (this proof does without them)",
        ),
    ];
    told.into_iter().flatten().map(str::to_owned).collect()
}

/// Proves a bench on a standard.
pub async fn verify(
    inputs: &Inputs,
    proof: Proof,
    journal: &Path,
    observer: &mut dyn Observer,
    stop: Stop,
) -> Result<Verified, Error> {
    prove(inputs, proof, &mut OnBench { inputs, journal, observer, stop }).await
}

/// The same on a simulated bench in virtual time, to which something is done before: it is given faults. Leaves no record.
/// Must not be called from within an asynchronous task: it brings a clock of its own.
pub fn rehearse_proof(
    inputs: &Inputs,
    proof: Proof,
    options: SimulationOptions,
    prepare: impl FnOnce(&Simulation) -> Result<(), Error>,
    observer: &mut dyn Observer,
) -> Result<Verified, Error> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .start_paused(true)
        .build()
        .map_err(|error| Error::Simulation(format!("no virtual time: {error}")))?;
    runtime.block_on(async {
        let simulation = Simulation::new(inputs, options)?;
        prepare(&simulation)?;
        prove(inputs, proof, &mut InMemory::new(inputs, &simulation, observer)?).await
    })
}

async fn prove(inputs: &Inputs, proof: Proof, hands: &mut dyn Hands) -> Result<Verified, Error> {
    let Verification { plan, predictions } =
        Verification::new(&inputs.equipped, inputs.sample(), proof.guard, proof.buffers)?;
    let Taken { run, outcome, readings } = hands.take(&plan).await?;
    let verified = Verified {
        runs: run.into_iter().collect(),
        judgements: judged(&predictions, &readings),
        plan,
        outcome,
        read_again: Vec::new(),
        diagnosis: None,
    };
    let last = verified.plan.clone();
    let mut work = Work { predictions, readings, verified, last, hands };
    if work.is_wanted(proof.depth) {
        work.look_into(inputs, proof.depth).await?;
    }
    Ok(work.verified)
}

fn judged(predictions: &[Prediction], readings: &[(Reading, Circumstances)]) -> Vec<Judgement> {
    let readings: Vec<Reading> = readings.iter().map(|(reading, _)| *reading).collect();
    judge(predictions, &readings)
}

/// A proof under way.
struct Work<'w> {
    predictions: Vec<Prediction>,
    readings: Vec<(Reading, Circumstances)>,
    verified: Verified,
    /// The plan that was carried out last.
    last: Plan,
    hands: &'w mut dyn Hands,
}

impl Work<'_> {
    /// Whether what was read so far asks for more.
    fn is_wanted(&self, depth: Depth) -> bool {
        let is_wrong = self.verified.judgements.iter().any(|judgement| !judgement.passed);
        depth != Depth::Eight && is_wrong || depth == Depth::Everything
    }

    /// Reads what is needed to say what is wrong, and says it. What was wrong once and does not come again is nothing. A run
    /// that did not finish is the last one.
    async fn look_into(&mut self, inputs: &Inputs, depth: Depth) -> Result<(), Error> {
        let known = |plan: &Plan| Known::of(&inputs.equipped, inputs.sample(), plan);
        let at_first = match known(&self.last) {
            Ok(known) => known,
            Err(reason) => {
                self.verified.diagnosis = Some(Err(reason.to_string()));
                return Ok(());
            }
        };
        self.read_wild_again(&at_first).await?;
        // The proof is judged by what it read as it was planned: what comes after is to find out why.
        self.verified.judgements = judged(&self.predictions, &self.readings);
        if self.is_wanted(depth) && self.verified.is_finished() {
            let all = quadrille_diagnosis::readings(ReadingSet::Full);
            let why = "reads every configuration, with longer waits, to find what is wrong";
            let before = std::mem::take(&mut self.readings);
            self.take(all, patient(&self.verified.plan), why).await?;
            if self.readings.is_empty() {
                self.readings = before;
            }
            let known = known(&self.last).unwrap_or(at_first);
            self.read_wild_again(&known).await?;
            self.forgive_one();
            self.say(&known);
        } else if self.is_wanted(depth) {
            self.say(&at_first);
        }
        Ok(())
    }

    /// A configuration that disagreed alone and agrees when it is read again counts as it was read then. Several are no
    /// accident: they go on counting, whatever longer waits made of them.
    fn forgive_one(&mut self) {
        let again = judged(&self.predictions, &self.readings);
        let wrong: Vec<usize> = (0..again.len()).filter(|&k| !self.verified.judgements[k].passed).collect();
        if let [one] = wrong[..]
            && again[one].passed
        {
            let configuration = again[one].configuration;
            if !self.verified.read_again.contains(&configuration) {
                self.verified.read_again.push(configuration);
            }
            self.verified.judgements = again;
        }
    }

    /// Says what is wrong by what was read, however little that is. Somebody who stopped the run is not told anything.
    fn say(&mut self, known: &Known) {
        let is_stopped = matches!(self.verified.outcome.ending, Ending::Stopped);
        if self.readings.is_empty() || is_stopped {
            return;
        }
        let observations = observations(&self.readings);
        let said = diagnose(&known.standard, &known.bench, &observations);
        let told = said.map(|diagnosis| Told::of(known, &diagnosis, observations.len()));
        self.verified.diagnosis = Some(told.map_err(|error| error.to_string()));
    }

    /// A glitch does not come twice: what is far from all others is read again before anything is concluded from it.
    async fn read_wild_again(&mut self, known: &Known) -> Result<(), Error> {
        if !self.verified.is_finished() {
            return Ok(());
        }
        let wild = wild(&known.standard, &known.bench, &observations(&self.readings)).unwrap_or_default();
        let mut again: Vec<Configuration> =
            wild.into_iter().map(|place| self.readings[place].0.configuration).collect();
        again.dedup();
        if again.is_empty() {
            return Ok(());
        }
        let why = "reads again what is far from all other readings";
        self.take(again.clone(), self.last.clone(), why).await?;
        again.retain(|configuration| !self.verified.read_again.contains(configuration));
        self.verified.read_again.extend(again);
        Ok(())
    }

    /// Carries out other legs by a plan, whose reasons say after which run, and why. What was read last of a configuration in
    /// a direction is what counts.
    async fn take(&mut self, legs: Vec<Configuration>, mut plan: Plan, why: &str) -> Result<(), Error> {
        plan.rounds.iter_mut().for_each(|round| round.legs = legs.clone());
        let after = self.verified.runs.first().map_or(String::new(), |run| format!("belongs to run {run}: "));
        plan.reasons = [vec![format!("{after}{why}")], self.verified.plan.reasons.clone()].concat();
        let Taken { run, outcome, readings } = self.hands.take(&plan).await?;
        self.last = plan;
        self.verified.runs.extend(run);
        self.verified.outcome = outcome;
        for (reading, circumstances) in readings {
            let place = self.readings.iter().position(|(old, under)| {
                old.configuration == reading.configuration && under.polarity == circumstances.polarity
            });
            match place {
                Some(place) => self.readings[place] = (reading, circumstances),
                None => self.readings.push((reading, circumstances)),
            }
        }
        Ok(())
    }
}

/// The plan with waits that are longer: what is wrong with a bench may be a resistance that is larger than declared, or a
/// current that charges cables for a while before it finds its limit.
fn patient(plan: &Plan) -> Plan {
    let mut plan = plan.clone();
    for sample in &mut plan.samples {
        let wait = sample.settings.settle.pause();
        sample.settings.settle = Settle::Wait((wait * LONGER).min(PATIENCE).max(wait));
    }
    plan
}
