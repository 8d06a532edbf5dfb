//! Where each quantity that the forward model depends on stands in one list, and how well it is known beforehand.
//!
//! Resistances are deviations of their natural logarithm from nominal, gains of the logarithm of the gain; offsets,
//! thermoelectric voltages and bias currents are in volts and amperes. Nominal is zero for all but the fault's own size.

use crate::bench::BenchModel;
use crate::fault::{Fault, Row};
use crate::standard::Standard;

/// Places in the list.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Layout {
    resistors: usize,
    volt_ranges: usize,
    ampere_ranges: usize,
}

impl Layout {
    pub(crate) fn new(standard: &Standard, bench: &BenchModel) -> Self {
        Self {
            resistors: standard.resistors().len(),
            volt_ranges: bench.voltmeter.ranges.len(),
            ampere_ranges: bench.ammeter.ranges.len(),
        }
    }

    pub(crate) fn resistor(self, k: usize) -> usize {
        k
    }
    pub(crate) fn closed(self, row: usize, column: usize) -> usize {
        self.resistors + 4 * row + column
    }
    pub(crate) fn open(self, row: usize, column: usize) -> usize {
        self.resistors + 16 + 4 * row + column
    }
    pub(crate) fn emf(self, row: usize, column: usize) -> usize {
        self.resistors + 32 + 4 * row + column
    }
    pub(crate) fn lead(self, k: usize) -> usize {
        self.resistors + 48 + k
    }
    pub(crate) fn insulation(self, cable: usize) -> usize {
        self.resistors + 52 + cable
    }
    pub(crate) fn output(self) -> usize {
        self.resistors + 60
    }
    /// Of buffers: either input to ground. Of the voltmeter: between its terminals; from the low one to ground.
    pub(crate) fn input(self, k: usize) -> usize {
        self.resistors + 61 + k
    }
    pub(crate) fn bias(self, k: usize) -> usize {
        self.resistors + 63 + k
    }
    pub(crate) fn source_gain(self) -> usize {
        self.resistors + 65
    }
    pub(crate) fn source_offset(self) -> usize {
        self.resistors + 66
    }
    pub(crate) fn limit(self) -> usize {
        self.resistors + 67
    }
    /// Logarithm of the fault's own size: ohms of a leak, volts of a limit.
    pub(crate) fn size(self) -> usize {
        self.resistors + 68
    }
    /// Logarithm of the factor by which all resistors, or the voltmeter, are off; without a guard, of that by which cables had
    /// longer to charge than they should have had.
    pub(crate) fn factor(self) -> usize {
        self.resistors + 69
    }
    pub(crate) fn volt_gain(self, range: usize) -> usize {
        self.resistors + 70 + range
    }
    pub(crate) fn volt_offset(self, range: usize) -> usize {
        self.resistors + 70 + self.volt_ranges + range
    }
    pub(crate) fn ampere_gain(self, range: usize) -> usize {
        self.resistors + 70 + 2 * self.volt_ranges + range
    }
    pub(crate) fn ampere_offset(self, range: usize) -> usize {
        self.resistors + 70 + 2 * self.volt_ranges + self.ampere_ranges + range
    }
    /// Whether it is the logarithm of a resistance that is hardly known: of crosspoints, leads, cables, inputs.
    pub(crate) fn is_exponent(self, quantity: usize) -> bool {
        (self.closed(0, 0)..self.emf(0, 0)).contains(&quantity)
            || (self.lead(0)..self.bias(0)).contains(&quantity)
    }
    pub(crate) fn count(self) -> usize {
        self.resistors + 70 + 2 * self.volt_ranges + 2 * self.ampere_ranges
    }

    /// Standard deviation of each quantity beforehand under a fault; zero where it is not free. `source_range` is the
    /// place of the source's range.
    pub(crate) fn scales(
        self,
        standard: &Standard,
        bench: &BenchModel,
        fault: Fault,
        source_range: usize,
    ) -> Vec<f64> {
        let mut scales = vec![0.0; self.count()];
        let decades = std::f64::consts::LN_10;
        for k in 0..self.resistors {
            scales[self.resistor(k)] = standard.tolerance() / 3f64.sqrt();
        }
        for row in 0..4 {
            for column in 0..4 {
                scales[self.closed(row, column)] = bench.matrix.closed_spread;
                scales[self.open(row, column)] = bench.matrix.open_decades * decades;
                scales[self.emf(row, column)] = bench.matrix.thermoelectric_v;
            }
        }
        for k in 0..4 {
            scales[self.lead(k)] = bench.lead.spread;
        }
        for cable in 0..8 {
            scales[self.insulation(cable)] = bench.cable.decades * decades;
        }
        scales[self.output()] = bench.cable.decades * decades;
        let buffers = if fault == Fault::BuffersOut { None } else { bench.buffers };
        for k in 0..2 {
            scales[self.input(k)] = INPUT_SPREAD;
            scales[self.bias(k)] = buffers.map_or(bench.voltmeter.bias_a, |buffers| buffers.bias_a);
        }
        let source = &bench.source.ranges[source_range];
        scales[self.source_gain()] = source.gain_u;
        scales[self.source_offset()] = source.offset_u;
        scales[self.limit()] = bench.source.limit_u;
        for (k, range) in bench.voltmeter.ranges.iter().enumerate() {
            scales[self.volt_gain(k)] = range.gain_u;
            scales[self.volt_offset(k)] = range.offset_u;
        }
        for (k, range) in bench.ammeter.ranges.iter().enumerate() {
            scales[self.ampere_gain(k)] = range.gain_u;
            scales[self.ampere_offset(k)] = range.offset_u;
        }
        self.widen(&mut scales, standard, fault);
        scales
    }

    /// What the fault itself frees.
    fn widen(self, scales: &mut [f64], standard: &Standard, fault: Fault) {
        match fault {
            Fault::ResistorOff(k) => scales[self.resistor(k)] = RESISTOR_OFF,
            Fault::ResistorsOff(j, k) => {
                let two = (TWO_RESISTORS_OFF * standard.tolerance()).min(RESISTOR_OFF);
                scales[self.resistor(j)] = two;
                scales[self.resistor(k)] = two;
            }
            Fault::Leak(..)
            | Fault::LeakToGround(_)
            | Fault::Loading
            | Fault::ComplianceLow
            | Fault::RowOpen(Row::Source | Row::Return) => {
                scales[self.size()] = 1.0;
            }
            Fault::AllScaled | Fault::VoltmeterGain => scales[self.factor()] = FACTOR_OFF,
            Fault::GuardOff => scales[self.factor()] = TIME_OFF,
            _ => {}
        }
    }
}

/// Inputs of meters and buffers scatter by this in logarithm. Ours.
const INPUT_SPREAD: f64 = 0.3;

/// A wrong resistor is off by a factor whose logarithm has this standard deviation. Ours: another value of its decade.
const RESISTOR_OFF: f64 = 1.0;

/// Two wrong resistors are off by this many tolerances each: drift, or a worse class of resistors. Ours.
const TWO_RESISTORS_OFF: f64 = 10.0;

/// The logarithm of a factor common to all resistors. Ours.
const FACTOR_OFF: f64 = 1.0;

/// The logarithm of the ratio of time constants of cables that are not guarded to what is stated. Ours: cables are of about the
/// stated length, and instruments take some time to do what they are told.
const TIME_OFF: f64 = 0.2;
