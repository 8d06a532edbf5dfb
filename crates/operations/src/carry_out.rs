//! A plan carried out on the real bench, with its record: what `measure` and `verify` have in common.

use crate::open::open;
use crate::record::{Begun, Keep, Observer, Record};
use crate::{Error, Inputs, PROGRAM, load};
use quadrille_experiment::{Circumstances, Event, Reading};
use quadrille_journal::{Journal, NewRun, RunId};
use quadrille_plan::Plan;
use quadrille_quantity::Second;
use quadrille_scheduler::{Ending, FieldHand, Outcome, Stop, run};
use std::path::Path;

/// What came of carrying out a plan.
pub(crate) struct CarriedOut {
    pub(crate) run: RunId,
    pub(crate) outcome: Outcome,
    pub(crate) took: Second,
    pub(crate) readings: Vec<(Reading, Circumstances)>,
    pub(crate) events: Vec<Event>,
}

/// What is carried out, for whom.
pub(crate) struct Order<'o> {
    pub(crate) kind: &'o str,
    pub(crate) inputs: &'o Inputs,
    pub(crate) plan: &'o Plan,
    /// What was expected of it, kept as its first event.
    pub(crate) expected: Option<Event>,
    pub(crate) fields: &'o mut dyn FieldHand,
    pub(crate) observer: &'o mut dyn Observer,
    pub(crate) stop: Stop,
    /// The journal that keeps it, made where there is none.
    pub(crate) journal: &'o Path,
}

/// Opens journal and bench, begins the record, carries out the plan, notes how it ended. An instrument that is not there is an
/// error before anything is recorded or energised.
pub(crate) async fn carry_out(order: Order<'_>) -> Result<CarriedOut, Error> {
    let Order { kind, inputs, plan, expected, fields, observer, stop, journal } = order;
    let mut journal = Journal::open(journal)?;
    let samples = &inputs.samples;
    let columns = inputs.equipped.bench.wiring.columns_of_each(samples)?;
    let mut bench = open(&inputs.equipped, columns).await?;
    let id = journal.begin(&new_run(kind, inputs, plan))?;
    observer.begun(&Begun { run: Some(id), plan });
    let mut record = Record::new(Keep::Journal(&mut journal, id), observer);
    if let Some(expected) = expected {
        use quadrille_scheduler::Recorder as _;
        let kept = record.event(&expected).await;
        kept.map_err(|error| Error::Simulation(format!("the estimate could not be kept: {error}")))?;
    }
    let begun = tokio::time::Instant::now();
    let outcome = run(plan, &mut bench, &mut record, fields, stop).await;
    let took = Second(begun.elapsed().as_secs_f64());
    let (readings, events, keep) = record.finish();
    if let Keep::Journal(journal, id) = keep
        && let Err(error) = journal.end(id, &in_words(&outcome))
    {
        tracing::error!("the end of run {id} could not be noted: {error}");
    }
    Ok(CarriedOut { run: id, outcome, took, readings, events })
}

fn new_run(kind: &str, inputs: &Inputs, plan: &Plan) -> NewRun {
    // A plan holds numbers and texts only: it can always be written.
    let plan = serde_json::to_string(plan).unwrap_or_default();
    NewRun {
        kind: kind.to_owned(),
        sample: inputs.samples.iter().map(|s| s.name.value.as_str()).collect::<Vec<_>>().join(", "),
        program: PROGRAM.to_owned(),
        plan_sha256: load::sha256(&plan),
        plan,
        documents: inputs.frozen.clone(),
    }
}

fn in_words(outcome: &Outcome) -> String {
    let ending = match &outcome.ending {
        Ending::Finished => "finished".to_owned(),
        Ending::Stopped => "stopped".to_owned(),
        Ending::Failed(failure) => format!("failed: {failure}"),
    };
    format!("{ending}; output {}", outcome.stand_down.output)
}
