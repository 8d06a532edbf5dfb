//! Acceptance checks: how well readings that theory makes equal agree.

use crate::hall::{Combination, value};
use crate::pair::label;
use crate::reduce::Sheet;
use crate::resistance::PairResistance;
use crate::results::{Acceptance, Check};
use crate::van_der_pauw::sheet_resistance;

/// The checks made, and why others were not.
#[derive(Default)]
pub(crate) struct Checks {
    pub(crate) made: Vec<Check>,
    pub(crate) remarks: Vec<String>,
}

impl Checks {
    /// Adds a check that a disagreement is small enough. Two values of which both are zero agree.
    ///
    /// Relative to the mean of the magnitudes, which of values of one sign is that of the values, and which does not
    /// vanish where opposite ones cancel: those are 2 apart, the most there is.
    fn agreement(&mut self, name: impl Into<String>, a: f64, b: f64, limit: f64) {
        let difference = (a - b).abs();
        let measured = if difference == 0.0 { 0.0 } else { difference / ((a.abs() + b.abs()) / 2.0) };
        self.made.push(Check { name: name.into(), measured, limit, passed: measured <= limit });
    }

    fn not_made(&mut self, name: &str, why: &str) {
        self.remarks.push(format!("check not made: {name}: {why}"));
    }
}

/// Whether every resistance that was used was measured with both directions of the current.
pub(crate) fn current_reversal_measured(checks: &mut Checks, used: &[&PairResistance]) {
    let reversed = used.iter().filter(|resistance| resistance.reversed).count();
    checks.made.push(Check {
        name: "current reversal measured".into(),
        measured: reversed as f64 / used.len() as f64,
        limit: 1.0,
        passed: reversed == used.len(),
    });
    if reversed < used.len() {
        let mut names: Vec<String> =
            used.iter().filter(|r| !r.reversed).map(|r| label(r.configuration)).collect();
        names.dedup();
        checks.remarks.push(format!(
            "thermoelectric offsets are not removed from {}: one direction of the current only",
            names.join(", ")
        ));
    }
}

/// The checks of van der Pauw's four resistances.
pub(crate) fn sheet(checks: &mut Checks, sheet: &Sheet, acceptance: &Acceptance) {
    positive(checks, sheet);
    for member in sheet.members() {
        let name = format!("reversal {}", member.label);
        match member.directed {
            (Some(forward), Some(backward)) => {
                checks.agreement(name, forward, backward, acceptance.reversal);
            }
            _ => checks.not_made(&name, "one direction of the current only"),
        }
    }
    for (half, members) in [("A", &sheet.a), ("B", &sheet.b)] {
        let name = format!("reciprocity {half}");
        match members.as_slice() {
            [one, other] => checks.agreement(name, one.value, other.value, acceptance.reciprocity),
            _ => checks.not_made(&name, "no readings of the reciprocal configuration"),
        }
    }
    pair_agreement(checks, sheet, acceptance);
}

fn positive(checks: &mut Checks, sheet: &Sheet) {
    let directed: Vec<f64> =
        sheet.members().flat_map(|m| [m.directed.0, m.directed.1, Some(m.value)]).flatten().collect();
    let smallest = directed.iter().copied().fold(f64::INFINITY, f64::min);
    let mean = directed.iter().map(|r| r.abs()).sum::<f64>() / directed.len() as f64;
    let measured = if smallest == 0.0 { 0.0 } else { smallest / mean };
    checks.made.push(Check {
        name: "positive resistances".into(),
        measured,
        limit: 0.0,
        passed: measured > 0.0,
    });
}

/// The two sheet resistances of F76: of 12|34 with 23|14, and of 34|12 with 14|23.
fn pair_agreement(checks: &mut Checks, sheet: &Sheet, acceptance: &Acceptance) {
    let name = "pair agreement";
    let ([a_1, a_2], [b_1, b_2]) = (sheet.a.as_slice(), sheet.b.as_slice()) else {
        return checks.not_made(name, "it needs all of 12,43 43,12 23,14 and 14,23");
    };
    match (sheet_resistance(a_1.value, b_1.value), sheet_resistance(a_2.value, b_2.value)) {
        (Some(first), Some(second)) => checks.agreement(name, first, second, acceptance.pair_agreement),
        _ => checks.not_made(name, "a resistance is not above zero"),
    }
}

/// Readings of one temperature at most so far apart, where nothing says how the results change with it (ASTM F76, from
/// memory).
const TEMPERATURE_SPREAD_K: f64 = 1.0;

/// Whether a drift of the temperature is corrected well enough, or too small to matter.
///
/// `left` is what the correction leaves, relative; `None` where there was none.
pub(crate) fn temperature(
    checks: &mut Checks,
    mean: f64,
    spread: f64,
    left: Option<f64>,
    acceptance: &Acceptance,
) {
    let (name, measured, limit) = match left {
        Some(left) => ("drift of the temperature", left, acceptance.drift),
        None => ("temperature spread", spread / mean, TEMPERATURE_SPREAD_K / mean),
    };
    let passed = measured <= limit;
    checks.made.push(Check { name: name.into(), measured, limit, passed });
    if !passed {
        checks.remarks.push(match left {
            Some(left) => format!(
                "the temperature drifted by {spread:.2} K, and what is known of the change of the results with it \
                 leaves {:.1} % of them open",
                100.0 * left
            ),
            None => format!(
                "temperature spread over {spread:.2} K, more than 1 K, and nothing says how the results change with it"
            ),
        });
    }
}

/// The check of the two Hall diagonals.
pub(crate) fn hall(
    checks: &mut Checks,
    slopes: &[Option<Combination>; 2],
    resistances: &[PairResistance],
    acceptance: &Acceptance,
) {
    let name = "hall pair agreement";
    match slopes {
        [Some(first), Some(second)] => checks.agreement(
            name,
            value(first, resistances),
            value(second, resistances),
            acceptance.hall_pair_agreement,
        ),
        _ => checks.not_made(name, "one diagonal only"),
    }
}
