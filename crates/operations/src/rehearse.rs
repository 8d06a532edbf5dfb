//! A recipe rehearsed: the same plan, scheduler, drivers and bytes, on the simulated bench in virtual time.

use crate::measure::plan;
use crate::open::assemble;
use crate::record::{Begun, Keep, Observer, Record};
use crate::reduce::{Reduction, of_run};
use crate::simulated::{Simulation, SimulationOptions};
use crate::{Error, Inputs, SampleContacts, contacts};
use quadrille_bench::Complaint;
use quadrille_experiment::{Circumstances, Event, Expected, Reading};
use quadrille_plan::Plan;
use quadrille_quantity::Second;
use quadrille_reduction::Quantity;
use quadrille_scheduler::{Outcome, run};

/// What came of a rehearsal.
#[derive(Debug)]
pub struct Rehearsed {
    /// The plan.
    pub plan: Plan,
    /// How it ended.
    pub outcome: Outcome,
    /// How long the run will take.
    pub duration: Second,
    /// The readings.
    pub readings: Vec<(Reading, Circumstances)>,
    /// What else happened, in order.
    pub events: Vec<Event>,
    /// What the check of the contacts says of each sample; nothing where the recipe asks for none.
    pub contacts: Vec<SampleContacts>,
    /// What the readings say.
    pub reduction: Result<Reduction, String>,
    /// What the bench complained of.
    pub complaints: Vec<Complaint>,
}

impl Rehearsed {
    /// The readings as a table that [`crate::reduce`] reads again.
    pub fn readings_csv(&self) -> String {
        let rows = self.readings.iter().map(|(reading, taken)| (reading, taken.sample.as_str()));
        quadrille_report::readings_csv(rows)
    }
}

/// What a rehearsal says of a run that is to come: how long, and which results how certain; `None` where a sample has no
/// model. A rehearsal that comes to no end is told as the error that it is.
pub fn estimate(inputs: &Inputs) -> Result<Option<Event>, Error> {
    if inputs.samples.iter().any(|sample| sample.model.is_none()) {
        return Ok(None);
    }
    let rehearsed = rehearse(inputs, SimulationOptions::default(), &mut ())?;
    Ok(Some(estimated(&rehearsed)))
}

/// What a rehearsal says of the run that is to come, as its record keeps it.
pub fn estimated(rehearsed: &Rehearsed) -> Event {
    let points = rehearsed.reduction.iter().flat_map(|reduction| &reduction.points);
    let results = points.flat_map(|point| {
        Quantity::ALL.into_iter().filter_map(|quantity| {
            let found = quantity.of(&point.reduced.results)?;
            Some(Expected {
                sample: point.sample.clone(),
                temperature_k: point.temperature_k,
                quantity: quantity.key().to_owned(),
                value: found.value,
                relative_u: (found.standard_uncertainty / found.value).abs(),
            })
        })
    });
    Event::Estimated { duration: rehearsed.duration, results: results.collect() }
}

/// Rehearses a recipe. Touches no instrument and leaves no record; the same seed gives the same numbers. Must not be
/// called from within an asynchronous task: it brings a clock of its own.
pub fn rehearse(
    inputs: &Inputs,
    options: SimulationOptions,
    observer: &mut dyn Observer,
) -> Result<Rehearsed, Error> {
    rehearse_with(inputs, options, |_| {}, observer)
}

/// [`rehearse`] on a bench to which something is done before the run begins: it is given faults, or a handle to it is
/// kept for later. What it spawns lives as long as the rehearsal.
pub fn rehearse_with(
    inputs: &Inputs,
    options: SimulationOptions,
    prepare: impl FnOnce(&Simulation),
    observer: &mut dyn Observer,
) -> Result<Rehearsed, Error> {
    let plan = plan(inputs)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .start_paused(true)
        .build()
        .map_err(|error| Error::Simulation(format!("no virtual time: {error}")))?;
    runtime.block_on(async {
        let mut simulation = Simulation::new(inputs, options)?;
        prepare(&simulation);
        let samples = &inputs.samples;
        let columns = inputs.equipped.bench.wiring.columns_of_each(samples)?;
        let mut bench = assemble(&inputs.equipped, columns, simulation.in_memory(&inputs.equipped))?;
        let begun = tokio::time::Instant::now();
        observer.begun(&Begun { run: None, plan: &plan });
        let mut record = Record::new(Keep::Nowhere, observer);
        let (_nobody, stop) = tokio::sync::watch::channel(false);
        let outcome = run(&plan, &mut bench, &mut record, &mut simulation, stop).await;
        let duration = Second(begun.elapsed().as_secs_f64());
        let (readings, events, _) = record.finish();
        let reduction = of_run(&readings, inputs, &plan).map_err(|error| error.to_string());
        let contacts = contacts::of_run(&readings, inputs, &plan);
        let complaints = simulation.complaints_at_end();
        Ok(Rehearsed {
            plan: plan.clone(),
            outcome,
            duration,
            readings,
            events,
            contacts,
            reduction,
            complaints,
        })
    })
}
