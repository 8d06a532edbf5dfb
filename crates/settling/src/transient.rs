//! Whether a reading after a step has settled, by a bank of exponential hypotheses. Knows no clock, no instrument; values
//! are in the signal's unit and times in seconds since the change.
//!
//! A [`Watch`] is given the readings of one leg as they come and says when to stop. What was learnt of the transient's
//! shape is [`Knowledge`], which the next leg begins with. Why it is done so: `docs/settling.md`.

mod audit;
mod bank;
mod blocks;
mod flicker;
mod knowledge;
mod neighbours;
mod posterior;
mod shape;
mod together;
mod watch;

pub use audit::{Agreement, audit};
pub use knowledge::Knowledge;
pub use watch::Watch;

use serde::{Deserialize, Serialize};

/// What is known of a reading's noise beforehand: from the meter's specification or from earlier legs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// Standard deviation of a reading that averages over `over_s`, its white part alone. A reading over D seconds has
    /// `white * sqrt(over_s / D)`.
    pub white: f64,
    /// Seconds for which `white` is meant: one cycle of the power line, as a rule.
    pub over_s: f64,
    /// Where 1/f noise is as dense as the white: the one-sided density is `2 white² over_s (1 + corner_hz / f)`. Zero: none.
    pub corner_hz: f64,
    /// Standard deviation of the signal's linear drift, in its unit per second.
    pub drift_per_s: f64,
}

/// What a leg's value is wanted for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Wanted {
    /// Standard uncertainty from noise that the mean over `legs` legs shall have.
    pub uncertainty: f64,
    /// What may remain of the transient in the value. It does not average out over legs.
    pub bias: f64,
    /// Seconds after the change at which waiting is given up.
    pub longest_wait_s: f64,
    /// Readings that begin earlier than this after the change are not looked at: relays bounce, a source limits.
    pub not_before_s: f64,
    /// Whether the bias must be shown to be below `bias` at 95 %, instead of being carried in the uncertainty.
    pub strict: bool,
    /// How many such legs are averaged.
    pub legs: u32,
}

/// What to do after the readings so far.
#[derive(Clone, Debug, PartialEq)]
pub enum Verdict {
    /// Take more readings.
    GoOn {
        /// Seconds after the change before which another question is answered in the same way.
        until_s: f64,
    },
    /// As good as wanted.
    Settled(Arrival),
    /// Not as good as wanted, and no hope that it will be in time. The arrival says why.
    GaveUp(Arrival),
}

/// Why a value is not what was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// What may remain of the transient is too much.
    NotSettled,
    /// The noise of this leg is too much for the uncertainty that was wanted.
    TooNoisy,
    /// 1/f noise alone is above what was wanted: no leg, however long, is enough.
    BelowFlicker,
    /// The readings scatter about every hypothesis by more than twice their noise.
    Misfit,
}

/// How a value was made from the readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// The mean of the readings from `from_s` to `to_s`, nothing subtracted.
    Mean,
    /// The end of the transient as the hypotheses see it.
    Extrapolated,
}

/// A leg's value with the evidence for it; kept with the reading.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Arrival {
    /// The value, in the signal's unit, at `at_s`.
    pub value: f64,
    /// Seconds after the change for which the value is meant: where the signal drifts, it is its value then.
    pub at_s: f64,
    /// Standard uncertainty of `value` in all: noise, and what may remain of the transient.
    pub u: f64,
    /// Its part from noise. Noise slower than the leg is not in it: reversal takes it out.
    pub noise_u: f64,
    /// What of the transient is expected to remain in `value`; not subtracted. Zero if extrapolated.
    pub bias: f64,
    /// Standard uncertainty of that.
    pub bias_u: f64,
    /// How the value was made.
    pub kind: Kind,
    /// Mean of the readings less `value`: what was subtracted by extrapolating, zero for a mean.
    pub subtracted: f64,
    /// Begin of the first reading in the value.
    pub from_s: f64,
    /// End of the last reading in the value.
    pub to_s: f64,
    /// Readings in the value.
    pub readings: u32,
    /// Readings looked at in all.
    pub seen: u32,
    /// Readings left out as spikes.
    pub spikes: u32,
    /// Chi-squared by degrees of freedom of the likeliest hypothesis; where it is too much above 1 the noise is
    /// taken to be larger by its root.
    pub misfit: f64,
    /// Variance of the noise as it was taken, by that of the specification.
    pub noise_ratio: f64,
    /// The main time constant, in seconds: the geometric mean over the hypotheses.
    pub time_constant_s: f64,
    /// Specified drift, in the unit per second, for who compares values at different times.
    pub drift_per_s: f64,
    /// Why the value is not what was asked for; none if it is.
    pub flagged: Option<Reason>,
}

/// A watch or knowledge that cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{what} is {value}: it must be {must}")]
pub struct Unusable {
    what: &'static str,
    value: f64,
    must: &'static str,
}

impl Unusable {
    pub(crate) fn unless(
        holds: bool,
        what: &'static str,
        value: f64,
        must: &'static str,
    ) -> Result<(), Self> {
        if holds { Ok(()) } else { Err(Self { what, value, must }) }
    }
}

impl Noise {
    fn check(&self) -> Result<(), Unusable> {
        for (what, value) in [("white noise", self.white), ("time of averaging", self.over_s)] {
            Unusable::unless(value > 0.0 && value.is_finite(), what, value, "above zero")?;
        }
        for (what, value) in [("corner of 1/f noise", self.corner_hz), ("drift", self.drift_per_s)] {
            Unusable::unless(value >= 0.0 && value.is_finite(), what, value, "zero or above")?;
        }
        Ok(())
    }

    /// Variance of the white part of a mean that has been averaged over `seconds` in all.
    pub(crate) fn variance(&self, seconds: f64) -> f64 {
        self.white * self.white * self.over_s / seconds
    }

    /// The one-sided density of 1/f noise at 1 Hz, in the unit squared: 2 white² over_s · corner.
    pub(crate) fn flicker(&self) -> f64 {
        2.0 * self.white * self.white * self.over_s * self.corner_hz
    }
}

impl Wanted {
    fn check(&self) -> Result<(), Unusable> {
        for (what, value) in [
            ("wanted uncertainty", self.uncertainty),
            ("allowed bias", self.bias),
            ("longest wait", self.longest_wait_s),
            ("number of legs", f64::from(self.legs)),
        ] {
            Unusable::unless(value > 0.0 && value.is_finite(), what, value, "above zero")?;
        }
        let begin = self.not_before_s;
        Unusable::unless(begin >= 0.0 && begin.is_finite(), "begin of readings", begin, "zero or above")
    }
}
