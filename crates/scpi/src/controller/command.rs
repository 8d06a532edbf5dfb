//! Whether a text may leave as a program message: the check before every transport, and for dialect templates.
//!
//! It knows the shape of a message (IEEE 488.2, 7), not which commands exist, and is written apart from the
//! parser of the device end on purpose.

use thiserror::Error;

/// Longest mnemonic of a header (IEEE 488.2, 7.6.1.4.1).
const LONGEST_MNEMONIC: usize = 12;

/// What a well-formed message will do to the answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CommandShape {
    /// Units between semicolons.
    pub units: usize,
    /// Units that ask, and so the number of answers in the response message.
    pub queries: usize,
}

/// Why a text may not leave.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum CommandFault {
    /// Nothing, or nothing between two semicolons.
    #[error("a command is empty in {0:?}")]
    Empty(String),
    /// A newline, another control character, or something beyond ASCII.
    #[error("{character:?} may not stand in a command: {text:?}")]
    Character {
        /// The offender.
        character: char,
        /// The whole text.
        text: String,
    },
    /// A header that is no `*` mnemonic and no path of mnemonics.
    #[error("{header:?} is no header: {problem}")]
    Header {
        /// The header as written.
        header: String,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// A parameter is missing between commas or has a form that no data type has.
    #[error("{parameter:?} is no parameter: {problem}")]
    Parameter {
        /// The parameter as written.
        parameter: String,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// A string or a bracket is not closed.
    #[error("{0} is not closed")]
    NotClosed(&'static str),
}

/// Checks a text without its terminator and counts its units and queries.
pub fn check_command(text: &str) -> Result<CommandShape, CommandFault> {
    if let Some(character) = text.chars().find(|c| !(' '..='~').contains(c)) {
        return Err(CommandFault::Character { character, text: text.to_owned() });
    }
    let mut shape = CommandShape { units: 0, queries: 0 };
    for unit in split_outside(text, ';')? {
        let unit = unit.trim();
        if unit.is_empty() {
            return Err(CommandFault::Empty(text.to_owned()));
        }
        shape.units += 1;
        shape.queries += usize::from(check_unit(unit)?);
    }
    Ok(shape)
}

/// Whether the unit is a query.
fn check_unit(unit: &str) -> Result<bool, CommandFault> {
    let (header, parameters) = match unit.split_once(' ') {
        Some((header, parameters)) => (header, parameters.trim()),
        None => (unit, ""),
    };
    let is_query = check_header(header)?;
    if !parameters.is_empty() {
        for parameter in split_outside(parameters, ',')? {
            check_parameter(parameter.trim())?;
        }
    }
    Ok(is_query)
}

fn check_header(header: &str) -> Result<bool, CommandFault> {
    let fault = |problem| CommandFault::Header { header: header.to_owned(), problem };
    let (path, is_query) = match header.strip_suffix('?') {
        Some(path) => (path, true),
        None => (header, false),
    };
    let mnemonics = match path.strip_prefix('*') {
        Some(common) if common.contains(':') => return Err(fault("a common command has one mnemonic")),
        Some(common) => common,
        None => path.strip_prefix(':').unwrap_or(path),
    };
    for mnemonic in mnemonics.split(':') {
        if mnemonic.is_empty() {
            return Err(fault("a mnemonic is missing"));
        }
        if mnemonic.contains(['[', ']', '{', '}', '<', '>', '|']) {
            return Err(fault("brackets belong to the notation of manuals, not into a command"));
        }
        if !mnemonic.starts_with(|c: char| c.is_ascii_alphabetic()) {
            return Err(fault("a mnemonic begins with a letter"));
        }
        if !mnemonic.chars().all(|c| c.is_ascii_alphanumeric() || c == '_') {
            return Err(fault("a mnemonic is letters, digits and _"));
        }
        if mnemonic.len() > LONGEST_MNEMONIC {
            return Err(fault("a mnemonic has at most 12 characters"));
        }
    }
    Ok(is_query)
}

fn check_parameter(parameter: &str) -> Result<(), CommandFault> {
    let fault = |problem| Err(CommandFault::Parameter { parameter: parameter.to_owned(), problem });
    match parameter.chars().next() {
        None => fault("it is empty"),
        Some(quote @ ('"' | '\'')) => match parameter[1..].strip_suffix(quote) {
            Some(inner) if !inner.replace(&format!("{quote}{quote}"), "").contains(quote) => Ok(()),
            _ => fault("something follows the string"),
        },
        Some('(') if parameter.ends_with(')') => Ok(()),
        Some('(') => fault("something follows the bracket"),
        Some('#') => match parameter.chars().nth(1) {
            Some('H' | 'h' | 'Q' | 'q' | 'B' | 'b') if parameter.len() > 2 => Ok(()),
            _ => fault("a block may not be sent as text"),
        },
        Some(c) if c.is_ascii_alphanumeric() || matches!(c, '+' | '-' | '.') => {
            let may_follow = |c: char| c.is_ascii_alphanumeric() || " +-._/^%".contains(c);
            if parameter.chars().all(may_follow) { Ok(()) } else { fault("a character has no meaning there") }
        }
        Some(_) => fault("no kind of data begins so"),
    }
}

/// Parts between separators that stand neither in a string nor in brackets.
fn split_outside(text: &str, separator: char) -> Result<Vec<&str>, CommandFault> {
    let (mut parts, mut start, mut depth, mut quote) = (Vec::new(), 0, 0usize, None);
    for (at, character) in text.char_indices() {
        match (quote, character) {
            (Some(open), _) if open == character => quote = None,
            (Some(_), _) => {}
            (None, '"' | '\'') => quote = Some(character),
            (None, '(') => depth += 1,
            (None, ')') => depth = depth.checked_sub(1).ok_or(CommandFault::NotClosed("a bracket"))?,
            (None, _) if character == separator && depth == 0 => {
                parts.push(&text[start..at]);
                start = at + 1;
            }
            _ => {}
        }
    }
    if quote.is_some() {
        return Err(CommandFault::NotClosed("a string"));
    }
    if depth > 0 {
        return Err(CommandFault::NotClosed("a bracket"));
    }
    parts.push(&text[start..]);
    Ok(parts)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn check(text: &str, units: usize, queries: usize) {
        assert_eq!(check_command(text).expect(text), CommandShape { units, queries });
    }

    #[track_caller]
    fn refuse(text: &str, expected: &str) {
        assert_eq!(check_command(text).expect_err(text).to_string(), expected);
    }

    #[test]
    fn units_and_queries_are_counted() {
        check("*RST", 1, 0);
        check("*IDN?", 1, 1);
        check(":SOURce:CURRent 1E-4;RANGe 1E-3;:OUTPut ON;*OPC?", 4, 1);
        check("ROUT:CLOS (@1!2,3!4)", 1, 0);
        check("ROUT:CLOS? (@1!2:3!4);*ESR?", 2, 2);
        check("SENS:FUNC \"VOLT:DC;X\"", 1, 0);
        check("DISP:TEXT 'it''s; here, now'", 1, 0);
        check("SENS:VOLT:RANG? MAX", 1, 1);
        check("STAT:OPER:ENAB #H1F", 1, 0);
        check("RAMP 1,0,2.5", 1, 0);
        check("OUTP2:STAT 1", 1, 0);
        check("VOLT 10 MV", 1, 0);
    }

    #[test]
    fn what_an_instrument_could_misread_does_not_leave() {
        refuse("", "a command is empty in \"\"");
        refuse("*RST;", "a command is empty in \"*RST;\"");
        refuse("*RST\n*CLS", "'\\n' may not stand in a command: \"*RST\\n*CLS\"");
        refuse("VOLT 5\u{b5}V", "'\u{b5}' may not stand in a command: \"VOLT 5\u{b5}V\"");
        refuse(
            "SOUR[:VOLT] 1",
            "\"SOUR[:VOLT]\" is no header: brackets belong to the notation of manuals, not into a command",
        );
        refuse("SOUR::VOLT 1", "\"SOUR::VOLT\" is no header: a mnemonic is missing");
        refuse("*A:B", "\"*A:B\" is no header: a common command has one mnemonic");
        refuse("1VOLT 1", "\"1VOLT\" is no header: a mnemonic begins with a letter");
        refuse("VO-LT 1", "\"VO-LT\" is no header: a mnemonic is letters, digits and _");
        refuse("TEMPERATUREMAX 1", "\"TEMPERATUREMAX\" is no header: a mnemonic has at most 12 characters");
        refuse("VOLT? ?", "\"?\" is no parameter: no kind of data begins so");
        refuse("VOLT 1,,2", "\"\" is no parameter: it is empty");
        refuse("VOLT {level}", "\"{level}\" is no parameter: no kind of data begins so");
        refuse("VOLT 1*2", "\"1*2\" is no parameter: a character has no meaning there");
        refuse("FUNC \"VOLT", "a string is not closed");
        refuse("FUNC \"VOLT\"X", "\"\\\"VOLT\\\"X\" is no parameter: something follows the string");
        refuse("ROUT:CLOS (@1", "a bracket is not closed");
        refuse("ROUT:CLOS @1)", "a bracket is not closed");
        refuse("DATA #15abcde", "\"#15abcde\" is no parameter: a block may not be sent as text");
    }

    proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "[-A-Z0-9*:;, ?'\"()@#!\\PC]*") {
            let _ = check_command(&text);
        }
    }
}
