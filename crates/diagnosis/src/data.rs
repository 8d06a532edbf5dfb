//! Readings as the fit sees them: numbers in rows, what they scatter by, and how likely their flags are.

use crate::DiagnosisError;
use crate::bench::{BenchModel, range_for};
use crate::fault::Fault;
use crate::forward::{Groups, Predicted, groups};
use crate::reading::{Observation, Setting};
use quadrille_experiment::Condition;

/// A flag that a fault does not explain, or one that it asks for and that is missing, is this likely: a bench says a
/// wrong word now and then.
const FALSE_FLAG: f64 = 0.003;

/// Within so many logarithms of its edge a flag may fall either way.
const EDGE_OF_FLAG: f64 = 0.02;

/// An overload of inputs that float is this likely.
const FLOATING_OVERLOAD: f64 = 0.3;

/// Readings lie on a coarser lattice than their range has where they are this near it, in steps of their range.
const ON_LATTICE: f64 = 0.1;

/// What a reading that does not lie on the lattice costs the hypothesis that it should.
const OFF_LATTICE: f64 = 5.0;

/// Readings in rows: 2k is the voltage of reading k, 2k + 1 its current. Not finite where there is no value.
pub(crate) struct Data {
    pub(crate) settings: Vec<Setting>,
    pub(crate) groups: Groups,
    pub(crate) y: Vec<f64>,
    pub(crate) conditions: Vec<Condition>,
    pub(crate) source_range: usize,
}

impl Data {
    pub(crate) fn new(bench: &BenchModel, observations: &[Observation]) -> Result<Self, DiagnosisError> {
        let settings: Vec<Setting> = observations.iter().map(|o| o.setting).collect();
        let mut y = Vec::with_capacity(2 * observations.len());
        for observation in observations {
            let condition = observation.condition;
            let volts = condition != Condition::VoltmeterOverload && condition != Condition::NotANumber;
            let amperes = condition != Condition::AmmeterOverload && condition != Condition::NotANumber;
            y.push(if volts { observation.voltage.0 } else { f64::NAN });
            y.push(if amperes { observation.current.0 } else { f64::NAN });
        }
        let mut data = Self::of_settings(bench, settings)?;
        data.y = y;
        data.conditions = observations.iter().map(|o| o.condition).collect();
        Ok(data)
    }

    /// Settings that nothing was read at yet.
    pub(crate) fn of_settings(bench: &BenchModel, settings: Vec<Setting>) -> Result<Self, DiagnosisError> {
        let outside = |s: &Setting| s.configuration.contacts().iter().any(|c| c.number() > 4);
        if let Some(k) = settings.iter().position(outside) {
            return Err(DiagnosisError::NoSuchContact(k));
        }
        let largest = settings.iter().map(|s| s.commanded.0.abs()).fold(0.0, f64::max);
        if settings.is_empty() {
            return Err(DiagnosisError::NoReadings);
        }
        Ok(Self {
            groups: groups(settings.iter()),
            y: vec![f64::NAN; 2 * settings.len()],
            conditions: vec![Condition::Sound; settings.len()],
            source_range: range_for(&bench.source.ranges, largest),
            settings,
        })
    }

    /// Variance of the voltage and the current of one reading that show so much, on the ranges they are really on.
    pub(crate) fn variances(
        &self,
        bench: &BenchModel,
        k: usize,
        (volt_range, ampere_range): (usize, usize),
        volts: f64,
        amperes: f64,
    ) -> [f64; 2] {
        let setting = &self.settings[k];
        let (volt, ampere) = (&bench.voltmeter.ranges[volt_range], &bench.ammeter.ranges[ampere_range]);
        let source =
            bench.source.ranges[self.source_range].noise / setting.commanded.0.abs().max(f64::MIN_POSITIVE);
        let relative = bench.relative_floor.powi(2) + source.min(1.0).powi(2);
        let noise = |stated: f64, told: f64, real: f64, noise: f64| {
            if stated > 0.0 && (told - real).abs() <= 1e-9 * real { stated } else { noise.max(stated) }
        };
        let v = noise(setting.voltage_noise.0, setting.voltage_range.0, volt.full_scale, volt.noise);
        let i = noise(setting.current_noise.0, setting.current_range.0, ampere.full_scale, ampere.noise);
        [
            v * v + volt.quantum.powi(2) / 12.0 + relative * volts * volts,
            i * i + ampere.quantum.powi(2) / 12.0 + relative * amperes * amperes,
        ]
    }

    /// Logarithms of the probabilities of what the instruments said of each reading. A wrong gain of the voltmeter comes before
    /// what overloads, or after it, in all readings alike.
    pub(crate) fn words(&self, predicted: &[Predicted]) -> Vec<f64> {
        let by = |load: fn(&Predicted) -> f64| -> Vec<f64> {
            predicted.iter().enumerate().map(|(k, read)| self.word(k, read, load(read))).collect()
        };
        let (shown, input) = (by(|read| read.volt_load), by(|read| read.input_load));
        if input.iter().sum::<f64>() > shown.iter().sum() { input } else { shown }
    }

    /// The same of reading k, with what the voltmeter shows.
    pub(crate) fn flags(&self, k: usize, predicted: &Predicted) -> f64 {
        self.word(k, predicted, predicted.volt_load)
    }

    fn word(&self, k: usize, predicted: &Predicted, volt_load: f64) -> f64 {
        let compliance = edge(predicted.need);
        let volt = if predicted.floats { FLOATING_OVERLOAD } else { edge(volt_load) };
        let ampere = edge(predicted.ampere_load);
        match self.conditions[k] {
            Condition::Sound => (1.0 - compliance).ln() + (1.0 - volt).ln() + (1.0 - ampere).ln(),
            Condition::Compliance => compliance.ln(),
            Condition::VoltmeterOverload => volt.ln(),
            Condition::AmmeterOverload => ampere.ln() + (1.0 - volt).ln(),
            Condition::NotANumber => 0.0,
        }
    }

    /// What digits say of a meter that a fault keeps on a coarser range: on the lattice of that range each value is more
    /// likely by the ratio of the steps, off it hardly possible.
    pub(crate) fn lattice(&self, bench: &BenchModel, fault: Fault) -> f64 {
        let (ranges, range, offset) = match fault {
            Fault::VoltmeterCoarse(range) => (&bench.voltmeter.ranges, range, 0),
            Fault::AmmeterCoarse(range) => (&bench.ammeter.ranges, range, 1),
            _ => return 0.0,
        };
        let coarse = ranges[range].quantum;
        let evidence = |k: usize, setting: &Setting| {
            let value = self.y[2 * k + offset];
            let told = if offset == 0 { setting.voltage_range.0 } else { setting.current_range.0 };
            let fine = ranges[range_for(ranges, told)].quantum;
            if !value.is_finite() || fine <= 0.0 || coarse <= 1.5 * fine {
                return 0.0;
            }
            let step = (value / coarse).round() * coarse;
            let near = (value - step).abs() < ON_LATTICE * fine + 1e-12 * value.abs();
            if near { (coarse / fine).ln() } else { -OFF_LATTICE }
        };
        self.settings.iter().enumerate().map(|(k, setting)| evidence(k, setting)).sum()
    }
}

fn edge(load: f64) -> f64 {
    let p = 0.5 * (1.0 + (load.max(1e-300).ln() / EDGE_OF_FLAG).tanh());
    p.clamp(FALSE_FLAG, 1.0 - FALSE_FLAG)
}
