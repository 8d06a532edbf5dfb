//! Results and readings as tables and plain text; knows no store and no instrument.

mod contacts;
mod summary;
mod sweep;
mod tables;

pub use contacts::contacts;
pub use summary::summary;
pub use sweep::{Evidence, SweepRow, sweep_csv, sweep_json};
pub use tables::{readings_csv, results_csv};
