//! Byte links to VISA resources, and the same links served. Knows no message's meaning: bytes go out whole and come
//! back as they arrive.
//!
//! [`open`] gives a [`Link`] for a [`Resource`]; the servers ([`TcpServer`], [`PtyServer`], [`memory`]) give the other
//! end of the same transports to whoever plays an instrument. [`Traced`] and [`Spoiled`] wrap any link.

mod error;
mod memory;
mod pty;
mod resource;
mod serial;
mod serve;
mod stream;
mod tcp;
mod wrappers;

pub use error::LinkError;
pub use memory::{MemoryLink, MemoryServer, memory};
pub use pty::PtyServer;
pub use resource::{Resource, ResourceError};
pub use serve::{Server, Stream};
pub use tcp::TcpServer;
pub use wrappers::{Spoil, Spoiled, Traced};

use async_trait::async_trait;
use std::time::Duration;

/// Bytes to one resource and back. One owner a link.
#[async_trait]
pub trait Link: Send {
    /// Where it leads.
    fn resource(&self) -> &Resource;

    /// Sends a message whole, in one write, with the terminator that its caller gave it. Given up half-way it may
    /// have been sent in part: clear the link.
    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError>;

    /// Some bytes, at least one; waits for them as long as the caller does. Given up it has taken nothing. The end of
    /// the stream is an error.
    async fn receive(&mut self) -> Result<Vec<u8>, LinkError>;

    /// Device clear as the transport can: afterwards nothing that was on its way before can still arrive, as far as
    /// the transport lets one know. A raw socket is closed and opened again; a serial line is emptied.
    async fn clear(&mut self) -> Result<(), LinkError>;
}

#[async_trait]
impl Link for Box<dyn Link> {
    fn resource(&self) -> &Resource {
        (**self).resource()
    }
    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        (**self).send(message).await
    }
    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        (**self).receive().await
    }
    async fn clear(&mut self) -> Result<(), LinkError> {
        (**self).clear().await
    }
}

/// How a link is opened.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OpenOptions {
    /// Longest wait for a connection.
    pub timeout: Duration,
    /// Line speed of a serial line.
    pub baud: u32,
}

impl Default for OpenOptions {
    fn default() -> Self {
        Self { timeout: Duration::from_secs(3), baud: 9600 }
    }
}

/// Opens a link to a resource.
pub async fn open(resource: &Resource, options: OpenOptions) -> Result<Box<dyn Link>, LinkError> {
    match resource {
        Resource::Socket { .. } => Ok(Box::new(tcp::TcpLink::open(resource, options).await?)),
        Resource::Serial { .. } => Ok(Box::new(serial::SerialLink::open(resource, options)?)),
    }
}
