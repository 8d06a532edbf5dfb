//! Numbers as instruments send and take them. Not-a-number and overload are states here, never values.

use super::AnswerError;
use std::str::FromStr;
use thiserror::Error;

/// Not-a-number in SCPI-1999 volume 1, 7.2.1.
const NOT_A_NUMBER: f64 = 9.91e37;
/// Infinity in SCPI-1999 volume 1, 7.2.1: this and everything beyond.
const INFINITY: f64 = 9.9e37;
/// Instruments that hold these in single precision send `9.8999999E+37`; 2⁻²³ is 1.2e-7.
const SINGLE_PRECISION: f64 = 1e-6;

/// A number read from an instrument.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Number {
    /// A finite value, in the unit of the question.
    Value(f64),
    /// The instrument says that there is no value: 9.91E37.
    NotANumber,
    /// Overload or infinity: 9.9E37 and above.
    PositiveInfinity,
    /// Overload or infinity: -9.9E37 and below.
    NegativeInfinity,
}

/// A value that has no decimal form was to be sent.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
#[error("{0} cannot be sent as a number")]
pub struct NotFinite(pub f64);

impl Number {
    /// Reads NR1, NR2 or NR3 (IEEE 488.2, 8.7.2 to 8.7.4) with blanks around it and nothing else: no unit, no
    /// decimal comma, no words. A mantissa may lack its digits on one side of the point.
    pub fn parse(text: &str) -> Result<Self, AnswerError> {
        let fault = || AnswerError::new("a number", text);
        let number = text.trim_matches([' ', '\t', '\r']);
        if !is_decimal(number.as_bytes()) {
            return Err(fault());
        }
        // The grammar is checked above; an exponent beyond the range gives infinity or zero.
        Ok(Self::from_value(number.parse().map_err(|_| fault())?))
    }

    /// The state or value that a received number stands for.
    fn from_value(value: f64) -> Self {
        if (value / NOT_A_NUMBER - 1.0).abs() < SINGLE_PRECISION {
            Self::NotANumber
        } else if value.abs() >= INFINITY * (1.0 - SINGLE_PRECISION) {
            if value > 0.0 { Self::PositiveInfinity } else { Self::NegativeInfinity }
        } else {
            Self::Value(value)
        }
    }

    /// The value, if it is one.
    pub fn value(self) -> Option<f64> {
        match self {
            Self::Value(value) => Some(value),
            _ => None,
        }
    }
}

impl FromStr for Number {
    type Err = AnswerError;

    fn from_str(text: &str) -> Result<Self, AnswerError> {
        Self::parse(text)
    }
}

/// Numbers separated by commas, at least one.
pub fn parse_numbers(text: &str) -> Result<Vec<Number>, AnswerError> {
    text.split(',').map(Number::parse).collect()
}

/// The shortest decimal that reads back to the same value: plain or with an exponent, whichever is shorter, and
/// of equals the exponent below one and the plain form above. `0.0001` is `1E-4`, `0.0025` is `2.5E-3`.
pub fn format_number(value: f64) -> Result<String, NotFinite> {
    if !value.is_finite() {
        return Err(NotFinite(value));
    }
    if value == 0.0 {
        return Ok("0".to_owned());
    }
    let (plain, scientific) = (format!("{value}"), format!("{value:E}"));
    let prefers_plain =
        plain.len() < scientific.len() || (plain.len() == scientific.len() && value.abs() >= 1.0);
    Ok(if prefers_plain { plain } else { scientific })
}

fn is_decimal(bytes: &[u8]) -> bool {
    let (mantissa, exponent) = match bytes.iter().position(|b| matches!(b, b'E' | b'e')) {
        Some(at) => (&bytes[..at], Some(&bytes[at + 1..])),
        None => (bytes, None),
    };
    let mantissa = without_sign(mantissa);
    let points = mantissa.iter().filter(|&&b| b == b'.').count();
    let digits = mantissa.iter().filter(|b| b.is_ascii_digit()).count();
    let exponent_is_integer = exponent.is_none_or(|exponent| {
        let exponent = without_sign(exponent);
        !exponent.is_empty() && exponent.iter().all(u8::is_ascii_digit)
    });
    digits >= 1 && points <= 1 && points + digits == mantissa.len() && exponent_is_integer
}

