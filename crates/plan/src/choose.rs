//! Guard, buffers and waiting time from the resistance at hand, each with its reason.

use crate::{EquippedBench, Settings, Settle};
use quadrille_documents::{Fault, Faults, Place, Role, Settling, Switch};
use quadrille_quantity::{Ampere, Farad, Kelvin, Ohm, Second, Volt};
use quadrille_specimen::Specimen;

/// Relative error above which a remedy (guard, buffers) is worth switching in: a tenth of a usual 0.1 % tolerance.
const NEGLIGIBLE: f64 = 1e-4;

/// Longest wait that is put up with before the guard is driven to shorten it.
const PATIENCE: Second = Second(0.05);

/// What a person asked for.
pub(crate) struct Wanted {
    pub(crate) current: Ampere,
    pub(crate) voltage_limit: Volt,
    pub(crate) voltage_range: Option<Volt>,
    pub(crate) aperture_plc: f64,
    pub(crate) guard: Switch,
    pub(crate) buffers: Switch,
    pub(crate) settling: Settling,
    pub(crate) temperatures: Vec<Kelvin>,
}

/// What was chosen, and why.
pub(crate) struct Choices {
    pub(crate) settings: Settings,
    pub(crate) reasons: Vec<String>,
    pub(crate) warnings: Vec<String>,
}

pub(crate) fn choices(
    equipped: &EquippedBench,
    wanted: Wanted,
    model: Option<&Specimen>,
) -> Result<Choices, Faults> {
    let mut reasons = Vec::new();
    let mut warnings = Vec::new();
    let resistance = resistance(&wanted, model, &mut reasons, &mut warnings)?;
    let guard = guard(equipped, wanted.guard, resistance, &mut reasons);
    let buffers = buffers(equipped, wanted.buffers, resistance, &mut reasons);
    let (settle, discharge) = settle(equipped, wanted.settling, guard, resistance, &mut reasons);
    let settings = Settings {
        current: wanted.current,
        voltage_limit: wanted.voltage_limit,
        voltage_range: wanted.voltage_range,
        aperture_plc: wanted.aperture_plc,
        aperture: Second(wanted.aperture_plc / equipped.bench.mains_hz),
        settle: Settle::Wait(settle),
        discharge,
        residual: residual(equipped, wanted.current),
        guard,
        buffers,
    };
    Ok(Choices { settings, reasons, warnings })
}

/// Part of the current below which no current is left.
const GONE: f64 = 0.01;

/// What may return through the ammeter with the source off: a hundredth of the current, and the bias currents of both
/// inputs of the voltmeter, or of its buffers, whichever are in the lines.
fn residual(equipped: &EquippedBench, current: Ampere) -> Ampere {
    let meter = equipped.dialect(Role::Voltmeter).map_or(0.0, |meter| meter.facts.bias_current_a);
    let buffers = equipped.bench.wiring.buffers.map_or(0.0, |buffers| buffers.bias_current_a);
    current * GONE + Ampere(2.0 * meter.max(buffers))
}

/// The largest resistance that the leads may see: of the model, or else what the voltage limit lets through.
fn resistance(
    wanted: &Wanted,
    model: Option<&Specimen>,
    reasons: &mut Vec<String>,
    warnings: &mut Vec<String>,
) -> Result<Ohm, Faults> {
    let bound = wanted.voltage_limit / wanted.current;
    let Some(model) = model else {
        reasons
            .push(format!("resistance between contacts taken as up to {bound}: voltage limit over current"));
        return Ok(bound);
    };
    let mut largest = Ohm(0.0);
    for &temperature in &wanted.temperatures {
        let here = model.largest_two_terminal(temperature).map_err(|error| no_answer(&error))?;
        largest = largest.max(here);
    }
    reasons.push(format!("resistance between contacts up to {largest}: by the sample's model"));
    if largest.0 > bound.0 {
        let needed = wanted.current * largest;
        let limit = wanted.voltage_limit;
        warnings.push(format!(
            "the source will reach its voltage limit of {limit}: the model needs up to {needed}"
        ));
    }
    Ok(largest)
}

