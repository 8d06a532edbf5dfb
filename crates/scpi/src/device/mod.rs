//! The end that answers: program messages parsed, commands found by header, status kept, answers joined.

mod input;
mod lexer;
mod parameters;
mod pattern;
mod response;
mod status;
mod status_commands;
mod unit;

pub use crate::errors::{self, ScpiError};
pub use input::Input;
pub use parameters::{Family, Limits};
pub use pattern::{CommandSet, Form, HeaderPattern, PatternError};
pub use response::{Response, block, boolean, integer, quoted, real, real_with_decimals};
pub use status::{EventRegister, Status};
pub use unit::{Header, Mnemonic, Parameter, Unit, Units, parse_message};
