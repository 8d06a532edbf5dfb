//! A bench simulated: its devices in memory for a rehearsal, or on sockets and serial lines for anybody.

use crate::{Error, Inputs};
use async_trait::async_trait;
use quadrille_bench::{
    ArmedFault, Complaint, ComplaintKind, Fault, FaultEvent, Options, SimulatedBench, SimulationError,
};
use quadrille_documents::{Dialect, Faults, Place, Role, Sample};
use quadrille_link::{Link, PtyServer, Resource, Server, TcpServer, memory};
use quadrille_plan::EquippedBench;
use quadrille_quantity::{Kelvin, Tesla};
use quadrille_scheduler::FieldHand;
use serde::Serialize;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::Path;
use tokio::sync::mpsc::UnboundedReceiver;

/// How a bench is simulated.
pub type SimulationOptions = Options;

/// A simulated bench with the sample in it.
#[derive(Clone)]
pub struct Simulation {
    bench: SimulatedBench,
}

/// One device that is served.
#[derive(Clone, Debug, Serialize)]
pub struct ServedDevice {
    /// The laboratory's name of it.
    pub name: String,
    /// Its role on the bench.
    pub role: String,
    /// Where it is reached.
    pub resource: String,
}

/// Devices that are served as long as this lives.
pub struct Served {
    /// The devices in the order of the bench document.
    pub devices: Vec<ServedDevice>,
    tasks: Vec<tokio::task::JoinHandle<()>>,
}

impl Drop for Served {
    fn drop(&mut self) {
        for task in &self.tasks {
            task.abort();
        }
    }
}

impl Simulation {
    /// Everything at rest, with every sample on its columns. A sample without a model cannot be simulated.
    pub fn new(inputs: &Inputs, options: SimulationOptions) -> Result<Self, Error> {
        let Inputs { equipped, samples, .. } = inputs;
        let models = samples.iter().filter(|sample| sample.model.is_none());
        let remedy = "write [model] with type = \"network\" or \"film\"";
        let faults: Vec<_> =
            models.map(|sample| sample.name.fault("the sample has no model to simulate", remedy)).collect();
        if !faults.is_empty() {
            return Err(Error::Documents(Faults(faults)));
        }
        let dialect = |role: Role| -> &Dialect {
            // A checked bench has an instrument, and so a dialect, of each role.
            equipped.dialect(role).unwrap_or(&equipped.dialects[0])
        };
        let on_bench: Vec<&Sample> = samples.iter().collect();
        let bench = SimulatedBench::new(&equipped.bench, dialect, &on_bench, options)
            .map_err(|error| refused(error, inputs))?;
        Ok(Self { bench })
    }

    /// Sets the field at the sample.
    pub fn set_field(&self, field: Tesla) -> Result<(), Error> {
        self.bench.set_field(field).map_err(|error| Error::Simulation(error.to_string()))
    }

    /// Sets the temperature of the sample.
    pub fn set_temperature(&self, temperature: Kelvin) -> Result<(), Error> {
        self.bench.set_temperature(temperature).map_err(|error| Error::Simulation(error.to_string()))
    }

    /// Temperature of the sample and field at it.
    pub fn surroundings(&self) -> (Kelvin, Tesla) {
        self.bench.surroundings()
    }

    /// Puts a fault in force, as `voltmeter late 3 once`; answers it in full.
    pub fn inject(&self, fault: &str) -> Result<Fault, Error> {
        let parsed: Result<Fault, _> = fault.parse();
        let fault = parsed.map_err(|error| Error::Simulation(error.to_string()))?;
        self.bench.inject(fault).map_err(|error| Error::Simulation(error.to_string()))?;
        Ok(fault)
    }

    /// Every form of a fault of this bench with what it does, for a person.
    pub fn fault_forms(&self) -> Vec<(&'static str, &'static str)> {
        self.bench.fault_forms()
    }

    /// Ends every fault; answers how many there were.
    pub fn clear_faults(&self) -> usize {
        self.bench.clear_faults()
    }

