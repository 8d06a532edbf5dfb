//! What choices depend on of a bench: numbers of its wiring and of its instruments' data sheets, without the documents.

use crate::EquippedBench;
use quadrille_documents::{RangeFacts, Role};
use quadrille_quantity::{Ampere, Farad, Ohm, Second, Volt};
use serde::Serialize;

/// Leads and plugs; common practice, no source.
const LEADS: Ohm = Ohm(2.0);

/// Numbers of a bench.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BenchFacts {
    /// Capacitance of a cable, undriven and with its guard driven.
    pub capacitance: (Farad, Farad),
    /// Insulation of a cable, undriven.
    pub insulation: Ohm,
    /// What stands in series with the sample: two crosspoints, the ammeter, and a metre or two of leads.
    pub series: Ohm,
    /// Whether the guard can be driven.
    pub can_guard: bool,
    /// Resistance between the voltmeter's terminals.
    pub input_resistance: Ohm,
    /// Whether there are buffers.
    pub has_buffers: bool,
    /// Largest bias current into the leads, of voltmeter or buffers.
    pub bias: Ampere,
    /// Longest time in which an instrument follows a command.
    pub operate: Second,
    /// Thermoelectric voltage of a crosspoint, standard deviation over crosspoints.
    pub thermoelectric: Volt,
    /// Power-line frequency in hertz.
    pub mains_hz: f64,
    /// The voltmeter's ranges, smallest first.
    pub voltmeter: Vec<RangeFacts>,
    /// The ammeter's ranges, smallest first.
    pub ammeter: Vec<RangeFacts>,
    /// The largest current of the source.
    pub source_most: Ampere,
}

impl BenchFacts {
    /// Of a bench with its dialects.
    pub fn of(equipped: &EquippedBench) -> Self {
        let wiring = &equipped.bench.wiring;
        let facts = |role| equipped.dialect(role).map(|dialect| &dialect.facts);
        let ranges = |role| facts(role).map_or_else(Vec::new, |facts| facts.ranges.clone());
        let meter = facts(Role::Voltmeter);
        let bias = meter.map_or(0.0, |meter| meter.bias_current_a);
        Self {
            capacitance: (Farad(wiring.cable.capacitance_f), Farad(wiring.cable.guarded_capacitance_f)),
            insulation: Ohm(wiring.cable.insulation_ohm),
            series: LEADS
                + Ohm(facts(Role::SwitchMatrix).map_or(0.0, |matrix| 2.0 * matrix.closed_resistance_ohm))
                + Ohm(facts(Role::Ammeter).map_or(0.0, |ammeter| ammeter.burden_ohm)),
            can_guard: equipped.can_guard(),
            input_resistance: Ohm(meter.map_or(f64::INFINITY, |meter| meter.input_resistance_ohm)),
            has_buffers: wiring.buffers.is_some(),
            bias: Ampere(bias.max(wiring.buffers.map_or(0.0, |buffers| buffers.bias_current_a))),
            operate: Second(
                equipped.dialects.iter().map(|dialect| dialect.facts.operate_s).fold(0.0, f64::max),
            ),
            thermoelectric: Volt(facts(Role::SwitchMatrix).map_or(0.0, |matrix| matrix.thermoelectric_v)),
            mains_hz: equipped.bench.mains_hz,
            voltmeter: ranges(Role::Voltmeter),
            ammeter: ranges(Role::Ammeter),
            source_most: Ampere(
                ranges(Role::CurrentSource).last().map_or(f64::INFINITY, |range| range.full_scale),
            ),
        }
    }

    /// Capacitance of a cable.
    pub(crate) fn cable(&self, guard: bool) -> Farad {
        if guard { self.capacitance.1 } else { self.capacitance.0 }
    }
}

/// The smallest range that holds a value, or the largest there is.
pub(crate) fn range_for(ranges: &[RangeFacts], value: f64) -> Option<&RangeFacts> {
    ranges.iter().find(|range| range.full_scale >= value.abs()).or(ranges.last())
}
