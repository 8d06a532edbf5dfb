//! The elements of a program message: headers and data of IEEE 488.2, 7.6 and 7.7, one at a time.

use super::ScpiError;
use super::unit::{Mnemonic, Parameter};
use crate::errors::*;

/// Longest mnemonic, character datum and suffix (IEEE 488.2, 7.6.1.4.1, 7.7.1.4, 7.7.3.4).
const LONGEST_WORD: usize = 12;
/// Largest exponent and most digits of a decimal datum (IEEE 488.2, 7.7.2.4.1).
const LARGEST_EXPONENT: u32 = 32_000;
const MOST_DIGITS: usize = 255;

/// A place in a message.
pub(super) struct Lexer<'a> {
    rest: &'a [u8],
}

/// A header as written, before its path is resolved.
pub(super) struct RawHeader {
    pub(super) is_common: bool,
    pub(super) from_root: bool,
    pub(super) mnemonics: Vec<Mnemonic>,
    pub(super) is_query: bool,
}

impl<'a> Lexer<'a> {
    pub(super) fn new(message: &'a [u8]) -> Self {
        Self { rest: message }
    }

    pub(super) fn is_at_end(&self) -> bool {
        self.rest.is_empty()
    }

    pub(super) fn peek(&self) -> Option<u8> {
        self.rest.first().copied()
    }

    /// Takes the byte if it is next.
    pub(super) fn take(&mut self, byte: u8) -> bool {
        let found = self.peek() == Some(byte);
        if found {
            self.rest = &self.rest[1..];
        }
        found
    }

    /// Skips white space: 0 to 9 and 11 to 32 (IEEE 488.2, 7.4.1.2), so also CR. Tells whether there was any.
    pub(super) fn skip_white_space(&mut self) -> bool {
        !self.take_while(is_white_space).is_empty()
    }

    pub(super) fn header(&mut self) -> Result<RawHeader, ScpiError> {
        let is_common = self.take(b'*');
        let from_root = !is_common && self.take(b':');
        let mut mnemonics = vec![self.mnemonic()?];
        while !is_common && self.take(b':') {
            mnemonics.push(self.mnemonic()?);
        }
        let is_query = self.take(b'?');
        match self.peek() {
            None | Some(b';') => {}
            Some(byte) if is_white_space(byte) => {}
            Some(b',') => return Err(ScpiError::new(INVALID_SEPARATOR)),
            Some(b'"' | b'\'' | b'#' | b'(') => return Err(ScpiError::new(HEADER_SEPARATOR_ERROR)),
            Some(byte) => return Err(unexpected(byte)),
        }
        Ok(RawHeader { is_common, from_root, mnemonics, is_query })
    }

    pub(super) fn parameter(&mut self) -> Result<Parameter, ScpiError> {
        let Some(byte) = self.peek() else {
            return Err(ScpiError::new(SYNTAX_ERROR));
        };
        match byte {
            b'+' | b'-' | b'.' | b'0'..=b'9' => self.decimal(),
            b'#' => self.hash(),
            b'"' | b'\'' => self.string(byte),
            b'(' => self.expression(),
            _ if byte.is_ascii_alphabetic() => self.word(),
            _ => Err(unexpected(byte)),
        }
    }

    /// The error for what stands where a separator is due: a byte in the wrong place, or one without any.
    pub(super) fn not_a_separator(&self) -> ScpiError {
        match self.peek().map(unexpected) {
            Some(error) if error.code == INVALID_CHARACTER => error,
            _ => ScpiError::new(INVALID_SEPARATOR),
        }
    }

