//! A bench of instruments that share a log, tell what misuse they see, and fail, panic or hang at the operation that
//! they are told to. Knows nothing of how the scheduler orders what it does.
#![allow(dead_code, clippy::unwrap_used)]

mod keepers;
pub(crate) mod plants;

pub(crate) use keepers::{Field, Log};

use async_trait::async_trait;
use quadrille_experiment::{Circumstances, Configuration, Event, Polarity, Reading};
use quadrille_instruments::{
    Ammeter, Answer, Bench, CurrentSource, ErrorKind, Instrument, InstrumentError, MeterValue, Place, Result,
    SwitchMatrix, Voltmeter,
};
use quadrille_plan::{Plan, PlannedSample, Purpose, Ramps, Round, Settings, Settle, Stability, Unreached};
use quadrille_quantity::{Ampere, Kelvin, Second, Tesla, Volt};
use quadrille_scheduler::{Outcome, Rest, run};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::watch;
use tokio::time::Instant;

/// What goes wrong at an operation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fault {
    /// It fails, and did nothing.
    Fails,
    /// It fails, but what it asked for was done.
    FailsLate,
    /// It panics.
    Panics,
    /// It never returns, and somebody wants the run to stop.
    HangsAndStops,
}

pub(crate) const FAULTS: [Fault; 4] = [Fault::Fails, Fault::FailsLate, Fault::Panics, Fault::HangsAndStops];

/// The state of the bench, and what happened on it.
pub(crate) struct World {
    pub(crate) log: Vec<String>,
    /// Operations of instruments with the instant of each.
    pub(crate) instants: Vec<(String, Instant)>,
    /// Misuse that hardware would punish.
    pub(crate) complaints: Vec<String>,
    pub(crate) level: f64,
    pub(crate) output: bool,
    pub(crate) shorted: bool,
    /// Whether it was at least told to be.
    pub(crate) told_short: bool,
    pub(crate) closed: Option<Configuration>,
    /// Operations of instruments so far.
    pub(crate) operations: usize,
    /// Which of them goes wrong, from 1, and how.
    pub(crate) fault: Option<(usize, Fault)>,
    /// From which operation on those of the source fail.
    pub(crate) source_dead_from: usize,
    /// Place of the fault in the log.
    pub(crate) fired_at: Option<usize>,
    /// Current that flows when it should not.
    pub(crate) leak: f64,
    /// Whether the ammeter's state lasts when the output is off.
    pub(crate) state_stays: bool,
    /// Whether the source says that its output is off while it is on.
    pub(crate) stays_on: bool,
    /// What the meters answer in place of values.
    pub(crate) voltage_state: Option<MeterValue>,
    pub(crate) current_state: Option<MeterValue>,
    pub(crate) at_limit: Option<bool>,
    /// Time beyond the aperture that a reading takes: voltmeter, ammeter.
    pub(crate) latency: [Duration; 2],
    /// When the voltmeter began its last reading.
    pub(crate) voltmeter_began: Instant,
    pub(crate) stop: Option<watch::Sender<bool>>,
    /// Records so far, and which of them fails.
    pub(crate) records: usize,
    pub(crate) failing_record: Option<(usize, Fault)>,
    pub(crate) readings: Vec<(Reading, Circumstances)>,
    pub(crate) events: Vec<Event>,
}

pub(crate) type Shared = Arc<Mutex<World>>;

pub(crate) const CURRENT: Ampere = Ampere(2e-4);
const OHM: f64 = 318.0;
const APERTURE: Duration = Duration::from_millis(20);

/// A plan of two rounds, in which no two legs and no two numbers are the same.
pub(crate) fn plan() -> Plan {
    let legs = |texts: &[&str]| texts.iter().map(|text| text.parse().unwrap()).collect();
    let round = |number, purpose, field, legs| Round {
        number,
        sample: 0,
        purpose,
        field,
        temperature: Kelvin(295.0),
        legs,
    };
    let settings = Settings {
        current: CURRENT,
        voltage_limit: Volt(2.5),
        voltage_range: None,
        aperture_plc: 1.0,
        aperture: Second(0.02),
        repeats: 1,
        settle: Settle::Wait(Second(0.3)),
        discharge: Second(0.1),
        residual: CURRENT * 0.01,
        guard: true,
        buffers: false,
    };
    Plan {
        samples: vec![PlannedSample { name: "invented film".into(), settings, choosing: None }],
        reversal: vec![Polarity::Plus, Polarity::Minus, Polarity::Minus],
        stability: Stability {
            within_k: 0.1,
            time: Second(20.0),
            longest_wait: Second(300.0),
            soak: Second(0.0),
            overshoot_k: None,
            unreached: Unreached::StandDown,
        },
        hand: None,
        ramps: Ramps::default(),
        contacts: None,
        rounds: vec![
            round(1, Purpose::Resistivity, Tesla(0.0), legs(&["21,34", "12,43"])),
            round(2, Purpose::Hall, Tesla(0.5), legs(&["13,24"])),
        ],
        reasons: Vec::new(),
        warnings: Vec::new(),
    }
}

