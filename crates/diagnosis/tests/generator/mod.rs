//! Seeded benches, standards, faults and readings for the tests of this crate. They share the crate's forward model; the
//! campaign that decides runs on the project's simulator, which does not.
#![allow(dead_code, missing_docs, clippy::unwrap_used, unreachable_pub)]

use quadrille_diagnosis::*;
use quadrille_experiment::{Condition, Configuration, Polarity};
use quadrille_quantity::{Ampere, Ohm, Volt};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    TenKilohm,
    TenGigohm,
}

pub struct Draw(pub ChaCha8Rng);

impl Draw {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }
    /// Uniform between −1 and 1.
    pub fn uniform(&mut self) -> f64 {
        2.0 * self.0.random::<f64>() - 1.0
    }
    pub fn normal(&mut self) -> f64 {
        self.0.sample(StandardNormal)
    }
    pub fn below(&mut self, n: usize) -> usize {
        self.0.random_range(0..n)
    }
    /// Uniform in the logarithm.
    pub fn log(&mut self, from: f64, to: f64) -> f64 {
        (from.ln() + self.0.random::<f64>() * (to / from).ln()).exp()
    }
}

fn range(full_scale: f64, of_reading: f64, of_range: f64, noise: f64) -> Range {
    Range {
        full_scale,
        gain_u: of_reading / 3f64.sqrt(),
        offset_u: of_range * full_scale / 3f64.sqrt(),
        noise,
        quantum: full_scale * 1e-6,
    }
}

/// Invented instruments.
pub fn bench(scale: Scale) -> BenchModel {
    let high = scale == Scale::TenGigohm;
    BenchModel {
        source: SourceModel {
            ranges: [1e-9, 1e-7, 1e-5, 1e-3, 1e-1].map(|f| range(f, 5e-4, 1e-4, f * 1e-6)).to_vec(),
            output_ohm: 1e14,
            limit_u: 0.003,
        },
        voltmeter: VoltmeterModel {
            ranges: vec![
                range(0.1, 4e-5, 2e-5, 2e-7),
                range(1.0, 4e-5, 1e-5, 1e-6),
                range(10.0, 4e-5, 1e-5, 1e-5),
                range(100.0, 6e-5, 1e-5, 1e-4),
            ],
            input_ohm: 1e10,
            low_to_ground_ohm: f64::INFINITY,
            bias_a: 5e-12,
            overload: 1.1,
        },
        ammeter: AmmeterModel {
            ranges: [1e-9, 1e-7, 1e-5, 1e-3, 1e-1].map(|f| range(f, 5e-4, 5e-5, f * 3e-6)).to_vec(),
            burden_ohm: 10.0,
            shorted_ohm: 0.01,
            overload: 1.1,
        },
        matrix: MatrixModel {
            closed_ohm: 1.0,
            closed_spread: 0.1,
            open_ohm: 1e14,
            open_decades: 0.4,
            thermoelectric_v: 1e-6,
        },
        lead: LeadModel { ohm: 0.1, spread: 0.5 },
        cable: CableModel {
            insulation_ohm: 1e11,
            guarded_insulation_ohm: 1e15,
            decades: 0.4,
            capacitance_f: 1e-10,
        },
        buffers: high.then_some(BuffersModel { input_ohm: 1e15, bias_a: 2e-15 }),
        guard: high,
        settle_s: 2.0,
        relative_floor: 1e-5,
    }
}

/// A ring of unequal resistors that rise around it, in random order of place and direction.
pub fn ring(draw: &mut Draw, scale: Scale, tolerance: f64) -> Standard {
    let base = if scale == Scale::TenKilohm { 1e4 } else { 1e10 };
    let mut ohms = [0.0; 4];
    let mut value = base * draw.log(0.4, 0.8);
    for ohm in &mut ohms {
        *ohm = value;
        value *= draw.log(1.25, 1.6);
    }
    if draw.below(2) == 1 {
        ohms.reverse();
    }
    let turn = draw.below(4);
    ohms.rotate_left(turn);
    Standard::ring(ohms.map(Ohm), tolerance).unwrap()
}

pub fn drive(scale: Scale) -> Drive {
    match scale {
        Scale::TenKilohm => Drive { current: Ampere(5e-5), voltage_limit: Volt(5.0) },
        Scale::TenGigohm => Drive { current: Ampere(5e-11), voltage_limit: Volt(5.0) },
    }
}

