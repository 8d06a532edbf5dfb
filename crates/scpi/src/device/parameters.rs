//! Parameters read as what a command wants: numbers with units within limits, booleans, words, channel lists.

use super::ScpiError;
use super::unit::{Parameter, Unit};
use crate::channels::{ChannelList, ChannelListError};
use crate::errors::*;
use std::ops::RangeInclusive;

/// Units that a number may carry (IEEE 488.2, 7.7.3.2, table 7-1), all of one kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Family {
    /// A pure number: any suffix is an error.
    None,
    /// Volts.
    Volt,
    /// Amperes.
    Ampere,
    /// Ohms.
    Ohm,
    /// Seconds.
    Second,
    /// Watts.
    Watt,
    /// Farads.
    Farad,
    /// Kelvins.
    Kelvin,
    /// Teslas.
    Tesla,
    /// Hertz.
    Hertz,
}

/// What a numeric parameter may be, in the unit of its family without multiplier.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Units that it may carry.
    pub family: Family,
    /// Smallest, also what `MINimum` stands for.
    pub minimum: f64,
    /// Largest, also what `MAXimum` stands for.
    pub maximum: f64,
    /// What `DEFault` stands for.
    pub default: f64,
}

/// Multipliers of IEEE 488.2, table 7-2.
const MULTIPLIERS: [(&str, f64); 13] = [
    ("EX", 1e18),
    ("PE", 1e15),
    ("T", 1e12),
    ("G", 1e9),
    ("MA", 1e6),
    ("K", 1e3),
    ("", 1.0),
    ("M", 1e-3),
    ("U", 1e-6),
    ("N", 1e-9),
    ("P", 1e-12),
    ("F", 1e-15),
    ("A", 1e-18),
];

impl Family {
    fn symbol(self) -> &'static str {
        match self {
            Self::None => "",
            Self::Volt => "V",
            Self::Ampere => "A",
            Self::Ohm => "OHM",
            Self::Second => "S",
            Self::Watt => "W",
            Self::Farad => "F",
            Self::Kelvin => "K",
            Self::Tesla => "T",
            Self::Hertz => "HZ",
        }
    }

    /// What a suffix in upper case multiplies by.
    fn factor(self, suffix: &str) -> Result<f64, ScpiError> {
        if self == Self::None {
            return Err(ScpiError::with(SUFFIX_NOT_ALLOWED, suffix));
        }
        let multiplier = suffix.strip_suffix(self.symbol());
        // IEEE 488.2, 7.7.3.3: before OHM and HZ, M is mega.
        let is_mega = multiplier == Some("M") && matches!(self, Self::Ohm | Self::Hertz);
        if is_mega {
            return Ok(1e6);
        }
        multiplier
            .and_then(|written| MULTIPLIERS.iter().find(|(symbol, _)| *symbol == written))
            .map(|(_, factor)| *factor)
            .ok_or_else(|| ScpiError::with(INVALID_SUFFIX, suffix))
    }
}

impl Limits {
    /// From the smallest to the largest; the default is the smallest.
    pub fn new(family: Family, minimum: f64, maximum: f64) -> Self {
        Self { family, minimum, maximum, default: minimum }
    }

    fn named(&self, word: &str) -> Option<f64> {
        match word {
            "MIN" | "MINIMUM" => Some(self.minimum),
            "MAX" | "MAXIMUM" => Some(self.maximum),
            "DEF" | "DEFAULT" => Some(self.default),
            _ => None,
        }
    }
}

impl Unit {
    /// Checks how many parameters there are: `-109` if too few, `-108` if too many.
    pub fn expect(&self, count: RangeInclusive<usize>) -> Result<(), ScpiError> {
        match self.parameters.len() {
            given if given < *count.start() => Err(ScpiError::new(MISSING_PARAMETER)),
            given if given > *count.end() => Err(ScpiError::new(PARAMETER_NOT_ALLOWED)),
            _ => Ok(()),
        }
    }

    /// Checks that there are none.
    pub fn expect_none(&self) -> Result<(), ScpiError> {
        self.expect(0..=0)
    }

    /// The parameter at a place, counted from zero, whatever its type.
    pub fn parameter(&self, place: usize) -> Result<&Parameter, ScpiError> {
        self.parameters.get(place).ok_or_else(|| ScpiError::new(MISSING_PARAMETER))
    }