/// What a stand-down knows of a run of that plan.
pub(crate) fn rest() -> Rest {
    let plan = plan();
    Rest::of(&plan, plan.settings(0))
}

impl World {
    /// A bench as a run that died may have left it: a level set, crosspoints closed, the output on.
    pub(crate) fn shared() -> Shared {
        Arc::new(Mutex::new(Self {
            log: Vec::new(),
            instants: Vec::new(),
            complaints: Vec::new(),
            level: 5e-5,
            output: true,
            shorted: false,
            told_short: false,
            closed: "41,32".parse().ok(),
            operations: 0,
            fault: None,
            source_dead_from: usize::MAX,
            fired_at: None,
            leak: 0.0,
            state_stays: false,
            stays_on: false,
            voltage_state: None,
            current_state: None,
            at_limit: Some(false),
            latency: [Duration::ZERO; 2],
            voltmeter_began: Instant::now(),
            stop: None,
            records: 0,
            failing_record: None,
            readings: Vec::new(),
            events: Vec::new(),
        }))
    }

    fn complain_of_moving(&mut self) {
        if self.output {
            self.complaints.push(format!("crosspoints moved under current after {:?}", self.log.last()));
        }
        if !self.told_short {
            self.complaints.push("crosspoints moved with the ammeter's input open".to_owned());
        }
    }

    fn returned(&self) -> f64 {
        let driven = if self.output && self.closed.is_some() { self.level } else { 0.0 };
        if self.shorted { 0.0 } else { driven + self.leak }
    }
}

