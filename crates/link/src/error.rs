//! What went wrong with a link, at which resource, while doing what.

use crate::Resource;
use std::io;

/// A failure of the transport.
#[derive(Debug, thiserror::Error)]
#[error("{resource}: could not {operation}: {source}{}", hint(.source))]
pub struct LinkError {
    /// Where the link leads.
    pub resource: Resource,
    /// What was to be done: `open`, `send`, `receive` or `clear`.
    pub operation: &'static str,
    /// What the operating system said.
    pub source: io::Error,
}

impl LinkError {
    pub(crate) fn new(resource: &Resource, operation: &'static str, source: io::Error) -> Self {
        Self { resource: resource.clone(), operation, source }
    }

    pub(crate) fn ended(resource: &Resource, operation: &'static str) -> Self {
        let ended = io::Error::new(io::ErrorKind::UnexpectedEof, "the instrument closed the link");
        Self::new(resource, operation, ended)
    }
}

fn hint(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::ConnectionRefused => "; is the instrument on, and is its one socket free?",
        io::ErrorKind::TimedOut => "; is the address right and the instrument on the network?",
        io::ErrorKind::NotFound => "; is the cable in and the device path right?",
        io::ErrorKind::PermissionDenied => "; may this user open the device?",
        _ => "",
    }
}
