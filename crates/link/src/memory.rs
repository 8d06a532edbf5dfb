//! Links inside one process, for virtual time: no socket, no thread, no chance.

use crate::serve::{Server, Stream};
use crate::{Link, LinkError, Resource, stream};
use async_trait::async_trait;
use std::io;
use tokio::io::{DuplexStream, duplex};
use tokio::sync::mpsc;

/// Bytes that may be on their way in one direction.
const CAPACITY: usize = 64 * 1024;

/// The controller's end.
pub struct MemoryLink {
    resource: Resource,
    stream: DuplexStream,
    clients: mpsc::UnboundedSender<DuplexStream>,
}

/// The device's end.
pub struct MemoryServer {
    resource: Resource,
    clients: mpsc::UnboundedReceiver<DuplexStream>,
}

/// Both ends of a link that stands for a resource. The client is already there.
pub fn memory(resource: Resource) -> (MemoryLink, MemoryServer) {
    let (clients, arriving) = mpsc::unbounded_channel();
    let (stream, served) = duplex(CAPACITY);
    // The receiver is in hand: this cannot fail.
    let _ = clients.send(served);
    let link = MemoryLink { resource: resource.clone(), stream, clients };
    (link, MemoryServer { resource, clients: arriving })
}

#[async_trait]
impl Link for MemoryLink {
    fn resource(&self) -> &Resource {
        &self.resource
    }

    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        stream::send(&mut self.stream, &self.resource, message).await
    }

    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        stream::receive(&mut self.stream, &self.resource).await
    }

    /// Comes again as a new client, as a raw socket does.
    async fn clear(&mut self) -> Result<(), LinkError> {
        let (stream, served) = duplex(CAPACITY);
        self.stream = stream;
        self.clients.send(served).map_err(|_| LinkError::ended(&self.resource, "clear"))
    }
}

#[async_trait]
impl Server for MemoryServer {
    fn resource(&self) -> &Resource {
        &self.resource
    }

    async fn accept(&mut self) -> io::Result<Box<dyn Stream>> {
        match self.clients.recv().await {
            Some(stream) => Ok(Box::new(stream)),
            None => Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the other end is gone")),
        }
    }
}
