//! The documents a person writes: bench, dialect, sample, recipe, daemon, and tables of readings. Reads text, never files;
//! knows no instrument and does nothing with what it read.
//!
//! A wrong document is answered with all its faults at once, each with file, line, column, key, what is wrong and
//! what would be right ([`Faults`]). What these functions return is checked: the rooms that follow do not check it
//! again. Numbers keep their [`Place`], so that a fault which only two documents together have can still point at
//! the line where a person can mend it.

mod action;
mod bench;
mod daemon;
mod dialect;
mod fault;
mod imperfections;
mod material;
mod outline;
mod plant;
mod readings;
mod recipe;
mod sample;
mod table;
mod template;

pub use action::{Action, Reply};
pub use bench::{
    Bench, BenchLimits, Buffers, Cable, ColumnMap, Crosspoint, Instrument, Judge, Role, Rows, Wiring,
};
pub use daemon::{ClientLimits, Daemon, ServedBench, Simulated, TlsFiles};
pub use dialect::{Dialect, Facts, FaultBit, RangeFacts};
pub use fault::{Fault, Faults, Located, Place};
pub use imperfections::{Absorption, Barrier, Disturbances, Heating, Imperfections, Light, Thermomagnetic};
pub use material::MaterialModel;
pub use outline::{EdgeContact, Outline, Shape};
pub use plant::{Cryostat, CryostatModel, Magnet, MagnetModel, PidModel, Plants, SensorModel};
pub use readings::{TableRow, readings};
pub use recipe::{
    Acceptance, Contacts, FieldOrder, Hall, Hand, Order, Recipe, Resistivity, Settling, Stability, Switch,
    TemperatureOrder, Unacceptable, Unreached,
};
pub use sample::{Conduction, FilmModel, Model, NetworkModel, Sample, SampleLimits, SheetModel};
pub use template::{Part, Placeholder, Template};

/// A document of any kind that stands in a file of its own.
#[derive(Clone, Debug)]
pub enum Document {
    /// The instruments, their wiring and their limits.
    Bench(Box<Bench>),
    /// How one kind of instrument is spoken to.
    Dialect(Box<Dialect>),
    /// The thing measured.
    Sample(Box<Sample>),
    /// What to measure.
    Recipe(Box<Recipe>),
    /// What a daemon serves.
    Daemon(Box<Daemon>),
}

impl Document {
    /// Its kind, as the document itself names it.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Bench(_) => bench::KIND,
            Self::Dialect(_) => dialect::KIND,
            Self::Sample(_) => sample::KIND,
            Self::Recipe(_) => recipe::KIND,
            Self::Daemon(_) => daemon::KIND,
        }
    }
}

/// Reads a document of whatever kind its `kind` key says. `name` is how messages call the file; `resource` judges the
/// resource strings of a bench.
pub fn document(name: &str, text: &str, resource: Judge) -> Result<Document, Faults> {
    table::read(name, text, |root| {
        let kinds = [bench::KIND, dialect::KIND, sample::KIND, recipe::KIND, daemon::KIND];
        let kind = root.word("kind", &kinds);
        match root.require("kind", "say what the document is, as in kind = \"sample\"", kind)?.value {
            bench::KIND => bench::read(root, resource).map(|bench| Document::Bench(Box::new(bench))),
            dialect::KIND => dialect::read(root).map(|dialect| Document::Dialect(Box::new(dialect))),
            sample::KIND => sample::read(root).map(|sample| Document::Sample(Box::new(sample))),
            daemon::KIND => daemon::read(root).map(|daemon| Document::Daemon(Box::new(daemon))),
            _ => recipe::read(root).map(|recipe| Document::Recipe(Box::new(recipe))),
        }
    })
}

/// Reads a bench document; `resource` judges its resource strings.
pub fn bench(name: &str, text: &str, resource: Judge) -> Result<Bench, Faults> {
    of_kind(name, text, bench::KIND, |root| bench::read(root, resource))
}

/// Reads a dialect document.
pub fn dialect(name: &str, text: &str) -> Result<Dialect, Faults> {
    of_kind(name, text, dialect::KIND, dialect::read)
}

/// Reads a sample document.
pub fn sample(name: &str, text: &str) -> Result<Sample, Faults> {
    of_kind(name, text, sample::KIND, sample::read)
}

/// Reads a recipe document.
pub fn recipe(name: &str, text: &str) -> Result<Recipe, Faults> {
    of_kind(name, text, recipe::KIND, recipe::read)
}

/// Reads what a daemon serves.
pub fn daemon(name: &str, text: &str) -> Result<Daemon, Faults> {
    of_kind(name, text, daemon::KIND, daemon::read)
}

fn of_kind<T>(
    name: &str,
    text: &str,
    kind: &'static str,
    read: impl Fn(&table::Table<'_>) -> Option<T>,
) -> Result<T, Faults> {
    table::read(name, text, |root| {
        let found = root.word("kind", &[kind]);
        root.require("kind", &format!("a {kind} begins with kind = \"{kind}\""), found)?;
        read(root)
    })
}
