//! One bench as it really is, and what it would read: the forward model from outside.

use crate::DiagnosisError;
use crate::bench::BenchModel;
use crate::fault::Fault;
use crate::forward::{Forward, NO_COLUMN, Point, Predictions, groups};
use crate::layout::Layout;
use crate::reading::Setting;
use crate::standard::Standard;
use quadrille_quantity::{Ampere, Volt};
use serde::{Deserialize, Serialize};

/// How one bench departs from its model. Of resistances the natural logarithm of real to nominal, of gains the logarithm
/// of shown to true; empty lists are no departures.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct State {
    /// Of each resistor of the standard.
    pub resistors: Vec<f64>,
    /// Of closed crosspoints, by row and contact.
    pub closed: [[f64; 4]; 4],
    /// Of open crosspoints.
    pub open: [[f64; 4]; 4],
    /// Thermoelectric voltages of closed crosspoints in volts; positive raises the row.
    pub emf_v: [[f64; 4]; 4],
    /// Of leads.
    pub leads: [f64; 4],
    /// Of the insulation of cables: four rows, four columns.
    pub insulation: [f64; 8],
    /// Of the source's output resistance.
    pub output: f64,
    /// Of the buffers' inputs; or of the voltmeter's input, and of its low terminal to ground.
    pub inputs: [f64; 2],
    /// Currents out of the sense terminals in amperes.
    pub bias_a: [f64; 2],
    /// Of the source's current.
    pub source_gain: f64,
    /// Offset of the source in amperes.
    pub source_offset_a: f64,
    /// Of the source's voltage limit.
    pub limit: f64,
    /// Gain of each voltmeter range.
    pub volt_gain: Vec<f64>,
    /// Offset of each voltmeter range in volts.
    pub volt_offset_v: Vec<f64>,
    /// Gain of each ammeter range.
    pub ampere_gain: Vec<f64>,
    /// Offset of each ammeter range in amperes.
    pub ampere_offset_a: Vec<f64>,
    /// Size of a leak, of a load in ohms, of a low voltage limit in volts; a factor where the fault is one.
    pub size: f64,
}

/// What a bench would read without noise and digits.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Prediction {
    /// What the voltmeter would show.
    pub voltage: Volt,
    /// What the ammeter would show.
    pub current: Ampere,
    /// Voltage that the source needs, as a part of its limit; above 1 it is at the limit.
    pub need: f64,
    /// Part of the voltmeter's and of the ammeter's overload that its input has.
    pub load: [f64; 2],
    /// Whether the voltmeter's inputs float, so that what they show is decided by leaks and charges.
    pub floats: bool,
}

/// What a bench in a state reads under a fault.
pub fn predict(
    standard: &Standard,
    bench: &BenchModel,
    fault: Fault,
    state: &State,
    settings: &[Setting],
) -> Result<Vec<Prediction>, DiagnosisError> {
    bench.check()?;
    let layout = Layout::new(standard, bench);
    let values = values(layout, fault, state);
    let columns = vec![NO_COLUMN; values.len()];
    let point = Point { values: &values, scales: &values, columns: &columns, count: 0 };
    let mut out = Predictions::default();
    let forward = Forward { standard, bench, layout, fault, beside: None };
    forward.predict(settings, &groups(settings.iter()), point, &mut out);
    let of = |read: &crate::forward::Predicted| Prediction {
        voltage: Volt(read.volts),
        current: Ampere(read.amperes),
        need: read.need,
        load: [read.volt_load, read.ampere_load],
        floats: read.floats,
    };
    Ok(out.readings.iter().map(of).collect())
}

fn values(layout: Layout, fault: Fault, state: &State) -> Vec<f64> {
    let mut values = vec![0.0; layout.count()];
    for (k, &x) in state.resistors.iter().enumerate() {
        values[layout.resistor(k)] = x;
    }
    for row in 0..4 {
        for column in 0..4 {
            values[layout.closed(row, column)] = state.closed[row][column];
            values[layout.open(row, column)] = state.open[row][column];
            values[layout.emf(row, column)] = state.emf_v[row][column];
        }
        values[layout.lead(row)] = state.leads[row];
    }
    for (k, &x) in state.insulation.iter().enumerate() {
        values[layout.insulation(k)] = x;
    }
    for k in 0..2 {
        values[layout.input(k)] = state.inputs[k];
        values[layout.bias(k)] = state.bias_a[k];
    }
    values[layout.output()] = state.output;
    values[layout.source_gain()] = state.source_gain;
    values[layout.source_offset()] = state.source_offset_a;
    values[layout.limit()] = state.limit;
    let size = state.size.max(f64::MIN_POSITIVE).ln();
    match fault {
        Fault::AllScaled | Fault::VoltmeterGain => values[layout.factor()] = size,
        Fault::ResistorOff(k) => values[layout.resistor(k)] += size,
        Fault::RowOpen(_) => {}
        _ => values[layout.size()] = size,
    }
    let mut fill = |list: &[f64], place: &dyn Fn(usize) -> usize| {
        list.iter().enumerate().for_each(|(k, &x)| values[place(k)] = x);
    };
    fill(&state.volt_gain, &|k| layout.volt_gain(k));
    fill(&state.volt_offset_v, &|k| layout.volt_offset(k));
    fill(&state.ampere_gain, &|k| layout.ampere_gain(k));
    fill(&state.ampere_offset_a, &|k| layout.ampere_offset(k));
    values
}
