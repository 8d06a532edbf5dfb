//! Append-only record of runs in SQLite