pub fn state(draw: &mut Draw, standard: &Standard, bench: &BenchModel) -> State {
    let mut matrix = |f: &mut dyn FnMut(&mut Draw) -> f64| {
        let mut all = [[0.0; 4]; 4];
        for x in all.iter_mut().flatten() {
            *x = f(draw);
        }
        all
    };
    let closed = matrix(&mut |d| (0.15 * d.uniform()).ln_1p());
    let open = matrix(&mut |d| 0.7 * d.normal());
    let emf_v = matrix(&mut |d| bench.matrix.thermoelectric_v * d.normal());
    let bias = bench.buffers.map_or(bench.voltmeter.bias_a, |b| b.bias_a);
    let root3 = 3f64.sqrt();
    let mut accuracy = |ranges: &[Range]| -> (Vec<f64>, Vec<f64>) {
        ranges
            .iter()
            .map(|r| (r.gain_u * root3 * draw.uniform(), r.offset_u * root3 * draw.uniform()))
            .unzip()
    };
    let (volt_gain, volt_offset_v) = accuracy(&bench.voltmeter.ranges);
    let (ampere_gain, ampere_offset_a) = accuracy(&bench.ammeter.ranges);
    let (source_gain, source_offset) = accuracy(&bench.source.ranges[..1]);
    State {
        resistors: standard
            .resistors()
            .iter()
            .map(|_| (standard.tolerance() * draw.uniform()).ln_1p())
            .collect(),
        closed,
        open,
        emf_v,
        leads: std::array::from_fn(|_| 0.4 * draw.normal()),
        insulation: std::array::from_fn(|_| 0.7 * draw.normal()),
        output: 0.7 * draw.normal(),
        inputs: std::array::from_fn(|_| 0.2 * draw.uniform()),
        bias_a: std::array::from_fn(|_| bias * draw.uniform()),
        source_gain: source_gain[0],
        source_offset_a: source_offset[0],
        limit: 0.002 * draw.uniform(),
        volt_gain,
        volt_offset_v,
        ampere_gain,
        ampere_offset_a,
        size: 1.0,
    }
}

/// Settings as a bench would choose them: the voltmeter on the smallest range that holds what it sees, the ammeter on that
/// of the current.
pub fn settings(
    bench: &BenchModel,
    standard: &Standard,
    drive: Drive,
    fault: Fault,
    state: &State,
    configurations: &[Configuration],
) -> Vec<Setting> {
    let widest = Volt(bench.voltmeter.ranges.last().unwrap().full_scale);
    let mut all: Vec<Setting> = configurations
        .iter()
        .flat_map(|&c| [Polarity::Plus, Polarity::Minus].map(|p| drive.setting(bench, c, p, widest)))
        .collect();
    let seen = predict(standard, bench, fault, state, &all).unwrap();
    for (setting, seen) in all.iter_mut().zip(seen) {
        let holds = |r: &&Range| r.full_scale >= seen.voltage.0.abs();
        if let Some(range) = bench.voltmeter.ranges.iter().find(holds) {
            setting.voltage_range = Volt(range.full_scale);
        }
    }
    all
}

/// Readings with noise and digits.
pub fn observe(
    draw: &mut Draw,
    bench: &BenchModel,
    standard: &Standard,
    fault: Fault,
    state: &State,
    settings: &[Setting],
) -> Vec<Observation> {
    let seen = predict(standard, bench, fault, state, settings).unwrap();
    let noise = if matches!(fault, Fault::Noisy(_)) { state.size } else { 1.0 };
    let whose = |of: Noisy| match fault {
        Fault::Noisy(Noisy::Both) => noise,
        Fault::Noisy(one) if one == of => noise,
        _ => 1.0,
    };
    let (volt_noise, ampere_noise) = (whose(Noisy::Voltmeter), whose(Noisy::Ammeter));
    let place = |ranges: &[Range], full_scale: f64| {
        ranges.iter().position(|r| r.full_scale >= full_scale * 0.999).unwrap()
    };
    let mut all = Vec::new();
    for (setting, seen) in settings.iter().zip(seen) {
        let mut volt = place(&bench.voltmeter.ranges, setting.voltage_range.0);
        let mut ampere = place(&bench.ammeter.ranges, setting.current_range.0);
        match fault {
            Fault::VoltmeterCoarse(r) => volt = volt.max(r),
            Fault::AmmeterCoarse(r) => ampere = ampere.max(r),
            _ => {}
        }
        let mut show = |x: f64, range: &Range, factor: f64| {
            let noisy = x + range.noise * factor * draw.normal() + 3e-6 * x * draw.normal();
            (noisy / range.quantum).round() * range.quantum
        };
        let voltage = show(seen.voltage.0, &bench.voltmeter.ranges[volt], volt_noise);
        let current = show(seen.current.0, &bench.ammeter.ranges[ampere], ampere_noise);
        let condition = if seen.load[0] > 1.0 {
            Condition::VoltmeterOverload
        } else if seen.load[1] > 1.0 {
            Condition::AmmeterOverload
        } else if seen.need > 1.0 {
            Condition::Compliance
        } else {
            Condition::Sound
        };
        all.push(Observation {
            setting: *setting,
            voltage: Volt(voltage),
            current: Ampere(current),
            condition,
        });
    }
    all
}

