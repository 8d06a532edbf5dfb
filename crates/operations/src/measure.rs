//! A recipe measured on a real bench.

use crate::carry_out::{CarriedOut, Order, carry_out};
use crate::record::Observer;
use crate::reduce::{Reduction, of_run};
use crate::{Error, Inputs, SampleContacts, contacts};
use quadrille_documents::{Fault, Faults, Place};
use quadrille_experiment::{Circumstances, Event, Reading};
use quadrille_journal::RunId;
use quadrille_plan::Plan;
use quadrille_quantity::Second;
use quadrille_scheduler::{Ending, FieldHand, Outcome, Stop};
use std::path::Path;

/// What came of a measurement.
#[derive(Debug)]
pub struct Measured {
    /// Its number in the journal.
    pub run: RunId,
    /// The plan.
    pub plan: Plan,
    /// How it ended.
    pub outcome: Outcome,
    /// How long it took.
    pub took: Second,
    /// The readings that were kept.
    pub readings: Vec<(Reading, Circumstances)>,
    /// What else happened, in order.
    pub events: Vec<Event>,
    /// What the check of the contacts says of each sample; nothing where the recipe asks for none.
    pub contacts: Vec<SampleContacts>,
    /// What the readings say; `None` where the run did not finish.
    pub reduction: Option<Result<Reduction, String>>,
}

/// Measures a recipe; `expected` is an [`estimate`](crate::estimate), kept with the run. The error is of what went wrong before the run began; what goes wrong in it is in the outcome.
pub async fn measure(
    inputs: &Inputs,
    expected: Option<Event>,
    journal: &Path,
    fields: &mut dyn FieldHand,
    observer: &mut dyn Observer,
    stop: Stop,
) -> Result<Measured, Error> {
    let plan = plan(inputs)?;
    let order = Order { kind: "measure", inputs, plan: &plan, expected, fields, observer, stop, journal };
    let CarriedOut { run, outcome, took, readings, events } = carry_out(order).await?;
    let finished = matches!(outcome.ending, Ending::Finished);
    let reduction = finished.then(|| of_run(&readings, inputs, &plan).map_err(|error| error.to_string()));
    let contacts = contacts::of_run(&readings, inputs, &plan);
    Ok(Measured { run, plan, outcome, took, readings, events, contacts, reduction })
}

/// The plan of a recipe; without a recipe there is none.
pub(crate) fn plan(inputs: &Inputs) -> Result<Plan, Faults> {
    let Some(recipe) = &inputs.recipe else {
        let place = Place { document: "recipe".into(), line: 1, column: 1, key: String::new() };
        return Err(Fault { place, problem: "there is none".into(), remedy: "give one".into() }.into());
    };
    Plan::of_many(&inputs.equipped, &inputs.samples, recipe)
}
