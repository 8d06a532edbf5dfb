//! Links around links: one that tells what passes, one that spoils it.

use crate::{Link, LinkError, Resource};
use async_trait::async_trait;
use std::collections::VecDeque;
use std::time::Duration;

/// Tells every message at trace level.
pub struct Traced<L>(pub L);

#[async_trait]
impl<L: Link> Link for Traced<L> {
    fn resource(&self) -> &Resource {
        self.0.resource()
    }

    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        tracing::trace!(resource = %self.0.resource(), sent = %message.escape_ascii());
        self.0.send(message).await
    }

    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        let bytes = self.0.receive().await?;
        tracing::trace!(resource = %self.0.resource(), received = %bytes.escape_ascii());
        Ok(bytes)
    }

    async fn clear(&mut self) -> Result<(), LinkError> {
        tracing::trace!(resource = %self.0.resource(), "clear");
        self.0.clear().await
    }
}

/// What happens to one chunk of bytes on its way from the instrument.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Spoil {
    /// It arrives as it is.
    Pass,
    /// It arrives later.
    Delay(Duration),
    /// It never arrives.
    Lose,
    /// Only its first bytes arrive.
    Cut(usize),
    /// Something else arrives in its place.
    Replace(Vec<u8>),
    /// Something else arrives before it.
    Precede(Vec<u8>),
}

/// Spoils what an instrument sends, chunk by chunk, by a script; after its end everything passes. For tests.
pub struct Spoiled<L> {
    link: L,
    script: VecDeque<Spoil>,
    /// Received, and not yet handed on: a receive that is given up loses nothing.
    held: Option<Held>,
}

struct Held {
    bytes: Vec<u8>,
    until: tokio::time::Instant,
}

impl<L: Link> Spoiled<L> {
    /// Spoils a link by a script.
    pub fn new(link: L, script: impl IntoIterator<Item = Spoil>) -> Self {
        Self { link, script: script.into_iter().collect(), held: None }
    }
}

#[async_trait]
impl<L: Link> Link for Spoiled<L> {
    fn resource(&self) -> &Resource {
        self.link.resource()
    }

    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        self.link.send(message).await
    }

    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        loop {
            if let Some(held) = &self.held {
                tokio::time::sleep_until(held.until).await;
                if let Some(held) = self.held.take() {
                    return Ok(held.bytes);
                }
            }
            let mut bytes = self.link.receive().await?;
            let now = tokio::time::Instant::now();
            let mut until = now;
            match self.script.pop_front().unwrap_or(Spoil::Pass) {
                Spoil::Pass => {}
                Spoil::Delay(delay) => until = now + delay,
                Spoil::Lose => continue,
                Spoil::Cut(count) => bytes.truncate(count),
                Spoil::Replace(other) => bytes = other,
                Spoil::Precede(mut other) => {
                    other.append(&mut bytes);
                    bytes = other;
                }
            }
            // A receive gives at least one byte: what is cut to nothing is lost.
            if !bytes.is_empty() {
                self.held = Some(Held { bytes, until });
            }
        }
    }

    /// Delayed bytes outlive the clearing, as they do on a line that has no end of message: what is asked next must be
    /// able to tell them from its own answer.
    async fn clear(&mut self) -> Result<(), LinkError> {
        self.link.clear().await
    }
}
