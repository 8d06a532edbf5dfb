//! Industrial platinum resistance thermometers by IEC 60751:2008: resistance at a temperature, and back.
//!
//! R(t) = R₀·(1 + A·t + B·t²) from 0 °C to 850 °C and R₀·(1 + A·t + B·t² + C·(t − 100 °C)·t³) from −200 °C to 0 °C
//! (IEC 60751:2008, 4.2). Knows no meter and no tolerance class. Below −200 °C the standard says nothing, and neither
//! does this.

use crate::MaterialError;
use quadrille_quantity::{Kelvin, Ohm};

/// 0 °C.
pub const ZERO_CELSIUS: Kelvin = Kelvin(273.15);
/// Lowest temperature of the standard in degrees Celsius.
pub const LOWEST_CELSIUS: f64 = -200.0;
/// Highest temperature of the standard in degrees Celsius.
pub const HIGHEST_CELSIUS: f64 = 850.0;
/// Resistance at 0 °C of the usual thermometer.
pub const PT100: Ohm = Ohm(100.0);

const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;

/// Resistance of a thermometer that has `nominal` at 0 °C; an error outside −200 °C to 850 °C.
pub fn resistance(nominal: Ohm, temperature: Kelvin) -> Result<Ohm, MaterialError> {
    let celsius = (temperature - ZERO_CELSIUS).0;
    // −200 °C is 73.15 K, of which the difference to 273.15 K is not −200 exactly.
    if !(LOWEST_CELSIUS - 1e-9..=HIGHEST_CELSIUS + 1e-9).contains(&celsius) {
        let problem = format!("{} K is outside of IEC 60751", temperature.0);
        return Err(MaterialError::new("temperature", problem, "stay between 73.15 K and 1123.15 K"));
    }
    Ok(nominal * ratio(celsius))
}

/// Temperature at which a thermometer that has `nominal` at 0 °C has this resistance; the inverse of [`resistance`] to
/// within 1e-9 K, with its limits.
pub fn temperature(nominal: Ohm, resistance: Ohm) -> Result<Kelvin, MaterialError> {
    let wanted = resistance / nominal;
    let (lowest, highest) = (ratio(LOWEST_CELSIUS), ratio(HIGHEST_CELSIUS));
    if !(lowest - 1e-12..=highest + 1e-12).contains(&wanted) {
        let problem = format!("{resistance} is outside of IEC 60751 for {nominal} at 0 °C");
        let remedy = format!("stay between {} and {}", nominal * lowest, nominal * highest);
        return Err(MaterialError::new("resistance", problem, remedy));
    }
    // The root of the parabola, exact from 0 °C on; below, where it is off by 2.4 K at most, a start for Newton, whose
    // fifth step is below the last digit.
    let mut celsius = (-A + (A * A - 4.0 * B * (1.0 - wanted)).sqrt()) / (2.0 * B);
    if celsius < 0.0 {
        for _ in 0..5 {
            celsius -= (ratio(celsius) - wanted) / slope(celsius);
        }
    }
    Ok(ZERO_CELSIUS + Kelvin(celsius))
}

fn ratio(celsius: f64) -> f64 {
    let t = celsius;
    let cold = if t < 0.0 { C * (t - 100.0) * t.powi(3) } else { 0.0 };
    1.0 + A * t + B * t * t + cold
}

/// Of the formula below 0 °C.
fn slope(celsius: f64) -> f64 {
    let t = celsius;
    A + 2.0 * B * t + C * (4.0 * t.powi(3) - 300.0 * t * t)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed from the formula of IEC 60751:2008 by other code; −200 °C and 850 °C are also those of its table
    /// (18.52 Ω, 390.481 Ω). Degrees Celsius and ohms.
    const PT100_TABLE: [(f64, f64); 20] = [
        (-200.0, 18.5201),
        (-195.8, 20.3327),
        (-150.0, 39.7232),
        (-100.0, 60.2558),
        (-50.0, 80.3063),
        (0.0, 100.0),
        (0.01, 100.0039),
        (20.0, 107.7935),
        (23.0, 108.9585),
        (25.0, 109.7347),
        (50.0, 119.3971),
        (100.0, 138.5055),
        (150.0, 157.3251),
        (200.0, 175.8560),
        (250.0, 194.0981),
        (300.0, 212.0515),
        (400.0, 247.0920),
        (500.0, 280.9775),
        (600.0, 313.7080),
        (850.0, 390.4811),
    ];

    #[test]
    fn a_thermometer_has_the_resistances_of_the_standard() {
        for (celsius, ohm) in PT100_TABLE {
            let computed = resistance(PT100, ZERO_CELSIUS + Kelvin(celsius)).unwrap();
            assert!((computed.0 - ohm).abs() < 0.51e-4, "{celsius} °C: {} instead of {ohm}", computed.0);
        }
    }

    #[test]
    fn the_temperature_comes_back_from_the_resistance() {
        for step in 0..=2100 {
            let expected = Kelvin(73.15 + 0.5 * f64::from(step));
            let ohm = resistance(Ohm(1000.0), expected).unwrap();
            let back = temperature(Ohm(1000.0), ohm).unwrap();
            assert!((back - expected).abs() < Kelvin(1e-9), "{} K came back as {} K", expected.0, back.0);
        }
    }

    #[test]
    fn beyond_the_standard_there_is_no_answer() {
        for kelvin in [4.2, 73.1, 1123.2, f64::NAN] {
            let error = resistance(PT100, Kelvin(kelvin)).unwrap_err();
            assert_eq!(error.parameter, "temperature");
        }
        for ohm in [18.5, 390.5, -1.0, f64::NAN] {
            assert_eq!(temperature(PT100, Ohm(ohm)).unwrap_err().parameter, "resistance");
        }
        assert!(temperature(Ohm(0.0), Ohm(100.0)).is_err());
    }
}
