//! What is set for the legs of one sample: pinned by a person, taken from its model, or chosen by a run from a first look.

use quadrille_quantity::{Ampere, Second, Volt};
use serde::{Deserialize, Serialize};

/// Everything that is set for the legs of a sample.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Magnitude of the current.
    pub current: Ampere,
    /// Voltage limit of the source.
    pub voltage_limit: Volt,
    /// Full scale that the voltmeter's range must hold; `None` where a look in each leg finds it.
    pub voltage_range: Option<Volt>,
    /// Averaging time of a reading, in power-line cycles.
    pub aperture_plc: f64,
    /// The same in seconds.
    pub aperture: Second,
    /// How often the pattern of reversal is taken in a leg.
    pub repeats: u32,
    /// When a reading after a change counts as settled.
    pub settle: Settle,
    /// Wait at zero current before crosspoints move.
    pub discharge: Second,
    /// Current that may return with the source off: no more is seen as none.
    pub residual: Ampere,
    /// Whether the guard is driven.
    pub guard: bool,
    /// Whether the buffers are in the sense lines.
    pub buffers: bool,
}

/// When a reading after a change counts as settled.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Settle {
    /// After a fixed wait.
    Wait(Second),
    /// When fast readings show that what is left is small enough.
    Evidence(ByEvidence),
}

/// What readings must show.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ByEvidence {
    /// Wanted standard uncertainty of a leg as a part of its value, noise and rest of the transient together.
    pub uncertainty: f64,
    /// What may be left of the transient, as a part of the value.
    pub bias: f64,
    /// Longest wait after a change; what is then not settled is flagged.
    pub longest: Second,
    /// Whether the rest of the transient itself must be shown to be small, not only counted in the uncertainty.
    pub strict: bool,
    /// Time constant of the leads with the sample, as far as it is known: rather too long than too short.
    pub time_constant: Second,
    /// Shortest wait: the instruments' own time to follow.
    pub operate: Second,
}

impl Settle {
    /// A pause that suits the transients: the fixed wait, or a few time constants.
    pub fn pause(&self) -> Second {
        match self {
            Self::Wait(wait) => *wait,
            Self::Evidence(evidence) => {
                (evidence.time_constant * 5.0 + evidence.operate).min(evidence.longest)
            }
        }
    }
}

/// One sample of a run, with what is set for it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PlannedSample {
    /// Its name.
    pub name: String,
    /// What is set from the first leg on.
    pub settings: Settings,
    /// From what a run chooses where a person has not pinned; `None` where all is decided.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub choosing: Option<crate::Choosing>,
}
