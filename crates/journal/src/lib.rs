//! Append-only record of runs in SQLite: documents, plan, readings and events as they happen, re-readable for ever.
//! Knows nothing of how readings are reduced.
//!
//! A call that appends returns after its commit, with the write-ahead log flushed to the disk
//! (`journal_mode = WAL`, `synchronous = FULL`): what was acknowledged outlasts a crash of the program and, as far as
//! the disk keeps its word, a loss of power. Rows are never changed, but for the two columns that say how a run
//! ended. Order is by sequence, one count for the readings and events of a run; wall time is UTC, for people.

mod schema;

use quadrille_experiment::{Circumstances, Event, Reading};
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a writer waits for another one.
const BUSY: Duration = Duration::from_secs(10);

/// First release of SQLite without the fault of the write-ahead log that could lose a commit on reset (its release
/// notes, from memory).
const SOUND_SQLITE: i32 = 3_051_003;

/// Why the journal could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The database said no.
    #[error("journal {path}: {reason}")]
    Database {
        /// The file.
        path: PathBuf,
        /// What it said.
        reason: rusqlite::Error,
    },
    /// The library linked in has a known fault.
    #[error("SQLite {found} has a fault that can lose a commit; {SOUND_SQLITE} or newer is needed")]
    UnsoundLibrary {
        /// Version number of the library.
        found: i32,
    },
    /// The file was written by a newer program.
    #[error("journal {path} has format {found}, this program knows up to {known}: use the newer program")]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its format.
        found: i64,
        /// The newest that is known.
        known: i64,
    },
    /// There is no such run.
    #[error("journal {path} has no run {run}; `quadrille runs` lists those it has")]
    NoSuchRun {
        /// The file.
        path: PathBuf,
        /// The run asked for.
        run: RunId,
    },
    /// A row does not hold what it should.
    #[error("journal {path}: a row of run {run} cannot be read: {reason}")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// The run.
        run: RunId,
        /// What is wrong with it.
        reason: String,
    },
}

type Result<T> = std::result::Result<T, JournalError>;

/// Number of a run in its journal, from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct RunId(pub i64);

impl std::fmt::Display for RunId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

/// A document as it was when a run began.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FrozenDocument {
    /// Its kind.
    pub kind: String,
    /// What messages call it.
    pub name: String,
    /// SHA-256 of the text, in hexadecimal.
    pub sha256: String,
    /// The text.
    pub text: String,
}

/// What is fixed when a run begins.
#[derive(Clone, Debug)]
pub struct NewRun {
    /// What was asked for: `measure` or `verify`.
    pub kind: String,
    /// Name of the sample.
    pub sample: String,
    /// Name and version of the program.
    pub program: String,
    /// The frozen plan, as JSON.
    pub plan: String,
    /// SHA-256 of the plan, in hexadecimal.
    pub plan_sha256: String,
    /// The documents.
    pub documents: Vec<FrozenDocument>,
}

/// A line of the list of runs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunLine {
    /// Its number.
    pub run: RunId,
    /// What was asked for.
    pub kind: String,
    /// Name of the sample.
    pub sample: String,
    /// When it began, UTC.
    pub begun: String,
    /// When it ended, UTC; `None` while it goes on, or when the program died in it.
    pub ended: Option<String>,
    /// How it ended, in words.
    pub ending: Option<String>,
    /// How many readings it has.
    pub readings: u64,
}

/// A reading with its place in the run.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    /// Place among the readings and events of the run, from 1.
    pub sequence: i64,
    /// The reading.
    pub reading: Reading,
    /// What it was taken at.
    pub circumstances: Circumstances,
}

/// What one place of a run's record holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Entry {
    /// A reading with what it was taken at.
    Reading(Box<(Reading, Circumstances)>),
    /// Anything else that happened.
    Event(Event),
}

/// An entry with its place, and when it was kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Placed {
    /// Place among the readings and events of the run, from 1.
    pub sequence: i64,
    /// When it was kept, UTC.
    pub kept: String,
    /// What.
    pub entry: Entry,
}

