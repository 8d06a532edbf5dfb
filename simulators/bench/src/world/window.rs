//! Averages that meters take of the world.

use super::World;
use crate::parts::{RETURN_LOW, SENSE_HIGH, SENSE_LOW};

/// What a meter averages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Quantity {
    /// Voltage of the high sense row against the low one.
    Voltage,
    /// Current out of the return row through the ammeter.
    Current,
}

/// An average being taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct WindowId(u64);

pub(super) struct Window {
    pub(super) quantity: Quantity,
    pub(super) start: f64,
    pub(super) end: f64,
    pub(super) integral: f64,
}

impl World {
    /// Begins an average over `[start, end]`; what of it has already passed is cut off.
    pub(crate) fn begin_window(&mut self, quantity: Quantity, start: f64, end: f64) -> WindowId {
        let start = start.max(self.time);
        let id = WindowId(self.windows_begun);
        self.windows_begun += 1;
        self.windows.insert(id, Window { quantity, start, end: end.max(start), integral: 0.0 });
        id
    }

    /// The average of a window that is over, in volts or amperes; the window is forgotten. `None` before its end or
    /// for one that is forgotten.
    pub(crate) fn end_window(&mut self, id: WindowId) -> Option<f64> {
        if self.windows.get(&id)?.end > self.time {
            return None;
        }
        let window = self.windows.remove(&id)?;
        let length = window.end - window.start;
        Some(if length > 0.0 { window.integral / length } else { self.value(window.quantity) })
    }

    /// Forgets a window.
    pub(crate) fn abandon_window(&mut self, id: WindowId) {
        self.windows.remove(&id);
    }

    /// A quantity now, in volts or amperes.
    pub(crate) fn value(&self, quantity: Quantity) -> f64 {
        match quantity {
            Quantity::Voltage => self.voltages[SENSE_HIGH] - self.voltages[SENSE_LOW],
            Quantity::Current if self.position.input => self.voltages[RETURN_LOW] / self.parts.burden_ohm(),
            Quantity::Current => 0.0,
        }
    }
}
