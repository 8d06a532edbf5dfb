//! A daemon asked from elsewhere: what the command line needs of the interface, and nothing of what it does with it.

use crate::api::{Benches, Start, Wanted};
use crate::host::Ticket;
use crate::problem::Problem;
use crate::secret;
use crate::view::{BenchView, PlanView};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::time::Duration;
use ureq::http::Response;
use ureq::tls::{Certificate, RootCerts, TlsConfig};
use ureq::{Agent, Body};

/// Longest wait for a connection and for the head of an answer.
const PATIENCE: Duration = Duration::from_secs(30);

/// Largest answer, in bytes: the readings of many nights.
const LARGEST: u64 = 512 << 20;

/// Why a daemon was asked in vain.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// It refused.
    #[error("{}; {}", .0.detail, .0.instead)]
    Refused(Box<Problem>),
    /// It could not be reached, or did not answer as a daemon does.
    #[error("{url}: {why}; is that the daemon's address, and does it run?")]
    Unreached {
        /// What was asked.
        url: String,
        /// What happened.
        why: String,
    },
    /// The token or the certificate cannot be used.
    #[error("{0}")]
    Secret(String),
}

/// A daemon.
pub struct Client {
    agent: Agent,
    url: String,
    token: Option<String>,
}

/// An event of a stream.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// Its id, where it has one.
    pub id: Option<String>,
    /// Its kind.
    pub kind: String,
    /// What it says, as JSON.
    pub data: serde_json::Value,
}

impl Client {
    /// A daemon at an address; `token` is a file that only its owner may read, `authority` the certificates to trust instead of
    /// those of the web.
    pub fn new(url: &str, token: Option<&Path>, authority: Option<&Path>) -> Result<Self, ClientError> {
        let token = token.map(|path| secret::read(path).map(|text| text.trim().to_owned())).transpose();
        let token = token.map_err(|error| ClientError::Secret(error.to_string()))?;
        let url = url.trim_end_matches('/').to_owned();
        let is_here = ["http://127.0.0.1", "http://localhost", "http://[::1]"];
        if token.is_some() && url.starts_with("http://") && !is_here.iter().any(|here| url.starts_with(here))
        {
            let why = "a token would be readable on its way: write https://";
            return Err(ClientError::Secret(format!("{url}: {why}")));
        }
        let mut config = Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .proxy(None)
            .timeout_connect(Some(PATIENCE))
            .timeout_recv_response(Some(PATIENCE));
        if let Some(path) = authority {
            let no_good = |why: String| ClientError::Secret(format!("{}: {why}", path.display()));
            let pem = std::fs::read(path).map_err(|error| no_good(error.to_string()))?;
            let certificate = Certificate::from_pem(&pem).map_err(|error| no_good(error.to_string()))?;
            let roots = RootCerts::new_with_certs(&[certificate]);
            config = config.tls_config(TlsConfig::builder().root_certs(roots).build());
        }
        Ok(Self { agent: config.build().into(), url, token })
    }

    /// The benches.
    pub fn benches(&self) -> Result<Benches, ClientError> {
        self.get("/api/v1/benches")
    }

    /// What is true of a bench.
    pub fn bench(&self, bench: &str) -> Result<BenchView, ClientError> {
        self.get(&format!("/api/v1/benches/{}", segment(bench)))
    }

    /// The plan of documents on the daemon's machine.
    pub fn plan(&self, bench: &str, wanted: &Wanted) -> Result<PlanView, ClientError> {
        self.post(&format!("/api/v1/benches/{}/plans", segment(bench)), wanted, None)
    }

    /// Starts a run; `key` is new for each start.
    pub fn start(&self, bench: &str, start: &Start, key: &str) -> Result<Ticket, ClientError> {
        self.post(&format!("/api/v1/benches/{}/runs", segment(bench)), start, Some(key))
    }

    /// What became of a start.
    pub fn ticket(&self, bench: &str, ticket: u64) -> Result<Ticket, ClientError> {
        self.get(&format!("/api/v1/benches/{}/orders/{ticket}", segment(bench)))
    }

    /// Stops the run in work; the bench stands down.
    pub fn stop(&self, bench: &str) -> Result<(), ClientError> {
        self.tell(&format!("/api/v1/benches/{}/stop", segment(bench)))
    }

    /// Lets the run in work pause after its round.
    pub fn pause(&self, bench: &str) -> Result<(), ClientError> {
        self.tell(&format!("/api/v1/benches/{}/pause", segment(bench)))
    }

    /// Goes on with a run.
    pub fn resume(&self, bench: &str, run: i64) -> Result<Ticket, ClientError> {
        let path = format!("/api/v1/benches/{}/runs/{run}/resume", segment(bench));
        self.read(&path, self.ask_post(&path)?)
    }

    /// The readings of a run as a table.
    pub fn readings_csv(&self, bench: &str, run: i64) -> Result<String, ClientError> {
        let path = format!("/api/v1/benches/{}/runs/{run}/readings.csv", segment(bench));
        let mut response = self.checked(&path, self.ask_get(&path, None)?)?;
        let text = response.body_mut().with_config().limit(LARGEST).read_to_string();
        text.map_err(|error| self.unreached(&path, &error))
    }

