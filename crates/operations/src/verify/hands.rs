//! Who carries out the plans of a proof: the real bench, each plan a run of the journal, or a simulated one in virtual time,
//! which leaves no record.

use crate::carry_out::{Order, carry_out};
use crate::open::assemble;
use crate::rack::{Rack, never};
use crate::record::{Begun, Keep, Observer, Record};
use crate::{Error, Inputs, Simulation};
use async_trait::async_trait;
use quadrille_experiment::{Circumstances, Reading};
use quadrille_instruments::Bench;
use quadrille_journal::RunId;
use quadrille_plan::Plan;
use quadrille_quantity::Tesla;
use quadrille_scheduler::{FieldHand, Outcome, Stop, run};
use std::path::Path;

/// What came of one plan.
pub(crate) struct Taken {
    /// Its number in the journal.
    pub(crate) run: Option<RunId>,
    pub(crate) outcome: Outcome,
    pub(crate) readings: Vec<(Reading, Circumstances)>,
}

/// Carries out plans.
#[async_trait(?Send)]
pub(crate) trait Hands {
    async fn take(&mut self, plan: &Plan) -> Result<Taken, Error>;
}

/// On the real bench.
pub(crate) struct OnBench<'h> {
    pub(crate) inputs: &'h Inputs,
    pub(crate) journal: &'h Path,
    pub(crate) observer: &'h mut dyn Observer,
    pub(crate) stop: Stop,
}

#[async_trait(?Send)]
impl Hands for OnBench<'_> {
    async fn take(&mut self, plan: &Plan) -> Result<Taken, Error> {
        let mut fields = NoField;
        let order = Order {
            kind: "verify",
            expected: None,
            rack: &Rack::real(),
            earlier: None,
            pause: never(),
            inputs: self.inputs,
            plan,
            fields: &mut fields,
            observer: self.observer,
            stop: self.stop.clone(),
            journal: self.journal,
        };
        let done = carry_out(order).await?;
        Ok(Taken { run: Some(done.run), outcome: done.outcome, readings: done.readings })
    }
}

/// On a simulated bench in memory.
pub(crate) struct InMemory<'h> {
    bench: Bench,
    observer: &'h mut dyn Observer,
}

impl<'h> InMemory<'h> {
    pub(crate) fn new(
        inputs: &Inputs,
        simulation: &Simulation,
        observer: &'h mut dyn Observer,
    ) -> Result<Self, Error> {
        let equipped = &inputs.equipped;
        let columns = equipped.bench.wiring.columns_of_each(&inputs.samples)?;
        Ok(Self { bench: assemble(equipped, columns, simulation.in_memory(equipped))?, observer })
    }
}

#[async_trait(?Send)]
impl Hands for InMemory<'_> {
    async fn take(&mut self, plan: &Plan) -> Result<Taken, Error> {
        self.observer.begun(&Begun { run: None, plan });
        let mut record = Record::new(Keep::Nowhere, self.observer);
        let (_nobody, stop) = tokio::sync::watch::channel(false);
        let outcome = run(plan, &mut self.bench, &mut record, &mut NoField, stop).await;
        let (readings, _, _) = record.finish();
        Ok(Taken { run: None, outcome, readings })
    }
}

/// A standard has no Hall effect: any field will do, and nobody is asked.
struct NoField;

#[async_trait]
impl FieldHand for NoField {
    async fn set(&mut self, field: Tesla) -> Result<Tesla, String> {
        Ok(field)
    }
}