/// One instrument.
#[derive(Clone)]
pub(crate) struct Mock(Shared, &'static str);

impl Mock {
    /// One operation: written down, counted, made to go wrong if it is its turn; then its effect.
    async fn act(&self, what: &str, effect: impl FnOnce(&mut World)) -> Result<()> {
        let fault = {
            let mut world = self.0.lock().unwrap();
            world.operations += 1;
            let entry = format!("{} {what}", self.1);
            world.instants.push((entry.clone(), Instant::now()));
            world.log.push(entry);
            let n = world.operations;
            let dead = self.1 == "source" && n >= world.source_dead_from;
            let fault =
                if dead { Some(Fault::Fails) } else { world.fault.filter(|at| at.0 == n).map(|at| at.1) };
            if fault.is_some() {
                let at = world.log.len() - 1;
                world.fired_at.get_or_insert(at);
            }
            if matches!(fault, None | Some(Fault::FailsLate)) {
                effect(&mut world);
            }
            fault
        };
        match fault {
            None => Ok(()),
            Some(Fault::Panics) => panic!("planted"),
            Some(Fault::HangsAndStops) => {
                let stop = self.0.lock().unwrap().stop.clone();
                stop.unwrap().send(true).unwrap();
                std::future::pending().await
            }
            Some(_) => Err(InstrumentError {
                kind: ErrorKind::Silent,
                instrument: self.1.to_owned(),
                operation: what.to_owned(),
                detail: "planted".to_owned(),
            }),
        }
    }

    async fn aperture(&self, which: usize) {
        let latency = {
            let mut world = self.0.lock().unwrap();
            if which == 0 {
                world.voltmeter_began = Instant::now();
            }
            world.latency[which]
        };
        tokio::time::sleep(APERTURE + latency).await;
        let entry = format!("{} has read", self.1);
        self.0.lock().unwrap().log.push(entry);
    }

    fn world<T>(&self, look: impl FnOnce(&World) -> T) -> T {
        look(&self.0.lock().unwrap())
    }
}

fn answer(value: MeterValue, range: f64) -> Answer {
    Answer {
        value,
        text: format!("{value:?}"),
        range,
        gain_u: 1e-5,
        own_u: 1e-6 * range,
        noise_u: 1e-9 * range,
        corner_hz: 0.0,
    }
}

#[async_trait]
impl Instrument for Mock {
    fn name(&self) -> &str {
        self.1
    }

    async fn prepare(&mut self) -> Result<String> {
        let is_matrix = self.1 == "matrix";
        self.act("prepare", |world| {
            if is_matrix {
                world.complain_of_moving();
                world.closed = None;
            }
        })
        .await?;
        Ok(format!("invented {}", self.1))
    }
}

#[async_trait]
impl CurrentSource for Mock {
    async fn set_range_and_limit(&mut self, largest: Ampere, limit: Volt) -> Result<()> {
        self.act(&format!("range {largest} limit {limit}"), |_| {}).await
    }

    async fn set_guard(&mut self, driven: bool) -> Result<()> {
        self.act(&format!("guard {driven}"), |_| {}).await
    }

    async fn set_level(&mut self, level: Ampere) -> Result<()> {
        self.act(&format!("level {level}"), |world| world.level = level.0).await
    }

    async fn set_output(&mut self, on: bool) -> Result<()> {
        self.act(if on { "on" } else { "off" }, |world| world.output = on || world.stays_on).await
    }

    async fn in_compliance(&mut self) -> Result<Option<bool>> {
        self.act("in compliance?", |_| {}).await?;
        Ok(self.world(|world| world.at_limit))
    }
}

#[async_trait]
impl Voltmeter for Mock {
    async fn set_range(&mut self, largest: Volt) -> Result<Volt> {
        // Ranges of 1, 10 and 100 times 0.1 V.
        let range = [0.1, 1.0, 10.0].into_iter().find(|range| *range >= largest.0).unwrap();
        self.act(&format!("range {}", Volt(range)), |_| {}).await?;
        Ok(Volt(range))
    }

    async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()> {
        self.act(&format!("aperture {power_line_cycles}"), |_| {}).await
    }

    async fn read(&mut self) -> Result<Answer> {
        self.act("reads", |_| {}).await?;
        self.aperture(0).await;
        let value = self.world(|w| w.voltage_state.unwrap_or(MeterValue::Value(w.level * OHM)));
        Ok(answer(value, 0.1))
    }
}

#[async_trait]
impl Ammeter for Mock {
    async fn set_range(&mut self, largest: Ampere) -> Result<Ampere> {
        self.act(&format!("range {largest}"), |_| {}).await?;
        Ok(Ampere(1e-3))
    }

    async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()> {
        self.act(&format!("aperture {power_line_cycles}"), |_| {}).await
    }

    async fn short_input(&mut self, shorted: bool) -> Result<()> {
        self.0.lock().unwrap().told_short = shorted;
        self.act(if shorted { "short" } else { "release" }, |world| world.shorted = shorted).await
    }

    async fn read(&mut self) -> Result<Answer> {
        self.act("reads", |_| {}).await?;
        self.aperture(1).await;
        let state = self.world(|w| w.current_state.filter(|_| w.output || w.state_stays));
        let value = self.world(|w| state.unwrap_or(MeterValue::Value(w.returned())));
        Ok(answer(value, 1e-3))
    }
}

#[async_trait]
impl SwitchMatrix for Mock {
    async fn open_all(&mut self) -> Result<()> {
        self.0.lock().unwrap().complain_of_moving();
        self.act("open all", |world| world.closed = None).await
    }

    async fn connect(&mut self, _place: Place, configuration: Configuration, buffers: bool) -> Result<()> {
        self.0.lock().unwrap().complain_of_moving();
        self.act(&format!("connect {configuration} {buffers}"), |world| world.closed = Some(configuration))
            .await
    }
}

/// The bench of a world.
pub(crate) fn bench(world: &Shared) -> Bench {
    Bench {
        source: Box::new(Mock(world.clone(), "source")),
        voltmeter: Box::new(Mock(world.clone(), "voltmeter")),
        ammeter: Box::new(Mock(world.clone(), "ammeter")),
        matrix: Box::new(Mock(world.clone(), "matrix")),
        temperature: None,
        field: None,
    }
}

/// Runs a plan in a world.
pub(crate) async fn run_in(world: &Shared, plan: &Plan) -> Outcome {
    quiet();
    let (stop, wanted) = watch::channel(false);
    world.lock().unwrap().stop = Some(stop);
    let mut log = Log(world.clone());
    let mut field = Field(world.clone(), None);
    run(plan, &mut bench(world), &mut log, &mut field, wanted).await
}

/// Planted panics are told by the tests that plant them.
pub(crate) fn quiet() {
    static ONCE: std::sync::Once = std::sync::Once::new();
    ONCE.call_once(|| {
        let usual = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            if panic.payload().downcast_ref::<&str>() != Some(&"planted") {
                usual(panic);
            }
        }));
    });
}
