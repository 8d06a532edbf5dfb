//! Results as plain text for a terminal, under 78 columns.

use quadrille_quantity::{Estimate, with_uncertainty};
use quadrille_reduction::{CarrierType, Check, Contribution, Quantity, Reduced};

const WIDTH: usize = 77;

/// How many contributions to the uncertainty of one result are shown.
const LARGEST: usize = 3;

/// Results with uncertainties, checks in words, the largest contributions to each uncertainty, remarks.
pub fn summary(reduced: &Reduced) -> String {
    let mut text = String::from("Results (standard uncertainty in brackets)\n");
    let measured: Vec<(Quantity, Estimate)> =
        Quantity::ALL.into_iter().filter_map(|q| Some((q, q.of(&reduced.results)?))).collect();
    if measured.is_empty() {
        text += "  none\n";
    }
    for (quantity, estimate) in &measured {
        text += &result_line(*quantity, *estimate);
    }
    if let Some(carriers) = reduced.results.carrier_type {
        let words = match carriers {
            CarrierType::N => "n (electrons)",
            CarrierType::P => "p (holes)",
        };
        text += &format!("  {:<22} {words}\n", "carrier type");
    }
    text += "\nChecks\n";
    reduced.checks.iter().for_each(|check| text += &check_line(check));
    text += &budget(reduced, &measured);
    if !reduced.remarks.is_empty() {
        text += "\nRemarks\n";
        reduced.remarks.iter().for_each(|remark| text += &wrapped("- ", remark));
    }
    text += &format!("\nMethod: {}\n", reduced.method);
    text
}

fn result_line(quantity: Quantity, estimate: Estimate) -> String {
    let si = written(estimate, 1.0, quantity.unit());
    let beside =
        customary(quantity).map(|(factor, unit)| written(estimate, factor, unit)).unwrap_or_default();
    let line = format!("  {:<22} {si:<27} {beside}", quantity.name());
    line.trim_end().to_owned() + "\n"
}

fn written(estimate: Estimate, factor: f64, unit: &str) -> String {
    with_uncertainty(estimate.value * factor, estimate.standard_uncertainty * factor, unit)
}

/// The unit of the trade: how many of it make one SI unit, and its symbol.
fn customary(quantity: Quantity) -> Option<(f64, &'static str)> {
    match quantity {
        Quantity::SheetResistance => None,
        Quantity::Resistivity => Some((1e2, "Ω·cm")),
        Quantity::HallCoefficient => Some((1e6, "cm³/C")),
        Quantity::SheetDensity => Some((1e-4, "cm⁻²")),
        Quantity::Density => Some((1e-6, "cm⁻³")),
        Quantity::Mobility => Some((1e4, "cm²/(V·s)")),
    }
}

fn check_line(check: &Check) -> String {
    let is_lower_limit = check.passed != (check.measured < check.limit);
    let limit = if is_lower_limit { "at least" } else { "limit" };
    let verdict = if check.passed { "passed" } else { "NOT passed" };
    format!(
        "  {:<26} {verdict}: measured {}, {limit} {}\n",
        check.name,
        percent(check.measured),
        percent(check.limit)
    )
}

/// Two significant digits in per cent, below a thousandth in parts per million.
pub(crate) fn percent(ratio: f64) -> String {
    if ratio == 0.0 || ratio.abs() >= 1e-3 {
        two_digits(100.0 * ratio, "%")
    } else {
        two_digits(1e6 * ratio, "ppm")
    }
}

fn two_digits(value: f64, unit: &str) -> String {
    if value.abs() >= 1e6 || (value != 0.0 && value.abs() < 1e-3) {
        return format!("{value:.1e} {unit}");
    }
    let decimals = match value.abs() {
        large if large >= 9.95 || value == 0.0 => 0,
        middle if middle >= 0.995 => 1,
        small if small >= 0.0995 => 2,
        smaller if smaller >= 0.00995 => 3,
        _ => 4,
    };
    let digits = format!("{value:.decimals$}");
    let short =
        if digits.contains('.') { digits.trim_end_matches('0').trim_end_matches('.') } else { &digits };
    format!("{short} {unit}")
}

/// For every result the sources that matter most, relative to its value.
fn budget(reduced: &Reduced, measured: &[(Quantity, Estimate)]) -> String {
    let mut text = String::new();
    for (quantity, estimate) in measured {
        let mut of_result: Vec<&Contribution> =
            reduced.budget.iter().filter(|c| c.result == quantity.key()).collect();
        of_result.sort_by(|a, b| b.standard_uncertainty.total_cmp(&a.standard_uncertainty));
        if of_result.is_empty() {
            continue;
        }
        text += &format!("  {}: {}\n", quantity.name(), share(estimate.standard_uncertainty, *estimate));
        for contribution in of_result.iter().take(LARGEST) {
            text += &format!(
                "    {:<46} {}\n",
                contribution.name,
                share(contribution.standard_uncertainty, *estimate)
            );
        }
        if of_result.len() > LARGEST {
            text += &format!("    and {} smaller\n", of_result.len() - LARGEST);
        }
    }
    if text.is_empty() {
        text
    } else {
        format!("\nWhat the uncertainty is made of (relative to the value)\n{text}")
    }
}

fn share(uncertainty: f64, estimate: Estimate) -> String {
    if estimate.value == 0.0 {
        format!("{uncertainty:.2e}")
    } else {
        percent(uncertainty / estimate.value.abs())
    }
}

/// A paragraph with a sign before its first line and the rest indented.
pub(crate) fn wrapped(sign: &str, text: &str) -> String {
    let mut result = String::new();
    let mut line = format!("  {sign}");
    let indent = " ".repeat(line.chars().count());
    for word in text.split_whitespace() {
        let is_begun = line.chars().count() > indent.chars().count();
        if is_begun && line.chars().count() + word.chars().count() >= WIDTH {
            result += line.trim_end();
            result.push('\n');
            line.clone_from(&indent);
        }
        line += word;
        line.push(' ');
    }
    result + line.trim_end() + "\n"
}

#[cfg(test)]
mod tests {
    use super::percent;

    #[track_caller]
    fn check(ratio: f64, expected: &str) {
        assert_eq!(percent(ratio), expected);
    }

    #[test]
    fn shares_have_two_digits_at_any_size() {
        check(0.0, "0 %");
        check(1.0, "100 %");
        check(0.03, "3 %");
        check(0.0143197, "1.4 %");
        check(-0.2999, "-30 %");
        check(0.0099949, "1 %");
        check(0.00208, "0.21 %");
        check(1.84e-5, "18 ppm");
        check(4.4e-8, "0.044 ppm");
        check(2.2e-16, "2.2e-10 ppm");
        check(1e300, "1.0e302 %");
    }
}
