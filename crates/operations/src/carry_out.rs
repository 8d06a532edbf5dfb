//! A plan carried out on the real bench, with its record: what `measure` and `verify` have in common.

use crate::rack::Rack;
use crate::record::{Begun, Keep, Observer, Record};
use crate::{Error, Inputs, PROGRAM, load};
use quadrille_bench::Complaint;
use quadrille_experiment::{Circumstances, Event, Reading};
use quadrille_journal::{Journal, NewRun, RunId};
use quadrille_plan::Plan;
use quadrille_quantity::Second;
use quadrille_scheduler::{Course, Ending, FieldHand, Outcome, Stop, next_round, run_from};
use std::path::Path;

/// What came of carrying out a plan.
pub(crate) struct CarriedOut {
    pub(crate) run: RunId,
    pub(crate) outcome: Outcome,
    pub(crate) took: Second,
    pub(crate) readings: Vec<(Reading, Circumstances)>,
    pub(crate) events: Vec<Event>,
    pub(crate) complaints: Vec<Complaint>,
}

/// The earlier part of a run that goes on.
pub(crate) struct Earlier {
    pub(crate) run: RunId,
    /// Its readings that still count.
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
    pub(crate) rack: &'o Rack,
    /// What goes on, where it is not begun.
    pub(crate) earlier: Option<Earlier>,
    pub(crate) fields: &'o mut dyn FieldHand,
    pub(crate) observer: &'o mut dyn Observer,
    pub(crate) stop: Stop,
    /// Wants a pause after the round.
    pub(crate) pause: Stop,
    /// The journal that keeps it, made where there is none.
    pub(crate) journal: &'o Path,
}

/// Opens journal and bench, begins the record, carries out the plan, notes how it ended. An instrument that is not there is an
/// error before anything is recorded or energised.
pub(crate) async fn carry_out(order: Order<'_>) -> Result<CarriedOut, Error> {
    use quadrille_scheduler::Recorder as _;
    let Order { kind, inputs, plan, expected, rack, earlier, fields, observer, stop, pause, journal } = order;
    let mut journal = Journal::open(journal)?;
    let (mut bench, mut simulation) = rack.open(inputs).await?;
    let id = match &earlier {
        Some(earlier) => earlier.run,
        None => journal.begin(&new_run(kind, inputs, plan))?,
    };
    let from = earlier.as_ref().map_or(1, |earlier| next_round(&earlier.events));
    let (sequence, before) = match &earlier {
        Some(_) => (journal.last(id)?, journal.age(id)?),
        None => (0, 0.0),
    };
    observer.begun(&Begun { run: Some(id), plan });
    let mut record = Record::new(Keep::Journal(&mut journal, id), observer);
    let mut known = Vec::new();
    let first = match earlier {
        Some(earlier) => {
            known.clone_from(&earlier.events);
            record.go_on(sequence, earlier.readings, earlier.events);
            Some(Event::Resumed { from })
        }
        None => expected,
    };
    if let Some(first) = first {
        let kept = record.event(&first).await;
        kept.map_err(|error| Error::Simulation(format!("the first event could not be kept: {error}")))?;
    }
    let begun = tokio::time::Instant::now();
    let course = Course { from, events: &known, before: Second(before), pause };
    // The simulated sample follows the field that is asked for.
    let fields: &mut dyn FieldHand = match &mut simulation {
        Some(simulation) => simulation,
        None => fields,
    };
    let outcome = run_from(plan, &mut bench, &mut record, fields, stop, course).await;
    let took = Second(begun.elapsed().as_secs_f64());
    let complaints = simulation.map_or_else(Vec::new, |simulation| simulation.complaints_at_end());
    let (readings, events, keep) = record.finish();
    if !matches!(outcome.ending, Ending::Paused(_))
        && let Keep::Journal(journal, id) = keep
        && let Err(error) = journal.end(id, &in_words(&outcome))
    {
        tracing::error!("the end of run {id} could not be noted: {error}");
    }
    Ok(CarriedOut { run: id, outcome, took, readings, events, complaints })
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
        Ending::Paused(next) => format!("paused before round {next}"),
        Ending::Failed(failure) => format!("failed: {failure}"),
    };
    format!("{ending}; output {}", outcome.stand_down.output)
}
