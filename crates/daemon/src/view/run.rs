//! A run as a snapshot shows it: its plan, its rounds with their times, what came out so far and what went not as planned.

use crate::moment::Moment;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RunView {
    /// Its number in the bench's journal; `None` while it is prepared and not begun.
    pub run: Option<i64>,
    /// Its number in the queue; `None` of a run that an earlier life of the daemon began.
    pub ticket: Option<u64>,
    /// Who asked for it; `None` where that is not known any more.
    pub by: Option<String>,
    /// How many times as fast as a wall's its clock goes: 1 but for a bench in virtual time.
    pub pace: f64,
    /// How far it is.
    pub state: RunState,
    /// What it does now, or how it ended, in a sentence.
    pub saying: String,
    /// What it is to do.
    pub plan: PlanView,
    /// When it began.
    pub begun: Option<Moment>,
    /// When it ended.
    pub ended: Option<Moment>,
    /// How it ended.
    pub ending: Option<EndState>,
    /// How long it takes, from a rehearsal, and until when by now.
    pub estimate: Option<Estimate>,
    /// The rounds in the order of the plan: those to come too.
    pub rounds: Vec<RoundView>,
    /// Times in which nothing could be measured.
    pub gaps: Vec<Gap>,
    /// How many readings were kept.
    pub readings: u64,
    /// The last of them, newest last; at most [`RunView::LAST`].
    pub last_readings: Vec<ReadingView>,
    /// Results so far, sample by sample, coldest first; of whole rounds.
    pub results: Vec<Point>,
    /// What went not as planned, and what was chosen, in order.
    pub notes: Vec<Note>,
    /// Temperature and field as the sensors said, thinned to at most [`RunView::MOST_TRACE`] points.
    pub trace: Vec<Trace>,
    /// Place of the last reading or event in the journal: the id of the last event of the stream.
    pub sequence: i64,
}

impl RunView {
    /// Most readings in [`RunView::last_readings`].
    pub const LAST: usize = 32;
    /// Most points in `trace`.
    pub const MOST_TRACE: usize = 600;
}

/// How far a run is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RunState {
    /// Its rehearsal is under way; nothing was energised.
    Preparing,
    /// It measures.
    Running,
    /// It measures, and will pause after the round.
    Pausing,
    /// It was told to stop and stands down.
    Stopping,
    /// It waits to be resumed, bench at rest.
    Paused,
    /// The program ended in it; it waits to be resumed, bench at rest.
    Interrupted,
    /// It is over: `ending` says how.
    Ended,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum EndState {
    /// The plan is done.
    Finished,
    /// Somebody stopped it.
    Stopped,
    /// Something failed.
    Failed,
}

/// A frozen plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct PlanView {
    /// SHA-256 of the plan in hexadecimal: a start names it.
    pub sha256: String,
    /// Names of the samples.
    pub samples: Vec<String>,
    /// The recipe's name.
    pub recipe: String,
    /// The rounds in order.
    pub rounds: Vec<PlannedRound>,
    /// How many readings, as far as it is decided.
    pub readings: u64,
    /// The highest voltage that the source may put on the leads, in volts.
    pub most_v: f64,
    /// Why each choice was made.
    pub reasons: Vec<String>,
    /// What may go wrong.
    pub warnings: Vec<String>,
}

/// A round of a plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct PlannedRound {
    /// From 1.
    pub number: u32,
    /// Name of the sample.
    pub sample: String,
    /// `contacts`, `resistivity`, `hall` or `proof`.
    pub purpose: String,
    /// Temperature in kelvins.
    pub temperature_k: f64,
    /// Field in teslas.
    pub field_t: f64,
    /// Configurations in order, as `12,43`.
    pub configurations: Vec<String>,
    /// When a rehearsal began and ended it, in seconds after the start of the run.
    pub expected_s: Option<(f64, f64)>,
}

/// How long a run takes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Estimate {
    /// How long the rehearsal took, in seconds.
    pub duration_s: f64,
    /// When the run will end, by the rounds that are done; never in the past while it runs.
    pub ends: Option<Moment>,
    /// How far off that may be, in seconds either way: what the rounds so far were off by, and a part of what is left.
    pub within_s: Option<f64>,
    /// What the rehearsal found.
    pub results: Vec<Expected>,
}

