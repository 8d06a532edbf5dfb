//! Tables of the journal, and the steps from one format to the next. Plain SQL that another database could run.

use rusqlite::Connection;

/// The newest format.
pub(crate) const NEWEST: i64 = STEPS.len() as i64;

/// Step k leads from format k to format k + 1. A step that was ever released is never changed.
const STEPS: &[&str] = &["
    CREATE TABLE run (
        run INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        sample TEXT NOT NULL,
        program TEXT NOT NULL,
        plan TEXT NOT NULL,
        plan_sha256 TEXT NOT NULL,
        begun_utc TEXT NOT NULL,
        ended_utc TEXT,
        ending TEXT
    );
    CREATE TABLE document (
        run INTEGER NOT NULL REFERENCES run (run),
        kind TEXT NOT NULL,
        name TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        text TEXT NOT NULL
    );
    CREATE TABLE reading (
        run INTEGER NOT NULL REFERENCES run (run),
        sequence INTEGER NOT NULL,
        time_s DOUBLE PRECISION NOT NULL,
        temperature_k DOUBLE PRECISION NOT NULL,
        field_t DOUBLE PRECISION NOT NULL,
        configuration TEXT NOT NULL,
        current_a DOUBLE PRECISION NOT NULL,
        voltage_v DOUBLE PRECISION NOT NULL,
        condition TEXT NOT NULL,
        reading TEXT NOT NULL,
        circumstances TEXT NOT NULL,
        kept_utc TEXT NOT NULL,
        PRIMARY KEY (run, sequence)
    );
    CREATE TABLE event (
        run INTEGER NOT NULL REFERENCES run (run),
        sequence INTEGER NOT NULL,
        event TEXT NOT NULL,
        kept_utc TEXT NOT NULL,
        PRIMARY KEY (run, sequence)
    );
"];

/// Brings a database to the newest format, all in one transaction; answers the format it found it in or left it in.
pub(crate) fn migrate(connection: &mut Connection) -> rusqlite::Result<i64> {
    let transaction = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    let format: i64 = transaction.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    if format >= NEWEST {
        return Ok(format);
    }
    for step in &STEPS[usize::try_from(format).unwrap_or(0)..] {
        transaction.execute_batch(step)?;
    }
    transaction.pragma_update(None, "user_version", NEWEST)?;
    transaction.commit()?;
    Ok(NEWEST)
}