fn without_sign(bytes: &[u8]) -> &[u8] {
    match bytes {
        [b'+' | b'-', rest @ ..] => rest,
        _ => bytes,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn check(text: &str, expected: Number) {
        assert_eq!(Number::parse(text).expect(text), expected);
    }

    #[track_caller]
    fn refuse(text: &str) {
        assert!(Number::parse(text).is_err(), "{text:?} was taken for {:?}", Number::parse(text));
    }

    // Forms from IEEE 488.2, 8.7.2 to 8.7.4; from memory.
    #[test]
    fn integer_fixed_and_floating_forms_are_read() {
        check("0", Number::Value(0.0));
        check("-17", Number::Value(-17.0));
        check("+1.2345678E-04", Number::Value(1.2345678e-4));
        check(" 12.5 \r", Number::Value(12.5));
        check(".5", Number::Value(0.5));
        check("-1.", Number::Value(-1.0));
        check("1e3", Number::Value(1000.0));
        check("1E-400", Number::Value(0.0));
    }

    // 9.9E37 and 9.91E37 from SCPI-1999 volume 1, 7.2.1; from memory.
    #[test]
    fn states_are_no_values() {
        check("9.91E37", Number::NotANumber);
        check("+9.910000E+37", Number::NotANumber);
        check("9.9099998E+37", Number::NotANumber);
        check("9.9E37", Number::PositiveInfinity);
        check("+9.90000000E+37", Number::PositiveInfinity);
        check("9.8999999E+37", Number::PositiveInfinity);
        check("-9.9E+37", Number::NegativeInfinity);
        check("-9.91E+37", Number::NegativeInfinity);
        check("1E38", Number::PositiveInfinity);
        check("1E400", Number::PositiveInfinity);
        check("-1E400", Number::NegativeInfinity);
        check("9.8E37", Number::Value(9.8e37));
        assert_eq!(Number::PositiveInfinity.value(), None);
    }

    #[test]
    fn what_is_not_a_number_is_refused() {
        for text in
            ["", " ", "inf", "INF", "NaN", "nan", "1,5", "1.5V", "1.5 V", "1 5", "--1", "+", ".", "E5"]
        {
            refuse(text);
        }
        for text in
            ["1E", "1E+", "1E5.0", "1.2.3", "0x10", "#H10", "1_000", "\u{661}", "1\n2", "infinity", "1E5E5"]
        {
            refuse(text);
        }
    }

    #[test]
    fn lists_are_separated_by_commas() {
        assert_eq!(
            parse_numbers("1, -2.5E0,9.91E37").unwrap()[1..],
            [Number::Value(-2.5), Number::NotANumber]
        );
        assert!(parse_numbers("1,,2").is_err());
        assert!(parse_numbers("").is_err());
    }

    #[test]
    fn numbers_are_sent_short_and_with_an_upper_case_exponent() {
        let check = |value, expected: &str| assert_eq!(format_number(value).unwrap(), expected);
        check(0.0, "0");
        check(-0.0, "0");
        check(1e-4, "1E-4");
        check(2.5e-3, "2.5E-3");
        check(-1e-10, "-1E-10");
        check(1.0, "1");
        check(100.0, "100");
        check(0.5, "0.5");
        check(1e9, "1E9");
        check(300.25, "300.25");
        check(123_456_789.0, "123456789");
        check(1.2345678e-4, "1.2345678E-4");
    }

    #[test]
    fn what_is_not_finite_is_not_sent() {
        assert!(format_number(f64::NAN).is_err());
        assert!(format_number(f64::INFINITY).is_err());
        assert!(format_number(f64::NEG_INFINITY).is_err());
    }

    proptest! {
        #[test]
        fn a_value_survives_being_sent(value in prop::num::f64::NORMAL | prop::num::f64::SUBNORMAL) {
            let text = format_number(value).unwrap();
            prop_assert_eq!(text.parse::<f64>().unwrap(), value);
            if value.abs() < 9.8e37 {
                prop_assert_eq!(Number::parse(&text).unwrap(), Number::Value(value));
            }
        }

        #[test]
        fn no_text_makes_it_panic(text in "\\PC*") {
            let _ = Number::parse(&text);
            let _ = parse_numbers(&text);
        }
    }
}
