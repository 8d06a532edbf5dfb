//! What the legs of a run have taught of each sample: how its readings settle, what they are, how long the Hall legs wait.

use crate::run::Failure;
use quadrille_experiment::Configuration;
use quadrille_plan::ByEvidence;
use quadrille_quantity::{Ohm, Second};
use quadrille_settling::transient::Knowledge;
use std::collections::BTreeMap;

/// Factor by which a time constant that is only estimated may be off, as one standard deviation; ours.
const ESTIMATE: f64 = 3.0;

/// Time constant below which no transient is looked for, in seconds: the meters' own filters; ours.
const FLOOR_S: f64 = 1e-3;

/// How both meters settle, with the guard driven or not: the capacitance that counts differs tenfold and more.
#[derive(Clone, Debug)]
pub(crate) struct Transients {
    pub(crate) voltage: Knowledge,
    pub(crate) current: Knowledge,
    /// Of current over voltage: late in a transient both are off by nearly the same part.
    pub(crate) ratio: Knowledge,
}

impl Transients {
    /// After an audit that disagreed.
    pub(crate) fn widened(&self) -> Self {
        let Self { voltage, current, ratio } = self;
        Self { voltage: voltage.widened(), current: current.widened(), ratio: ratio.widened() }
    }

    /// Before the first leg.
    pub(crate) fn expected(evidence: &ByEvidence) -> Result<Self, Failure> {
        let about = evidence.time_constant.0.max(FLOOR_S);
        let knowledge = Knowledge::from_estimate(about, ESTIMATE, FLOOR_S)
            .map_err(|error| Failure::Panic(format!("no estimate of a time constant: {error}")))?;
        Ok(Self { voltage: knowledge.clone(), current: knowledge.clone(), ratio: knowledge })
    }
}

/// Dead time and window of the Hall legs, alike at every field of a temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct HallTiming {
    pub(crate) dead: Second,
    pub(crate) window: Second,
}

/// What is known of one sample.
#[derive(Clone, Debug, Default)]
pub(crate) struct Learned {
    /// By whether the guard is driven.
    pub(crate) transients: BTreeMap<bool, Transients>,
    /// Four-terminal resistance of each configuration as last seen, with its sign.
    pub(crate) resistances: BTreeMap<Configuration, Ohm>,
    /// What of its transient each state that was left to the evidence had left at the times that a Hall leg may wait, as a part
    /// of its voltage: what is expected and one standard deviation. Since Hall legs were last timed.
    pub(crate) left: Vec<Vec<(f64, f64)>>,
    /// Of the Hall rounds at the temperature in work, whose target this is, in kelvins.
    pub(crate) hall: Option<(f64, HallTiming)>,
    /// Hall voltage over the largest voltage of a diagonal, as last seen.
    pub(crate) hall_part: Option<f64>,
    /// What was chosen for it where the plan leaves it open.
    pub(crate) choice: Option<crate::look::Choice>,
    /// By what parts voltage and current may be off by what the last audit showed of their transients.
    pub(crate) doubt: (f64, f64),
    /// Whether that audit disagreed.
    pub(crate) doubted: bool,
    /// The round in which an audit was made last.
    pub(crate) audited: Option<u32>,
}

impl Learned {
    /// How long the leads discharge, in seconds, as the legs have shown: so many time constants, each rather too long.
    pub(crate) fn discharge(&self, guard: bool, time_constants: f64) -> Option<Second> {
        let known = self.transients.get(&guard).filter(|known| known.voltage.legs() > 0)?;
        let (tau, factor) = known.voltage.time_constant();
        Some(Second(time_constants * tau * factor))
    }

    /// What was known before a change of temperature does not hold quite as well after it.
    pub(crate) fn transients(&mut self, guard: bool, evidence: &ByEvidence) -> Result<Transients, Failure> {
        if let Some(known) = self.transients.get(&guard) {
            return Ok(known.clone());
        }
        let expected = Transients::expected(evidence)?;
        self.transients.insert(guard, expected.clone());
        Ok(expected)
    }
}
