//! Documents to steps: which configurations in which order, at which current, ranges and waits. Pure: no clock, no
//! instrument, no file.
//!
//! A plan is frozen: it holds every choice that a run will make, with the reason for each, so that it can be shown
//! before the run and kept with it.

mod choose;
mod choosing;
mod contacts;
mod facts;
mod limits;
pub mod order;
mod settings;
mod steps;
mod verify;

pub use choosing::{Choosing, Chosen, Seen};
pub use contacts::ContactCheck;
pub use facts::BenchFacts;
pub use settings::{ByEvidence, PlannedSample, Settings, Settle};
pub use verify::{Judgement, Prediction, Verification, judge};

use crate::order::{Part, Stop, Wanted, order};
use quadrille_documents::{Action, Bench, Dialect, Fault, Faults, Located, Recipe, Role, Sample};
use quadrille_experiment::{Configuration, Polarity};
use quadrille_quantity::{Ampere, Kelvin, Ohm, Second, Tesla, Volt};
use quadrille_specimen::Specimen;
use serde::Serialize;

/// A bench document with the dialects that its instruments speak.
#[derive(Clone, Debug)]
pub struct EquippedBench {
    /// The document.
    pub bench: Bench,
    /// Dialects in the order of the bench's instruments; each is for the role of its instrument.
    pub dialects: Vec<Dialect>,
}

impl EquippedBench {
    /// The dialect of the instrument of a role.
    pub fn dialect(&self, role: Role) -> Option<&Dialect> {
        self.dialects.iter().find(|dialect| dialect.role == role)
    }

    /// Whether a guard is wired, and the source's dialect has the words to drive it.
    pub fn can_guard(&self) -> bool {
        let source = self.dialect(Role::CurrentSource);
        self.bench.wiring.guard && source.is_some_and(|source| source.can(Action::GuardOn))
    }
}

/// One execution of a recipe on a bench with a sample, decided in full.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Plan {
    /// The samples in the order of their places on the matrix; one at least.
    pub samples: Vec<PlannedSample>,
    /// Polarities of a leg in order.
    pub reversal: Vec<Polarity>,
    /// How fast temperature and field go where the plan drives them.
    pub ramps: Ramps,
    /// When a temperature counts as reached, on a bench that controls it.
    pub stability: Stability,
    /// How long is waited for a person who sets a field by hand; for ever where it is absent.
    pub hand: Option<Second>,
    /// How the contacts are checked, in the rounds that are for it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub contacts: Option<ContactCheck>,
    /// The rounds in order.
    pub rounds: Vec<Round>,
    /// Why each choice was made, in sentences.
    pub reasons: Vec<String>,
    /// What may go wrong, in sentences.
    pub warnings: Vec<String>,
}

/// When a temperature counts as reached.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Stability {
    /// How far from the target, in kelvins.
    pub within_k: f64,
    /// For how long without a break.
    pub time: Second,
    /// Longest wait for it.
    pub longest_wait: Second,
    /// Wait after that, for the sample to follow.
    pub soak: Second,
    /// Most that the approach may pass the target by, in kelvins.
    pub overshoot_k: Option<f64>,
    /// What to do where it is not reached.
    pub unreached: Unreached,
}

/// What to do where a temperature is not reached.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unreached {
    /// Leave its rounds out.
    Skip,
    /// Stay there without current until it is reached after all, at longest for a time, and then end the run.
    Park(Second),
    /// End the run.
    StandDown,
}

/// How fast temperature and field go; each absent where the plan leaves it as a person has set it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Ramps {
    /// Of the temperature, in kelvins per minute.
    pub kelvin_per_minute: Option<f64>,
    /// Of the field, in teslas per second.
    pub tesla_per_second: Option<f64>,
}

impl From<&quadrille_documents::Stability> for Stability {
    fn from(written: &quadrille_documents::Stability) -> Self {
        Self {
            within_k: written.within_k,
            time: Second(written.for_s),
            longest_wait: Second(written.longest_wait_s),
            soak: Second(written.soak_s),
            overshoot_k: written.overshoot_k.as_ref().map(|most| most.value),
            unreached: match written.unreached {
                quadrille_documents::Unreached::Skip => Unreached::Skip,
                quadrille_documents::Unreached::Park { longest_s } => Unreached::Park(Second(longest_s)),
                quadrille_documents::Unreached::StandDown => Unreached::StandDown,
            },
        }
    }
}

