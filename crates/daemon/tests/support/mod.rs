//! A daemon on a real socket with benches in virtual time, and a client that sends exactly what it is told to.
#![allow(dead_code)]

use quadrille_daemon::config::Config;
use quadrille_daemon::serve::Daemon;
use quadrille_daemon::site::Site;
use quadrille_daemon::tokens::{Right, Tokens};
use quadrille_daemon::view::{BenchState, BenchView, RunState};
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tempfile::TempDir;
use tokio::sync::watch;

pub(crate) fn demo(file: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo"))
        .join(file)
        .canonicalize()
        .unwrap()
}

/// What a daemon's document says beyond its benches.
#[derive(Clone, Default)]
pub(crate) struct Wanted {
    pub(crate) tokens: bool,
    pub(crate) release: bool,
    /// How many times as fast as a wall's the clock goes; as fast as it can without.
    pub(crate) pace: Option<u32>,
    pub(crate) more: &'static str,
}

/// A folder with documents of its own, that a test may change.
pub(crate) struct Laboratory {
    pub(crate) folder: TempDir,
    pub(crate) document: PathBuf,
}

impl Laboratory {
    pub(crate) fn new(wanted: &Wanted) -> Self {
        let folder = tempfile::tempdir().unwrap();
        for file in [
            "bench.toml",
            "film.toml",
            "film-recipe.toml",
            "night-bench.toml",
            "night-film.toml",
            "night-recipe.toml",
        ] {
            std::fs::copy(demo(file), folder.path().join(file)).unwrap();
        }
        let pace = wanted.pace.map_or(String::new(), |pace| format!("pace = {pace}\n"));
        let Wanted { tokens, release, more, .. } = wanted;
        let text = format!(
            "kind = \"daemon\"\nlisten = \"127.0.0.1:0\"\nfolder = \"records\"\ntokens = {tokens}\n{more}\n\
             [[bench]]\nname = \"film\"\nbench = \"bench.toml\"\nsamples = [\"film.toml\"]\n\
             recipes = [\"film-recipe.toml\"]\nsimulated = \"virtual-time\"\nrelease = {release}\n{pace}\
             [[bench]]\nname = \"night\"\nbench = \"night-bench.toml\"\nsamples = [\"night-film.toml\"]\n\
             recipes = [\"night-recipe.toml\"]\nsimulated = \"virtual-time\"\nrelease = {release}\n{pace}"
        );
        let document = folder.path().join("daemon.toml");
        std::fs::write(&document, text).unwrap();
        Self { folder, document }
    }

    pub(crate) fn records(&self) -> PathBuf {
        self.folder.path().join("records")
    }

    pub(crate) fn tokens(&self) -> Tokens {
        std::fs::create_dir_all(self.records()).unwrap();
        Tokens::open(&self.records().join("tokens.json")).unwrap()
    }

    pub(crate) fn token(&self, name: &str, rights: &[Right]) -> String {
        self.tokens().add(name, rights.iter().copied().collect(), Duration::from_secs(600)).unwrap()
    }

    pub(crate) fn begin(&self) -> Running {
        self.try_begin().unwrap()
    }

    pub(crate) fn try_begin(&self) -> Result<Running, String> {
        let config = Config::read(&self.document).map_err(|error| error.to_string())?;
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
        let daemon = runtime.block_on(Daemon::begin(config)).map_err(|error| error.to_string())?;
        let (stop, stopped) = watch::channel(false);
        let (address, site) = (daemon.address(), Arc::clone(&daemon.site));
        let task = runtime.spawn(daemon.run(stopped));
        let running = Running { address, site, stop, task: Some(task), runtime: Some(runtime) };
        running.wait("film", |view| view.state != BenchState::StandingDown);
        running.wait("night", |view| view.state != BenchState::StandingDown);
        Ok(running)
    }
}

/// A daemon that runs.
pub(crate) struct Running {
    pub(crate) address: SocketAddr,
    pub(crate) site: Arc<Site>,
    stop: watch::Sender<bool>,
    task: Option<tokio::task::JoinHandle<()>>,
    runtime: Option<tokio::runtime::Runtime>,
}

impl Running {
    /// Ends it as a signal would.
    pub(crate) fn end(mut self) {
        self.stop.send_replace(true);
        let (runtime, task) = (self.runtime.take().unwrap(), self.task.take().unwrap());
        runtime.block_on(task).unwrap();
    }

    pub(crate) fn view(&self, bench: &str) -> Arc<BenchView> {
        self.site.benches[bench].view()
    }

    /// Waits until a snapshot says something.
    pub(crate) fn wait(&self, bench: &str, wanted: impl Fn(&BenchView) -> bool) -> Arc<BenchView> {
        let mut views = self.site.benches[bench].views();
        let waited = self.runtime.as_ref().unwrap().block_on(async {
            tokio::time::timeout(Duration::from_secs(60), views.wait_for(|view| wanted(view)))
                .await
                .map(|found| Arc::clone(&found.unwrap()))
        });
        waited.unwrap_or_else(|_| panic!("in vain: {:#?}", self.view(bench)))
    }

    pub(crate) fn ended(&self, bench: &str) -> Arc<BenchView> {
        self.wait(bench, |view| {
            view.state == BenchState::Ready
                && view.run.as_ref().is_some_and(|run| run.state == RunState::Ended)
        })
    }

