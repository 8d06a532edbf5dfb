//! Proving a bench right on a resistor network of known value: the plan, the prediction, the judgement.

use crate::choose::{self, USUAL_U, Wanted, no_answer};
use crate::limits::{Allowed, contacts};
use crate::steps::{step_down, step_up};
use crate::{BenchFacts, EquippedBench, Plan, PlannedSample, Purpose, Ramps, Round, Settle};
use quadrille_documents::{Faults, Role, Sample, Settling, Switch};
use quadrille_experiment::{Configuration, Polarity, Reading, STANDARD};
use quadrille_network::Circuit;
use quadrille_quantity::{Ampere, Ohm, Second, Tesla, Volt};
use quadrille_specimen::{ROOM, Specimen};
use serde::Serialize;

/// Voltage that a standard is driven to, at most: large against offsets, far below any hazard.
const DRIVE: Volt = Volt(1.0);

/// Time constants to wait: what is left of a step is then 1e-6 of it.
const TIME_CONSTANTS: f64 = 14.0;

/// Longest wait of a proof after a change. Leads that need longer are a fault of the bench (a guard that is not
/// driven), and the proof says so in a minute instead of an hour.
const LONGEST_WAIT: Second = Second(2.0);

/// How many standard uncertainties of the instruments a reading may be off, beside the resistors' tolerance.
const COVERAGE: f64 = 2.0;

/// What a configuration of a standard should read.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Prediction {
    /// The configuration.
    pub configuration: Configuration,
    /// Its four-terminal resistance by nodal analysis of the declared values.
    pub resistance: Ohm,
    /// What the resistors' tolerance may change it by: the sum of the magnitudes of all changes.
    pub tolerance: Ohm,
}

/// The plan that proves a bench on a standard, with what it should find.
#[derive(Clone, Debug)]
pub struct Verification {
    /// The plan.
    pub plan: Plan,
    /// The predictions in the order of the plan.
    pub predictions: Vec<Prediction>,
}

impl Verification {
    /// Plans the proof. The sample must be a network: of anything else the values are not known.
    pub fn new(
        equipped: &EquippedBench,
        sample: &Sample,
        guard: Switch,
        buffers: Switch,
    ) -> Result<Self, Faults> {
        let specimen = Specimen::new(sample)?;
        let Some((model, (circuit, tolerance))) =
            specimen.as_ref().and_then(|model| Some((model, model.circuit()?)))
        else {
            let problem = "a bench is proved on a standard: a sample whose model is a network of resistors";
            return Err(sample
                .name
                .fault(problem, "write [model] with type = \"network\" and its resistors")
                .into());
        };
        let wired: usize = equipped.bench.wiring.columns_of_each(&[sample])?.iter().map(Vec::len).sum();
        if sample.contacts > wired {
            let problem = format!("the standard has {} contacts, the bench wires {wired}", sample.contacts);
            return Err(sample
                .name
                .fault(problem, "name the contacts that are wired, or wire the others")
                .into());
        }
        if contacts(equipped, sample) < 4 {
            let remedy = "name four nodes in `contacts`, and four columns in the bench's wiring";
            return Err(sample.name.fault("a proof needs four contacts", remedy).into());
        }
        let predictions: Result<Vec<_>, _> =
            STANDARD.into_iter().map(|configuration| predict(circuit, tolerance, configuration)).collect();
        let predictions = predictions.map_err(|error| no_answer(&error))?;
        let plan = plan(equipped, sample, model, guard, buffers)?;
        Ok(Self { plan, predictions })
    }
}

fn predict(
    circuit: &Circuit,
    tolerance: f64,
    configuration: Configuration,
) -> Result<Prediction, quadrille_network::NetworkError> {
    let resistance = circuit.terminals().four_terminal(configuration)?;
    let sensitivities = circuit.log_sensitivities(configuration)?;
    let tolerance = sensitivities.into_iter().fold(Ohm(0.0), |sum, change| sum + change.abs() * tolerance);
    Ok(Prediction { configuration, resistance, tolerance })
}

