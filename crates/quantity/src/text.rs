//! How numbers are written for people: SI prefixes, uncertainty in brackets after the digits it concerns.

/// Symbols of powers of a thousand, from 10⁻¹⁸ to 10¹⁸.
const PREFIXES: [&str; 13] = ["a", "f", "p", "n", "µ", "m", "", "k", "M", "G", "T", "P", "E"];

/// Power of a thousand whose prefix leaves one to three digits before the point.
fn thousands(magnitude: f64) -> i32 {
    if magnitude == 0.0 || !magnitude.is_finite() {
        return 0;
    }
    ((magnitude.log10() + 1e-12) / 3.0).floor().clamp(-6.0, 6.0) as i32
}

/// A value with a prefix and its unit, to five significant digits: `prefixed(1.2345e-3, "V")` is `1.2345 mV`.
pub fn prefixed(value: f64, unit: &str) -> String {
    if !value.is_finite() {
        return format!("{value} {unit}");
    }
    let power = thousands(value.abs());
    let scaled = value / 1000f64.powi(power);
    let before_point = if scaled == 0.0 { 1 } else { scaled.abs().log10().floor() as i32 + 1 };
    let decimals = (5 - before_point).clamp(0, 8) as usize;
    let mut digits = format!("{scaled:.decimals$}");
    if digits.contains('.') {
        digits.truncate(digits.trim_end_matches('0').trim_end_matches('.').len());
    }
    format!("{digits} {}{unit}", PREFIXES[(power + 6) as usize])
}

/// A value with the two significant digits of its standard uncertainty in brackets, in the concise notation of
/// JCGM 100:2008, 7.2.2 b): `with_uncertainty(1.2345e-3, 1.2e-6, "V")` is `1.2345(12) mV`.
///
/// A unit that a prefix would make ambiguous (a power, as in `m⁻²`) is written with a power of ten instead.
pub fn with_uncertainty(value: f64, uncertainty: f64, unit: &str) -> String {
    let takes_prefix = !unit.contains(['⁻', '²', '³', '/', '·']);
    if !value.is_finite() || !uncertainty.is_finite() || uncertainty <= 0.0 {
        return if takes_prefix { prefixed(value, unit) } else { powered(value, unit) };
    }
    let largest = value.abs().max(uncertainty);
    let exponent = if takes_prefix { 3 * thousands(largest) } else { largest.log10().floor() as i32 };
    let exponent = if !takes_prefix && (0..4).contains(&exponent) { 0 } else { exponent };
    let scale = 10f64.powi(exponent);
    let (scaled, scaled_u) = (value / scale, uncertainty / scale);
    let mut decimals = 1 - scaled_u.log10().floor() as i32;
    if (scaled_u * 10f64.powi(decimals)).round() >= 100.0 {
        decimals -= 1;
    }
    let number = if decimals > 0 {
        let bracket = (scaled_u * 10f64.powi(decimals)).round();
        format!("{scaled:.*}({bracket})", decimals as usize)
    } else {
        let step = 10f64.powi(-decimals);
        format!("{}({})", (scaled / step).round() * step, (scaled_u / step).round() * step)
    };
    if takes_prefix {
        format!("{number} {}{unit}", PREFIXES[(exponent / 3 + 6) as usize])
    } else if exponent == 0 {
        format!("{number} {unit}")
    } else {
        format!("{number}×10{} {unit}", superscript(exponent))
    }
}

/// A value with a power of ten and its unit, to five significant digits: a prefix before `m²` would mean another area.
fn powered(value: f64, unit: &str) -> String {
    let exponent = if value == 0.0 || !value.is_finite() { 0 } else { value.abs().log10().floor() as i32 };
    let exponent = if (0..4).contains(&exponent) { 0 } else { exponent };
    let mut digits = format!("{:.4}", value / 10f64.powi(exponent));
    digits.truncate(digits.trim_end_matches('0').trim_end_matches('.').len());
    match exponent {
        0 => format!("{digits} {unit}"),
        _ => format!("{digits}×10{} {unit}", superscript(exponent)),
    }
}

fn superscript(n: i32) -> String {
    n.to_string()
        .chars()
        .map(|c| match c {
            '-' => '⁻',
            '1' => '¹',
            '2' => '²',
            '3' => '³',
            digit => char::from_u32('⁰' as u32 + digit as u32 - '0' as u32).unwrap_or(digit),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(value: f64, uncertainty: f64, unit: &str, expected: &str) {
        assert_eq!(with_uncertainty(value, uncertainty, unit), expected);
    }

    #[test]
    fn the_bracket_holds_two_digits_of_uncertainty() {
        check(1.2345e-3, 1.2e-6, "V", "1.2345(12) mV");
        check(-127.73217, 0.0711, "Ω", "-127.732(71) Ω");
        check(9.99e9, 0.996e6, "Ω", "9.9900(10) GΩ");
        check(12_345.0, 2_500.0, "Ω", "12.3(25) kΩ");
    }

    #[test]
    fn a_unit_with_a_power_takes_a_power_of_ten() {
        check(5.0e15, 1.1e13, "m⁻²", "5.000(11)×10¹⁵ m⁻²");
        check(-6.2415e-4, 2.0e-7, "m³/C", "-6.2415(20)×10⁻⁴ m³/C");
    }

    #[test]
    fn without_an_uncertainty_a_unit_with_a_power_takes_no_prefix_either() {
        check(5.0e18, 0.0, "m⁻²", "5×10¹⁸ m⁻²");
        check(0.12, 0.0, "m²/(V·s)", "1.2×10⁻¹ m²/(V·s)");
        check(1200.0, 0.0, "cm²/(V·s)", "1200 cm²/(V·s)");
        check(0.0, 0.0, "m²/(V·s)", "0 m²/(V·s)");
        check(9990.0, 0.0, "Ω", "9.99 kΩ");
    }

    #[test]
    fn an_uncertainty_above_the_value_is_written_whole() {
        check(3.0, 250.0, "K", "0(250) K");
    }

    #[test]
    fn prefixes_leave_one_to_three_digits_before_the_point() {
        assert_eq!(prefixed(0.0, "V"), "0 V");
        assert_eq!(prefixed(1e-10, "A"), "100 pA");
        assert_eq!(prefixed(-0.75, "V"), "-750 mV");
        assert_eq!(prefixed(7.5e9, "Ω"), "7.5 GΩ");
    }
}
