//! What a diagnosis is told of bench, standard and readings: the documents and the plan in plain numbers.

use quadrille_diagnosis::{
    AmmeterModel, BenchModel, BuffersModel, CableModel, DiagnosisError, Drive, LeadModel, MatrixModel,
    Observation, Range, Setting, SourceModel, Standard, VoltmeterModel,
};
use quadrille_documents::{Facts, Faults, RangeFacts, Role, Sample};
use quadrille_experiment::{Circumstances, Reading};
use quadrille_plan::{EquippedBench, Plan};
use quadrille_quantity::{Ampere, Second, Volt};
use quadrille_specimen::Specimen;

/// Beyond this part of full scale a meter may answer overload (common practice, no source: 1.05 to 1.2).
const OVERLOAD: f64 = 1.1;

/// Ammeter's input when it is shorted: a relay contact (common practice, no source).
const SHORTED_OHM: f64 = 1e-2;

/// How far single closed crosspoints are from what is stated of them, in logarithms (common practice, no source).
const CLOSED_SPREAD: f64 = 0.15;

/// The same of open ones, in decades: a data sheet states a bound, humidity does the rest (common practice, no source).
const OPEN_DECADES: f64 = 0.4;

/// The same of the insulation of cables.
const INSULATION_DECADES: f64 = 0.3;

/// A lead between matrix and standard with its plug (common practice, no source).
const LEAD: LeadModel = LeadModel { ohm: 0.3, spread: 0.5 };

/// How well a source keeps its voltage limit, relative standard uncertainty (common practice, no source).
const LIMIT_U: f64 = 1e-3;

/// Part of a reading that may be wrong beside what is modelled: what is left of a step after a proof's wait is 1e-6.
const FLOOR: f64 = 1e-5;

/// A standard and a bench as a diagnosis knows them.
pub(crate) struct Known {
    pub(crate) standard: Standard,
    pub(crate) bench: BenchModel,
    pub(crate) drive: Drive,
}