pub(crate) fn no_answer(error: &impl std::fmt::Display) -> Faults {
    let place = Place { document: "sample".into(), line: 1, column: 1, key: "model".into() };
    Faults(vec![Fault { place, problem: error.to_string(), remedy: "mend the model".into() }])
}

fn guard(equipped: &EquippedBench, wanted: Switch, resistance: Ohm, reasons: &mut Vec<String>) -> bool {
    let wiring = &equipped.bench.wiring;
    if wanted != Switch::ByResistance {
        let on = wanted == Switch::On;
        reasons.push(format!("guard {}: as pinned", if on { "driven" } else { "not driven" }));
        return on;
    }
    let leak = resistance.0 / wiring.cable.insulation_ohm;
    let slow = longest_time_constant(resistance, Farad(wiring.cable.capacitance_f));
    let useful = leak > NEGLIGIBLE || slow.0 > PATIENCE.0;
    let because = format!(
        "undriven, insulation would take {} of the current and a time constant be up to {slow}",
        part(leak)
    );
    reasons.push(match (useful, equipped.can_guard()) {
        (true, true) => format!("guard driven: {because}"),
        (true, false) => format!("guard not driven, for this bench has none: {because}"),
        (false, _) => format!("guard not driven: {because}"),
    });
    useful && equipped.can_guard()
}

fn buffers(equipped: &EquippedBench, wanted: Switch, resistance: Ohm, reasons: &mut Vec<String>) -> bool {
    if wanted != Switch::ByResistance {
        let on = wanted == Switch::On;
        reasons.push(format!("buffers {}: as pinned", if on { "in" } else { "out" }));
        return on;
    }
    let input =
        equipped.dialect(Role::Voltmeter).map_or(f64::INFINITY, |meter| meter.facts.input_resistance_ohm);
    let load = resistance.0 / input;
    let has = equipped.bench.wiring.buffers.is_some();
    let because = format!("the voltmeter's input of {} would load the sample by {}", Ohm(input), part(load));
    reasons.push(match (load > NEGLIGIBLE, has) {
        (true, true) => format!("buffers in: {because}"),
        (true, false) => format!("buffers out, for this bench has none: {because}"),
        (false, _) => format!("buffers out: {because}"),
    });
    load > NEGLIGIBLE && has
}

/// A part in words: per cent down to a hundredth of one.
fn part(fraction: f64) -> String {
    if fraction < NEGLIGIBLE { "less than 0.01 %".into() } else { format!("{:.2} %", 100.0 * fraction) }
}

/// A bound on the slowest time constant of the leads with the sample.
///
/// The slowest time constant of a grounded network is at most the sum of resistance to ground times capacitance over
/// its nodes (the trace of R·C, a matrix with positive eigenvalues). Three contacts are not at ground, each with
/// the cable of its column and of the row that is joined to it.
fn longest_time_constant(resistance: Ohm, cable: Farad) -> Second {
    resistance * (cable * 6.0)
}

fn settle(
    equipped: &EquippedBench,
    settling: Settling,
    guard: bool,
    resistance: Ohm,
    reasons: &mut Vec<String>,
) -> (Second, Second) {
    let cable = &equipped.bench.wiring.cable;
    let capacitance = if guard { cable.guarded_capacitance_f } else { cable.capacitance_f };
    let tau = longest_time_constant(resistance, Farad(capacitance));
    let operate = equipped.dialects.iter().map(|dialect| dialect.facts.operate_s).fold(0.0, f64::max);
    let (settle, because) = match settling {
        Settling::Time(time) => (Second(time), "as pinned".to_owned()),
        Settling::Evidence { longest_wait_s, .. } => (Second(longest_wait_s), "the longest wait".to_owned()),
        Settling::TimeConstants(count) => (
            tau * count + Second(operate),
            format!("{count} time constants of up to {tau}, and {} for the instruments", Second(operate)),
        ),
    };
    reasons.push(format!("wait {settle} after each change: {because}"));
    // At zero current the leads need only fall far enough that no crosspoint moves under a voltage worth naming.
    (settle, Second((4.0 * tau.0).min(settle.0)))
}
