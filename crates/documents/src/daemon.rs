//! What a daemon serves: where it listens, where it keeps its records, which benches it has and which documents may be asked
//! for. Addresses of instruments stand in bench documents alone.

use crate::fault::Located;
use crate::table::{Bounds, Table};
use std::collections::BTreeSet;
use std::net::SocketAddr;

pub(crate) const KIND: &str = "daemon";

/// Where a daemon listens when its document does not say.
const USUAL: &str = "127.0.0.1:8760";

/// A daemon.
#[derive(Clone, Debug)]
pub struct Daemon {
    /// Where it listens.
    pub listen: Located<SocketAddr>,
    /// Names, beside those of this machine, under which clients may reach it.
    pub hosts: Vec<String>,
    /// Where it keeps journals, tokens and its audit record; a path from the document.
    pub folder: Located<String>,
    /// Certificate and key, paths from the document.
    pub tls: Option<TlsFiles>,
    /// Whether clients need tokens.
    pub tokens: bool,
    /// What a client may ask for at most.
    pub limits: ClientLimits,
    /// The benches, at least one.
    pub benches: Vec<ServedBench>,
}

/// Files of a server's identity.
#[derive(Clone, Debug)]
pub struct TlsFiles {
    /// The certificates in PEM, the server's own first.
    pub certificate: Located<String>,
    /// The private key in PEM; nobody but the daemon's user may read it.
    pub key: Located<String>,
}

/// What a client may ask for at most.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClientLimits {
    /// Requests a minute with one token, or without any.
    pub requests_per_minute: u32,
    /// Event streams at a time with one token, or without any.
    pub streams_per_token: u32,
    /// Event streams at a time in all.
    pub streams: u32,
    /// Connections at a time.
    pub connections: u32,
    /// Time after which a connection that takes nothing is closed, in seconds.
    pub stall_s: f64,
    /// Time in which the head of a request must have come, in seconds.
    pub header_s: f64,
}

impl Default for ClientLimits {
    /// Ours: a few people with a few pages each, and a script.
    fn default() -> Self {
        Self {
            requests_per_minute: 600,
            streams_per_token: 16,
            streams: 200,
            connections: 512,
            stall_s: 20.0,
            header_s: 10.0,
        }
    }
}

/// How a bench that is simulated in the daemon tells the time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Simulated {
    /// In real time.
    RealTime,
    /// In virtual time, so many times as fast as real time; as fast as it goes where that is absent.
    Virtual(Option<f64>),
}

/// A bench that is served.
#[derive(Clone, Debug)]
pub struct ServedBench {
    /// Its name in paths.
    pub name: Located<String>,
    /// Its document, a path from the daemon's.
    pub bench: Located<String>,
    /// Samples that may be asked for: documents, or folders of them.
    pub samples: Vec<Located<String>>,
    /// Recipes, likewise.
    pub recipes: Vec<Located<String>>,
    /// How it is simulated; `None` where it is real.
    pub simulated: Option<Simulated>,
    /// Whether a start needs a release that a person gives at the bench.
    pub release: bool,
}

pub(crate) fn read(root: &Table<'_>) -> Option<Daemon> {
    let listen = listen(root);
    let folder = root.text("folder");
    let folder = root.require("folder", "name the folder for journals, as in folder = \"records\"", folder);
    let hosts = names(root, "hosts", "write names, as in hosts = [\"bench.laboratory.example\"]");
    let tls = match root.table("tls") {
        Some(table) => tls(&table).map(Some),
        None if root.has("tls") => None,
        None => Some(None),
    };
    let tokens = flag(root, "tokens", false);
    let limits = match root.table("limits") {
        Some(table) => Some(limits(&table)),
        None if root.has("limits") => None,
        None => Some(ClientLimits::default()),
    };
    let tables = root.tables("bench");
    if tables.is_empty() && !root.has("bench") {
        root.require::<()>("bench", "write a [[bench]] with name, bench, samples and recipes", None);
    }
    let benches: Vec<Option<ServedBench>> = tables.iter().map(bench).collect();
    let benches: Option<Vec<ServedBench>> = benches.into_iter().collect();
    let benches = benches?;
    let mut seen = BTreeSet::new();
    for bench in &benches {
        if !seen.insert(&bench.name.value) {
            let problem = format!("\"{}\" is the name of another bench", bench.name.value);
            root.push(bench.name.fault(problem, "give each bench its own"));
        }
    }
    if benches.is_empty() {
        return None;
    }
    Some(Daemon {
        listen: listen?,
        hosts: hosts?.into_iter().map(|host| host.value).collect(),
        folder: folder?,
        tls: tls?,
        tokens: tokens?,
        limits: limits?,
        benches,
    })
}