/// The plan of a run as it was frozen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FrozenPlan {
    /// As JSON.
    pub json: String,
    /// SHA-256 of that, in hexadecimal.
    pub sha256: String,
}

/// A journal, open.
#[derive(Debug)]
pub struct Journal {
    connection: Connection,
    path: PathBuf,
}

impl Journal {
    /// Opens a journal to write and read, and makes it where there is none.
    pub fn open(path: &Path) -> Result<Self> {
        let found = rusqlite::version_number();
        if found < SOUND_SQLITE {
            return Err(JournalError::UnsoundLibrary { found });
        }
        let at = |reason| JournalError::Database { path: path.to_owned(), reason };
        let mut connection = Connection::open(path).map_err(at)?;
        connection.busy_timeout(BUSY).map_err(at)?;
        connection.pragma_update(None, "journal_mode", "WAL").map_err(at)?;
        connection.pragma_update(None, "synchronous", "FULL").map_err(at)?;
        connection.pragma_update(None, "foreign_keys", true).map_err(at)?;
        let format = schema::migrate(&mut connection).map_err(at)?;
        if format > schema::NEWEST {
            return Err(JournalError::Newer { path: path.to_owned(), found: format, known: schema::NEWEST });
        }
        Ok(Self { connection, path: path.to_owned() })
    }

    /// Opens a journal that somebody else may be writing, to read it: takes no lock that a writer would wait for, and makes
    /// nothing.
    pub fn read(path: &Path) -> Result<Self> {
        let at = |reason| JournalError::Database { path: path.to_owned(), reason };
        // Not read-only for the system: the readers' side of the write-ahead log is memory that they share with the writer.
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags).map_err(at)?;
        connection.busy_timeout(BUSY).map_err(at)?;
        connection.pragma_update(None, "query_only", true).map_err(at)?;
        let format: i64 = connection.query_row("PRAGMA user_version", [], |row| row.get(0)).map_err(at)?;
        if format > schema::NEWEST {
            return Err(JournalError::Newer { path: path.to_owned(), found: format, known: schema::NEWEST });
        }
        Ok(Self { connection, path: path.to_owned() })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Begins a run: its documents and plan are the first that is kept of it.
    pub fn begin(&mut self, new: &NewRun) -> Result<RunId> {
        let path = self.path.clone();
        let at = |reason| JournalError::Database { path: path.clone(), reason };
        let transaction = self.connection.transaction().map_err(at)?;
        transaction
            .execute(
                "INSERT INTO run (kind, sample, program, plan, plan_sha256, begun_utc) VALUES (?1, ?2, ?3, ?4, ?5, \
                 strftime('%Y-%m-%dT%H:%M:%fZ', 'now'))",
                params![new.kind, new.sample, new.program, new.plan, new.plan_sha256],
            )
            .map_err(at)?;
        let run = RunId(transaction.last_insert_rowid());
        for document in &new.documents {
            transaction
                .execute(
                    "INSERT INTO document (run, kind, name, sha256, text) VALUES (?1, ?2, ?3, ?4, ?5)",
                    params![run.0, document.kind, document.name, document.sha256, document.text],
                )
                .map_err(at)?;
        }
        transaction.commit().map_err(at)?;
        Ok(run)
    }

    /// Keeps a reading at the next place of its run.
    pub fn append_reading(
        &mut self,
        run: RunId,
        sequence: i64,
        reading: &Reading,
        circumstances: &Circumstances,
    ) -> Result<()> {
        let (reading_json, circumstances_json) = (json(reading), json(circumstances));
        let statement = "INSERT INTO reading (run, sequence, time_s, temperature_k, field_t, configuration, \
             current_a, voltage_v, condition, reading, circumstances, kept_utc) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, \
             ?8, ?9, ?10, ?11, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'))";
        let values = params![
            run.0,
            sequence,
            reading.time.0,
            reading.temperature.0,
            reading.field.0,
            reading.configuration.to_string(),
            reading.current.value.0,
            reading.voltage.value.0,
            reading.condition.word(),
            reading_json,
            circumstances_json,
        ];
        self.connection.execute(statement, values).map(|_| ()).map_err(|reason| self.at(reason))
    }