fn plan(
    equipped: &EquippedBench,
    sample: &Sample,
    model: &Specimen,
    guard: Switch,
    buffers: Switch,
) -> Result<Plan, Faults> {
    let largest = model.largest_two_terminal(ROOM).map_err(|error| no_answer(&error))?;
    let allowed = Allowed::of(equipped, sample);
    let widest = |role| {
        let dialect = equipped.dialect(role);
        dialect.and_then(|d| d.facts.ranges.last()).map_or(f64::INFINITY, |range| range.full_scale)
    };
    let meters = Ampere(widest(Role::CurrentSource).min(widest(Role::Ammeter)));
    let most = allowed.current.0.min(meters);
    // The first look of a leg is on the voltmeter's range that holds the voltage limit.
    let most_voltage = allowed.voltage.0.min(Volt(widest(Role::Voltmeter)));
    let drive = DRIVE.min(most_voltage * 0.5);
    // The source can put out its voltage limit times its current, which must stay within the power limit: room for
    // 2.5 I R there.
    let facts = BenchFacts::of(equipped);
    let total = largest + facts.series;
    let by_power = Ampere((allowed.power.0.0 / (2.5 * total.0)).sqrt());
    let current = Ampere(step_down((drive / largest).min(most).min(by_power).0));
    let voltage_limit = Volt(step_up(2.0 * (current * total).0).max(0.1))
        .min(most_voltage)
        .min(Volt(allowed.power.0.0 / current.0));
    let settling = Settling::TimeConstants(TIME_CONSTANTS);
    // Picoamperes are noisy: average longer where the current is small.
    let aperture_plc = if current.0 < 1e-8 { 5.0 } else { 1.0 };
    let wanted = Wanted {
        current,
        voltage_limit,
        voltage_range: None,
        aperture_plc,
        repeats: 1,
        guard,
        buffers,
        settling,
        uncertainty: USUAL_U,
        temperatures: vec![ROOM],
    };
    if let Some(fault) = missing(equipped, sample, guard, buffers) {
        return Err(fault);
    }
    let mut choices = choose::choices(&facts, wanted, Some(model))?;
    choices
        .reasons
        .insert(0, format!("current {current}: it drives at most {} across the standard", current * largest));
    let settings = &mut choices.settings;
    let needed = settings.settle.pause();
    if needed > LONGEST_WAIT {
        choices.warnings.push(format!(
            "the leads may need {needed} to settle, a proof waits {LONGEST_WAIT}: if it fails, drive the guard or \
             shorten the cables first",
        ));
    }
    settings.settle = Settle::Wait(needed.min(LONGEST_WAIT));
    settings.discharge = settings.discharge.min(LONGEST_WAIT);
    let legs = STANDARD.to_vec();
    let (number, purpose) = (1, Purpose::Proof);
    Ok(Plan {
        samples: vec![PlannedSample {
            name: sample.name.value.clone(),
            settings: choices.settings,
            choosing: None,
        }],
        reversal: vec![Polarity::Plus, Polarity::Minus],
        ramps: Ramps::default(),
        stability: (&quadrille_documents::Stability::default()).into(),
        hand: None,
        contacts: None,
        rounds: vec![Round { number, sample: 0, purpose, field: Tesla(0.0), temperature: ROOM, legs }],
        reasons: choices.reasons,
        warnings: choices.warnings,
    })
}

fn missing(equipped: &EquippedBench, sample: &Sample, guard: Switch, buffers: Switch) -> Option<Faults> {
    let wiring = &equipped.bench.wiring;
    let (problem, remedy) = if guard == Switch::On && !equipped.can_guard() {
        ("this bench has no guard to drive", "leave the guard by-resistance, or declare wiring.guard = true")
    } else if buffers == Switch::On && wiring.buffers.is_none() {
        ("this bench has no buffers", "leave the buffers by-resistance, or declare [wiring.buffers]")
    } else {
        return None;
    };
    Some(sample.name.fault(problem, remedy).into())
}

/// What was read of a configuration against what was predicted.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Judgement {
    /// The configuration.
    pub configuration: Configuration,
    /// What it should read.
    pub predicted: Ohm,
    /// What it read, from both polarities; `None` where a reading was no value.
    pub measured: Option<Ohm>,
    /// What it may be off by: resistors' tolerance and instruments' accuracy.
    pub limit: Ohm,
    /// Whether it is within.
    pub passed: bool,
    /// Why it has no value, in words.
    pub remark: Option<String>,
}

/// Judges each prediction by the readings of its configuration.
pub fn judge(predictions: &[Prediction], readings: &[Reading]) -> Vec<Judgement> {
    predictions.iter().map(|prediction| judge_one(prediction, readings)).collect()
}

fn judge_one(prediction: &Prediction, readings: &[Reading]) -> Judgement {
    use quadrille_experiment::Condition::Sound;
    let own: Vec<&Reading> =
        readings.iter().filter(|r| r.configuration == prediction.configuration).collect();
    let judgement = |measured, limit: Ohm, passed, remark| Judgement {
        configuration: prediction.configuration,
        predicted: prediction.resistance,
        measured,
        limit,
        passed,
        remark,
    };
    if let Some(bad) = own.iter().find(|reading| reading.condition != Sound) {
        let remark = format!("no value: {}", bad.condition);
        return judgement(None, prediction.tolerance, false, Some(remark));
    }
    let mean = |sign: f64, value: fn(&Reading) -> f64| {
        let values: Vec<f64> =
            own.iter().filter(|r| r.current.value.0 * sign > 0.0).map(|reading| value(reading)).collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    let (voltage, current) = (|r: &Reading| r.voltage.value.0, |r: &Reading| r.current.value.0);
    let means = (mean(1.0, voltage), mean(-1.0, voltage), mean(1.0, current), mean(-1.0, current));
    let (Some(v_plus), Some(v_minus), Some(i_plus), Some(i_minus)) = means else {
        let remark = "no current returned in one direction or both".to_owned();
        return judgement(None, prediction.tolerance, false, Some(remark));
    };
    let swing = i_plus - i_minus;
    let measured = Ohm((v_plus - v_minus) / swing);
    let limit = prediction.tolerance + accuracy(&own, measured, swing) * COVERAGE;
    let passed = (measured - prediction.resistance).abs() <= limit;
    judgement(Some(measured), limit, passed, None)
}

/// Standard uncertainty of (V₊ − V₋)/(I₊ − I₋) from the meters' stated accuracy: gains common to both polarities,
/// the rest independent between them (JCGM 100:2008, 5.1.2).
fn accuracy(readings: &[&Reading], measured: Ohm, swing: f64) -> Ohm {
    let largest = |value: fn(&Reading) -> f64| readings.iter().map(|r| value(r)).fold(0.0, f64::max);
    let gains = measured.0 * largest(|r| r.voltage.gain_u).hypot(largest(|r| r.current.gain_u));
    let voltage = largest(|r| r.voltage.own_u.0) * std::f64::consts::SQRT_2 / swing;
    let current = largest(|r| r.current.own_u.0) * std::f64::consts::SQRT_2 / swing * measured.0;
    Ohm((gains.powi(2) + voltage.powi(2) + current.powi(2)).sqrt())
}