fn listen(root: &Table<'_>) -> Option<Located<SocketAddr>> {
    let text = match root.text("listen") {
        Some(text) => text,
        None if root.has("listen") => return None,
        None => root.located(USUAL.to_owned()),
    };
    match text.value.parse() {
        Ok(address) => Some(text.map(|_| address)),
        Err(_) => {
            let problem = format!("\"{}\" is no address with a port", text.value);
            root.push(text.fault(problem, format!("write an address as in \"{USUAL}\" or \"[::1]:8760\"")));
            None
        }
    }
}

fn flag(table: &Table<'_>, key: &'static str, usual: bool) -> Option<bool> {
    match table.flag(key) {
        Some(flag) => Some(flag.value),
        None => (!table.has(key)).then_some(usual),
    }
}

fn names(table: &Table<'_>, key: &'static str, remedy: &str) -> Option<Vec<Located<String>>> {
    match table.texts(key, remedy) {
        Some(names) => Some(names.value),
        None => (!table.has(key)).then(Vec::new),
    }
}

fn tls(table: &Table<'_>) -> Option<TlsFiles> {
    let certificate = table.text("certificate");
    let certificate = table.require("certificate", "name a file of certificates in PEM", certificate);
    let key = table.require("key", "name a file with the private key in PEM", table.text("key"));
    Some(TlsFiles { certificate: certificate?, key: key? })
}

fn limits(table: &Table<'_>) -> ClientLimits {
    let usual = ClientLimits::default();
    // Wrong ones leave faults, and the document is refused.
    let whole = |key: &'static str, most: i64, usual: u32| {
        table.whole(key, 1, most).map_or(usual, |found| found.value.try_into().unwrap_or(usual))
    };
    let seconds = |key: &'static str, usual: f64| {
        table.number(key, Bounds::new(0.1, 600.0, "s")).map_or(usual, |found| found.value)
    };
    ClientLimits {
        requests_per_minute: whole("requests_per_minute", 1_000_000, usual.requests_per_minute),
        streams_per_token: whole("streams_per_token", 10_000, usual.streams_per_token),
        streams: whole("streams", 10_000, usual.streams),
        connections: whole("connections", 100_000, usual.connections),
        stall_s: seconds("stall_s", usual.stall_s),
        header_s: seconds("header_s", usual.header_s),
    }
}

fn bench(table: &Table<'_>) -> Option<ServedBench> {
    let name = table.require("name", "name the bench, as in name = \"cryostat-2\"", table.name("name"));
    let name = name.filter(|name| path_name(table, name));
    let bench = table.require("bench", "name the bench document", table.text("bench"));
    let samples = documents(table, "samples", "name sample documents, or folders of them");
    let recipes = documents(table, "recipes", "name recipe documents, or folders of them");
    let simulated = simulated(table);
    let release = flag(table, "release", simulated.is_some_and(|simulated| simulated.is_none()));
    let (simulated, release) = (simulated?, release?);
    if simulated.is_none() && !release {
        let place = table.located(());
        table.push(place.fault(
            "a real bench without a release would energise while somebody has their hands in it",
            "leave `release` out, and release the bench with `quadrille release` at the bench",
        ));
        return None;
    }
    Some(ServedBench { name: name?, bench: bench?, samples: samples?, recipes: recipes?, simulated, release })
}

/// Whether a name can stand in a path, and in a file's name, as it is.
fn path_name(table: &Table<'_>, name: &Located<String>) -> bool {
    let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let is_right = name.value.chars().all(fits) && !name.value.starts_with('-') && name.value.len() <= 40;
    if !is_right {
        let remedy = "write 1 to 40 of a to z, 0 to 9 and -, as in \"cryostat-2\"";
        table.push(name.fault(format!("\"{}\" cannot stand in a path", name.value), remedy));
    }
    is_right
}

fn documents(table: &Table<'_>, key: &'static str, remedy: &str) -> Option<Vec<Located<String>>> {
    let found = table.require(key, remedy, table.texts(key, remedy))?;
    if found.value.is_empty() {
        table.push(found.fault("the list is empty", remedy));
        return None;
    }
    Some(found.value)
}

/// `None` after a fault; `Some(None)` of a real bench.
fn simulated(table: &Table<'_>) -> Option<Option<Simulated>> {
    let pace = table.number("pace", Bounds::new(1.0, 1e6, ""));
    let word = table.word("simulated", &["real-time", "virtual-time"]);
    match word {
        Some(word) if word.value == "virtual-time" => {
            Some(Some(Simulated::Virtual(pace.map(|pace| pace.value))))
        }
        Some(_) => {
            if let Some(pace) = pace {
                table.push(pace.fault("real time has no pace", "write simulated = \"virtual-time\""));
                return None;
            }
            Some(Some(Simulated::RealTime))
        }
        None if table.has("simulated") => None,
        None => match pace {
            Some(pace) => {
                table.push(pace.fault("a real bench has no pace", "leave `pace` out"));
                None
            }
            None => Some(None),
        },
    }
}