/// A result that a rehearsal found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Expected {
    /// Name of the sample.
    pub sample: String,
    /// Temperature in kelvins.
    pub temperature_k: f64,
    /// Name of the quantity, with its unit.
    pub quantity: String,
    /// Its value.
    pub value: f64,
    /// Its relative standard uncertainty.
    pub relative_u: f64,
}

/// How a round went.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RoundState {
    /// To come.
    Planned,
    /// Being taken.
    Taking,
    /// Kept, without a remark.
    Kept,
    /// Kept, with readings that are flagged or are no values.
    Marked,
    /// Left out, with the reason.
    LeftOut,
    /// Broken off; it is taken again when the run is resumed.
    BrokenOff,
}

/// A round.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RoundView {
    /// Number in the plan, from 1.
    pub number: u32,
    /// How it went.
    pub state: RoundState,
    /// When it began.
    pub begun: Option<Moment>,
    /// When it ended.
    pub ended: Option<Moment>,
    /// Temperature in kelvins, as measured before it.
    pub temperature_k: Option<f64>,
    /// Field in teslas, likewise, or as a person confirmed it.
    pub field_t: Option<f64>,
    /// How many readings were kept.
    pub readings: u32,
    /// Why it is marked, left out or broken off; each reason once.
    pub why: Vec<String>,
}

/// A time in which nothing could be measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Gap {
    /// From when.
    pub from: Moment,
    /// Until when; `None` while it lasts.
    pub to: Option<Moment>,
    /// Why.
    pub reason: String,
}

/// A number with its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Value {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty, same unit.
    pub u: f64,
}

/// A reading as it was kept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ReadingView {
    /// Place among the readings and events of the run.
    pub sequence: i64,
    /// When it was kept.
    pub at: Moment,
    /// Round of the plan.
    pub round: u32,
    /// Name of the sample.
    pub sample: String,
    /// As `12,43`.
    pub configuration: String,
    /// `+` or `-`.
    pub polarity: String,
    /// Temperature in kelvins.
    pub temperature_k: f64,
    /// Field in teslas.
    pub field_t: f64,
    /// Voltage in volts.
    pub voltage_v: Value,
    /// Current in amperes.
    pub current_a: Value,
    /// `sound`, or why the values are none.
    pub condition: String,
    /// Why it does not count as settled; `None` where it does.
    pub flag: Option<String>,
}

/// An acceptance check.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Check {
    /// In words.
    pub name: String,
    /// What was found, relative.
    pub measured: f64,
    /// What is allowed.
    pub limit: f64,
    /// Whether it was passed.
    pub passed: bool,
}

/// Results of one sample at one temperature, in SI units.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Point {
    /// Name of the sample.
    pub sample: String,
    /// Temperature in kelvins.
    pub temperature_k: f64,
    /// Sheet resistance, Ω.
    pub sheet_resistance_ohm: Option<Value>,
    /// Resistivity, Ω·m.
    pub resistivity_ohm_m: Option<Value>,
    /// Hall coefficient, m³/C.
    pub hall_coefficient_m3_per_c: Option<Value>,
    /// Carriers per area, m⁻².
    pub sheet_carrier_density_per_m2: Option<Value>,
    /// Carriers per volume, m⁻³.
    pub carrier_density_per_m3: Option<Value>,
    /// Hall mobility, m²/(V·s).
    pub mobility_m2_per_v_s: Option<Value>,
    /// `n` or `p`.
    pub carrier_type: Option<String>,
    /// The checks.
    pub checks: Vec<Check>,
    /// Whether all were passed.
    pub accepted: bool,
    /// What a reader should know; where there is no result, why.
    pub remarks: Vec<String>,
}

/// What kind of note.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum NoteKind {
    /// A choice with its reason.
    Choice,
    /// Something that went not as planned, and cost no round.
    Remark,
    /// Something that cost a round or the run.
    Fault,
}

/// Something that a person should know.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Note {
    /// Place in the journal.
    pub sequence: i64,
    /// When.
    pub at: Moment,
    /// What kind.
    pub kind: NoteKind,
    /// In which round.
    pub round: Option<u32>,
    /// What, in a sentence, with what came of it.
    pub text: String,
}

/// What the sensors said at a moment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Trace {
    /// When.
    pub at: Moment,
    /// Temperature in kelvins.
    pub temperature_k: Option<f64>,
    /// Field in teslas.
    pub field_t: Option<f64>,
}