    /// The faults in force.
    pub fn faults(&self) -> Vec<ArmedFault> {
        self.bench.faults()
    }

    /// What becomes of faults from now on.
    pub fn watch_faults(&self) -> UnboundedReceiver<FaultEvent> {
        self.bench.watch_faults()
    }

    /// Lets faults be drawn from a seed for as long as it is polled, so many a minute on average.
    pub async fn strike_at_random(&self, seed: u64, per_minute: f64) {
        self.bench.strike_at_random(seed, per_minute).await;
    }

    /// Whether the output is on with a level other than zero.
    pub fn is_energised(&self) -> bool {
        self.bench.is_energised()
    }

    /// Seconds since the bench was first used.
    pub fn now_s(&self) -> f64 {
        self.bench.now_s()
    }

    /// What the bench complained of so far.
    pub fn complaints(&self) -> Vec<Complaint> {
        self.bench.complaints()
    }

    /// The same at the end of a run, when whoever ran it is done with the source: a current that still flows was left on.
    pub(crate) fn complaints_at_end(&self) -> Vec<Complaint> {
        let mut complaints = self.complaints();
        if self.bench.is_energised() {
            let detail = "the run is over and current is on".to_owned();
            complaints.push(Complaint {
                time_s: self.bench.now_s(),
                kind: ComplaintKind::OutputLeftOn,
                detail,
            });
        }
        let time_s = self.bench.now_s();
        complaints.extend(self.bench.left_on().into_iter().map(|kind| Complaint {
            time_s,
            kind,
            detail: "the run is over".to_owned(),
        }));
        complaints
    }

    /// Links in memory to devices that live as long as the runtime, in the order of the document.
    pub(crate) fn in_memory(&self, equipped: &EquippedBench) -> Vec<Box<dyn Link>> {
        let instruments = equipped.bench.instruments.iter();
        instruments
            .map(|instrument| {
                let resource = instrument
                    .resource
                    .value
                    .parse()
                    .unwrap_or(Resource::Socket { host: "memory".into(), port: 1 });
                let (link, server) = memory(resource);
                spawn(self.bench.clone(), instrument.role, Box::new(server));
                Box::new(link) as Box<dyn Link>
            })
            .collect()
    }

    /// Serves the devices on real transports. An instrument whose resource is a serial line is served on a
    /// pseudo-terminal; a raw socket at its own port of this machine, or at `listen`: its port and those that follow,
    /// or free ones where its port is 0.
    pub async fn serve(&self, equipped: &EquippedBench, listen: Option<SocketAddr>) -> Result<Served, Error> {
        let mut served = Served { devices: Vec::new(), tasks: Vec::new() };
        for (k, instrument) in equipped.bench.instruments.iter().enumerate() {
            let wanted: Resource = instrument
                .resource
                .value
                .parse()
                .map_err(|error: quadrille_link::ResourceError| Error::Simulation(error.to_string()))?;
            let server: Box<dyn Server> = match address(&wanted, listen, k) {
                Some(address) => Box::new(TcpServer::bind(address).await.map_err(|error| {
                    let name = &instrument.name;
                    let remedy = "is another simulation running? --listen 127.0.0.1:0 takes free ports";
                    Error::Simulation(format!("{name}: cannot listen at {address}: {error}; {remedy}"))
                })?),
                None => Box::new(PtyServer::open().map_err(|error| {
                    Error::Simulation(format!("{}: no pseudo-terminal: {error}", instrument.name))
                })?),
            };
            served.devices.push(ServedDevice {
                name: instrument.name.clone(),
                role: instrument.role.to_string(),
                resource: server.resource().to_string(),
            });
            served.tasks.push(spawn(self.bench.clone(), instrument.role, server));
        }
        Ok(served)
    }
}

