//! A daemon from its document to its end: what it refuses to be, where it listens, and that every bench is at rest when it goes.

use crate::api;
use crate::audit::{Audit, AuditError};
use crate::config::Config;
use crate::console;
use crate::host::{Host, Setup};
use crate::library::Library;
use crate::limits::Limits;
use crate::site::Site;
use crate::tokens::{TokenError, Tokens};
use crate::who::Peer;
use hyper::body::Incoming;
use hyper_util::rt::{TokioIo, TokioTimer};
use quadrille_operations::Error;
use rustls_pki_types::pem::PemObject;
use rustls_pki_types::{CertificateDer, PrivateKeyDer};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio_io_timeout::TimeoutStream;
use tokio_rustls::TlsAcceptor;
use tower::ServiceExt as _;

/// Bytes that the head of a request may have, and its lines.
const LARGEST_HEAD: usize = 16 << 10;
const MOST_HEADERS: usize = 64;

/// Bytes that the system keeps for a client that is slow: left to itself it keeps megabytes for each.
const SENT_AHEAD: usize = 128 << 10;

/// Time for a handshake of TLS.
const HANDSHAKE: Duration = Duration::from_secs(10);

/// Time between two looks at releases that may have ended.
const LOOK: Duration = Duration::from_secs(1);

/// Why a daemon does not begin.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// Its documents, a bench or a journal.
    #[error(transparent)]
    Operation(#[from] Error),
    /// It would be reached from beyond this machine without what that takes.
    #[error("{0} is reached from beyond this machine: {1}")]
    Exposed(SocketAddr, &'static str),
    /// Its audit record.
    #[error(transparent)]
    Audit(#[from] AuditError),
    /// Its tokens.
    #[error(transparent)]
    Tokens(#[from] TokenError),
    /// Its certificate or key.
    #[error("{0}")]
    Tls(String),
    /// Its address or its folder.
    #[error("{0}: {1}")]
    Io(String, std::io::Error),
}

/// A daemon that listens.
pub struct Daemon {
    /// What its requests share.
    pub site: Arc<Site>,
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    console: console::Console,
    header_timeout: Duration,
    stall: Duration,
    connections: usize,
}

impl Daemon {
    /// Reads everything, refuses what is not safe, begins the benches and listens. Each bench stands down before it takes work.
    pub async fn begin(config: Config) -> Result<Self, ServeError> {
        let document = &config.document;
        let address = document.listen.value;
        exposed(address, document.tls.is_some(), document.tokens)?;
        config.make_folder().map_err(|error| ServeError::Io(config.folder.display().to_string(), error))?;
        let audit = Audit::open(&config.audit())?;
        let tokens = if document.tokens { Some(Tokens::open(&config.tokens())?) } else { None };
        let tls = config.tls.as_ref().map(|files| acceptor(&files.0, &files.1)).transpose()?;
        let failed = |error| ServeError::Io(format!("cannot listen at {address}"), error);
        let listener = TcpListener::bind(address).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        // Before the benches: a second daemon on the same folder must touch nothing.
        let console = console::Console::listen(&config.console())
            .map_err(|error| ServeError::Io(config.console().display().to_string(), error))?;
        let mut benches = BTreeMap::new();
        for (bench, paths) in document.benches.iter().zip(config.benches) {
            let setup = Setup {
                name: bench.name.value.clone(),
                library: Library { bench: paths.bench, samples: paths.samples, recipes: paths.recipes },
                folder: config.folder.clone(),
                simulated: bench.simulated,
                needs_release: bench.release,
            };
            benches.insert(bench.name.value.clone(), Host::begin(setup)?);
        }
        let limits = document.limits;
        let head = audit.head();
        tracing::info!(%address, tls = tls.is_some(), tokens = tokens.is_some(), audit = head.n, hash = head.hash, "listens");
        let starts = api::runs::Starts::from_record(crate::audit::lines(audit.path()));
        let site = Arc::new(Site {
            benches,
            tokens,
            audit,
            address,
            is_tls: tls.is_some(),
            hosts: document.hosts.clone(),
            sessions: crate::sessions::Sessions::default(),
            limits: Limits::new(limits),
            metrics: crate::metrics::Metrics::default(),
            rehearsals: api::rehearsals::Rehearsals::default(),
            starts,
            closing: watch::Sender::new(false),
        });
        Ok(Self {
            site,
            listener,
            tls,
            console,
            header_timeout: Duration::from_secs_f64(limits.header_s),
            stall: Duration::from_secs_f64(limits.stall_s),
            connections: limits.connections as usize,
        })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.site.address
    }

    /// Serves until somebody wants it to end: then runs stop, benches stand down, and this returns.
    pub async fn run(self, mut stop: watch::Receiver<bool>) {
        let Self { site, listener, tls, console, header_timeout, stall, connections } = self;
        let door = Arc::new(Door { router: api::router(&site), tls, header_timeout, stall });
        let places = Arc::new(Semaphore::new(connections));
        let serving = async {
            loop {
                let Ok((stream, peer)) = listener.accept().await else {
                    // No handle is free, for one: others may become free.
                    tokio::time::sleep(Duration::from_millis(100)).await;
                    continue;
                };
                // Whoever finds no place is dropped: those who are in are served.
                let Ok(place) = Arc::clone(&places).try_acquire_owned() else { continue };
                let door = Arc::clone(&door);
                tokio::spawn(async move {
                    let _place = place;
                    door.enter(stream, peer).await;
                });
            }
        };
        let releases = async {
            loop {
                tokio::time::sleep(LOOK).await;
                site.benches.values().for_each(|host| host.stop_unreleased());
            }
        };
        tokio::select! {
            biased;
            _ = stop.wait_for(|stop| *stop) => {}
            () = serving => {}
            () = console.serve(&site) => {}
            () = releases => {}
        }
        tracing::info!("ends: runs stop, benches stand down");
        site.benches.values().for_each(|host| host.close());
        for host in site.benches.values() {
            host.over().await;
        }
        site.closing.send_replace(true);
    }
}

/// What a daemon that is reached from beyond its machine needs.
fn exposed(address: SocketAddr, has_tls: bool, has_tokens: bool) -> Result<(), ServeError> {
    match (address.ip().is_loopback(), has_tls, has_tokens) {
        (true, _, _) | (false, true, true) => Ok(()),
        (false, false, _) => {
            let why = "write [tls] with certificate and key in the daemon's document, or listen at 127.0.0.1";
            Err(ServeError::Exposed(address, why))
        }
        (false, true, false) => {
            let why = "write tokens = true in the daemon's document, or listen at 127.0.0.1";
            Err(ServeError::Exposed(address, why))
        }
    }
}

fn acceptor(certificate: &std::path::Path, key: &std::path::Path) -> Result<TlsAcceptor, ServeError> {
    let named = |path: &std::path::Path, error: &dyn std::fmt::Display| {
        ServeError::Tls(format!("{}: {error}: write a file in PEM", path.display()))
    };
    let certificates: Result<Vec<_>, _> =
        CertificateDer::pem_file_iter(certificate).map_err(|error| named(certificate, &error))?.collect();
    let certificates = certificates.map_err(|error| named(certificate, &error))?;
    let secret = crate::secret::read(key).map_err(|error| ServeError::Tls(error.to_string()))?;
    let secret = PrivateKeyDer::from_pem_slice(secret.as_bytes()).map_err(|error| named(key, &error))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let failed = |error: rustls::Error| ServeError::Tls(format!("{}: {error}", certificate.display()));
    let mut server = rustls::ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(failed)?
        .with_no_client_auth()
        .with_single_cert(certificates, secret)
        .map_err(failed)?;
    server.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(server)))
}

/// Where connections come in.
struct Door {
    router: axum::Router,
    tls: Option<TlsAcceptor>,
    header_timeout: Duration,
    stall: Duration,
}

impl Door {
    async fn enter(&self, stream: TcpStream, peer: SocketAddr) {
        let socket = socket2::SockRef::from(&stream);
        if stream.set_nodelay(true).is_err() || socket.set_send_buffer_size(SENT_AHEAD).is_err() {
            return;
        }
        // A client that takes nothing holds its connection no longer than this; reading has the timeout of the head instead,
        // and a body that of its request.
        let mut stream = TimeoutStream::new(stream);
        stream.set_write_timeout(Some(self.stall));
        let stream = Box::pin(stream);
        match &self.tls {
            None => self.talk(stream, peer).await,
            Some(tls) => match tokio::time::timeout(HANDSHAKE, tls.accept(stream)).await {
                Ok(Ok(stream)) => self.talk(stream, peer).await,
                Ok(Err(error)) => tracing::debug!(%peer, "no handshake: {error}"),
                Err(_) => tracing::debug!(%peer, "no handshake in time"),
            },
        }
    }

    async fn talk(&self, stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static, peer: SocketAddr) {
        let router = self.router.clone();
        let service = hyper::service::service_fn(move |mut request: hyper::Request<Incoming>| {
            request.extensions_mut().insert(Peer(peer));
            router.clone().oneshot(request)
        });
        let mut builder = hyper::server::conn::http1::Builder::new();
        builder.timer(TokioTimer::new()).header_read_timeout(self.header_timeout);
        builder.max_buf_size(LARGEST_HEAD).max_headers(MOST_HEADERS);
        if let Err(error) = builder.serve_connection(TokioIo::new(stream), service).await {
            tracing::debug!(%peer, "a connection ended: {error}");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beyond_this_machine_it_takes_tls_and_tokens() {
        for address in ["0.0.0.0:1", "192.0.2.7:1", "[::]:1", "[2001:db8::1]:1"] {
            let address = address.parse().unwrap();
            assert!(exposed(address, true, true).is_ok());
            for (tls, tokens) in [(false, false), (false, true), (true, false)] {
                assert!(exposed(address, tls, tokens).is_err(), "{address} {tls} {tokens}");
            }
        }
        for address in ["127.0.0.1:1", "127.3.2.1:1", "[::1]:1"] {
            assert!(exposed(address.parse().unwrap(), false, false).is_ok());
        }
    }
}
