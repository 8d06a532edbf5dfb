//! A program message taken apart into units, with the path rules of SCPI-1999 volume 1, 6.2.4.

use super::ScpiError;
use super::lexer::{Lexer, RawHeader};

/// One command or query of a program message, its path resolved.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    /// What is addressed.
    pub header: Header,
    /// Whether it asks.
    pub is_query: bool,
    /// Its data, in order.
    pub parameters: Vec<Parameter>,
}

/// The header of a unit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Header {
    /// A common command in upper case without its star and question mark: `IDN`.
    Common(String),
    /// A path from the root.
    Path(Vec<Mnemonic>),
}

/// One node of a path.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mnemonic {
    /// In upper case, without its suffix.
    pub name: String,
    /// Digits at its end, if there are any.
    pub suffix: Option<u32>,
}

/// A parameter with the type that its form gives it (IEEE 488.2, 7.7).
#[derive(Clone, Debug, PartialEq)]
pub enum Parameter {
    /// A decimal number and its suffix in upper case, not yet applied.
    Number {
        /// As written, without the suffix's multiplier.
        value: f64,
        /// Multiplier and unit.
        suffix: Option<String>,
    },
    /// A number after `#H`, `#Q` or `#B`.
    WholeNumber(u64),
    /// Character data in upper case.
    Word(String),
    /// String data without quotes.
    Text(String),
    /// Block data.
    Block(Vec<u8>),
    /// An expression or channel list with its brackets.
    Expression(String),
}

/// The units of one message, in order, up to the first that is wrong: what follows it is not executed.
pub struct Units<'a> {
    lexer: Lexer<'a>,
    path: Vec<Mnemonic>,
    is_first: bool,
    is_done: bool,
}

/// Takes a message without its newline apart. An empty message has no units. No input makes it panic.
pub fn parse_message(message: &[u8]) -> Units<'_> {
    Units { lexer: Lexer::new(message), path: Vec::new(), is_first: true, is_done: false }
}

impl Iterator for Units<'_> {
    type Item = Result<Unit, ScpiError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.is_done {
            return None;
        }
        self.lexer.skip_white_space();
        if self.is_first && self.lexer.is_at_end() {
            self.is_done = true;
            return None;
        }
        self.is_first = false;
        let unit = self.unit();
        self.is_done = unit.is_err() || self.lexer.is_at_end();
        if !self.is_done {
            self.lexer.take(b';');
        }
        Some(unit)
    }
}

impl Units<'_> {
    fn unit(&mut self) -> Result<Unit, ScpiError> {
        let raw = self.lexer.header()?;
        let is_query = raw.is_query;
        let header = self.resolve(raw);
        let mut parameters = Vec::new();
        self.lexer.skip_white_space();
        if !self.is_at_end_of_unit() {
            parameters.push(self.parameter()?);
            while self.lexer.take(b',') {
                self.lexer.skip_white_space();
                parameters.push(self.parameter()?);
            }
        }
        if !self.is_at_end_of_unit() {
            return Err(self.lexer.not_a_separator());
        }
        Ok(Unit { header, is_query, parameters })
    }

    fn parameter(&mut self) -> Result<Parameter, ScpiError> {
        let parameter = self.lexer.parameter()?;
        self.lexer.skip_white_space();
        Ok(parameter)
    }

    fn is_at_end_of_unit(&self) -> bool {
        matches!(self.lexer.peek(), None | Some(b';'))
    }

    /// A header without leading colon goes on from the last but one node of the one before; a common command does
    /// not move that place.
    fn resolve(&mut self, raw: RawHeader) -> Header {
        let RawHeader { is_common, from_root, mut mnemonics, .. } = raw;
        if is_common {
            let written = mnemonics.remove(0);
            return Header::Common(match written.suffix {
                Some(suffix) => format!("{}{suffix}", written.name),
                None => written.name,
            });
        }
        let mut path = if from_root { Vec::new() } else { std::mem::take(&mut self.path) };
        path.append(&mut mnemonics);
        self.path = path[..path.len() - 1].to_vec();
        Header::Path(path)
    }
}

impl std::fmt::Display for Header {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Common(name) => write!(f, "*{name}"),
            Self::Path(path) => path.iter().try_for_each(|node| write!(f, ":{node}")),
        }
    }
}

impl std::fmt::Display for Mnemonic {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.name)?;
        self.suffix.map_or(Ok(()), |suffix| write!(f, "{suffix}"))
    }
}
