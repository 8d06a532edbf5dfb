//! The language of IEEE 488.2 and SCPI-1999, without I/O and without time: bytes in, messages out.
//!
//! [`controller`] is the end that asks: it frames and reads answers, writes numbers and checks commands before
//! they leave. [`device`] is the end that answers: it parses program messages, finds commands by their header,
//! keeps status and the error queue, and joins answers. The two share channel lists and the error table and
//! nothing else, so that one end's mistake is not forgiven by the other.
//!
//! The standards' own texts were not at hand: what is stated of them is from memory, checked against public
//! summaries, and nothing here is a claim of conformance.

pub mod channels;
pub mod controller;
pub mod device;
pub mod errors;

pub use channels::{Channel, ChannelList, ChannelListError};