    /// Keeps an event at the next place of its run.
    pub fn append_event(&mut self, run: RunId, sequence: i64, event: &Event) -> Result<()> {
        let statement = "INSERT INTO event (run, sequence, event, kept_utc) VALUES (?1, ?2, ?3, \
             strftime('%Y-%m-%dT%H:%M:%fZ', 'now'))";
        self.connection
            .execute(statement, params![run.0, sequence, json(event)])
            .map(|_| ())
            .map_err(|reason| self.at(reason))
    }

    /// Notes how a run ended.
    pub fn end(&mut self, run: RunId, ending: &str) -> Result<()> {
        let statement = "UPDATE run SET ended_utc = strftime('%Y-%m-%dT%H:%M:%fZ', 'now'), ending = ?2 \
             WHERE run = ?1 AND ended_utc IS NULL";
        self.connection
            .execute(statement, params![run.0, ending])
            .map(|_| ())
            .map_err(|reason| self.at(reason))
    }

    /// The runs, oldest first.
    pub fn runs(&self) -> Result<Vec<RunLine>> {
        let query = "SELECT run, kind, sample, begun_utc, ended_utc, ending, \
             (SELECT count(*) FROM reading WHERE reading.run = run.run) FROM run ORDER BY run";
        self.rows(query, params![], |row| {
            Ok(RunLine {
                run: RunId(row.get(0)?),
                kind: row.get(1)?,
                sample: row.get(2)?,
                begun: row.get(3)?,
                ended: row.get(4)?,
                ending: row.get(5)?,
                readings: row.get::<_, i64>(6)?.unsigned_abs(),
            })
        })
    }