    fn take_while(&mut self, accept: impl Fn(u8) -> bool) -> &'a [u8] {
        let length = self.rest.iter().position(|&byte| !accept(byte)).unwrap_or(self.rest.len());
        self.take_count(length)
    }

    fn take_count(&mut self, length: usize) -> &'a [u8] {
        let (taken, rest) = self.rest.split_at(length);
        self.rest = rest;
        taken
    }

    fn mnemonic(&mut self) -> Result<Mnemonic, ScpiError> {
        match self.peek() {
            Some(byte) if byte.is_ascii_alphabetic() => {}
            Some(byte) => return Err(unexpected(byte)),
            None => return Err(ScpiError::new(SYNTAX_ERROR)),
        }
        let written = ascii(self.take_while(is_word_byte)).to_ascii_uppercase();
        let name = written.trim_end_matches(|c: char| c.is_ascii_digit());
        if written.len() > LONGEST_WORD {
            return Err(ScpiError::with(PROGRAM_MNEMONIC_TOO_LONG, written));
        }
        let digits = &written[name.len()..];
        let suffix = match digits {
            "" => None,
            // At most eleven digits remain of twelve characters.
            _ => Some(digits.parse().map_err(|_| ScpiError::new(HEADER_SUFFIX_OUT_OF_RANGE))?),
        };
        Ok(Mnemonic { name: name.to_owned(), suffix })
    }

    fn decimal(&mut self) -> Result<Parameter, ScpiError> {
        let mut text = String::new();
        text.push_str(ascii(self.take_while_at_most(1, |b| matches!(b, b'+' | b'-'))));
        let whole = self.take_while(|b| b.is_ascii_digit());
        text.push_str(ascii(whole));
        let mut digits = whole.len();
        if self.take(b'.') {
            let fraction = self.take_while(|b| b.is_ascii_digit());
            text.push('.');
            text.push_str(ascii(fraction));
            digits += fraction.len();
        }
        if digits == 0 {
            return Err(ScpiError::new(INVALID_CHARACTER_IN_NUMBER));
        }
        if digits > MOST_DIGITS {
            return Err(ScpiError::new(TOO_MANY_DIGITS));
        }
        text.push_str(&self.exponent()?);
        if matches!(self.peek(), Some(b'.' | b'+' | b'-' | b'#' | b'_')) {
            return Err(ScpiError::new(INVALID_CHARACTER_IN_NUMBER));
        }
        let value = text.parse().map_err(|_| ScpiError::new(NUMERIC_DATA_ERROR))?;
        Ok(Parameter::Number { value, suffix: self.suffix()? })
    }

    fn take_while_at_most(&mut self, most: usize, accept: impl Fn(u8) -> bool) -> &'a [u8] {
        let length = self.rest.iter().take(most).take_while(|&&byte| accept(byte)).count();
        self.take_count(length)
    }

    /// `E`, with white space before it and before its sign, and digits; or nothing, if no digits follow: then the
    /// letter begins a suffix (IEEE 488.2, 7.7.2.2).
    fn exponent(&mut self) -> Result<String, ScpiError> {
        let mut ahead = Self { rest: self.rest };
        ahead.skip_white_space();
        if !ahead.take(b'E') && !ahead.take(b'e') {
            return Ok(String::new());
        }
        ahead.skip_white_space();
        let sign = ascii(ahead.take_while_at_most(1, |b| matches!(b, b'+' | b'-')));
        let digits = ascii(ahead.take_while(|b| b.is_ascii_digit()));
        if digits.is_empty() {
            return Ok(String::new());
        }
        self.rest = ahead.rest;
        match digits.parse::<u32>() {
            Ok(exponent) if exponent <= LARGEST_EXPONENT => Ok(format!("E{sign}{exponent}")),
            _ => Err(ScpiError::new(EXPONENT_TOO_LARGE)),
        }
    }

    /// A unit with its multiplier, white space before it allowed.
    fn suffix(&mut self) -> Result<Option<String>, ScpiError> {
        let mut ahead = Self { rest: self.rest };
        ahead.skip_white_space();
        if !ahead.peek().is_some_and(|b| b.is_ascii_alphabetic() || b == b'/') {
            return Ok(None);
        }
        let suffix =
            ascii(ahead.take_while(|b| b.is_ascii_alphanumeric() || matches!(b, b'/' | b'.' | b'-' | b'^')));
        self.rest = ahead.rest;
        if suffix.len() > LONGEST_WORD {
            return Err(ScpiError::new(SUFFIX_TOO_LONG));
        }
        Ok(Some(suffix.to_ascii_uppercase()))
    }

    fn word(&mut self) -> Result<Parameter, ScpiError> {
        let word = ascii(self.take_while(is_word_byte));
        if word.len() > LONGEST_WORD {
            return Err(ScpiError::with(CHARACTER_DATA_TOO_LONG, word));
        }
        Ok(Parameter::Word(word.to_ascii_uppercase()))
    }

    fn string(&mut self, quote: u8) -> Result<Parameter, ScpiError> {
        self.take(quote);
        let mut text = String::new();
        loop {
            let part = self.take_while(|b| b != quote);
            if !part.is_ascii() || !self.take(quote) {
                return Err(ScpiError::new(INVALID_STRING_DATA));
            }
            text.push_str(ascii(part));
            if !self.take(quote) {
                return Ok(Parameter::Text(text));
            }
            text.push(quote as char);
        }
    }

    fn expression(&mut self) -> Result<Parameter, ScpiError> {
        let mut depth = 0usize;
        for (at, &byte) in self.rest.iter().enumerate() {
            match byte {
                b'(' => depth += 1,
                b')' if depth == 1 => {
                    return Ok(Parameter::Expression(ascii(self.take_count(at + 1)).to_owned()));
                }
                b')' => depth -= 1,
                // Not allowed inside by IEEE 488.2, 7.7.7.2.
                b'"' | b'\'' | b'#' | b';' => break,
                _ if !byte.is_ascii() => break,
                _ => {}
            }
        }
        Err(ScpiError::new(INVALID_EXPRESSION))
    }

    fn hash(&mut self) -> Result<Parameter, ScpiError> {
        self.take(b'#');
        let kind = self.peek().ok_or_else(|| ScpiError::new(SYNTAX_ERROR))?;
        self.rest = &self.rest[1..];
        match kind.to_ascii_uppercase() {
            b'H' => self.whole_number(16),
            b'Q' => self.whole_number(8),
            b'B' => self.whole_number(2),
            b'0' => Ok(Parameter::Block(self.take_count(self.rest.len()).to_vec())),
            b'1'..=b'9' => self.definite_block(usize::from(kind - b'0')),
            _ => Err(unexpected(kind)),
        }
    }

    fn whole_number(&mut self, radix: u32) -> Result<Parameter, ScpiError> {
        let digits = ascii(self.take_while(|b| b.is_ascii_alphanumeric()));
        if digits.is_empty() || !digits.chars().all(|c| c.is_digit(radix)) {
            return Err(ScpiError::new(INVALID_CHARACTER_IN_NUMBER));
        }
        let value = u64::from_str_radix(digits, radix).map_err(|_| ScpiError::new(TOO_MANY_DIGITS))?;
        Ok(Parameter::WholeNumber(value))
    }

    fn definite_block(&mut self, digits: usize) -> Result<Parameter, ScpiError> {
        let fault = || ScpiError::new(INVALID_BLOCK_DATA);
        let length = self.take_while_at_most(digits, |b| b.is_ascii_digit());
        if length.len() != digits {
            return Err(fault());
        }
        let length = ascii(length).parse::<usize>().map_err(|_| fault())?;
        if length > self.rest.len() {
            return Err(fault());
        }
        Ok(Parameter::Block(self.take_count(length).to_vec()))
    }
}

fn is_white_space(byte: u8) -> bool {
    byte <= b' ' && byte != b'\n'
}

fn is_word_byte(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'_'
}

/// The error for a byte that cannot stand where it stands: wrong place, or no place anywhere.
fn unexpected(byte: u8) -> ScpiError {
    let has_a_place = byte.is_ascii_alphanumeric() || b"*:;,?+-.\"'#()_ /".contains(&byte);
    match byte {
        _ if has_a_place => ScpiError::new(SYNTAX_ERROR),
        b'!'..=b'~' => ScpiError::with(INVALID_CHARACTER, (byte as char).to_string()),
        _ => ScpiError::with(INVALID_CHARACTER, format!("{byte:#04x}")),
    }
}

/// Only called on bytes that were found to be ASCII.
fn ascii(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap_or_default()
}
