//! How long a recipe waits after a change.

use crate::table::{Bounds, Table};

/// How long to wait after a change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Settling {
    /// So many seconds.
    Time(f64),
    /// So many time constants of the leads with the sample.
    TimeConstants(f64),
}

pub(super) fn settling(table: &Table<'_>) -> Option<Settling> {
    let time = table.number("time_s", Bounds::new(0.0, 86_400.0, "s"));
    let constants = table.number("time_constants", Bounds::new(0.0, 1000.0, ""));
    match (time, constants) {
        (Some(time), None) if !table.has("time_constants") => Some(Settling::Time(time.value)),
        (None, Some(constants)) if !table.has("time_s") => Some(Settling::TimeConstants(constants.value)),
        _ => {
            if table.has("time_s") == table.has("time_constants") {
                let remedy = "write time_s = 0.2, or time_constants = 12";
                table.push(
                    table.located(()).fault("exactly one of time_s and time_constants is needed", remedy),
                );
            }
            None
        }
    }
}
