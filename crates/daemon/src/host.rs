//! One bench: its thread with a runtime of its own, its queue, and what is shown of it. Whoever asks meets the desk; the thread
//! takes work from there and leaves on it what is true. No viewer can delay it: they read snapshots and the journal.

mod desk;
mod orders;
mod person;
mod retold;
mod teller;
mod work;

pub use desk::{Hold, Order, Release, Ticket, TicketState};
pub(crate) use retold::retell;
pub(crate) use teller::{event_data, reading_data, word};

use crate::library::Library;
use crate::moment::Moment;
use crate::problem::Refusal;
use crate::view::{BenchState, BenchView, Fold, InstrumentView, OutputState, OutputView, PlanView};
use desk::Desk;
use quadrille_documents::Simulated;
use quadrille_operations::{Error, Inputs, Rack, Records, SimulationOptions};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::{Notify, broadcast, watch};

/// Stack of a thread that carries out a run, in bytes: unoptimised, its state machines take megabytes. Only what is used of it is
/// ever taken from the machine.
pub(crate) const DEEP: usize = 64 << 20;

/// Records that a stream may be behind by before it reads the journal again.
const BEHIND: usize = 1024;

/// Pace of a bench in virtual time that goes as fast as it can, for estimates; ours.
const AT_ONCE: f64 = 1e6;

/// A reading or an event, as streams send it.
#[derive(Clone, Debug)]
pub struct Record {
    /// The run.
    pub run: i64,
    /// Its place in the run.
    pub sequence: i64,
    /// `reading`, or the event's word.
    pub kind: String,
    /// What was kept, as JSON, with the moment at which it was.
    pub data: Arc<str>,
}

/// A bench that is served.
pub struct Host {
    /// Its name in paths.
    pub name: String,
    /// Its documents.
    pub library: Library,
    /// Its journal.
    pub journal: PathBuf,
    /// Whether a start needs a release.
    pub needs_release: bool,
    simulated: Option<Simulated>,
    rack: Rack,
    desk: Mutex<Desk>,
    wake: Notify,
    over: Notify,
    views: watch::Sender<Arc<BenchView>>,
    records: broadcast::Sender<Arc<Record>>,
    heard: Arc<Mutex<BTreeMap<String, Moment>>>,
}

/// What a bench is made of.
pub struct Setup {
    /// Its name in paths.
    pub name: String,
    /// Its documents.
    pub library: Library,
    /// Where journals are kept.
    pub folder: PathBuf,
    /// How it is simulated; `None` where it is real.
    pub simulated: Option<Simulated>,
    /// Whether a start needs a release.
    pub needs_release: bool,
}

impl Host {
    /// Reads the bench's documents, and begins its thread, which stands the bench down before it takes work.
    pub fn begin(setup: Setup) -> Result<Arc<Self>, Error> {
        let Setup { name, library, folder, simulated, needs_release } = setup;
        let inputs = library.bench_alone()?;
        let heard = Arc::new(Mutex::new(BTreeMap::new()));
        let rack = match simulated {
            Some(_) => Rack::simulated(SimulationOptions::default()),
            None => Rack::real(),
        };
        let told = Arc::clone(&heard);
        let rack = rack.heard_by(Arc::new(move |name: &str| {
            lock(&told).insert(name.to_owned(), Moment::now());
        }));
        let mut view = first_view(&name, &inputs, &library, simulated.is_some());
        view.needs_release = needs_release;
        let host = Arc::new(Self {
            journal: folder.join(format!("{name}.sqlite")),
            name: name.clone(),
            library,
            needs_release,
            simulated,
            rack,
            views: watch::Sender::new(Arc::new(view.clone())),
            desk: Mutex::new(Desk::new(Fold::new(view))),
            wake: Notify::new(),
            over: Notify::new(),
            records: broadcast::Sender::new(BEHIND),
            heard,
        });
        let own = Arc::clone(&host);
        let thread = std::thread::Builder::new().name(format!("bench {name}")).stack_size(DEEP);
        let begun = thread.spawn(move || own.live(&inputs));
        begun.map_err(|error| Error::Simulation(format!("bench {name} has no thread: {error}")))?;
        Ok(host)
    }

    /// What is true of it now.
    pub fn view(&self) -> Arc<BenchView> {
        Arc::clone(&self.views.borrow())
    }

    /// The same, each time it changes.
    pub fn views(&self) -> watch::Receiver<Arc<BenchView>> {
        self.views.subscribe()
    }

    /// Readings and events as they are kept, from now on; whoever falls behind reads the journal.
    pub fn follow(&self) -> broadcast::Receiver<Arc<Record>> {
        self.records.subscribe()
    }

    /// Its records.
    pub fn records(&self) -> Result<Records, Refusal> {
        Records::read(&self.journal).map_err(|error| Refusal::of(&error))
    }

    /// The plan of documents on this machine.
    pub fn plan(&self, samples: &[String], recipe: &str) -> Result<(Inputs, PlanView), Refusal> {
        let inputs = self.library.read(samples, recipe)?;
        let plan = quadrille_operations::plan(&inputs).map_err(|faults| Refusal::of(&faults.into()))?;
        let view = PlanView::of(&plan, &inputs);
        Ok((inputs, view))
    }

    /// How many times as fast as a wall's its clock goes.
    pub(crate) fn pace(&self) -> f64 {
        match self.simulated {
            None | Some(Simulated::RealTime) => 1.0,
            Some(Simulated::Virtual(pace)) => pace.unwrap_or(AT_ONCE),
        }
    }

    /// Changes what lies on the desk, and shows what came of it.
    fn at_desk<T>(&self, change: impl FnOnce(&mut Desk) -> T) -> T {
        let mut desk = lock(&self.desk);
        let came = change(&mut desk);
        let heard = lock(&self.heard).clone();
        desk.tidy(Moment::now(), &heard);
        self.views.send_replace(Arc::new(desk.fold.view().clone()));
        drop(desk);
        came
    }
}

/// A lock that a panic of another thread has left is as good as before: what it guards is plain values.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What is known before anything is asked.
fn first_view(name: &str, inputs: &Inputs, library: &Library, simulated: bool) -> BenchView {
    let (bench, at) = (&inputs.equipped.bench, Moment::now());
    let instruments = bench.instruments.iter().map(|instrument| InstrumentView {
        name: instrument.name.clone(),
        role: instrument.role.word().to_owned(),
        resource: instrument.resource.value.clone(),
        dialect: dialect(&instrument.dialect.value),
        identity: None,
        last_answer: None,
    });
    BenchView {
        version: 0,
        at,
        bench: name.to_owned(),
        title: bench.name.clone(),
        simulated,
        state: BenchState::StandingDown,
        reason: None,
        documents: library.list(),
        instruments: instruments.collect(),
        output: OutputView {
            state: OutputState::NotKnown,
            since: at,
            current_a: None,
            voltage_limit_v: None,
        },
        temperature_k: None,
        field_t: None,
        connected: None,
        asks: None,
        release: None,
        needs_release: false,
        most_v: bench.limits.voltage_v,
        run: None,
        queue: Vec::new(),
    }
}

/// The name of a dialect: a path of this machine is nobody's business.
fn dialect(written: &str) -> String {
    Path::new(written).file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}
