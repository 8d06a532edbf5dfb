//! A recipe rehearsed: the same plan, scheduler, drivers and bytes, on the simulated bench in virtual time.

use crate::measure::plan;
use crate::open::assemble;
use crate::record::{Begun, Keep, Observer, Record};
use crate::reduce::{Reduction, of_run};
use crate::simulated::{Simulation, SimulationOptions};
use crate::{Error, Inputs};
use quadrille_bench::Complaint;
use quadrille_experiment::{Circumstances, Event, Reading};
use quadrille_plan::Plan;
use quadrille_quantity::Second;
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
    /// What the readings say.
    pub reduction: Result<Reduction, String>,
    /// What the bench complained of.
    pub complaints: Vec<Complaint>,
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
        let reduction = of_run(&readings, inputs).map_err(|error| error.to_string());
        let complaints = simulation.complaints_at_end();
        Ok(Rehearsed { plan: plan.clone(), outcome, duration, readings, events, reduction, complaints })
    })
}
