//! What is true of a bench now, for whoever looks: one snapshot that the page, the JSON interface and the command line
//! show alike. Plain values, made from what the journal has kept and from what the run tells while it goes on; it knows no
//! HTTP and asks no instrument.
//!
//! A snapshot is a [`BenchView`]; its [`version`](BenchView::version) grows with each change, and
//! [`at`](BenchView::at) says how old the statement is. The run that it shows is the one in work, or else the last one.
//! Readings and events in it have been kept by the journal before they are shown. Quantities are in SI units, named by
//! the ends of the keys.

mod fold;
mod plan;
mod run;
mod story;

pub use fold::{Fold, output_state};
pub use run::{
    Check, EndState, Estimate, Expected, Gap, Note, NoteKind, PlanView, PlannedRound, Point, ReadingView,
    RoundState, RoundView, RunState, RunView, Trace, Value,
};

use crate::moment::Moment;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A bench as it is now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BenchView {
    /// Grows with each change, for as long as the daemon lives.
    pub version: u64,
    /// When this was stated.
    pub at: Moment,
    /// Name in paths.
    pub bench: String,
    /// Name by the bench document.
    pub title: String,
    /// Whether its instruments are simulated in this process.
    pub simulated: bool,
    /// What it does.
    pub state: BenchState,
    /// Why it does nothing, where it is blocked, and what to do.
    pub reason: Option<String>,
    /// The documents that may be asked for.
    pub documents: Documents,
    /// The instruments in the order of the bench document.
    pub instruments: Vec<InstrumentView>,
    /// The source's output.
    pub output: OutputView,
    /// Temperature of the sample; `None` on a bench without a thermometer that has not been told one.
    pub temperature_k: Option<Surrounding>,
    /// Field at the sample, likewise.
    pub field_t: Option<Surrounding>,
    /// What is connected.
    pub connected: Option<Connected>,
    /// What a person is asked to do before it goes on.
    pub asks: Option<Asks>,
    /// Leave to energise that a person at the bench gave, while it is valid.
    pub release: Option<ReleaseView>,
    /// Whether a start needs one.
    pub needs_release: bool,
    /// The highest voltage of the bench document, in volts.
    pub most_v: f64,
    /// The run in work, or the last one.
    pub run: Option<RunView>,
    /// What waits for the bench, in order.
    pub queue: Vec<Queued>,
}

/// What a bench does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BenchState {
    /// It is being stood down before it takes work.
    StandingDown,
    /// It waits for work.
    Ready,
    /// It carries out a run.
    Working,
    /// It waits for a person to set the field.
    Asking,
    /// A run waits to be resumed; the bench is at rest.
    Paused,
    /// It takes no work until a person has looked: the reason says why.
    Blocked,
}

/// Documents on the machine, by the names that requests use.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Documents {
    /// The bench's own.
    pub bench: String,
    /// Samples.
    pub samples: Vec<String>,
    /// Recipes.
    pub recipes: Vec<String>,
}

/// An instrument.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct InstrumentView {
    /// The laboratory's name of it.
    pub name: String,
    /// What it does: `current-source`, `voltmeter`, `ammeter`, `switch-matrix`, `temperature-controller`, `field-source`.
    pub role: String,
    /// Its resource string.
    pub resource: String,
    /// Its dialect.
    pub dialect: String,
    /// Who it said it is; `None` before it was asked.
    pub identity: Option<String>,
    /// When it last answered.
    pub last_answer: Option<Moment>,
}

/// What is known of the source's output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum OutputState {
    /// Off: the source says so, and the ammeter agrees.
    VerifiedOff,
    /// Told off; nobody has confirmed it.
    ToldOff,
    /// Nobody knows.
    NotKnown,
    /// On.
    On,
}

/// The source's output.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct OutputView {
    /// On, off, or which kind of not known.
    pub state: OutputState,
    /// Since when.
    pub since: Moment,
    /// The level, with its sign, while it is on.
    pub current_a: Option<f64>,
    /// Voltage limit of the source, while it is on.
    pub voltage_limit_v: Option<f64>,
}

/// A temperature or a field.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Surrounding {
    /// What was asked for; `None` where nobody drives it.
    pub target: Option<f64>,
    /// What the sensor said last, or a person confirmed.
    pub now: Option<f64>,
    /// When it said so.
    pub at: Moment,
}

/// What is connected now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Connected {
    /// Name of the sample.
    pub sample: String,
    /// Contacts of the current, then those of the voltage: `12,43`.
    pub configuration: String,
    /// Direction of the current: `+` or `-`; `None` before the first reading.
    pub polarity: Option<String>,
    /// The last reading of this configuration.
    pub last: Option<ReadingView>,
}

/// What a person is asked to do.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Asks {
    /// The field that is to be set by hand, in teslas; confirmed by `POST …/field`.
    pub field_t: f64,
    /// Since when.
    pub since: Moment,
}

/// Leave to energise a bench, given at the bench.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ReleaseView {
    /// Up to this voltage.
    pub up_to_v: f64,
    /// Until then.
    pub until: Moment,
    /// Who gave it.
    pub by: String,
}

/// A run that waits for its bench.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Queued {
    /// Its number in the queue: by it the request is found again, whatever becomes of it.
    pub ticket: u64,
    /// Who asked for it.
    pub by: String,
    /// When.
    pub at: Moment,
    /// The samples.
    pub samples: Vec<String>,
    /// The recipe.
    pub recipe: String,
    /// SHA-256 of its plan.
    pub plan_sha256: String,
}
