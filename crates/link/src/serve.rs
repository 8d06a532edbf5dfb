//! The other end of a link: whoever plays an instrument waits here for its client.

use crate::Resource;
use async_trait::async_trait;
use socket2::SockRef;
use std::io;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, DuplexStream};
use tokio::net::TcpStream;
use tokio_serial::SerialStream;

/// Bytes from and to one client.
pub trait Stream: AsyncRead + AsyncWrite + Send + Unpin {
    /// Dropping it will reset the connection instead of ending it, where the transport has such a thing.
    fn reset_when_dropped(&mut self) {}
}

impl Stream for Box<dyn Stream> {
    fn reset_when_dropped(&mut self) {
        (**self).reset_when_dropped();
    }
}

impl Stream for DuplexStream {}

impl Stream for SerialStream {}

impl Stream for TcpStream {
    fn reset_when_dropped(&mut self) {
        // A socket that cannot be told so ends the connection, which is as much as can be had.
        let _ = SockRef::from(&*self).set_linger(Some(Duration::ZERO));
    }
}

/// Where clients of one device arrive, one at a time, as with many instruments: the next one waits until the stream
/// of the one before is dropped.
#[async_trait]
pub trait Server: Send {
    /// Where clients find it.
    fn resource(&self) -> &Resource;

    /// Waits for the next client. An error means that none can come any more.
    async fn accept(&mut self) -> io::Result<Box<dyn Stream>>;

    /// From now on refuses clients, or lets them come again. Answers whether this transport can refuse: where it
    /// cannot, clients wait as long as nobody accepts them.
    async fn refuse(&mut self, _refuses: bool) -> io::Result<bool> {
        Ok(false)
    }
}
