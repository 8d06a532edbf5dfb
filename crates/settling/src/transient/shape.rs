//! What a hypothesis says of a transient: how large each exponential of the dictionary may be, before any reading.

use serde::{Deserialize, Serialize};

/// What comes after the main exponential.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Tail {
    /// Dielectric absorption and the like: exponentials of `share` of the step, slower than the main one by 3 to `reach`.
    Absorption {
        /// Standard deviation of one exponential's amplitude, by the step.
        share: f64,
        /// The slowest, by the main time constant.
        reach: f64,
    },
    /// A power law t^-exponent from the main time constant on, as a sum of exponentials.
    Power {
        /// Of time.
        exponent: f64,
    },
}

/// What comes first.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Main {
    /// One exponential.
    Single,
    /// The main time constant is the slowest of several that are near.
    Several,
}

/// Standard deviation of ln tau within the main part, so that neighbouring exponentials can stand for one between them.
const MAIN_WIDTH: f64 = 0.36;
/// Leads and sample have a capacitance at each contact, and as many time constants, whose amplitudes may have either sign.
/// Where that is so, what is faster than the slowest of them by less than this, in ln tau, may be as large as that one.
const SEVERAL: f64 = 2.3;
/// Amplitude of one of the main exponentials, by the step.
const MAIN_SHARE: f64 = 0.7;
/// The tail begins here, by the main time constant.
const TAIL_BEGIN: f64 = 3.0;
/// How softly the tail ends on both sides, in ln tau.
const TAIL_EDGE: f64 = 0.49;

/// Standard deviation of the amplitude of exp(-t/tau), by the step; `x` is ln of tau by the main time constant.
pub(crate) fn amplitude(x: f64, main: Main, tail: Tail) -> f64 {
    let beyond = match main {
        Main::Single => x.abs(),
        Main::Several => x.max(-SEVERAL - x).max(0.0),
    };
    let main = MAIN_SHARE * (-0.5 * (beyond / MAIN_WIDTH).powi(2)).exp();
    let slow = match tail {
        Tail::Absorption { share, reach } => {
            let outside = (TAIL_BEGIN.ln() - x).max(x - reach.ln()).max(0.0);
            share * (-0.5 * (outside / TAIL_EDGE).powi(2)).exp()
        }
        Tail::Power { exponent } if x > 0.0 => MAIN_SHARE * (-exponent * x).exp(),
        Tail::Power { .. } => 0.0,
    };
    main.hypot(slow)
}

/// Mean of exp(-t/tau) from `from` to `to`.
pub(crate) fn mean_of_exponential(tau: f64, from: f64, to: f64) -> f64 {
    let x = (to - from) / tau;
    let shrunk = if x > 1e-9 { -(-x).exp_m1() / x } else { 1.0 };
    (-from / tau).exp() * shrunk
}

/// Time constants of the dictionary: a factor of 1.5 apart, from `shortest` to `longest`.
pub(crate) fn dictionary(shortest: f64, longest: f64) -> Vec<f64> {
    let count = ((longest / shortest).ln() / SPACING.ln()).ceil().max(0.0) as i32;
    (0..=count).map(|j| shortest * SPACING.powi(j)).collect()
}

const SPACING: f64 = 1.35;
