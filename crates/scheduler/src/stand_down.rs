//! The one way out: current to zero, output off, read back, then crosspoints open. Everything is attempted, then the
//! failures are reported.

use quadrille_instruments::{Bench, MeterValue};
use quadrille_plan::Plan;
use quadrille_quantity::Ampere;
use std::fmt;

/// What is known of the source's output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Output {
    /// Off: the source says so and the ammeter agrees.
    Verified,
    /// Told off, but the ammeter could not be asked or does not agree.
    Commanded,
    /// Nobody knows.
    Unknown,
}

impl fmt::Display for Output {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Verified => "verified",
            Self::Commanded => "commanded",
            Self::Unknown => "unknown",
        })
    }
}

/// How a stand-down went.
#[derive(Clone, Debug, PartialEq)]
pub struct StandDown {
    /// What is known of the output.
    pub output: Output,
    /// What could not be done, in the order in which it was tried.
    pub failures: Vec<String>,
}

impl StandDown {
    /// Whether the output is known to be off and nothing failed.
    pub fn is_clean(&self) -> bool {
        self.output == Output::Verified && self.failures.is_empty()
    }
}

/// How often the ammeter is asked whether the current is gone, while the leads discharge.
const ASKS: u32 = 6;

/// Part of the plan's current below which no current is left.
const GONE: f64 = 0.01;

/// Brings a bench to rest. Crosspoints stay as they are while the output is not known to be off: a relay that opens
/// under current is worse than one that stays closed.
pub async fn stand_down(bench: &mut Bench, plan: &Plan) -> StandDown {
    let mut failures = Vec::new();
    let mut keep = |result: quadrille_instruments::Result<()>| {
        let done = result.is_ok();
        failures.extend(result.err().map(|error| error.to_string()));
        done
    };
    keep(bench.source.set_level(Ampere(0.0)).await);
    // The driver reads back: when this returns well, the source itself has said that its output is off.
    let off = keep(bench.source.set_output(false).await);
    let mut output = if off { Output::Commanded } else { Output::Unknown };
    if off {
        match current_is_gone(bench, plan).await {
            Ok(true) => output = Output::Verified,
            Ok(false) => {
                failures.push("the ammeter still sees current after the output was switched off".to_owned())
            }
            Err(error) => failures.push(error.to_string()),
        }
        let shorted = bench.ammeter.short_input(true).await;
        failures.extend(shorted.err().map(|error| error.to_string()));
        let opened = bench.matrix.open_all().await;
        failures.extend(opened.err().map(|error| error.to_string()));
    } else {
        failures.push("crosspoints were left as they are: the output is not known to be off".to_owned());
    }
    StandDown { output, failures }
}

/// Whether the ammeter agrees that no current returns, asked again while the leads discharge.
async fn current_is_gone(bench: &mut Bench, plan: &Plan) -> quadrille_instruments::Result<bool> {
    bench.ammeter.short_input(false).await?;
    for _ in 0..ASKS {
        let answer = bench.ammeter.read().await?;
        if let MeterValue::Value(current) = answer.value
            && current.abs() <= GONE * plan.current.0 + 3.0 * answer.own_u
        {
            return Ok(true);
        }
        tokio::time::sleep(duration(plan.settle.0)).await;
    }
    Ok(false)
}

pub(crate) fn duration(seconds: f64) -> std::time::Duration {
    std::time::Duration::from_secs_f64(seconds.max(0.0))
}