    /// Follows a bench after an event's id; each event is told as it comes, until `told` wants no more or the stream ends. Answers
    /// the id of the last one.
    pub fn follow(
        &self,
        bench: &str,
        after: Option<&str>,
        mut told: impl FnMut(Told) -> bool,
    ) -> Result<Option<String>, ClientError> {
        let path = format!("/api/v1/benches/{}/events", segment(bench));
        let mut response = self.checked(&path, self.ask_get(&path, after)?)?;
        let mut last = after.map(str::to_owned);
        let (mut id, mut kind, mut data) = (None, String::new(), String::new());
        for line in BufReader::new(response.body_mut().as_reader()).lines() {
            // A stream that broke off is gone on with by its last id.
            let Ok(line) = line else { break };
            match line.split_once(':').map(|(key, value)| (key, value.trim_start())) {
                Some(("id", value)) => id = Some(value.to_owned()),
                Some(("event", value)) => value.clone_into(&mut kind),
                Some(("data", value)) => data.push_str(value),
                None if line.is_empty() && !data.is_empty() => {
                    last = id.clone().or(last);
                    let value = serde_json::from_str(&data).unwrap_or_default();
                    let goes_on = told(Told { id: id.take(), kind: std::mem::take(&mut kind), data: value });
                    data.clear();
                    if !goes_on {
                        break;
                    }
                }
                _ => {}
            }
        }
        Ok(last)
    }

    fn get<T: DeserializeOwned>(&self, path: &str) -> Result<T, ClientError> {
        self.read(path, self.ask_get(path, None)?)
    }

    fn post<T: DeserializeOwned>(
        &self,
        path: &str,
        body: &impl Serialize,
        key: Option<&str>,
    ) -> Result<T, ClientError> {
        let mut request = self.agent.post(format!("{}{path}", self.url));
        if let Some(token) = &self.token {
            request = request.header("Authorization", format!("Bearer {token}"));
        }
        if let Some(key) = key {
            request = request.header("Idempotency-Key", key);
        }
        self.read(path, request.send_json(body).map_err(|error| self.unreached(path, &error))?)
    }

    fn tell(&self, path: &str) -> Result<(), ClientError> {
        self.checked(path, self.ask_post(path)?).map(|_| ())
    }

    fn ask_get(&self, path: &str, after: Option<&str>) -> Result<Response<Body>, ClientError> {
        let mut request = self.agent.get(format!("{}{path}", self.url));
        if let Some(token) = &self.token {
            request = request.header("Authorization", format!("Bearer {token}"));
        }
        if let Some(after) = after {
            request = request.header("Last-Event-ID", after);
        }
        request.call().map_err(|error| self.unreached(path, &error))
    }

    fn ask_post(&self, path: &str) -> Result<Response<Body>, ClientError> {
        let mut request = self.agent.post(format!("{}{path}", self.url));
        if let Some(token) = &self.token {
            request = request.header("Authorization", format!("Bearer {token}"));
        }
        request.send_empty().map_err(|error| self.unreached(path, &error))
    }

    fn read<T: DeserializeOwned>(&self, path: &str, response: Response<Body>) -> Result<T, ClientError> {
        let mut response = self.checked(path, response)?;
        let read = response.body_mut().with_config().limit(LARGEST).read_json();
        read.map_err(|error| self.unreached(path, &error))
    }

    fn checked(&self, path: &str, mut response: Response<Body>) -> Result<Response<Body>, ClientError> {
        if response.status().is_success() {
            return Ok(response);
        }
        let status = response.status();
        match response.body_mut().read_json::<Problem>() {
            Ok(problem) => Err(ClientError::Refused(Box::new(problem))),
            Err(_) => Err(self.unreached(path, &format!("it answers {status}"))),
        }
    }

    fn unreached(&self, path: &str, why: &dyn std::fmt::Display) -> ClientError {
        ClientError::Unreached { url: format!("{}{path}", self.url), why: why.to_string() }
    }
}

/// A text as one part of a path.
fn segment(text: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'_';
    text.bytes().fold(String::new(), |path, byte| {
        if plain(byte) { path + &char::from(byte).to_string() } else { format!("{path}%{byte:02X}") }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_one_part_of_a_path_whatever_is_in_it() {
        assert_eq!(segment("night-2"), "night-2");
        assert_eq!(segment("../a?b"), "%2E%2E%2Fa%3Fb");
    }

    #[test]
    fn a_token_does_not_go_over_an_open_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("token");
        secret::write(&path, b"x").unwrap();
        assert!(Client::new("http://192.0.2.1:8760", Some(&path), None).is_err());
        assert!(Client::new("http://127.0.0.1:8760", Some(&path), None).is_ok());
        assert!(Client::new("https://192.0.2.1:8760", Some(&path), None).is_ok());
    }
}