/// A complete set of configurations and polarities at one temperature and field.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Round {
    /// From 1.
    pub number: u32,
    /// Which of the plan's samples, from 0.
    pub sample: usize,
    /// What for.
    pub purpose: Purpose,
    /// Flux density.
    pub field: Tesla,
    /// Temperature: the controller's target, or as the person at the bench states it.
    pub temperature: Kelvin,
    /// Configurations in order.
    pub legs: Vec<Configuration>,
}

/// What a round is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// The check of the contacts.
    Contacts,
    /// The resistances at zero field, from which settling is learned.
    Resistivity,
    /// The Hall diagonals: dead times are the same at both signs of the field.
    Hall,
    /// The proof of a bench.
    Proof,
}

impl Plan {
    /// What is set for a sample from its first leg on.
    pub fn settings(&self, sample: usize) -> &Settings {
        &self.samples[sample].settings
    }

    /// How many readings the plan takes, as far as it is decided.
    pub fn readings(&self) -> usize {
        let of_leg = |round: &Round, leg: &Configuration| match &self.contacts {
            Some(check) if round.purpose == Purpose::Contacts => check.readings(leg),
            _ => self.reversal.len() * self.settings(round.sample).repeats as usize,
        };
        self.rounds.iter().flat_map(|round| round.legs.iter().map(move |leg| of_leg(round, leg))).sum()
    }

    /// Plans a recipe for one sample; faults point at the lines of the documents that disagree.
    pub fn new(equipped: &EquippedBench, sample: &Sample, recipe: &Recipe) -> Result<Self, Faults> {
        Self::of_many(equipped, std::slice::from_ref(sample), recipe)
    }

    /// Plans a recipe for the samples on one matrix, each taken at each temperature and field in turn.
    pub fn of_many(equipped: &EquippedBench, samples: &[Sample], recipe: &Recipe) -> Result<Self, Faults> {
        let mut faults: Vec<Fault> = Vec::new();
        for sample in samples {
            let Err(Faults(more)) = limits::check(equipped, sample, recipe) else { continue };
            // What is wrong for two samples alike is said once.
            more.into_iter().for_each(|fault| {
                if !faults.contains(&fault) {
                    faults.push(fault);
                }
            });
        }
        if !faults.is_empty() {
            return Err(Faults(faults));
        }
        equipped.bench.wiring.columns_of_each(samples)?;
        let (mut reasons, mut warnings) = (Vec::new(), Vec::new());
        let mut planned = Vec::new();
        let checked: Vec<usize> = samples.iter().map(|sample| limits::contacts(equipped, sample)).collect();
        for sample in samples {
            let (one, why, doubts) = self::planned(equipped, sample, recipe)?;
            let name = one.name.clone();
            let whose = |told: String| if samples.len() > 1 { format!("{name}: {told}") } else { told };
            reasons.extend(why.into_iter().map(whose));
            warnings.extend(doubts.into_iter().map(whose));
            planned.push(one);
        }
        let ramps = ramps(equipped, recipe);
        let (rounds, saving) = rounds(recipe, samples.len(), ramps);
        limits::ways(recipe, ramps, &rounds)?;
        if rounds.len() > samples.len() {
            reasons.push(saving);
        }
        Ok(Self {
            samples: planned,
            reversal: recipe.reversal.clone(),
            ramps,
            stability: (&recipe.stability).into(),
            hand: recipe
                .hall
                .as_ref()
                .and_then(|hall| hall.hand.as_ref())
                .map(|hand| Second(hand.longest_wait_s)),
            contacts: recipe.contacts.as_ref().map(ContactCheck::of),
            rounds: match &recipe.contacts {
                Some(_) => contacts::before(rounds, &checked),
                None => rounds,
            },
            reasons,
            warnings,
        })
    }
}

/// What is set for a sample from its first leg on, and from what a run chooses the rest.
fn planned(
    equipped: &EquippedBench,
    sample: &Sample,
    recipe: &Recipe,
) -> Result<(PlannedSample, Vec<String>, Vec<String>), Faults> {
    let facts = BenchFacts::of(equipped);
    let model = Specimen::new(sample)?;
    let choosing = Choosing::new(facts.clone(), &limits::Allowed::of(equipped, sample), recipe);
    let name = sample.name.value.clone();
    feasible(&choosing, model.as_ref(), recipe)?;
    let Some(current) = &recipe.current_a else {
        let (current, limit) = choosing.ladder()[0];
        let settings = choosing.for_a_look(current, limit);
        let reason = format!(
            "current, voltage limit, guard, buffers and waits are chosen from a look at the sample at each temperature, \
             which begins with {current} and stays within its limits"
        );
        return Ok((PlannedSample { name, settings, choosing: Some(choosing) }, vec![reason], Vec::new()));
    };
    let current = Ampere(current.value);
    let limit = recipe.voltage_limit_v.as_ref().map(|limit| Volt(limit.value));
    let choices = choose::choices(
        &facts,
        choose::Wanted {
            current,
            voltage_limit: limit.unwrap_or_else(|| choosing.ladder()[0].1),
            voltage_range: recipe.voltage_range_v.as_ref().map(|range| Volt(range.value)),
            aperture_plc: recipe.aperture_plc.unwrap_or(1.0),
            repeats: recipe.repeats.unwrap_or(1),
            guard: recipe.guard.value,
            buffers: recipe.buffers.value,
            settling: recipe.settling.value,
            uncertainty: recipe.wanted_relative_u.as_ref().map_or(choose::USUAL_U, |u| u.value),
            temperatures: recipe.temperatures_k.iter().map(|kelvin| Kelvin(kelvin.value)).collect(),
        },
        model.as_ref(),
    )?;
    let planned = PlannedSample { name, settings: choices.settings, choosing: None };
    Ok((planned, choices.reasons, choices.warnings))
}

