//! Answers that are not numbers: booleans, strings, blocks, the error queue's entries, and who an instrument is.

use thiserror::Error;

/// An answer that is not what was asked for.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("expected {expected}, got {answer:?}")]
pub struct AnswerError {
    /// What the question asked for.
    pub expected: &'static str,
    /// What came, shortened to its first characters.
    pub answer: String,
}

/// Characters of a wrong answer that an error shows.
const SHOWN: usize = 120;

impl AnswerError {
    /// An error that shows the beginning of the answer.
    pub fn new(expected: &'static str, answer: &str) -> Self {
        Self { expected, answer: answer.chars().take(SHOWN).collect() }
    }
}

/// An entry of an instrument's error queue.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ErrorEntry {
    /// Zero when the queue is empty, negative as in the standard's table, positive for the instrument's own.
    pub code: i32,
    /// Text and, after `;`, what the instrument adds.
    pub text: String,
}

/// What an instrument says it is, in answer to `*IDN?` (IEEE 488.2, 10.14).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Identity {
    /// First field.
    pub manufacturer: String,
    /// Second field.
    pub model: String,
    /// Third field; `0` where the instrument has none. Empty if the answer has fewer fields.
    pub serial: String,
    /// Fourth field and all that follows it. Empty if the answer has fewer fields.
    pub firmware: String,
    /// The whole answer as it came, without its terminator.
    pub raw: String,
}

impl ErrorEntry {
    /// Reads `-113,"Undefined header"`, also with a sign before zero. A text without quotes is taken as it is.
    pub fn parse(answer: &str) -> Result<Self, AnswerError> {
        let fault = || AnswerError::new("an error number and its text", answer);
        let (code, text) = answer.split_once(',').ok_or_else(fault)?;
        let code = code.trim();
        let digits = code.strip_prefix(['+', '-']).unwrap_or(code);
        if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return Err(fault());
        }
        let code = code.parse().map_err(|_| fault())?;
        let text = text.trim();
        let text =
            if text.starts_with('"') { parse_text(text).map_err(|_| fault())? } else { text.to_owned() };
        Ok(Self { code, text })
    }

    /// Whether the queue was empty.
    pub fn is_none(&self) -> bool {
        self.code == 0
    }

    /// Whether errors were lost before this one could be read (-350): evidence is missing.
    pub fn is_overflow(&self) -> bool {
        self.code == crate::errors::QUEUE_OVERFLOW
    }
}

impl std::fmt::Display for ErrorEntry {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {:?}", self.code, self.text)
    }
}

impl Identity {
    /// Reads what there is; an answer that is not four fields keeps its whole in [`Identity::raw`].
    pub fn parse(answer: &str) -> Self {
        let raw = answer.trim_end_matches(['\r', '\n']).to_owned();
        let mut fields = raw.splitn(4, ',').map(|field| field.trim().trim_matches('"').trim().to_owned());
        let mut next = || fields.next().unwrap_or_default();
        let (manufacturer, model, serial, firmware) = (next(), next(), next(), next());
        Self { manufacturer, model, serial, firmware, raw }
    }

    /// Whether manufacturer, model and serial number are the same: the same instrument, whatever its firmware.
    pub fn same_instrument(&self, other: &Self) -> bool {
        self.manufacturer == other.manufacturer && self.model == other.model && self.serial == other.serial
    }
}

impl std::fmt::Display for Identity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.raw)
    }
}

/// Reads `0` or `1` (IEEE 488.2 knows no other boolean answer), and the `ON` and `OFF` that some send.
pub fn parse_boolean(answer: &str) -> Result<bool, AnswerError> {
    match answer.trim().to_ascii_uppercase().as_str() {
        "0" | "+0" | "OFF" => Ok(false),
        "1" | "+1" | "ON" => Ok(true),
        _ => Err(AnswerError::new("0 or 1", answer)),
    }
}

/// Reads a string in double quotes, a quote in it doubled (IEEE 488.2, 8.7.8).
pub fn parse_text(answer: &str) -> Result<String, AnswerError> {
    let fault = || AnswerError::new("a string in double quotes", answer);
    let inner = answer.trim().strip_prefix('"').and_then(|rest| rest.strip_suffix('"')).ok_or_else(fault)?;
    let mut text = String::with_capacity(inner.len());
    let mut characters = inner.chars();
    while let Some(character) = characters.next() {
        if character == '"' && characters.next() != Some('"') {
            return Err(fault());
        }
        text.push(character);
    }
    Ok(text)
}

