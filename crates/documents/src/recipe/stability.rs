//! When a temperature counts as reached.

use super::absent_or;
use crate::fault::Located;
use crate::table::{Bounds, Table};

/// When a temperature counts as reached.
#[derive(Clone, Debug, PartialEq)]
pub struct Stability {
    /// How far the sensor may be from the target, in kelvins.
    pub within_k: f64,
    /// For how long without a break, in seconds.
    pub for_s: f64,
    /// Longest wait for it, in seconds.
    pub longest_wait_s: f64,
    /// Ramp to the next temperature, in kelvins a minute; the cryostat's own limit where it is absent.
    pub ramp_k_per_min: Option<Located<f64>>,
}

impl Default for Stability {
    /// A tenth of a kelvin for a minute, within an hour (common practice, no source).
    fn default() -> Self {
        Self { within_k: 0.1, for_s: 60.0, longest_wait_s: 3600.0, ramp_k_per_min: None }
    }
}

pub(super) fn stability(table: &Table<'_>) -> Option<Stability> {
    let usual = Stability::default();
    let number = |key, bounds| absent_or(table, key, table.number(key, bounds));
    let within = number("within_k", Bounds::new(1e-5, 100.0, "K"));
    let time = number("for_s", Bounds::new(0.0, 86_400.0, "s"));
    let longest = number("longest_wait_s", Bounds::new(1.0, 604_800.0, "s"));
    let ramp = number("ramp_k_per_min", Bounds::new(1e-4, 1000.0, "K/min"));
    let or = |found: Option<Located<f64>>, usual| found.map_or(usual, |number| number.value);
    let (for_s, longest_wait_s) = (or(time?, usual.for_s), longest?);
    if let Some(longest) = longest_wait_s.as_ref().filter(|longest| longest.value <= for_s) {
        let remedy = format!("write more than for_s, {for_s} s");
        table.push(longest.fault("the wait ends before the temperature can count as reached", remedy));
        return None;
    }
    Some(Stability {
        within_k: or(within?, usual.within_k),
        for_s,
        longest_wait_s: or(longest_wait_s, usual.longest_wait_s.max(2.0 * for_s)),
        ramp_k_per_min: ramp?,
    })
}