pub const KINDS: [&str; 30] = [
    "good",
    "good-edge",
    "good-wild",
    "two-faults",
    "outside",
    "contact-open",
    "swap",
    "xp-open",
    "xp-closed",
    "current-row",
    "sense-row",
    "edge",
    "edge-leak",
    "diagonal-leak",
    "ground-leak",
    "loading",
    "buffers-out",
    "guard-off",
    "a-shorted",
    "a-overload",
    "a-coarse",
    "a-sign",
    "v-overload",
    "v-coarse",
    "v-reversed",
    "noisy",
    "compliance",
    "source-sign",
    "scale",
    "two-r",
];

/// A fault of a kind with a size that should be seen.
pub fn fault(draw: &mut Draw, kind: &str, scale: Scale, standard: &Standard) -> Option<(Fault, f64)> {
    let total: f64 = standard.resistors().iter().map(|r| r.ohm).sum();
    let high = scale == Scale::TenGigohm;
    let (i, j) = {
        let i = draw.below(4);
        let j = (i + 1 + draw.below(3)) % 4;
        (i.min(j), i.max(j))
    };
    let row = Row::ALL[draw.below(4)];
    let sign = if draw.below(2) == 0 { -1.0 } else { 1.0 };
    Some(match kind {
        "good" | "good-edge" | "good-wild" | "outside" => (Fault::Good, 1.0),
        "two-faults" => {
            let kinds = [
                "swap",
                "xp-closed",
                "diagonal-leak",
                "ground-leak",
                "loading",
                "contact-open",
                "compliance",
            ];
            let one = kinds[draw.below(kinds.len())];
            return fault(draw, one, scale, standard);
        }
        "contact-open" => (Fault::ContactOpen(i), 1.0),
        "swap" => (Fault::LeadsSwapped(i, j), 1.0),
        "xp-open" => (Fault::CrosspointOpen(row, i), 1.0),
        "xp-closed" => (Fault::CrosspointClosed(row, i), 1.0),
        "current-row" => (Fault::RowOpen(Row::ALL[draw.below(2)]), 1.0),
        "sense-row" => (Fault::RowOpen(Row::ALL[2 + draw.below(2)]), 1.0),
        "edge" => {
            let off = standard.tolerance() * draw.log(8.0, 60.0);
            (Fault::ResistorOff(draw.below(4)), if sign > 0.0 { 1.0 + off } else { 1.0 / (1.0 + off) })
        }
        "edge-leak" => {
            let k = draw.below(4);
            let ends = standard.resistors()[k].ends;
            (Fault::Leak(ends.0.min(ends.1), ends.0.max(ends.1)), total * draw.log(0.03, 1.5))
        }
        "diagonal-leak" => {
            let k = draw.below(2);
            (Fault::Leak(k, k + 2), total * draw.log(0.03, if high { 50.0 } else { 1e3 }))
        }
        "ground-leak" => (Fault::LeakToGround(i), total * draw.log(0.03, if high { 100.0 } else { 3e3 })),
        "loading" => (Fault::Loading, total * draw.log(0.1, if high { 30.0 } else { 1e3 })),
        "buffers-out" if high => (Fault::BuffersOut, 1.0),
        "guard-off" if high => (Fault::GuardOff, 1.0),
        "buffers-out" | "guard-off" => return None,
        "a-shorted" => (Fault::AmmeterShorted, 1.0),
        "a-overload" if !high => (Fault::AmmeterOverload(draw.below(2)), 1.0),
        "a-overload" => return None,
        "a-coarse" if !high => (Fault::AmmeterCoarse(4), 1.0),
        "a-coarse" => (Fault::AmmeterCoarse(1 + draw.below(3)), 1.0),
        "a-sign" => (Fault::AmmeterReversed, 1.0),
        "v-overload" => (Fault::VoltmeterOverload(0), 1.0),
        "v-coarse" => (Fault::VoltmeterCoarse(2 + draw.below(2)), 1.0),
        "v-reversed" => ([Fault::VoltmeterReversed, Fault::CurrentRowsExchanged][draw.below(2)], 1.0),
        "noisy" => {
            let whose = [Noisy::Voltmeter, Noisy::Ammeter, Noisy::Both][draw.below(3)];
            (Fault::Noisy(whose), draw.log(6.0, 300.0))
        }
        "compliance" => {
            let most = drive(scale).current.0 * total / 4.0;
            (Fault::ComplianceLow, most * draw.log(0.3, 0.9))
        }
        "source-sign" => (Fault::SourceReversed, 1.0),
        "scale" => {
            let fault = [Fault::AllScaled, Fault::VoltmeterGain][draw.below(2)];
            (fault, (sign * draw.log(0.15, 2.0)).exp())
        }
        "two-r" => (Fault::ResistorsOff(i, j), 1.0),
        other => panic!("no kind {other}"),
    })
}

