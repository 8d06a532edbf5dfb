//! Who knows everything and still has to wait: meters of the quiet bench that are read until the mean of some of the latest
//! readings is as near to where they will end as is allowed, and no shorter than the noise asks for. Knows no plan: the
//! scheduler carries out the same legs, relays and commands with it as with anybody.

use crate::twin::number;
use async_trait::async_trait;
use quadrille_experiment::Configuration;
use quadrille_instruments::{
    Ammeter, Answer, Bench, CurrentSource, Instrument, Place, Result, SwitchMatrix, Voltmeter,
};
use quadrille_quantity::{Ampere, Volt};
use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::Barrier;
use tokio::time::Instant;

/// Where volts and amperes of a configuration end, by the sign of the current.
pub(crate) type Ends = HashMap<(Configuration, bool), [f64; 2]>;

/// What the oracle is held to.
#[derive(Clone)]
pub(crate) struct Held {
    /// Largest bias of either meter's mean, relative.
    pub(crate) tolerance: f64,
    /// Fewest readings of a mean.
    pub(crate) fewest: usize,
    /// Where it ends.
    pub(crate) ends: Ends,
    /// Current that counts as none, in amperes: the oracle asks the source to go off when it is reached, and no sooner.
    pub(crate) residual: f64,
    /// Whether time in which nothing can happen is slept through rather than read through.
    pub(crate) skips: bool,
    /// Whether it waits after a change at all; otherwise the first reading is the one.
    pub(crate) waits: bool,
}

impl Held {
    /// One reading a mean, and only what is worth taking.
    pub(crate) fn to(tolerance: f64, ends: Ends) -> Self {
        Self { tolerance, fewest: 1, ends, residual: 0.0, skips: true, waits: true }
    }
}

/// One reading of both meters, as parts of where they end.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Step {
    /// Seconds since the change, at the beginning.
    pub(crate) from_s: f64,
    /// The same when the answer was there.
    pub(crate) to_s: f64,
    pub(crate) off: [f64; 2],
    /// Whether it follows upon the reading before it.
    pub(crate) next: bool,
}

/// What was read after one change, and where it stopped.
#[derive(Clone, Debug)]
pub(crate) struct Waited {
    pub(crate) steps: Vec<Step>,
}

struct State {
    held: Held,
    configuration: Option<Configuration>,
    level: f64,
    changed: Instant,
    steps: Vec<Step>,
    half: [Option<(f64, f64, f64)>; 2],
    next: bool,
    decision: Decision,
    waits: Vec<Waited>,
}

#[derive(Clone, Copy, Debug)]
enum Decision {
    /// The mean of so many of the latest readings.
    Stop,
    /// Once more, after so many seconds.
    Again(f64),
}

/// What the meters of an oracle share.
#[derive(Clone)]
pub(crate) struct Oracle {
    state: Arc<Mutex<State>>,
    both: Arc<Barrier>,
}

impl Oracle {
    /// Takes the place of the meters of a quiet bench.
    pub(crate) fn on(bench: Bench, held: Held) -> (Self, Bench) {
        let state = State {
            held,
            configuration: None,
            level: 0.0,
            changed: Instant::now(),
            steps: Vec::new(),
            half: [None; 2],
            next: false,
            decision: Decision::Again(0.0),
            waits: Vec::new(),
        };
        let this = Self { state: Arc::new(Mutex::new(state)), both: Arc::new(Barrier::new(2)) };
        let bench = Bench {
            source: Box::new(Watched(bench.source, this.clone())),
            voltmeter: Box::new(Watched(bench.voltmeter, this.clone())),
            ammeter: Box::new(Watched(bench.ammeter, this.clone())),
            matrix: Box::new(Watched(bench.matrix, this.clone())),
            ..bench
        };
        (this, bench)
    }

    /// What was waited for after each change.
    pub(crate) fn waits(&self) -> Vec<Waited> {
        self.state.lock().unwrap().waits.clone()
    }

    /// Tells of a change of the current.
    fn changed(&self, level: Option<f64>) {
        let mut state = self.state.lock().unwrap();
        state.level = level.unwrap_or(state.level);
        state.changed = Instant::now();
        state.steps.clear();
        state.next = false;
    }

    /// Keeps one meter's reading; the second of a pair decides.
    fn keep(&self, meter: usize, from: Instant, value: f64) {
        let mut state = self.state.lock().unwrap();
        let (changed, to) = (state.changed, Instant::now());
        let seconds = |at: Instant| (at - changed).as_secs_f64();
        state.half[meter] = Some((seconds(from), seconds(to), value));
        let [Some((from_s, to_s, volt)), Some((_, later_s, ampere))] = state.half else { return };
        state.half = [None; 2];
        let key = (state.configuration.unwrap(), state.level > 0.0);
        let ends = state.held.ends[&key];
        let off = [volt / ends[0] - 1.0, ampere / ends[1] - 1.0];
        let next = state.next;
        state.steps.push(Step { from_s, to_s: to_s.max(later_s), off, next });
        state.decision = decide(&state.steps, &state.held);
        match state.decision {
            Decision::Stop => {
                let steps = std::mem::take(&mut state.steps);
                state.waits.push(Waited { steps });
                // What comes without a change in between (the pattern's two like polarities) goes on from here.
                state.next = false;
            }
            Decision::Again(pause) => state.next = pause == 0.0,
        }
    }

