//! Results and readings as tables and plain text; knows no store and no instrument.

mod summary;
mod tables;

pub use summary::summary;
pub use tables::{readings_csv, results_csv};