/// The data of one definite-length block (IEEE 488.2, 8.7.9) that is the whole message.
pub fn parse_block(message: &[u8]) -> Result<&[u8], AnswerError> {
    let fault = || AnswerError::new("a block of definite length", &String::from_utf8_lossy(message));
    let [b'#', count @ b'1'..=b'9', rest @ ..] = message else {
        return Err(fault());
    };
    let (length, data) = rest.split_at_checked(usize::from(count - b'0')).ok_or_else(fault)?;
    if !length.iter().all(u8::is_ascii_digit) {
        return Err(fault());
    }
    let length = length.iter().fold(0usize, |sum, digit| sum * 10 + usize::from(digit - b'0'));
    if data.len() == length { Ok(data) } else { Err(fault()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn check_error(answer: &str, code: i32, text: &str) {
        assert_eq!(ErrorEntry::parse(answer).expect(answer), ErrorEntry { code, text: text.to_owned() });
    }

    // Form from SCPI-1999 volume 2, 21.8.1; from memory.
    #[test]
    fn error_entries_are_a_number_and_a_string() {
        check_error("-113,\"Undefined header\"", -113, "Undefined header");
        check_error("+0,\"No error\"", 0, "No error");
        check_error("0,\"No error\"", 0, "No error");
        check_error(
            "-222,\"Data out of range;CURR 5, \"\"high\"\"\"",
            -222,
            "Data out of range;CURR 5, \"high\"",
        );
        check_error("710, \"Heater open\" ", 710, "Heater open");
        check_error("0,No error", 0, "No error");
        assert!(ErrorEntry::parse("+0,\"No error\"").unwrap().is_none());
        assert!(ErrorEntry::parse("-350,\"Queue overflow\"").unwrap().is_overflow());
    }

    #[test]
    fn what_is_no_error_entry_is_refused() {
        for answer in
            ["", "0", "1.5E-3", "abc,\"x\"", "-113,\"Undefined", "99999999999,\"x\"", "-,\"x\"", "1,\"a\"b\""]
        {
            assert!(ErrorEntry::parse(answer).is_err(), "{answer:?}");
        }
    }

    #[test]
    fn an_identity_is_four_fields_or_what_there_is() {
        let identity = Identity::parse("Invented Instruments, CS-1,00123,1.0, build 7\r\n");
        assert_eq!(
            [&identity.manufacturer, &identity.model, &identity.serial, &identity.firmware],
            ["Invented Instruments", "CS-1", "00123", "1.0, build 7"]
        );
        assert_eq!(identity.raw, "Invented Instruments, CS-1,00123,1.0, build 7");
        let short = Identity::parse("homemade \u{fffd} box");
        assert_eq!((short.manufacturer.as_str(), short.model.as_str()), ("homemade \u{fffd} box", ""));
    }

    #[test]
    fn new_firmware_is_the_same_instrument_and_another_serial_is_not() {
        let identity = Identity::parse("A,B,1,2");
        assert!(identity.same_instrument(&Identity::parse("A,B,1,3")));
        assert!(!identity.same_instrument(&Identity::parse("A,B,2,2")));
    }

    #[test]
    fn booleans_are_zero_and_one() {
        assert_eq!(parse_boolean(" 1"), Ok(true));
        assert_eq!(parse_boolean("0\r"), Ok(false));
        assert_eq!(parse_boolean("off"), Ok(false));
        for answer in ["", "2", "-1", "true", "1.5E-3", "9.91E37"] {
            assert!(parse_boolean(answer).is_err(), "{answer:?}");
        }
    }

    #[test]
    fn strings_double_their_quotes() {
        assert_eq!(parse_text("\"VOLT:DC\"").unwrap(), "VOLT:DC");
        assert_eq!(parse_text("\"a \"\"b\"\"\"").unwrap(), "a \"b\"");
        for answer in ["", "\"", "VOLT", "\"a\"b\"", "\"a\"\""] {
            assert!(parse_text(answer).is_err(), "{answer:?}");
        }
    }

    #[test]
    fn blocks_have_the_length_that_they_announce() {
        assert_eq!(parse_block(b"#15a\nb\r\n").unwrap(), b"a\nb\r\n");
        assert_eq!(parse_block(b"#10").unwrap(), b"");
        for message in [&b""[..], b"#", b"#0ab", b"#15abcd", b"#15abcdef", b"#2", b"#2x1a"] {
            assert!(parse_block(message).is_err(), "{message:?}");
        }
    }

    proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "[-+0-9,\"#;a-z \\PC]*") {
            let _ = (ErrorEntry::parse(&text), Identity::parse(&text), parse_text(&text), parse_boolean(&text));
            let _ = parse_block(text.as_bytes());
        }
    }
}
