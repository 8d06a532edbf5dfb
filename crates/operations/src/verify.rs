//! A bench proved on a resistor network of known value.

use crate::carry_out::{CarriedOut, Order, carry_out};
use crate::record::Observer;
use crate::{Error, Inputs};
use async_trait::async_trait;
use quadrille_documents::Switch;
use quadrille_experiment::Reading;
use quadrille_journal::RunId;
use quadrille_plan::{Judgement, Plan, Verification, judge};
use quadrille_quantity::Tesla;
use quadrille_scheduler::{Ending, FieldHand, Outcome, Stop};
use std::path::Path;

/// What came of a proof.
#[derive(Debug)]
pub struct Verified {
    /// Its number in the journal.
    pub run: RunId,
    /// The plan.
    pub plan: Plan,
    /// How it ended.
    pub outcome: Outcome,
    /// A judgement of each configuration; of those that were not read, that they were not.
    pub judgements: Vec<Judgement>,
}

impl Verified {
    /// Whether the whole proof was carried out and every configuration read right.
    pub fn passed(&self) -> bool {
        matches!(self.outcome.ending, Ending::Finished) && self.judgements.iter().all(|j| j.passed)
    }
}

/// Proves a bench on a standard. `guard` and `buffers` may be pinned, to see what a proof without them says.
pub async fn verify(
    inputs: &Inputs,
    (guard, buffers): (Switch, Switch),
    journal: &Path,
    observer: &mut dyn Observer,
    stop: Stop,
) -> Result<Verified, Error> {
    let Verification { plan, predictions } =
        Verification::new(&inputs.equipped, inputs.sample(), guard, buffers)?;
    let mut fields = NoField;
    let order = Order { kind: "verify", inputs, plan: &plan, fields: &mut fields, observer, stop, journal };
    let CarriedOut { run, outcome, readings } = carry_out(order).await?;
    let readings: Vec<Reading> = readings.iter().map(|(reading, _)| *reading).collect();
    let judgements = judge(&predictions, &readings);
    Ok(Verified { run, plan, outcome, judgements })
}

/// A standard has no Hall effect: any field will do, and nobody is asked.
struct NoField;

#[async_trait]
impl FieldHand for NoField {
    async fn set(&mut self, field: Tesla) -> Result<Tesla, String> {
        Ok(field)
    }
}