    /// The readings of a run in order.
    pub fn readings(&self, run: RunId) -> Result<Vec<Kept>> {
        self.require(run)?;
        let query = "SELECT sequence, reading, circumstances FROM reading WHERE run = ?1 ORDER BY sequence";
        let rows: Vec<(i64, String, String)> =
            self.rows(query, params![run.0], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
        rows.into_iter()
            .map(|(sequence, reading, circumstances)| {
                Ok(Kept {
                    sequence,
                    reading: self.parse(run, &reading)?,
                    circumstances: self.parse(run, &circumstances)?,
                })
            })
            .collect()
    }

    /// The events of a run in order, each with its place.
    pub fn events(&self, run: RunId) -> Result<Vec<(i64, Event)>> {
        self.require(run)?;
        let query = "SELECT sequence, event FROM event WHERE run = ?1 ORDER BY sequence";
        let rows: Vec<(i64, String)> =
            self.rows(query, params![run.0], |row| Ok((row.get(0)?, row.get(1)?)))?;
        rows.into_iter().map(|(sequence, event)| Ok((sequence, self.parse(run, &event)?))).collect()
    }

    /// Readings and events of a run after a place, in order, at most so many; from its beginning after 0.
    pub fn after(&self, run: RunId, sequence: i64, most: usize) -> Result<Vec<Placed>> {
        self.require(run)?;
        let query = "SELECT sequence, kept_utc, reading, circumstances, NULL FROM reading \
             WHERE run = ?1 AND sequence > ?2 \
             UNION ALL SELECT sequence, kept_utc, NULL, NULL, event FROM event WHERE run = ?1 AND sequence > ?2 \
             ORDER BY 1 LIMIT ?3";
        type Row = (i64, String, Option<String>, Option<String>, Option<String>);
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        let rows: Vec<Row> = self.rows(query, params![run.0, sequence, most], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))
        })?;
        let placed = |(sequence, kept, reading, circumstances, event): Row| {
            let entry = match (reading, circumstances, event) {
                (Some(reading), Some(circumstances), _) => {
                    let pair = (self.parse(run, &reading)?, self.parse(run, &circumstances)?);
                    Entry::Reading(Box::new(pair))
                }
                (_, _, event) => Entry::Event(self.parse(run, &event.unwrap_or_default())?),
            };
            Ok(Placed { sequence, kept, entry })
        };
        rows.into_iter().map(placed).collect()
    }

    /// Place of the last reading or event of a run; 0 where it has none.
    pub fn last(&self, run: RunId) -> Result<i64> {
        self.require(run)?;
        let query = "SELECT max(coalesce((SELECT max(sequence) FROM reading WHERE run = ?1), 0), \
             coalesce((SELECT max(sequence) FROM event WHERE run = ?1), 0))";
        self.connection.query_row(query, params![run.0], |row| row.get(0)).map_err(|reason| self.at(reason))
    }

    /// How long ago a run began, in seconds by the database's clock; never less than the time of its last reading.
    pub fn age(&self, run: RunId) -> Result<f64> {
        self.require(run)?;
        let query = "SELECT max((julianday('now') - julianday(begun_utc)) * 86400.0, \
             coalesce((SELECT max(time_s) FROM reading WHERE reading.run = run.run), 0.0)) FROM run WHERE run = ?1";
        self.connection.query_row(query, params![run.0], |row| row.get(0)).map_err(|reason| self.at(reason))
    }

    /// The plan of a run.
    pub fn plan(&self, run: RunId) -> Result<FrozenPlan> {
        self.require(run)?;
        let query = "SELECT plan, plan_sha256 FROM run WHERE run = ?1";
        let read = |row: &rusqlite::Row<'_>| Ok(FrozenPlan { json: row.get(0)?, sha256: row.get(1)? });
        self.connection.query_row(query, params![run.0], read).map_err(|reason| self.at(reason))
    }

    /// The documents of a run as they were when it began.
    pub fn documents(&self, run: RunId) -> Result<Vec<FrozenDocument>> {
        self.require(run)?;
        let query = "SELECT kind, name, sha256, text FROM document WHERE run = ?1 ORDER BY rowid";
        self.rows(query, params![run.0], |row| {
            Ok(FrozenDocument {
                kind: row.get(0)?,
                name: row.get(1)?,
                sha256: row.get(2)?,
                text: row.get(3)?,
            })
        })
    }

    fn require(&self, run: RunId) -> Result<()> {
        let found: Option<i64> = self
            .connection
            .query_row("SELECT run FROM run WHERE run = ?1", params![run.0], |row| row.get(0))
            .optional()
            .map_err(|reason| self.at(reason))?;
        found.map(|_| ()).ok_or_else(|| JournalError::NoSuchRun { path: self.path.clone(), run })
    }

    fn rows<T>(
        &self,
        query: &str,
        values: &[&dyn rusqlite::ToSql],
        read: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>> {
        let mut statement = self.connection.prepare(query).map_err(|reason| self.at(reason))?;
        let rows = statement.query_map(values, read).map_err(|reason| self.at(reason))?;
        rows.collect::<rusqlite::Result<_>>().map_err(|reason| self.at(reason))
    }

    fn parse<T: serde::de::DeserializeOwned>(&self, run: RunId, text: &str) -> Result<T> {
        serde_json::from_str(text).map_err(|error| JournalError::Unreadable {
            path: self.path.clone(),
            run,
            reason: error.to_string(),
        })
    }

    fn at(&self, reason: rusqlite::Error) -> JournalError {
        JournalError::Database { path: self.path.clone(), reason }
    }
}

/// Types of this project without maps of odd keys or failing serialisers: JSON can always be written.
fn json<T: serde::Serialize>(value: &T) -> String {
    serde_json::to_string(value).unwrap_or_else(|error| format!("{{\"unwritable\": \"{error}\"}}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_commit_is_flushed_to_the_disk() {
        let folder = tempfile::tempdir().unwrap();
        let journal = Journal::open(&folder.path().join("journal.sqlite")).unwrap();
        let pragma = |name: &str| -> String {
            let query = format!("SELECT CAST({name} AS TEXT) FROM pragma_{name}");
            journal.connection.query_row(&query, [], |row| row.get(0)).unwrap()
        };
        assert_eq!(pragma("journal_mode"), "wal");
        // 2 is FULL (SQLite's documentation of the pragma).
        assert_eq!(pragma("synchronous"), "2");
    }
}
