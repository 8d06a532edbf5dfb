//! How long a recipe waits after a change.

use super::absent_or;
use crate::fault::Located;
use crate::table::{Bounds, Table};
use serde::Serialize;

/// Longest wait for one reading to settle where nothing is written, in seconds; ours.
const LONGEST_WAIT_S: f64 = 600.0;

/// Relative standard uncertainty taken for wanted where a recipe wants none: a usual tolerance of such a measurement
/// (common practice, no source).
const USUAL_U: f64 = 1e-3;

/// Part of the wanted uncertainty that what has not settled yet may make up: a third adds a twentieth to it in
/// quadrature.
const BIAS_PART: f64 = 1.0 / 3.0;

/// How long to wait after a change.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Settling {
    /// So many seconds.
    Time(f64),
    /// So many time constants of the leads with the sample.
    TimeConstants(f64),
    /// Until the readings show that they have arrived.
    Evidence {
        /// How far a reading may still be off, relative to what is measured.
        bias_relative: f64,
        /// Longest wait for it, in seconds.
        longest_wait_s: f64,
        /// Whether the bound itself must be shown; otherwise what is left goes into the uncertainty.
        strict: bool,
    },
}

impl Settling {
    /// By evidence, to a third of what is wanted; what holds where a recipe says nothing.
    pub(super) fn usual(wanted: Option<f64>) -> Self {
        Self::Evidence {
            bias_relative: wanted.unwrap_or(USUAL_U) * BIAS_PART,
            longest_wait_s: LONGEST_WAIT_S,
            strict: false,
        }
    }
}

/// `wanted` is the relative uncertainty that the recipe wants.
pub(super) fn settling(table: &Table<'_>, wanted: Option<f64>) -> Option<Located<Settling>> {
    const KINDS: [&str; 3] = ["time_s", "time_constants", "by_evidence"];
    let time = table.number("time_s", Bounds::new(0.0, 86_400.0, "s"));
    let constants = table.number("time_constants", Bounds::new(0.0, 1000.0, ""));
    let by_evidence = table.flag("by_evidence");
    let evidence = evidence(table, wanted);
    let written = KINDS.into_iter().filter(|kind| table.has(kind)).count();
    if written != 1 {
        let problem = "exactly one of time_s, time_constants and by_evidence is needed";
        let remedy = "write time_s = 0.2, time_constants = 12 or by_evidence = true";
        table.push(table.located(()).fault(problem, remedy));
        return None;
    }
    let settling = match (time, constants, by_evidence) {
        (Some(time), _, _) => only_with_evidence(table, Settling::Time(time.value))?,
        (_, Some(constants), _) => only_with_evidence(table, Settling::TimeConstants(constants.value))?,
        (_, _, Some(flag)) if flag.value => evidence?,
        (_, _, Some(flag)) => {
            let remedy = "write true, or time_s or time_constants in its place";
            table.push(flag.fault("without evidence there is nothing to wait for", remedy));
            return None;
        }
        _ => return None,
    };
    Some(table.located(settling))
}

fn evidence(table: &Table<'_>, wanted: Option<f64>) -> Option<Settling> {
    let bias = table.number("bias_relative", Bounds::new(1e-9, 0.1, ""));
    let longest = table.number("longest_wait_s", Bounds::new(0.1, 86_400.0, "s"));
    let strict = table.flag("strict");
    let bias = absent_or(table, "bias_relative", bias);
    let longest = absent_or(table, "longest_wait_s", longest);
    let strict = absent_or(table, "strict", strict);
    let usual = wanted.unwrap_or(USUAL_U) * BIAS_PART;
    Some(Settling::Evidence {
        bias_relative: bias?.map_or(usual, |bias| bias.value),
        longest_wait_s: longest?.map_or(LONGEST_WAIT_S, |longest| longest.value),
        strict: strict?.is_some_and(|strict| strict.value),
    })
}

/// A fault where a key that belongs to evidence stands beside a fixed wait: it would do nothing.
fn only_with_evidence(table: &Table<'_>, settling: Settling) -> Option<Settling> {
    let idle = ["bias_relative", "longest_wait_s", "strict"].into_iter().filter(|key| table.has(key));
    let idle: Vec<&str> = idle.collect();
    if !idle.is_empty() {
        let problem = format!("a fixed wait heeds no {}", idle.join(", "));
        table.push(table.located(()).fault(problem, "write by_evidence = true, or leave it out"));
        return None;
    }
    Some(settling)
}