    /// A number within limits, in the unit of its family; also `MINimum`, `MAXimum`, `DEFault`. `-222` outside.
    pub fn number(&self, place: usize, limits: &Limits) -> Result<f64, ScpiError> {
        let value = match self.parameter(place)? {
            Parameter::Number { value, suffix: None } => *value,
            Parameter::Number { value, suffix: Some(suffix) } => value * limits.family.factor(suffix)?,
            Parameter::WholeNumber(value) => *value as f64,
            Parameter::Word(word) => match (limits.named(word), word.as_str()) {
                (Some(value), _) => value,
                (None, "INF" | "INFINITY" | "NINF" | "NINFINITY") => return Err(out_of_range(word)),
                (None, _) => return Err(ScpiError::with(ILLEGAL_PARAMETER_VALUE, word)),
            },
            _ => return Err(ScpiError::new(DATA_TYPE_ERROR)),
        };
        if (limits.minimum..=limits.maximum).contains(&value) {
            Ok(value)
        } else {
            Err(out_of_range(&value.to_string()))
        }
    }

    /// For a query: the limit that its one optional parameter names, or nothing if it has none.
    pub fn named_limit(&self, limits: &Limits) -> Result<Option<f64>, ScpiError> {
        self.expect(0..=1)?;
        match self.parameters.first() {
            None => Ok(None),
            Some(Parameter::Word(word)) => match limits.named(word) {
                Some(value) => Ok(Some(value)),
                None => Err(ScpiError::with(ILLEGAL_PARAMETER_VALUE, word)),
            },
            Some(_) => Err(ScpiError::new(PARAMETER_NOT_ALLOWED)),
        }
    }

    /// A whole number within limits, rounded if it was written with a fraction (IEEE 488.2, 7.7.2.4.2).
    pub fn integer(&self, place: usize, range: RangeInclusive<i64>) -> Result<i64, ScpiError> {
        let value = match self.parameter(place)? {
            Parameter::Number { value, suffix: None } => value.round(),
            Parameter::Number { suffix: Some(suffix), .. } => {
                return Err(ScpiError::with(SUFFIX_NOT_ALLOWED, suffix));
            }
            Parameter::WholeNumber(value) => *value as f64,
            Parameter::Word(word) => match word.as_str() {
                "MIN" | "MINIMUM" => *range.start() as f64,
                "MAX" | "MAXIMUM" => *range.end() as f64,
                _ => return Err(ScpiError::with(ILLEGAL_PARAMETER_VALUE, word)),
            },
            _ => return Err(ScpiError::new(DATA_TYPE_ERROR)),
        };
        // Beyond 2^53 the conversion would not be exact; no range here reaches that far.
        if value >= *range.start() as f64 && value <= *range.end() as f64 {
            Ok(value as i64)
        } else {
            Err(out_of_range(&value.to_string()))
        }
    }

    /// `ON`, `OFF` or a number, which counts as off if it rounds to zero (SCPI-1999 volume 1, 7.3).
    pub fn boolean(&self, place: usize) -> Result<bool, ScpiError> {
        match self.parameter(place)? {
            Parameter::Number { value, suffix: None } => Ok(value.round() != 0.0),
            Parameter::Number { suffix: Some(suffix), .. } => {
                Err(ScpiError::with(SUFFIX_NOT_ALLOWED, suffix))
            }
            Parameter::WholeNumber(value) => Ok(*value != 0),
            Parameter::Word(word) => match word.as_str() {
                "ON" => Ok(true),
                "OFF" => Ok(false),
                _ => Err(ScpiError::with(ILLEGAL_PARAMETER_VALUE, word)),
            },
            _ => Err(ScpiError::new(DATA_TYPE_ERROR)),
        }
    }

    /// Which of several words, each written as `NORMal` with its short form in capitals. `-224` for another word.
    pub fn choice(&self, place: usize, words: &[&str]) -> Result<usize, ScpiError> {
        let Parameter::Word(given) = self.parameter(place)? else {
            return Err(ScpiError::new(DATA_TYPE_ERROR));
        };
        words
            .iter()
            .position(|word| {
                let short = word.trim_end_matches(|c: char| c.is_ascii_lowercase());
                given == short || *given == word.to_ascii_uppercase()
            })
            .ok_or_else(|| ScpiError::with(ILLEGAL_PARAMETER_VALUE, given))
    }

    /// String data.
    pub fn text(&self, place: usize) -> Result<&str, ScpiError> {
        match self.parameter(place)? {
            Parameter::Text(text) => Ok(text),
            _ => Err(ScpiError::new(DATA_TYPE_ERROR)),
        }
    }

    /// A channel list, its ranges written out.
    pub fn channels(&self, place: usize) -> Result<ChannelList, ScpiError> {
        match self.parameter(place)? {
            Parameter::Expression(text) => ChannelList::parse(text).map_err(|error| match error {
                ChannelListError::TooLong => ScpiError::new(TOO_MUCH_DATA),
                _ => ScpiError::with(INVALID_EXPRESSION, text),
            }),
            _ => Err(ScpiError::new(DATA_TYPE_ERROR)),
        }
    }
}

fn out_of_range(what: &str) -> ScpiError {
    ScpiError::with(DATA_OUT_OF_RANGE, what)
}
