//! A recipe measured on a real bench.

use crate::carry_out::{CarriedOut, Earlier, Order, carry_out};
use crate::rack::{Rack, never};
use crate::record::Observer;
use crate::records::{Records, Unfinished};
use crate::reduce::{Reduction, of_run};
use crate::{Error, Inputs, SampleContacts, contacts};
use quadrille_bench::Complaint;
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
    /// What a simulated bench complained of; of a real one nobody knows.
    pub complaints: Vec<Complaint>,
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
    let hands = Hands { rack: &Rack::real(), fields, observer, stop, pause: never() };
    measure_with(inputs, expected, journal, hands).await
}

/// Who and what a run works with.
pub struct Hands<'h> {
    /// Where its instruments are.
    pub rack: &'h Rack,
    /// Sets the field by hand, on a real bench without a magnet.
    pub fields: &'h mut dyn FieldHand,
    /// Watches it.
    pub observer: &'h mut dyn Observer,
    /// Wants it to stop and stand down.
    pub stop: Stop,
    /// Wants it to pause, stood down, after the round that is being taken.
    pub pause: Stop,
}

/// [`measure`] with instruments that may be simulated, by somebody who may want a pause.
pub async fn measure_with(
    inputs: &Inputs,
    expected: Option<Event>,
    journal: &Path,
    hands: Hands<'_>,
) -> Result<Measured, Error> {
    carried_out(inputs, plan(inputs)?, expected, None, journal, hands).await
}

/// Goes on with a run that is paused, or in which the program ended, by whole rounds: the first round that is not complete is
/// taken again from its beginning, and those before it are not. Documents and plan are those that the journal has kept; a
/// program that would plan otherwise by now refuses.
pub async fn resume(run: RunId, journal: &Path, hands: Hands<'_>) -> Result<Measured, Error> {
    let earlier = Records::open(journal)?.unfinished(run)?;
    let Unfinished { inputs, plan, readings, events } = earlier;
    carried_out(&inputs, plan, None, Some(Earlier { run, readings, events }), journal, hands).await
}

async fn carried_out(
    inputs: &Inputs,
    plan: Plan,
    expected: Option<Event>,
    earlier: Option<Earlier>,
    journal: &Path,
    hands: Hands<'_>,
) -> Result<Measured, Error> {
    let Hands { rack, fields, observer, stop, pause } = hands;
    let order = Order {
        kind: "measure",
        inputs,
        plan: &plan,
        expected,
        rack,
        earlier,
        fields,
        observer,
        stop,
        pause,
        journal,
    };
    let CarriedOut { run, outcome, took, readings, events, complaints } = carry_out(order).await?;
    let finished = matches!(outcome.ending, Ending::Finished);
    let reduction = finished.then(|| of_run(&readings, inputs, &plan).map_err(|error| error.to_string()));
    let contacts = contacts::of_run(&readings, inputs, &plan);
    Ok(Measured { run, plan, outcome, took, readings, events, contacts, reduction, complaints })
}

/// The plan of a recipe; without a recipe there is none.
pub fn plan(inputs: &Inputs) -> Result<Plan, Faults> {
    let Some(recipe) = &inputs.recipe else {
        let place = Place { document: "recipe".into(), line: 1, column: 1, key: String::new() };
        return Err(Fault { place, problem: "there is none".into(), remedy: "give one".into() }.into());
    };
    Plan::of_many(&inputs.equipped, &inputs.samples, recipe)
}
