//! Guard, buffers and waiting time from the resistance at hand, each with its reason.

use crate::steps::to_six_digits;
use crate::{BenchFacts, ByEvidence, Settings, Settle};
use quadrille_documents::{Fault, Faults, Place, Settling, Switch};
use quadrille_quantity::{Ampere, Farad, Kelvin, Ohm, Second, Tesla, Volt};
use quadrille_specimen::Specimen;

/// Relative error above which a remedy (guard, buffers) is worth switching in: a tenth of a usual 0.1 % tolerance.
const NEGLIGIBLE: f64 = 1e-4;

/// Longest wait that is put up with before the guard is driven to shorten it.
const PATIENCE: Second = Second(0.05);

/// Relative standard uncertainty that is wanted where nobody says (common practice, no source).
pub(crate) const USUAL_U: f64 = 1e-3;

/// Part of the wanted uncertainty that noise may make up; the rest is for the meters, the contacts and the thickness.
const OF_WANTED: f64 = 0.5;

/// What a person asked for.
pub(crate) struct Wanted {
    pub(crate) current: Ampere,
    pub(crate) voltage_limit: Volt,
    pub(crate) voltage_range: Option<Volt>,
    pub(crate) aperture_plc: f64,
    pub(crate) repeats: u32,
    pub(crate) guard: Switch,
    pub(crate) buffers: Switch,
    pub(crate) settling: Settling,
    /// Wanted relative standard uncertainty of each result.
    pub(crate) uncertainty: f64,
    pub(crate) temperatures: Vec<Kelvin>,
}

/// What was chosen, and why.
pub(crate) struct Choices {
    pub(crate) settings: Settings,
    pub(crate) reasons: Vec<String>,
    pub(crate) warnings: Vec<String>,
}

pub(crate) fn choices(
    facts: &BenchFacts,
    wanted: Wanted,
    model: Option<&Specimen>,
) -> Result<Choices, Faults> {
    let mut reasons = Vec::new();
    let mut warnings = Vec::new();
    let resistance = resistance(&wanted, model, &mut reasons, &mut warnings)?;
    let settings = settings(facts, &wanted, resistance, &mut reasons);
    Ok(Choices { settings, reasons, warnings })
}

/// What is set where the leads may see a resistance up to this.
pub(crate) fn settings(
    facts: &BenchFacts,
    wanted: &Wanted,
    resistance: Ohm,
    reasons: &mut Vec<String>,
) -> Settings {
    let guard = guard(facts, wanted.guard, resistance, reasons);
    let buffers = buffers(facts, wanted.buffers, resistance, reasons);
    let (settle, discharge) = settle(facts, wanted.settling, wanted.uncertainty, guard, resistance, reasons);
    Settings {
        current: wanted.current,
        voltage_limit: wanted.voltage_limit,
        voltage_range: wanted.voltage_range,
        aperture_plc: wanted.aperture_plc,
        aperture: Second(wanted.aperture_plc / facts.mains_hz),
        repeats: wanted.repeats,
        settle,
        discharge,
        residual: residual(facts, wanted.current),
        guard,
        buffers,
    }
}

/// Part of the current below which no current is left.
const GONE: f64 = 0.01;

/// What may return through the ammeter with the source off: a hundredth of the current, and the bias currents of both
/// inputs of the voltmeter, or of its buffers, whichever are in the lines.
pub(crate) fn residual(facts: &BenchFacts, current: Ampere) -> Ampere {
    current * GONE + Ampere(2.0 * facts.bias.0)
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
    let (mut largest, mut is_exact) = (Ohm(0.0), true);
    for &temperature in &wanted.temperatures {
        is_exact &= model.bound(temperature, Tesla(0.0)).map_err(|error| no_answer(&error))? == 0.0;
        let here = model.largest_two_terminal(temperature).map_err(|error| no_answer(&error))?;
        largest = largest.max(here);
    }
    // The last digits of a sheet's solution are not the same each time it is solved; a plan and its hash must be.
    let largest = if is_exact { largest } else { Ohm(to_six_digits(largest.0)) };
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

fn guard(facts: &BenchFacts, wanted: Switch, resistance: Ohm, reasons: &mut Vec<String>) -> bool {
    if wanted != Switch::ByResistance {
        let on = wanted == Switch::On;
        reasons.push(format!("guard {}: as pinned", if on { "driven" } else { "not driven" }));
        return on;
    }
    let leak = resistance / facts.insulation;
    let slow = longest_time_constant(resistance, facts.cable(false));
    let useful = leak > NEGLIGIBLE || slow.0 > PATIENCE.0;
    let because = format!(
        "undriven, insulation would take {} of the current and a time constant be up to {slow}",
        part(leak)
    );
    reasons.push(match (useful, facts.can_guard) {
        (true, true) => format!("guard driven: {because}"),
        (true, false) => format!("guard not driven, for this bench has none: {because}"),
        (false, _) => format!("guard not driven: {because}"),
    });
    useful && facts.can_guard
}

fn buffers(facts: &BenchFacts, wanted: Switch, resistance: Ohm, reasons: &mut Vec<String>) -> bool {
    if wanted != Switch::ByResistance {
        let on = wanted == Switch::On;
        reasons.push(format!("buffers {}: as pinned", if on { "in" } else { "out" }));
        return on;
    }
    let (input, has) = (facts.input_resistance, facts.has_buffers);
    let load = resistance / input;
    let because = format!("the voltmeter's input of {input} would load the sample by {}", part(load));
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
pub(crate) fn longest_time_constant(resistance: Ohm, cable: Farad) -> Second {
    resistance * (cable * 6.0)
}

fn settle(
    facts: &BenchFacts,
    settling: Settling,
    wanted_u: f64,
    guard: bool,
    resistance: Ohm,
    reasons: &mut Vec<String>,
) -> (Settle, Second) {
    let tau = longest_time_constant(resistance, facts.cable(guard));
    let operate = facts.operate;
    let wait = |wait: Second, because: String, reasons: &mut Vec<String>| {
        reasons.push(format!("wait {wait} after each change: {because}"));
        Settle::Wait(wait)
    };
    let settle = match settling {
        Settling::Time(time) => wait(Second(time), "as pinned".to_owned(), reasons),
        Settling::TimeConstants(count) => {
            let because = format!("{count} time constants of up to {tau}, and {operate} for the instruments");
            wait(tau * count + operate, because, reasons)
        }
        Settling::Evidence { bias_relative, longest_wait_s, strict } => {
            let longest = Second(longest_wait_s);
            reasons.push(format!(
                "each reading waits until fast readings show that what is left of the transient is below {} of it, \
                 {longest} at most; time constants are expected up to {tau}",
                part(bias_relative)
            ));
            Settle::Evidence(ByEvidence {
                uncertainty: wanted_u * OF_WANTED,
                bias: bias_relative,
                longest,
                strict,
                time_constant: tau,
                operate,
            })
        }
    };
    // At zero current the leads need only fall far enough that no crosspoint moves under a voltage worth naming.
    (settle, Second((4.0 * tau.0).min(settle.pause().0)))
}
