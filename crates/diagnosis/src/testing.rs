//! One bench, one standard and a few settings for the tests inside this crate.

use crate::{
    AmmeterModel, BenchModel, CableModel, Drive, LeadModel, MatrixModel, Range, Setting, SourceModel,
    Standard, VoltmeterModel,
};
use quadrille_experiment::{Configuration, Polarity};
use quadrille_quantity::{Ampere, Ohm, Volt};

fn range(full_scale: f64) -> Range {
    Range { full_scale, gain_u: 1e-4, offset_u: 1e-5 * full_scale, noise: 1e-6 * full_scale, quantum: 0.0 }
}

pub(crate) fn bench() -> BenchModel {
    BenchModel {
        source: SourceModel { ranges: vec![range(1e-3)], output_ohm: 1e9, limit_u: 1e-3 },
        voltmeter: VoltmeterModel {
            ranges: vec![range(1.0), range(10.0)],
            input_ohm: 1e9,
            low_to_ground_ohm: 3e9,
            bias_a: 1e-11,
            overload: 1.1,
        },
        ammeter: AmmeterModel {
            ranges: vec![range(1e-3)],
            burden_ohm: 10.0,
            shorted_ohm: 0.01,
            overload: 1.1,
        },
        matrix: MatrixModel {
            closed_ohm: 1.0,
            closed_spread: 0.1,
            open_ohm: 1e10,
            open_decades: 0.3,
            thermoelectric_v: 1e-6,
        },
        lead: LeadModel { ohm: 0.5, spread: 0.3 },
        cable: CableModel {
            insulation_ohm: 1e9,
            guarded_insulation_ohm: 1e12,
            decades: 0.3,
            capacitance_f: 1e-10,
        },
        buffers: None,
        guard: false,
        settle_s: 1.0,
        relative_floor: 1e-5,
    }
}

pub(crate) fn standard(ohm: f64) -> Standard {
    Standard::ring([0.7, 1.1, 1.6, 2.7].map(|ratio| Ohm(ratio * ohm)), 0.01).unwrap()
}

pub(crate) fn settings() -> Vec<Setting> {
    let drive = Drive { current: Ampere(5e-5), voltage_limit: Volt(2.0) };
    ["12,34", "31,42", "23,23"]
        .iter()
        .map(|text| text.parse::<Configuration>().unwrap())
        .flat_map(|c| [Polarity::Plus, Polarity::Minus].map(|p| drive.setting(&bench(), c, p, Volt(0.9))))
        .collect()
}
