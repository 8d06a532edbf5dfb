//! Which two contacts carry the current and which two sense the voltage, in order.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// A contact of the sample, counted from 1, counter-clockwise seen with +B pointing at the viewer
/// (numbering of ASTM F76, from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Contact(u8);

impl Contact {
    /// Contact `number`, counted from 1; `None` for 0.
    pub fn new(number: u8) -> Option<Self> {
        (number > 0).then_some(Self(number))
    }

    /// A contact whose number is known to be 1 or more.
    pub(crate) const fn at(number: u8) -> Self {
        assert!(number > 0, "contacts are counted from 1");
        Self(number)
    }

    /// The number, from 1.
    pub fn number(self) -> u8 {
        self.0
    }

    /// The place in a list, from 0.
    pub fn index(self) -> usize {
        usize::from(self.0) - 1
    }

    /// The first `count` contacts in order.
    pub fn first(count: usize) -> impl Iterator<Item = Self> + Clone {
        (1..=u8::try_from(count).unwrap_or(u8::MAX)).map(Self)
    }
}

impl fmt::Display for Contact {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

/// Current into `source_in` and out of `source_out`; voltage of `sense_high` against `sense_low`.
///
/// Written `12,34`; with a dot inside the pairs where a contact has two digits: `1.12,3.4`. The resistance of a
/// configuration is R₁₂,₃₄ = (V₃ − V₄) / I, with I into contact 1 and out of contact 2.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Configuration {
    /// Contact into which positive current flows.
    pub source_in: Contact,
    /// Contact out of which positive current flows.
    pub source_out: Contact,
    /// Contact at the positive terminal of the voltmeter.
    pub sense_high: Contact,
    /// Contact at the negative terminal of the voltmeter.
    pub sense_low: Contact,
}

impl Configuration {
    /// A configuration of four contact numbers; `None` where current or voltage would be between a contact and
    /// itself, or a number is 0.
    pub fn new(source_in: u8, source_out: u8, sense_high: u8, sense_low: u8) -> Option<Self> {
        let distinct = source_in != source_out && sense_high != sense_low;
        distinct.then_some(())?;
        Some(Self {
            source_in: Contact::new(source_in)?,
            source_out: Contact::new(source_out)?,
            sense_high: Contact::new(sense_high)?,
            sense_low: Contact::new(sense_low)?,
        })
    }

    /// The four contacts: source in, source out, sense high, sense low.
    pub fn contacts(self) -> [Contact; 4] {
        [self.source_in, self.source_out, self.sense_high, self.sense_low]
    }

    /// Whether no contact both carries current and senses: a four-terminal configuration.
    pub fn is_four_terminal(self) -> bool {
        let sources = [self.source_in, self.source_out];
        !sources.contains(&self.sense_high) && !sources.contains(&self.sense_low)
    }

    /// Whether the contacts that carry current are those that sense: a two-terminal configuration, as of a contact check.
    pub fn is_two_terminal(self) -> bool {
        let sources = [self.source_in, self.source_out];
        sources.contains(&self.sense_high) && sources.contains(&self.sense_low)
    }

    /// Current and sense pairs exchanged: the configuration that reciprocity compares with this one.
    pub fn reciprocal(self) -> Self {
        Self {
            source_in: self.sense_high,
            source_out: self.sense_low,
            sense_high: self.source_in,
            sense_low: self.source_out,
        }
    }
}

impl fmt::Display for Configuration {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a, b, c, d] = self.contacts();
        let dot = if self.contacts().iter().any(|x| x.number() > 9) { "." } else { "" };
        write!(f, "{a}{dot}{b},{c}{dot}{d}")
    }
}

/// Why a text is not a configuration.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{0}\" is not a configuration: write the two current contacts, a comma, the two sense contacts, all from 1 and the two of a pair different, as in \"12,34\""
)]
pub struct ParseConfigurationError(String);

impl FromStr for Configuration {
    type Err = ParseConfigurationError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wrong = || ParseConfigurationError(text.to_owned());
        let (source, sense) = text.trim().split_once(',').ok_or_else(wrong)?;
        let (a, b) = pair(source).ok_or_else(wrong)?;
        let (c, d) = pair(sense).ok_or_else(wrong)?;
        Self::new(a, b, c, d).ok_or_else(wrong)
    }
}

fn pair(text: &str) -> Option<(u8, u8)> {
    let number = |digits: &str| {
        let plain = !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit());
        plain.then(|| digits.parse().ok()).flatten()
    };
    match text.split_once('.') {
        Some((a, b)) => Some((number(a)?, number(b)?)),
        None if text.len() == 2 && text.is_ascii() => Some((number(&text[..1])?, number(&text[1..])?)),
        None => None,
    }
}

impl Serialize for Configuration {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Configuration {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

/// Direction of the driven current relative to its configuration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Polarity {
    /// Into `source_in`.
    #[serde(rename = "+")]
    Plus,
    /// Out of `source_in`.
    #[serde(rename = "-")]
    Minus,
}

impl Polarity {
    /// +1 or −1.
    pub fn sign(self) -> f64 {
        match self {
            Self::Plus => 1.0,
            Self::Minus => -1.0,
        }
    }
}

impl fmt::Display for Polarity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Plus => "+",
            Self::Minus => "-",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_configuration_is_written_as_it_is_read() {
        for text in ["12,34", "42,13", "12,12", "1.12,3.4"] {
            assert_eq!(text.parse::<Configuration>().unwrap().to_string(), text);
        }
    }

    #[test]
    fn what_is_not_a_configuration_is_refused_with_an_example() {
        for text in
            ["", "12", "11,34", "12,33", "10,34", "1234", "12,3", "12,345", "+1,34", "12;34", "1.2,3.x"]
        {
            let error = text.parse::<Configuration>().unwrap_err().to_string();
            assert!(error.contains("12,34"), "{error}");
        }
    }

    #[test]
    fn the_reciprocal_exchanges_the_pairs_in_order() {
        let configuration: Configuration = "12,43".parse().unwrap();
        assert_eq!(configuration.reciprocal().to_string(), "43,12");
    }
}
