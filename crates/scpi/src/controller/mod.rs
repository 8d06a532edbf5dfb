//! The end that asks: answers framed and read, numbers written, commands checked before they leave.

mod answers;
mod command;
mod framer;
mod number;

pub use answers::{AnswerError, ErrorEntry, Identity, parse_block, parse_boolean, parse_text};
pub use command::{CommandFault, CommandShape, check_command};
pub use framer::{Framer, FramingError};
pub use number::{NotFinite, Number, format_number, parse_numbers};