/// One data set: the standard, what was wrong and what was read.
pub struct Case {
    pub standard: Standard,
    pub bench: BenchModel,
    pub drive: Drive,
    pub fault: Fault,
    pub size: f64,
    pub state: State,
    pub observations: Vec<Observation>,
    /// Whether no class of the list is of it.
    pub unlisted: bool,
}

pub fn case(seed: u64, kind: &str, scale: Scale, set: ReadingSet) -> Option<Case> {
    let mut draw = Draw::new(seed);
    let bench = bench(scale);
    let standard = ring(&mut draw, scale, 0.01);
    let (fault, size) = fault(&mut draw, kind, scale, &standard)?;
    let mut state = state(&mut draw, &standard, &bench);
    state.size = size;
    if let Fault::ResistorsOff(i, j) = fault {
        for k in [i, j] {
            let sign = if draw.below(2) == 0 { -1.0 } else { 1.0 };
            state.resistors[k] = sign * standard.tolerance() * draw.log(4.0, 10.0);
        }
    }
    // What is really plugged in: for faults outside the list something else than what was declared.
    let mut real = standard.clone();
    match kind {
        "good-edge" => {
            for r in &mut state.resistors {
                *r = (standard.tolerance() * if draw.below(2) == 0 { -1.0 } else { 1.0 }).ln_1p();
            }
        }
        "two-faults" => {
            let k = draw.below(4);
            let sign = if draw.below(2) == 0 { -1.0 } else { 1.0 };
            state.resistors[k] += sign * draw.log(0.15, 0.6);
        }
        "outside" => match draw.below(3) {
            0 => state.ampere_gain.iter_mut().for_each(|g| *g += 0.1),
            1 => {
                // Three leads run round.
                let ohms: Vec<(usize, usize, Ohm)> = standard
                    .resistors()
                    .iter()
                    .map(|r| {
                        let turned = |n: usize| if n < 3 { (n + 1) % 3 } else { n };
                        (turned(r.ends.0), turned(r.ends.1), Ohm(r.ohm))
                    })
                    .collect();
                real = Standard::new(&ohms, 0.01).unwrap();
            }
            _ => {
                // A star where a ring was declared.
                let ohms: Vec<(usize, usize, Ohm)> =
                    standard.resistors().iter().enumerate().map(|(k, r)| (k, 4, Ohm(0.7 * r.ohm))).collect();
                real = Standard::new(&ohms, 0.01).unwrap();
            }
        },
        _ => {}
    }
    let drive = drive(scale);
    let settings = settings(&bench, &real, drive, fault, &state, &readings(set));
    let mut observations = observe(&mut draw, &bench, &real, fault, &state, &settings);
    if kind == "good-wild" {
        let k = draw.below(observations.len());
        let volts = observations.iter().map(|o| o.voltage.0.abs()).fold(0.0, f64::max);
        observations[k].voltage.0 += volts * draw.log(3e-3, 1.0);
    }
    let unlisted = ["two-faults", "outside"].contains(&kind);
    Some(Case { standard, bench, drive, fault, size, state, observations, unlisted })
}