/// Why there is no diagnosis.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Unknown {
    #[error(transparent)]
    Diagnosis(#[from] DiagnosisError),
    #[error(transparent)]
    Documents(#[from] Faults),
    #[error("its model is no network of resistors")]
    NoNetwork,
}

impl Known {
    /// Of a standard on a bench that carries out the plan of a proof.
    pub(crate) fn of(equipped: &EquippedBench, sample: &Sample, plan: &Plan) -> Result<Self, Unknown> {
        let specimen = Specimen::new(sample)?;
        let (circuit, tolerance) = specimen.as_ref().and_then(Specimen::circuit).ok_or(Unknown::NoNetwork)?;
        let standard = Standard::from_circuit(circuit, tolerance)?;
        let settings = plan.settings(0);
        let drive = Drive { current: settings.current, voltage_limit: settings.voltage_limit };
        Ok(Self { standard, bench: bench(equipped, plan), drive })
    }
}

fn bench(equipped: &EquippedBench, plan: &Plan) -> BenchModel {
    let settings = plan.settings(0);
    let wiring = &equipped.bench.wiring;
    let facts = |role| equipped.dialect(role).map(|dialect| dialect.facts.clone()).unwrap_or_default();
    let ranges = |facts: &Facts| -> Vec<Range> {
        facts.ranges.iter().map(|range| self::range(range, settings.aperture.0)).collect()
    };
    let (source, voltmeter) = (facts(Role::CurrentSource), facts(Role::Voltmeter));
    let (ammeter, matrix) = (facts(Role::Ammeter), facts(Role::SwitchMatrix));
    let cable = wiring.cable;
    let buffers = wiring.buffers.filter(|_| settings.buffers);
    BenchModel {
        source: SourceModel {
            ranges: ranges(&source),
            output_ohm: source.output_resistance_ohm,
            limit_u: LIMIT_U,
        },
        voltmeter: VoltmeterModel {
            ranges: ranges(&voltmeter),
            input_ohm: voltmeter.input_resistance_ohm,
            low_to_ground_ohm: f64::INFINITY,
            bias_a: rectangular(voltmeter.bias_current_a),
            overload: OVERLOAD,
        },
        ammeter: AmmeterModel {
            ranges: ranges(&ammeter),
            burden_ohm: ammeter.burden_ohm,
            shorted_ohm: SHORTED_OHM,
            overload: OVERLOAD,
        },
        matrix: MatrixModel {
            closed_ohm: matrix.closed_resistance_ohm,
            closed_spread: CLOSED_SPREAD,
            open_ohm: matrix.open_resistance_ohm,
            open_decades: OPEN_DECADES,
            thermoelectric_v: matrix.thermoelectric_v,
        },
        lead: LEAD,
        cable: CableModel {
            insulation_ohm: cable.insulation_ohm,
            guarded_insulation_ohm: cable.guarded_insulation_ohm,
            decades: INSULATION_DECADES,
            capacitance_f: cable.capacitance_f,
        },
        buffers: buffers.map(|buffers| BuffersModel {
            input_ohm: buffers.input_resistance_ohm,
            bias_a: rectangular(buffers.bias_current_a),
        }),
        guard: settings.guard,
        settle_s: settings.settle.pause().0,
        relative_floor: FLOOR,
    }
}

/// Standard deviation of a rectangular distribution of this half-width (JCGM 100:2008, 4.3.7).
fn rectangular(half_width: f64) -> f64 {
    half_width / 3f64.sqrt()
}

/// White noise of density e has the variance e²/2T over a time T.
fn range(facts: &RangeFacts, aperture_s: f64) -> Range {
    Range {
        full_scale: facts.full_scale,
        gain_u: rectangular(facts.of_reading),
        offset_u: rectangular(facts.of_range * facts.full_scale),
        noise: facts.noise_per_rthz * (0.5 / aperture_s).sqrt(),
        // No data sheet here states its digits.
        quantum: 0.0,
    }
}

/// Numbers that stand for a state and not for a value are beyond this (SCPI-1999, from memory: 9.9e37, 9.91e37).
const NO_VALUE: f64 = 1e37;

/// Readings as a diagnosis takes them.
pub(crate) fn observations(readings: &[(Reading, Circumstances)]) -> Vec<Observation> {
    let before = |k: usize| k.checked_sub(1).map(|before| &readings[before].0);
    let one = |(k, (reading, circumstances)): (usize, &(Reading, Circumstances))| {
        observation(reading, circumstances, waited(before(k), reading, circumstances))
    };
    readings.iter().enumerate().map(one).collect()
}

/// How long the source drove its current before the middle of a reading. The first of a configuration comes after a look, which
/// waits as long; the next after the other direction.
fn waited(before: Option<&Reading>, reading: &Reading, circumstances: &Circumstances) -> Second {
    let aperture = circumstances.aperture;
    match before.filter(|before| before.configuration == reading.configuration) {
        Some(before) if before.time < reading.time => reading.time - before.time - aperture * 0.5,
        _ => circumstances.settled * 2.0 + aperture * 1.5,
    }
}

fn observation(reading: &Reading, circumstances: &Circumstances, waited: Second) -> Observation {
    let value = |value: f64| if value.abs() < NO_VALUE { value } else { f64::NAN };
    Observation {
        setting: Setting {
            configuration: reading.configuration,
            commanded: circumstances.commanded,
            voltage_limit: circumstances.voltage_limit,
            voltage_range: circumstances.voltage_range,
            current_range: circumstances.current_range,
            voltage_noise: reading.voltage.noise_u,
            current_noise: reading.current.noise_u,
            waited,
        },
        voltage: Volt(value(reading.voltage.value.0)),
        current: Ampere(value(reading.current.value.0)),
        condition: reading.condition,
    }
}
