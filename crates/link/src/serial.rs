//! Serial lines. On a line nothing separates an old answer from a new one but silence: clearing empties both buffers
//! and waits for it.

use crate::{Link, LinkError, OpenOptions, Resource, stream};
use async_trait::async_trait;
use serialport::{ClearBuffer, SerialPort};
use std::io;
use std::time::Duration;
use tokio::io::AsyncReadExt;
use tokio_serial::{SerialPortBuilderExt, SerialStream};

/// Silence after which nothing more is on its way.
const SILENCE: Duration = Duration::from_millis(50);

/// Longest that a line may go on talking while it is cleared.
const PATIENCE: Duration = Duration::from_secs(2);

/// A serial line.
pub(crate) struct SerialLink {
    resource: Resource,
    stream: SerialStream,
}

impl SerialLink {
    pub(crate) fn open(resource: &Resource, options: OpenOptions) -> Result<Self, LinkError> {
        let fault = |error: serialport::Error| LinkError::new(resource, "open", error.into());
        let Resource::Serial { path } = resource else {
            let wrong = io::Error::new(io::ErrorKind::Unsupported, "not a serial line");
            return Err(LinkError::new(resource, "open", wrong));
        };
        let stream = tokio_serial::new(path, options.baud).open_native_async().map_err(fault)?;
        // A driver may take a setting in silence and keep its own.
        let baud = stream.baud_rate().map_err(fault)?;
        if baud != options.baud {
            let reason = format!("asked for {} baud, the line is at {baud}", options.baud);
            return Err(LinkError::new(resource, "open", io::Error::new(io::ErrorKind::Unsupported, reason)));
        }
        stream.clear(ClearBuffer::All).map_err(fault)?;
        Ok(Self { resource: resource.clone(), stream })
    }
}

#[async_trait]
impl Link for SerialLink {
    fn resource(&self) -> &Resource {
        &self.resource
    }

    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        stream::send(&mut self.stream, &self.resource, message).await
    }

    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        stream::receive(&mut self.stream, &self.resource).await
    }

    async fn clear(&mut self) -> Result<(), LinkError> {
        let fault = |error: io::Error| LinkError::new(&self.resource, "clear", error);
        self.stream.clear(ClearBuffer::All).map_err(|error| fault(error.into()))?;
        let mut bytes = vec![0; 4096];
        let silent = async {
            loop {
                match tokio::time::timeout(SILENCE, self.stream.read(&mut bytes)).await {
                    Err(_) => return Ok(()),
                    Ok(Ok(0)) => {
                        return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the line is closed"));
                    }
                    Ok(Ok(_)) => {}
                    Ok(Err(error)) => return Err(error),
                }
            }
        };
        tokio::time::timeout(PATIENCE, silent)
            .await
            .unwrap_or_else(|_| Err(io::Error::new(io::ErrorKind::TimedOut, "the line does not fall silent")))
            .map_err(|error| LinkError::new(&self.resource, "clear", error))
    }
}
