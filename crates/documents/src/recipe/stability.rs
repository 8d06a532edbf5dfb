//! When a temperature counts as reached, how it is approached, and what is done where it is not.

use super::absent_or;
use crate::fault::Located;
use crate::table::{Bounds, Table};

/// Longest time in which a run stays where it is and waits for a person, where nothing is written, in seconds; ours.
const PARK_S: f64 = 14_400.0;

/// What to do where a temperature is not reached within the longest wait.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Unreached {
    /// Go on to the next one; what was not measured is recorded.
    Skip,
    /// Stay there without current until it is reached after all, a person says so, or this time is over.
    Park {
        /// In seconds; the run stands down after it.
        longest_s: f64,
    },
    /// End the run and bring the bench to rest.
    StandDown,
}

/// When a temperature counts as reached.
#[derive(Clone, Debug, PartialEq)]
pub struct Stability {
    /// How far the sensor may be from the target, and how far it may move while it counts as stable, in kelvins.
    pub within_k: f64,
    /// For how long it must stay there, in seconds.
    pub for_s: f64,
    /// Longest wait for it, in seconds.
    pub longest_wait_s: f64,
    /// Ramp to the next temperature, in kelvins a minute; the cryostat's own limit where it is absent.
    pub ramp_k_per_min: Option<Located<f64>>,
    /// Wait after it is stable, until the sample has followed the sensor, in seconds.
    pub soak_s: f64,
    /// Most that the approach may pass the target by, in kelvins; as it comes where it is absent.
    pub overshoot_k: Option<Located<f64>>,
    /// What to do where it is not reached.
    pub unreached: Unreached,
}

impl Default for Stability {
    /// A tenth of a kelvin for a minute, within an hour (common practice, no source).
    fn default() -> Self {
        Self {
            within_k: 0.1,
            for_s: 60.0,
            longest_wait_s: 3600.0,
            ramp_k_per_min: None,
            soak_s: 0.0,
            overshoot_k: None,
            unreached: Unreached::StandDown,
        }
    }
}

pub(super) fn stability(table: &Table<'_>) -> Option<Stability> {
    let usual = Stability::default();
    let number = |key, bounds| absent_or(table, key, table.number(key, bounds));
    let within = number("within_k", Bounds::new(1e-5, 100.0, "K"));
    let time = number("for_s", Bounds::new(0.0, 86_400.0, "s"));
    let longest = number("longest_wait_s", Bounds::new(1.0, 604_800.0, "s"));
    let ramp = number("ramp_k_per_min", Bounds::new(1e-4, 1000.0, "K/min"));
    let soak = number("soak_s", Bounds::new(0.0, 86_400.0, "s"));
    let overshoot = number("overshoot_k", Bounds::new(1e-4, 100.0, "K"));
    let unreached = unreached(table);
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
        soak_s: or(soak?, usual.soak_s),
        overshoot_k: overshoot?,
        unreached: unreached?,
    })
}

fn unreached(table: &Table<'_>) -> Option<Unreached> {
    let word = table.word("unreached", &["skip", "park", "stand-down"]);
    let park = absent_or(table, "park_s", table.number("park_s", Bounds::new(1.0, 604_800.0, "s")));
    let word = absent_or(table, "unreached", word)?.map_or("stand-down", |word| word.value);
    match (word, park?) {
        ("park", park) => Some(Unreached::Park { longest_s: park.map_or(PARK_S, |park| park.value) }),
        (_, Some(park)) => {
            table.push(park.fault("nobody waits", "write unreached = \"park\", or leave park_s out"));
            None
        }
        ("skip", None) => Some(Unreached::Skip),
        _ => Some(Unreached::StandDown),
    }
}