/// Refuses a wanted uncertainty that meters and noise forbid for the sample's model, with the best that can be had.
fn feasible(choosing: &Choosing, model: Option<&Specimen>, recipe: &Recipe) -> Result<(), Faults> {
    let (Some(wanted), Some(model)) = (&recipe.wanted_relative_u, model) else { return Ok(()) };
    let legs = recipe.resistivity.iter().flat_map(|part| &part.configurations);
    let legs: Vec<Configuration> = legs.map(|configuration| configuration.value).collect();
    for kelvin in &recipe.temperatures_k {
        let temperature = Kelvin(kelvin.value);
        let no_answer = |error: quadrille_specimen::SpecimenError| choose::no_answer(&error);
        let two_terminal = model.largest_two_terminal(temperature).map_err(no_answer)?;
        let terminals = model.terminals(temperature, Tesla(0.0)).map_err(no_answer)?;
        let resistances = legs.iter().filter_map(|&leg| terminals.four_terminal(leg).ok());
        let four_terminal = resistances.fold(Ohm(0.0), |most, ohm| most.max(ohm.abs()));
        if four_terminal.0 <= 0.0 {
            continue;
        }
        let seen = Seen { two_terminal, four_terminal, temperature };
        if let Some(short_of) = choosing.choose(&seen).short_of {
            let remedy = "write a larger wanted_relative_u, or a bench with better meters";
            return Err(wanted.fault(format!("at {temperature}: {short_of}"), remedy).into());
        }
    }
    Ok(())
}

/// As fast as the recipe wants, or else as cryostat and magnet bear.
fn ramps(equipped: &EquippedBench, recipe: &Recipe) -> Ramps {
    let cryostat = equipped.bench.cryostat.map(|cryostat| cryostat.most_ramp_k_per_min);
    Ramps {
        kelvin_per_minute: cryostat
            .map(|most| recipe.stability.ramp_k_per_min.as_ref().map_or(most, |ramp| ramp.value)),
        tesla_per_second: equipped.bench.magnet.map(|magnet| magnet.most_ramp_t_per_s),
    }
}

/// The rounds in the order in which temperature and field move least, and a sentence that says what that saves.
fn rounds(recipe: &Recipe, samples: usize, ramps: Ramps) -> (Vec<Round>, String) {
    let legs = |configurations: &[Located<Configuration>]| -> Vec<Configuration> {
        configurations.iter().map(|configuration| configuration.value).collect()
    };
    let resistivity = recipe.resistivity.as_ref().map(|part| legs(&part.configurations));
    let hall = recipe.hall.as_ref().map(|part| legs(&part.configurations));
    let fields = recipe.hall.iter().flat_map(|hall| &hall.fields_t).map(|field| Tesla(field.value));
    let ordered = order(&Wanted {
        temperatures: recipe.temperatures_k.iter().map(|kelvin| Kelvin(kelvin.value)).collect(),
        start: None,
        resistivity: resistivity.is_some(),
        fields: fields.collect(),
        field_now: Tesla(0.0),
        samples,
        order: recipe.order,
        ramps,
    });
    let round = |(number, stop): (u32, &Stop)| {
        let (purpose, legs) = match stop.part {
            Part::Resistivity => (Purpose::Resistivity, resistivity.clone()),
            Part::Hall => (Purpose::Hall, hall.clone()),
        };
        let Stop { temperature, field, sample, .. } = *stop;
        Round { number, sample, purpose, field, temperature, legs: legs.unwrap_or_default() }
    };
    ((1..).zip(&ordered.stops).map(round).collect(), ordered.saving.to_string())
}
