//! Bytes of a link gathered into response messages. Knows where a message ends, not what it says.

use std::collections::VecDeque;
use thiserror::Error;

/// Largest message that a [`Framer`] takes unless told otherwise, in bytes. Ours: a reading is tens of bytes.
const DEFAULT_LIMIT: usize = 1 << 20;

/// Gathers bytes until a response message is complete.
///
/// A message ends at the newline. Inside a definite-length block (`#`, one digit *d*, *d* digits of length, that
/// many bytes; IEEE 488.2, 8.7.9) a newline is data. A block begins only where a data element does: at the start
/// of the message or after `,` or `;`. An indefinite block `#0` has no end on a stream without END, so it ends
/// at the first newline. A newline ends a message even inside a string, because a stray quote in free text would
/// otherwise swallow every later answer.
#[derive(Debug)]
pub struct Framer {
    limit: usize,
    state: State,
    current: Vec<u8>,
    /// Length up to which `current` is block data and must not be trimmed.
    kept: usize,
    complete: VecDeque<Vec<u8>>,
}

/// A stream that cannot be framed any further: [`Framer::clear`] it together with its link.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
#[error("the answer is longer than the {limit} bytes that are accepted")]
pub struct FramingError {
    /// The limit in bytes.
    pub limit: usize,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    ElementStart,
    Text,
    Quoted,
    Hash,
    Length { digits_left: u8, length: usize },
    Block { left: usize },
    Failed,
}

impl Default for Framer {
    fn default() -> Self {
        Self::new(DEFAULT_LIMIT)
    }
}

impl Framer {
    /// An empty framer that takes messages of up to `limit` bytes.
    pub fn new(limit: usize) -> Self {
        Self { limit, state: State::ElementStart, current: Vec::new(), kept: 0, complete: VecDeque::new() }
    }

    /// Takes in what a link received. After an error every call fails until [`Framer::clear`].
    pub fn handle_bytes(&mut self, bytes: &[u8]) -> Result<(), FramingError> {
        for &byte in bytes {
            self.handle_byte(byte);
            if self.state == State::Failed {
                return Err(FramingError { limit: self.limit });
            }
        }
        Ok(())
    }

    /// The oldest complete message, without its terminator and the white space before it.
    pub fn poll_message(&mut self) -> Option<Vec<u8>> {
        self.complete.pop_front()
    }

    /// Forgets everything received.
    pub fn clear(&mut self) {
        *self = Self::new(self.limit);
    }

    /// Whether nothing waits here, neither a message nor a part of one: after an exchange it must be so.
    pub fn is_empty(&self) -> bool {
        self.complete.is_empty() && self.current.is_empty() && self.state != State::Failed
    }

    fn handle_byte(&mut self, byte: u8) {
        if self.state == State::Failed {
            return;
        }
        let in_block = matches!(self.state, State::Block { .. });
        if byte == b'\n' && !in_block {
            return self.finish();
        }
        if self.current.len() >= self.limit {
            self.state = State::Failed;
            return;
        }
        self.current.push(byte);
        self.state = self.after(byte);
        if in_block {
            self.kept = self.current.len();
        }
    }

    fn after(&self, byte: u8) -> State {
        match self.state {
            State::ElementStart => match byte {
                b'#' => State::Hash,
                _ => text_after(byte, State::ElementStart),
            },
            State::Text => text_after(byte, State::Text),
            // A doubled quote leaves the string and enters it again: the same in effect.
            State::Quoted if byte == b'"' => State::Text,
            State::Quoted => State::Quoted,
            State::Hash => match byte {
                b'1'..=b'9' => State::Length { digits_left: byte - b'0', length: 0 },
                _ => text_after(byte, State::Text),
            },
            State::Length { digits_left, length } => self.length_after(byte, digits_left, length),
            State::Block { left: 1 } => State::Text,
            State::Block { left } => State::Block { left: left - 1 },
            State::Failed => State::Failed,
        }
    }

    fn length_after(&self, byte: u8, digits_left: u8, length: usize) -> State {
        if !byte.is_ascii_digit() {
            return text_after(byte, State::Text);
        }
        let length = length.saturating_mul(10).saturating_add(usize::from(byte - b'0'));
        match (digits_left, length) {
            (1, 0) => State::Text,
            (1, _) if length > self.limit => State::Failed,
            (1, _) => State::Block { left: length },
            _ => State::Length { digits_left: digits_left - 1, length },
        }
    }

    fn finish(&mut self) {
        let mut message = std::mem::take(&mut self.current);
        while message.len() > self.kept && message.last().is_some_and(|b| matches!(b, b' ' | b'\t' | b'\r')) {
            message.pop();
        }
        self.kept = 0;
        self.state = State::ElementStart;
        self.complete.push_back(message);
    }
}

