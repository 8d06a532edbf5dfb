//! Bytes of a link gathered into program messages. Knows where a message ends, not what it says.

use super::ScpiError;
use crate::errors::INPUT_BUFFER_OVERRUN;
use std::collections::VecDeque;

/// Largest program message that a device takes unless told otherwise, in bytes. Ours.
const DEFAULT_LIMIT: usize = 64 * 1024;

/// Gathers bytes until a program message is complete: at the newline, unless it stands in the data of a
/// definite-length block (IEEE 488.2, 7.7.6). A message beyond the limit is discarded to its newline and given as
/// [`INPUT_BUFFER_OVERRUN`].
#[derive(Debug)]
pub struct Input {
    limit: usize,
    received: Vec<u8>,
    place: Place,
    overrun: bool,
    complete: VecDeque<Result<Vec<u8>, ScpiError>>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Place {
    Plain { at_data_start: bool },
    InString(u8),
    AfterHash,
    InLength { digits: usize, length: usize },
    InBlock { left: usize },
}

const START: Place = Place::Plain { at_data_start: false };

impl Default for Input {
    fn default() -> Self {
        Self::new(DEFAULT_LIMIT)
    }
}

impl Input {
    /// An empty input that takes messages of up to `limit` bytes.
    pub fn new(limit: usize) -> Self {
        Self { limit, received: Vec::new(), place: START, overrun: false, complete: VecDeque::new() }
    }

    /// Takes in what arrived.
    pub fn handle_bytes(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            let ends = byte == b'\n' && !matches!(self.place, Place::InBlock { .. });
            if ends {
                self.end();
                continue;
            }
            self.place = next(self.place, byte);
            if self.received.len() < self.limit {
                self.received.push(byte);
            } else {
                // The rest of the message is thrown away, block or not, up to the next newline.
                self.overrun = true;
                self.place = START;
            }
        }
    }

    /// The oldest complete message without its newline.
    pub fn poll_message(&mut self) -> Option<Result<Vec<u8>, ScpiError>> {
        self.complete.pop_front()
    }

    /// Device clear: forgets everything received (IEEE 488.2, 5.8).
    pub fn clear(&mut self) {
        *self = Self::new(self.limit);
    }

    /// Whether nothing waits, neither a message nor a part of one.
    pub fn is_empty(&self) -> bool {
        self.complete.is_empty() && self.received.is_empty()
    }

    fn end(&mut self) {
        let message = std::mem::take(&mut self.received);
        self.place = START;
        let overrun = std::mem::take(&mut self.overrun);
        self.complete.push_back(if overrun {
            Err(ScpiError::new(INPUT_BUFFER_OVERRUN))
        } else {
            Ok(message)
        });
    }
}

fn next(place: Place, byte: u8) -> Place {
    match place {
        Place::Plain { at_data_start } => match byte {
            b'#' if at_data_start => Place::AfterHash,
            b'"' | b'\'' => Place::InString(byte),
            // Data begin after white space or a comma.
            0..=b' ' | b',' => Place::Plain { at_data_start: true },
            _ => START,
        },
        Place::InString(quote) if byte == quote => START,
        Place::InString(quote) => Place::InString(quote),
        Place::AfterHash if (b'1'..=b'9').contains(&byte) => {
            Place::InLength { digits: usize::from(byte - b'0'), length: 0 }
        }
        Place::InLength { digits, length } if byte.is_ascii_digit() => {
            let length = length * 10 + usize::from(byte - b'0');
            match (digits, length) {
                (1, 0) => START,
                (1, left) => Place::InBlock { left },
                _ => Place::InLength { digits: digits - 1, length },
            }
        }
        Place::AfterHash | Place::InLength { .. } => next(START, byte),
        Place::InBlock { left: 1 } => START,
        Place::InBlock { left } => Place::InBlock { left: left - 1 },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn check(stream: &[u8], expected: &[&[u8]]) {
        let mut input = Input::default();
        for byte in stream {
            input.handle_bytes(&[*byte]);
        }
        let messages: Vec<_> = std::iter::from_fn(|| input.poll_message()).map(Result::unwrap).collect();
        assert_eq!(messages, expected);
    }

    #[test]
    fn a_message_ends_at_the_newline() {
        check(b"*IDN?\n", &[b"*IDN?"]);
        check(b"*CLS\r\n:SYST:ERR?\n", &[b"*CLS\r", b":SYST:ERR?"]);
        check(b"*RST", &[]);
    }

    // Block after IEEE 488.2, 7.7.6; from memory.
    #[test]
    fn a_newline_inside_a_block_is_data() {
        check(b"DATA #13\n\n\n;X\n*IDN?\n", &[b"DATA #13\n\n\n;X", b"*IDN?"]);
        check(b"DATA 1,#211hello\nworld\n*IDN?\n", &[b"DATA 1,#211hello\nworld", b"*IDN?"]);
        check(b"DATA\t#12\n\n\n*IDN?\n", &[b"DATA\t#12\n\n", b"*IDN?"]);
        check(b"TEXT \" #19\"\n*IDN?\n", &[b"TEXT \" #19\"", b"*IDN?"]);
        check(b"MASK #H19\n*IDN?\n", &[b"MASK #H19", b"*IDN?"]);
    }

    #[test]
    fn a_message_beyond_the_limit_is_discarded_to_its_newline() {
        let mut input = Input::new(8);
        input.handle_bytes(b"AAAAAAAAAAAA\n*CLS\n");
        assert_eq!(input.poll_message(), Some(Err(ScpiError::new(-363))));
        assert_eq!(input.poll_message(), Some(Ok(b"*CLS".to_vec())));
        assert_eq!(input.poll_message(), None);
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic_or_keep_more_than_the_limit(
            bytes in proptest::collection::vec(
                prop_oneof![Just(b'#'), Just(b' '), Just(b'"'), Just(b'9'), any::<u8>()], 0..300),
        ) {
            let mut input = Input::new(16);
            input.handle_bytes(&bytes);
            prop_assert!(input.received.len() <= 16);
            while let Some(message) = input.poll_message() {
                prop_assert!(message.is_ok_and(|m| m.len() <= 16) || bytes.len() > 16);
            }
        }
    }
}