    pub(crate) fn ask(&self, method: &str, path: &str) -> Asked<'_> {
        Asked {
            to: self,
            method: method.to_owned(),
            path: path.to_owned(),
            headers: Vec::new(),
            body: None,
            host: None,
        }
    }

    pub(crate) fn get(&self, path: &str) -> Answer {
        self.ask("GET", path).send()
    }

    pub(crate) fn post(&self, path: &str) -> Answer {
        self.ask("POST", path).send()
    }

    /// The hash of the plan of a bench's documents.
    pub(crate) fn plan(&self, bench: &str, token: Option<&str>) -> String {
        let answer = self
            .ask("POST", &format!("/api/v1/benches/{bench}/plans"))
            .token(token)
            .json(&documents(bench))
            .send();
        assert_eq!(answer.status, 200, "{}", answer.body);
        answer.value()["sha256"].as_str().unwrap().to_owned()
    }

    pub(crate) fn start(&self, bench: &str, key: &str, token: Option<&str>) -> Answer {
        let mut body = documents(bench);
        body["plan_sha256"] = json!(self.plan(bench, token));
        let asked = self.ask("POST", &format!("/api/v1/benches/{bench}/runs"));
        asked.token(token).header("Idempotency-Key", key).json(&body).send()
    }

    pub(crate) fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
        stream
    }

    pub(crate) fn audit(&self) -> String {
        std::fs::read_to_string(self.site.audit.path()).unwrap()
    }
}

pub(crate) fn documents(bench: &str) -> Value {
    match bench {
        "film" => json!({ "samples": ["film"], "recipe": "film-recipe" }),
        _ => json!({ "samples": ["night-film"], "recipe": "night-recipe" }),
    }
}

/// A request in the making.
pub(crate) struct Asked<'r> {
    to: &'r Running,
    method: String,
    path: String,
    headers: Vec<(String, String)>,
    body: Option<String>,
    host: Option<String>,
}

impl Asked<'_> {
    pub(crate) fn header(mut self, name: &str, value: &str) -> Self {
        self.headers.push((name.to_owned(), value.to_owned()));
        self
    }

    pub(crate) fn token(self, token: Option<&str>) -> Self {
        match token {
            Some(token) => self.header("Authorization", &format!("Bearer {token}")),
            None => self,
        }
    }

    pub(crate) fn host(mut self, host: &str) -> Self {
        self.host = Some(host.to_owned());
        self
    }

    pub(crate) fn json(mut self, body: &Value) -> Self {
        self.body = Some(body.to_string());
        self.header("Content-Type", "application/json")
    }

    pub(crate) fn raw(&self) -> String {
        let host = self.host.clone().unwrap_or_else(|| self.to.address.to_string());
        let mut text =
            format!("{} {} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n", self.method, self.path);
        for (name, value) in &self.headers {
            text.push_str(&format!("{name}: {value}\r\n"));
        }
        let body = self.body.clone().unwrap_or_default();
        if self.body.is_some() || self.method == "POST" {
            text.push_str(&format!("Content-Length: {}\r\n", body.len()));
        }
        format!("{text}\r\n{body}")
    }

    pub(crate) fn send(self) -> Answer {
        let mut stream = self.to.connect();
        stream.write_all(self.raw().as_bytes()).unwrap();
        Answer::read(&mut stream)
    }
}

/// An answer, whole.
#[derive(Clone, Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: String,
}

impl Answer {
    pub(crate) fn read(stream: &mut TcpStream) -> Self {
        let mut bytes = Vec::new();
        let _ = stream.read_to_end(&mut bytes);
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
        let body = if head.to_ascii_lowercase().contains("transfer-encoding: chunked") {
            unchunked(body)
        } else {
            body.to_owned()
        };
        Self { status, head: head.to_owned(), body }
    }

    pub(crate) fn value(&self) -> Value {
        serde_json::from_str(&self.body)
            .unwrap_or_else(|error| panic!("{error}: {} {}", self.head, self.body))
    }

    /// The value of a header.
    pub(crate) fn header(&self, name: &str) -> Option<String> {
        let lines = self.head.lines().filter_map(|line| line.split_once(": "));
        lines.filter(|(known, _)| known.eq_ignore_ascii_case(name)).map(|(_, value)| value.to_owned()).next()
    }

    /// Whether it is a refusal as RFC 9457 has it, that says what to do instead.
    pub(crate) fn refusal(&self) -> Value {
        assert_eq!(self.header("content-type").as_deref(), Some("application/problem+json"), "{self:?}");
        let value = self.value();
        for key in ["type", "title", "detail", "instead"] {
            assert!(value[key].as_str().is_some_and(|text| !text.is_empty()), "{key}: {value}");
        }
        assert_eq!(value["status"], json!(self.status));
        value
    }
}

fn unchunked(body: &str) -> String {
    let (mut rest, mut whole) = (body, String::new());
    while let Some((size, more)) = rest.split_once("\r\n") {
        let Ok(size) = usize::from_str_radix(size.trim(), 16) else { break };
        if size == 0 || more.len() < size {
            break;
        }
        whole.push_str(&more[..size]);
        rest = more[size..].trim_start_matches("\r\n");
    }
    whole
}

pub(crate) fn exists(path: &Path) -> bool {
    path.exists()
}
