//! The one way out: current to zero, output off, read back, then crosspoints open, then heater off and the field on its
//! way to rest. Everything is attempted, then the failures are reported.

use crate::guarded::guarded;
use quadrille_instruments::{Ammeter, Bench, MeterValue};
use quadrille_plan::{Plan, Settings};
use quadrille_quantity::{Ampere, Second};
use std::fmt;
use std::time::Duration;
use tokio::time::Instant;

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

/// What a stand-down must know of the run that it ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rest {
    /// Current that the ammeter's range must hold.
    pub range: Ampere,
    /// Current that may return with the source off: no more is seen as none.
    pub residual: Ampere,
    /// Pause between two looks at the ammeter.
    pub pause: Second,
    /// Whether the heater is this run's to switch off.
    pub heater: bool,
    /// Whether the field is this run's to send to rest.
    pub magnet: bool,
}

impl Rest {
    /// Of a plan with the settings in force.
    pub fn of(plan: &Plan, settings: &Settings) -> Self {
        Self {
            range: settings.current,
            residual: settings.residual,
            pause: settings.settle.pause(),
            heater: plan.ramps.kelvin_per_minute.is_some(),
            magnet: plan.ramps.tesla_per_second.is_some(),
        }
    }
}

/// Longest that leads are given to discharge, and how long a current may last without falling before it is no discharge.
/// Undriven cables behind gigohms need a quarter of a minute.
const DISCHARGE: Duration = Duration::from_secs(90);
const STEADY: Duration = Duration::from_secs(5);

/// Shortest pause between two questions.
const SHORTEST: Duration = Duration::from_millis(20);

/// Part of a current that is left after [`STEADY`] if it falls at all fast enough to be gone in time.
const FALLING: f64 = 0.8;

/// Longest wait for one operation: an instrument's timeout may be ten minutes, and beyond it an operation that does
/// not return breaks its contract.
const LONGEST: Duration = Duration::from_secs(900);

/// Brings a bench to rest: the current, then the crosspoints, then heater and field where the run drives them.
pub async fn stand_down(bench: &mut Bench, rest: &Rest) -> StandDown {
    let mut outcome = current_to_rest(bench, rest).await;
    if let Some(controller) = bench.temperature.as_mut().filter(|_| rest.heater) {
        keep(attempt("switch the heater off", controller.rest()).await, &mut outcome.failures);
    }
    if let Some(magnet) = bench.field.as_mut().filter(|_| rest.magnet) {
        keep(attempt("send the field to rest", magnet.rest()).await, &mut outcome.failures);
    }
    outcome
}

/// Crosspoints stay as they are while the output is not known to be off, and while the ammeter
/// sees that it is not: a relay that opens under current is worse than one that stays closed.
async fn current_to_rest(bench: &mut Bench, rest: &Rest) -> StandDown {
    let mut failures = Vec::new();
    keep(attempt("set the level to zero", bench.source.set_level(Ampere(0.0))).await, &mut failures);
    // The driver reads back: when this returns well, the source itself has said that its output is off.
    let off = attempt("switch the output off", bench.source.set_output(false)).await;
    if keep(off, &mut failures).is_none() {
        failures.push("crosspoints were left as they are: the output is not known to be off".to_owned());
        return StandDown { output: Output::Unknown, failures };
    }
    let gone = keep(current_is_gone(bench, rest).await, &mut failures);
    if gone == Some(false) {
        failures.push("the ammeter still sees current after the output was switched off".to_owned());
        failures.push("crosspoints were left as they are: they would open under current".to_owned());
        return StandDown { output: Output::Commanded, failures };
    }
    // Behind open crosspoints rows drift, and a guard would follow them.
    let guard = "leave the guard undriven";
    keep(attempt(guard, bench.source.set_guard(false)).await, &mut failures);
    let short = "short the ammeter's input";
    if keep(attempt(short, bench.ammeter.short_input(true)).await, &mut failures).is_none() {
        // Once more, on a link that is clear by now: crosspoints are about to move.
        keep(attempt(short, bench.ammeter.short_input(true)).await, &mut failures);
    }
    keep(attempt("open the crosspoints", bench.matrix.open_all()).await, &mut failures);
    let output = if gone == Some(true) { Output::Verified } else { Output::Commanded };
    StandDown { output, failures }
}

/// Whether the ammeter agrees that no current returns.
async fn current_is_gone(bench: &mut Bench, rest: &Rest) -> Result<bool, String> {
    let ammeter = &mut bench.ammeter;
    attempt("release the ammeter's input", ammeter.short_input(false)).await?;
    // A run that ended early may not have come to the ammeter's range yet.
    attempt("set the ammeter's range", ammeter.set_range(rest.range)).await?;
    attempt("read the ammeter", sees_no_current(ammeter.as_mut(), rest)).await
}

/// Whether an ammeter whose input is released sees no current, asked again while the leads discharge.
pub(crate) async fn sees_no_current(
    ammeter: &mut dyn Ammeter,
    rest: &Rest,
) -> quadrille_instruments::Result<bool> {
    let begun = Instant::now();
    let mut mark = None;
    loop {
        let answer = ammeter.read().await?;
        let current = match answer.value {
            MeterValue::Value(current) => current.abs(),
            MeterValue::Overload(_) | MeterValue::NotANumber => f64::INFINITY,
        };
        if current <= rest.residual.0 + 3.0 * answer.own_u {
            return Ok(true);
        }
        let (since, was) = *mark.get_or_insert((Instant::now(), current));
        if since.elapsed() >= STEADY {
            if current > FALLING * was || begun.elapsed() >= DISCHARGE {
                return Ok(false);
            }
            mark = Some((Instant::now(), current));
        }
        tokio::time::sleep(duration(rest.pause.0).clamp(SHORTEST, STEADY)).await;
    }
}

/// One operation, whatever it does: a panic in it and its never returning are failures like any other, so that what
/// comes after is attempted too.
async fn attempt<T>(
    what: &str,
    operation: impl Future<Output = quadrille_instruments::Result<T>>,
) -> Result<T, String> {
    match tokio::time::timeout(LONGEST, guarded(operation)).await {
        Ok(Ok(result)) => result.map_err(|error| error.to_string()),
        Ok(Err(panic)) => Err(format!("could not {what}: the program failed: {panic}")),
        Err(_) => Err(format!("could not {what}: it did not return in {} s", LONGEST.as_secs())),
    }
}

fn keep<T>(result: Result<T, String>, failures: &mut Vec<String>) -> Option<T> {
    result.map_err(|failure| failures.push(failure)).ok()
}

pub(crate) fn duration(seconds: f64) -> Duration {
    Duration::from_secs_f64(seconds.max(0.0))
}