    /// Takes a reading in; whether it is the last one. Both meters leave here together.
    async fn is_enough(&self, meter: usize, from: Instant, answer: &Answer) -> bool {
        {
            let state = self.state.lock().unwrap();
            if state.level == 0.0 {
                return number(answer).abs() <= state.held.residual;
            }
            if !state.held.waits {
                return true;
            }
        }
        self.keep(meter, from, number(answer));
        self.both.wait().await;
        let decision = self.state.lock().unwrap().decision;
        if let Decision::Again(pause) = decision {
            tokio::time::sleep(Duration::from_secs_f64(pause)).await;
        }
        matches!(decision, Decision::Stop)
    }
}

/// Whether some window that ends with the latest reading does, and else when the next reading is worth taking.
fn decide(steps: &[Step], held: &Held) -> Decision {
    if window(steps, held).is_some() {
        return Decision::Stop;
    }
    Decision::Again(if held.skips { pause(steps, held.tolerance) } else { 0.0 })
}

/// The longest window that ends with the latest reading and is allowed: how many readings.
pub(crate) fn window(steps: &[Step], held: &Held) -> Option<usize> {
    let mut sums = [0.0; 2];
    let mut found = None;
    for (count, step) in steps.iter().rev().enumerate() {
        sums = [sums[0] + step.off[0], sums[1] + step.off[1]];
        let count = count + 1;
        let is_near = sums.iter().all(|sum| (sum / count as f64).abs() <= held.tolerance);
        if is_near && count >= held.fewest {
            found = Some(count);
        }
        if !step.next {
            break;
        }
    }
    found
}

/// How long nothing can happen. What is left falls ever slower where it is a sum of exponentials of one sign, so that it
/// takes at least as long as its present rate says; half of that, and no more than a twentieth of the time since the
/// change, where the signs may be mixed.
fn pause(steps: &[Step], tolerance: f64) -> f64 {
    let [.., before, last] = steps else { return 0.0 };
    let apart = last.from_s - before.from_s;
    let cadence = last.to_s - last.from_s;
    let needs = |meter: usize| {
        let (was, is) = (before.off[meter], last.off[meter]);
        if is.abs() <= tolerance {
            return 0.0;
        }
        let rate = (was / is).ln() / apart;
        if rate.is_finite() && rate > 0.0 { (is.abs() / tolerance).ln() / rate } else { 0.0 }
    };
    let pause = (0.5 * needs(0).max(needs(1))).min(0.05 * last.to_s);
    if pause > 2.0 * cadence { pause } else { 0.0 }
}

/// An instrument of which the oracle is told.
struct Watched<T: ?Sized>(Box<T>, Oracle);

#[async_trait]
impl<T: Instrument + ?Sized> Instrument for Watched<T> {
    fn name(&self) -> &str {
        self.0.name()
    }

    async fn prepare(&mut self) -> Result<String> {
        self.0.prepare().await
    }
}

#[async_trait]
impl CurrentSource for Watched<dyn CurrentSource> {
    async fn set_range_and_limit(&mut self, largest: Ampere, limit: Volt) -> Result<()> {
        self.0.set_range_and_limit(largest, limit).await
    }

    async fn set_guard(&mut self, driven: bool) -> Result<()> {
        self.0.set_guard(driven).await
    }

    async fn set_level(&mut self, level: Ampere) -> Result<()> {
        self.0.set_level(level).await?;
        self.1.changed(Some(level.0));
        Ok(())
    }

    async fn set_output(&mut self, on: bool) -> Result<()> {
        self.0.set_output(on).await?;
        self.1.changed(None);
        Ok(())
    }

    async fn in_compliance(&mut self) -> Result<Option<bool>> {
        self.0.in_compliance().await
    }
}

#[async_trait]
impl Voltmeter for Watched<dyn Voltmeter> {
    async fn set_range(&mut self, largest: Volt) -> Result<Volt> {
        self.0.set_range(largest).await
    }

    async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()> {
        self.0.set_aperture(power_line_cycles).await
    }

    async fn read(&mut self) -> Result<Answer> {
        loop {
            let from = Instant::now();
            let answer = self.0.read().await?;
            if self.1.is_enough(0, from, &answer).await {
                return Ok(answer);
            }
        }
    }
}

#[async_trait]
impl Ammeter for Watched<dyn Ammeter> {
    async fn set_range(&mut self, largest: Ampere) -> Result<Ampere> {
        self.0.set_range(largest).await
    }

    async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()> {
        self.0.set_aperture(power_line_cycles).await
    }

    async fn short_input(&mut self, shorted: bool) -> Result<()> {
        self.0.short_input(shorted).await
    }

    async fn read(&mut self) -> Result<Answer> {
        loop {
            let from = Instant::now();
            let answer = self.0.read().await?;
            if self.1.is_enough(1, from, &answer).await {
                return Ok(answer);
            }
        }
    }
}

#[async_trait]
impl SwitchMatrix for Watched<dyn SwitchMatrix> {
    async fn open_all(&mut self) -> Result<()> {
        self.0.open_all().await
    }

    async fn connect(&mut self, place: Place, configuration: Configuration, buffers: bool) -> Result<()> {
        self.0.connect(place, configuration, buffers).await?;
        self.1.state.lock().unwrap().configuration = Some(configuration);
        Ok(())
    }
}
