//! The other end of a link: whoever plays an instrument waits here for its client.

use crate::Resource;
use async_trait::async_trait;
use std::io;
use tokio::io::{AsyncRead, AsyncWrite};

/// Bytes from and to one client.
pub trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}

impl<S: AsyncRead + AsyncWrite + Send + Unpin> Stream for S {}

/// Where clients of one device arrive, one at a time, as with many instruments: the next one waits until the stream
/// of the one before is dropped.
#[async_trait]
pub trait Server: Send {
    /// Where clients find it.
    fn resource(&self) -> &Resource;

    /// Waits for the next client. An error means that none can come any more.
    async fn accept(&mut self) -> io::Result<Box<dyn Stream>>;
}