/// Why a bench cannot be simulated, at a line where a person can mend it.
fn refused(error: SimulationError, inputs: &Inputs) -> Error {
    let sample = match &error {
        // These tell their lines themselves.
        SimulationError::Ambiguous(faults) | SimulationError::Unnamed(faults) => {
            return Error::Documents(faults.clone());
        }
        SimulationError::Unwired { sample, .. } => {
            inputs.samples.iter().find(|other| other.name.value == *sample)
        }
        _ => None,
    };
    let remedy = "write a [model] that can be measured on this bench, or use a sample that has one";
    Error::Documents(sample.unwrap_or(inputs.sample()).name.fault(error.to_string(), remedy).into())
}

/// Where a device listens; `None` for a serial line.
fn address(wanted: &Resource, listen: Option<SocketAddr>, k: usize) -> Option<SocketAddr> {
    let Resource::Socket { port, .. } = wanted else { return None };
    Some(match listen {
        Some(listen) if listen.port() == 0 => listen,
        Some(listen) => SocketAddr::new(listen.ip(), listen.port().saturating_add(k as u16)),
        None => SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), *port),
    })
}

fn spawn(bench: SimulatedBench, role: Role, server: Box<dyn Server>) -> tokio::task::JoinHandle<()> {
    tokio::spawn(async move { bench.serve(role, server).await })
}

/// The text of a bench document with its instruments at the resources where they are served, in order, and with the
/// dialects of its own found from any folder.
pub fn documents_at(equipped: &EquippedBench, path: &Path, text: &str, devices: &[ServedDevice]) -> String {
    let folder = path.parent().unwrap_or(Path::new(""));
    let mut changes: Vec<(usize, String)> = Vec::new();
    for (instrument, device) in equipped.bench.instruments.iter().zip(devices) {
        changes.push((offset(text, &instrument.resource.place), device.resource.clone()));
        if instrument.dialect.value.ends_with(".toml") {
            let dialect = folder.join(&instrument.dialect.value);
            let dialect = dialect.canonicalize().unwrap_or(dialect);
            changes.push((offset(text, &instrument.dialect.place), dialect.display().to_string()));
        }
    }
    changes.sort();
    let mut copy = String::with_capacity(text.len());
    let mut done = 0;
    for (at, value) in changes {
        copy.push_str(&text[done..at]);
        // A text of JSON is a text of TOML.
        copy.push_str(&serde_json::Value::String(value).to_string());
        done = at + literal(&text[at..]);
    }
    copy.push_str(&text[done..]);
    copy
}

/// Byte offset of a place in the text that it was found in.
fn offset(text: &str, place: &Place) -> usize {
    let line: usize = text.split_inclusive('\n').take(place.line - 1).map(str::len).sum();
    let within = text[line..].char_indices().nth(place.column - 1).map_or(0, |(at, _)| at);
    line + within
}

/// Length in bytes of the TOML text that begins here, in whichever of its four kinds of quotes.
fn literal(text: &str) -> usize {
    let quote = ["\"\"\"", "'''", "\"", "'"].into_iter().find(|quote| text.starts_with(quote)).unwrap_or("");
    let mut at = quote.len();
    while at < text.len() && !text[at..].starts_with(quote) {
        let escaped = quote.starts_with('"') && text[at..].starts_with('\\');
        at += text[at..].chars().take(if escaped { 2 } else { 1 }).map(char::len_utf8).sum::<usize>();
    }
    (at + quote.len()).min(text.len())
}

/// The simulated sample follows the field that is asked for.
#[async_trait]
impl FieldHand for Simulation {
    async fn set(&mut self, field: Tesla) -> Result<Tesla, String> {
        self.set_field(field).map_err(|error| error.to_string())?;
        Ok(field)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_of_toml_ends_where_its_quotes_do() {
        for (text, length) in [
            ("\"ab\" # \"", 4),
            ("\"a\\\"b\"x", 6),
            ("'a\\' = ''", 4),
            ("\"\"\"a\"b\"\"\"\n", 9),
            ("'''ab'''x", 8),
        ] {
            assert_eq!(literal(text), length, "{text}");
        }
    }
}
