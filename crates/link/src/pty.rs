//! A device on a pseudo-terminal: a serial line without a wire.

use crate::Resource;
use crate::serve::{Server, Stream};
use async_trait::async_trait;
use serialport::SerialPort;
use std::io;
use tokio_serial::SerialStream;

/// A device on a pseudo-terminal. A line has no connection: its one stream serves whoever opens it.
pub struct PtyServer {
    resource: Resource,
    master: Option<SerialStream>,
    /// Kept open for life: without any slave end a read of the master fails, and readiness never ceases.
    _slave: SerialStream,
}

impl PtyServer {
    /// Makes a line. It is raw before its path is known to anybody: a fresh one echoes what it is sent.
    pub fn open() -> io::Result<Self> {
        let (master, slave) = SerialStream::pair()?;
        let path = slave.name().ok_or_else(|| io::Error::other("the line has no path"))?;
        Ok(Self { resource: Resource::Serial { path }, master: Some(master), _slave: slave })
    }
}

#[async_trait]
impl Server for PtyServer {
    fn resource(&self) -> &Resource {
        &self.resource
    }

    async fn accept(&mut self) -> io::Result<Box<dyn Stream>> {
        match self.master.take() {
            Some(master) => Ok(Box::new(master)),
            None => {
                Err(io::Error::new(io::ErrorKind::UnexpectedEof, "a line has one stream, and it is served"))
            }
        }
    }
}
