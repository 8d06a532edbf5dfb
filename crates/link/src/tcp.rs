//! Raw sockets (SCPI-RAW): no framing, no device clear but closing and opening again.

use crate::serve::{Server, Stream};
use crate::{Link, LinkError, OpenOptions, Resource, stream};
use async_trait::async_trait;
use socket2::{SockRef, TcpKeepalive};
use std::io;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::net::{TcpListener, TcpSocket, TcpStream, lookup_host};

/// A half-open link (the instrument was switched off, the cable is out) is noticed after 10 s of silence and three
/// questions 5 s apart. The system's own figures begin at two hours. Ours.
const KEEPALIVE: TcpKeepalive = TcpKeepalive::new()
    .with_time(Duration::from_secs(10))
    .with_interval(Duration::from_secs(5))
    .with_retries(3);

/// Pause before an instrument that refused is tried again: its one socket may not be free yet. Ours.
const RETRY: Duration = Duration::from_millis(50);

/// A raw socket.
pub(crate) struct TcpLink {
    resource: Resource,
    options: OpenOptions,
    /// None after a failed clear, until one succeeds.
    stream: Option<TcpStream>,
}

impl TcpLink {
    pub(crate) async fn open(resource: &Resource, options: OpenOptions) -> Result<Self, LinkError> {
        let stream = connect(resource, options, false)
            .await
            .map_err(|error| LinkError::new(resource, "open", error))?;
        Ok(Self { resource: resource.clone(), options, stream: Some(stream) })
    }
}

fn closed(resource: &Resource, operation: &'static str) -> LinkError {
    LinkError::new(resource, operation, io::Error::new(io::ErrorKind::NotConnected, "the link is closed"))
}

/// A connection within the time for opening. A refusal is final when it is the first that is asked for; while a link
/// is opened again it is not.
async fn connect(resource: &Resource, options: OpenOptions, insist: bool) -> io::Result<TcpStream> {
    let Resource::Socket { host, port } = resource else {
        return Err(io::Error::new(io::ErrorKind::Unsupported, "not a raw socket"));
    };
    let mut refusal = None;
    let attempts = async {
        loop {
            match connect_once(host, *port).await {
                Err(error) if insist && error.kind() == io::ErrorKind::ConnectionRefused => {
                    refusal = Some(error)
                }
                result => return result,
            }
            tokio::time::sleep(RETRY).await;
        }
    };
    let result = tokio::time::timeout(options.timeout, attempts).await;
    result.unwrap_or_else(|_| {
        let waited = format!("no connection in {} s", options.timeout.as_secs_f64());
        Err(refusal.unwrap_or_else(|| io::Error::new(io::ErrorKind::TimedOut, waited)))
    })
}

async fn connect_once(host: &str, port: u16) -> io::Result<TcpStream> {
    let mut last = io::Error::new(io::ErrorKind::NotFound, "the name has no address");
    for address in lookup_host((host, port)).await? {
        let socket = if address.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
        // A message in one segment is not held back (44 ms a query otherwise).
        socket.set_nodelay(true)?;
        SockRef::from(&socket).set_tcp_keepalive(&KEEPALIVE)?;
        match socket.connect(address).await {
            Ok(stream) => return Ok(stream),
            Err(error) => last = error,
        }
    }
    Err(last)
}

#[async_trait]
impl Link for TcpLink {
    fn resource(&self) -> &Resource {
        &self.resource
    }

    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        match &mut self.stream {
            Some(stream) => stream::send(stream, &self.resource, message).await,
            None => Err(closed(&self.resource, "send")),
        }
    }

    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        match &mut self.stream {
            Some(stream) => stream::receive(stream, &self.resource).await,
            None => Err(closed(&self.resource, "receive")),
        }
    }

    async fn clear(&mut self) -> Result<(), LinkError> {
        self.stream = None;
        let stream = connect(&self.resource, self.options, true).await;
        self.stream = Some(stream.map_err(|error| LinkError::new(&self.resource, "clear", error))?);
        Ok(())
    }
}

/// A device on a raw socket.
pub struct TcpServer {
    resource: Resource,
    address: SocketAddr,
    /// None while clients are refused.
    listener: Option<TcpListener>,
}

impl TcpServer {
    /// Listens at an address; port 0 takes a free one, which the resource then names.
    pub async fn bind(address: SocketAddr) -> io::Result<Self> {
        let listener = TcpListener::bind(address).await?;
        let bound = listener.local_addr()?;
        let resource = Resource::Socket { host: bound.ip().to_string(), port: bound.port() };
        Ok(Self { resource, address: bound, listener: Some(listener) })
    }
}

#[async_trait]
impl Server for TcpServer {
    fn resource(&self) -> &Resource {
        &self.resource
    }

    async fn accept(&mut self) -> io::Result<Box<dyn Stream>> {
        let Some(listener) = &self.listener else { return std::future::pending().await };
        let (stream, _) = listener.accept().await?;
        stream.set_nodelay(true)?;
        Ok(Box::new(stream))
    }

    async fn refuse(&mut self, refuses: bool) -> io::Result<bool> {
        if refuses {
            self.listener = None;
        } else if self.listener.is_none() {
            self.listener = Some(TcpListener::bind(self.address).await?);
        }
        Ok(true)
    }
}