fn text_after(byte: u8, otherwise: State) -> State {
    match byte {
        b',' | b';' => State::ElementStart,
        b'"' => State::Quoted,
        b' ' | b'\t' | b'\r' => otherwise,
        _ => State::Text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn messages(framer: &mut Framer) -> Vec<Vec<u8>> {
        std::iter::from_fn(|| framer.poll_message()).collect()
    }

    #[track_caller]
    fn check(stream: &[u8], expected: &[&[u8]]) {
        let mut whole = Framer::default();
        whole.handle_bytes(stream).unwrap();
        assert_eq!(messages(&mut whole), expected, "in one piece");
        let mut bytewise = Framer::default();
        for byte in stream {
            bytewise.handle_bytes(&[*byte]).unwrap();
        }
        assert_eq!(messages(&mut bytewise), expected, "byte by byte");
    }

    #[test]
    fn a_message_ends_at_the_newline_and_loses_trailing_white_space() {
        check(b"1\n", &[b"1"]);
        check(b"+1.5E-3 \r\n0;1\r\n", &[b"+1.5E-3", b"0;1"]);
        check(b"\n", &[b""]);
        check(b"unfinished", &[]);
    }

    // Blocks after IEEE 488.2, 8.7.9: `#`, digit d, d digits of length, data.
    #[test]
    fn a_newline_inside_a_definite_block_is_data() {
        check(b"#15a\nb\r\n\r\n", &[b"#15a\nb\r\n"]);
        check(b"#212hello\nworld!\n", &[b"#212hello\nworld!"]);
        check(b"1,#13\n\n\n;#12\n \n", &[b"1,#13\n\n\n;#12\n "]);
        check(b"#10\n7\n", &[b"#10", b"7"]);
    }

    #[test]
    fn a_hash_elsewhere_begins_no_block() {
        check(b"MAKER,UNIT #19,0,1\n2\n", &[b"MAKER,UNIT #19,0,1", b"2"]);
        check(b"\"a,#19\"\n2\n", &[b"\"a,#19\"", b"2"]);
        check(b"\"it\"\"s,#19\"\n2\n", &[b"\"it\"\"s,#19\"", b"2"]);
        check(b"#H1F\n#Q17\n", &[b"#H1F", b"#Q17"]);
        check(b"#9\n2\n", &[b"#9", b"2"]);
        check(b"#0abc\n2\n", &[b"#0abc", b"2"]);
    }

    #[test]
    fn a_stray_quote_does_not_swallow_the_next_answer() {
        check(b"5\" disk\n2\n", &[b"5\" disk", b"2"]);
    }

    #[test]
    fn a_message_beyond_the_limit_is_an_error_until_cleared() {
        let mut framer = Framer::new(4);
        assert_eq!(framer.handle_bytes(b"1234\n"), Ok(()));
        assert_eq!(framer.handle_bytes(b"12345"), Err(FramingError { limit: 4 }));
        assert_eq!(framer.handle_bytes(b"\n"), Err(FramingError { limit: 4 }));
        framer.clear();
        assert_eq!(framer.handle_bytes(b"1\n"), Ok(()));
        assert_eq!(messages(&mut framer), [b"1"]);
    }

    #[test]
    fn a_block_that_announces_too_much_fails_at_once() {
        assert!(Framer::new(100).handle_bytes(b"#9999999999").is_err());
    }

    #[test]
    fn a_part_of_a_message_is_not_nothing() {
        let mut framer = Framer::default();
        assert!(framer.is_empty());
        framer.handle_bytes(b"1").unwrap();
        assert!(!framer.is_empty());
        framer.handle_bytes(b"\n").unwrap();
        assert!(!framer.is_empty());
        framer.poll_message();
        assert!(framer.is_empty());
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic_and_how_they_are_cut_makes_no_difference(
            bytes in proptest::collection::vec(
                prop_oneof![Just(b'#'), Just(b'\n'), Just(b'"'), Just(b','), Just(b'1'), Just(b'2'), any::<u8>()],
                0..200,
            ),
            cut in 0usize..200,
        ) {
            let mut whole = Framer::new(64);
            let whole_result = whole.handle_bytes(&bytes);
            let mut parts = Framer::new(64);
            let cut = cut.min(bytes.len());
            let parts_result = parts.handle_bytes(&bytes[..cut]).and_then(|()| parts.handle_bytes(&bytes[cut..]));
            prop_assert_eq!(whole_result, parts_result);
            prop_assert_eq!(messages(&mut whole), messages(&mut parts));
        }
    }
}
