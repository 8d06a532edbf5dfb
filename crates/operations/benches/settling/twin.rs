//! A bench and its quiet twin: two simulations of the same documents, one without noise, that are told the same at the
//! same time over links in memory. Whoever measures sees the noisy one; what the quiet one showed is kept beside it.

use crate::disturb::Disturber;
use crate::regime::{Draw, without_noise};
use async_trait::async_trait;
use quadrille_bench::{Options, SimulatedBench};
use quadrille_documents::{Dialect, Role};
use quadrille_drivers::{AmmeterDriver, MatrixDriver, Session, Settings, SourceDriver, VoltmeterDriver};
use quadrille_experiment::Configuration;
use quadrille_instruments::{
    Ammeter, Answer, Bench, CurrentSource, Instrument, MeterValue, Place, Result, SwitchMatrix, Voltmeter,
};
use quadrille_link::memory;
use quadrille_operations::{FieldHand, Inputs};
use quadrille_quantity::{Ampere, Tesla, Volt};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::time::Instant;

/// One reading as both benches gave it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Look {
    pub(crate) noisy: f64,
    pub(crate) quiet: f64,
}

/// What was read.
pub(crate) struct Looks {
    pub(crate) volts: Vec<Look>,
    pub(crate) amperes: Vec<Look>,
    disturber: Disturber,
}

impl Looks {
    /// None yet.
    pub(crate) fn new(draw: &Draw) -> Self {
        Self { volts: Vec::new(), amperes: Vec::new(), disturber: Disturber::new(draw) }
    }
}

/// Shared by whoever reads and whoever looks it up afterwards.
pub(crate) type Shared = Arc<Mutex<Looks>>;

/// A simulation with the drivers on it.
pub(crate) fn one(inputs: &Inputs) -> (SimulatedBench, Bench) {
    let equipped = &inputs.equipped;
    let dialect = |role: Role| -> &Dialect { equipped.dialect(role).unwrap() };
    let simulated =
        SimulatedBench::new(&equipped.bench, dialect, &[inputs.sample()], Options::default()).unwrap();
    let session = |role: Role| {
        let instrument = equipped.bench.instruments.iter().find(|one| one.role == role).unwrap();
        let (link, server) = memory(instrument.resource.value.parse().unwrap());
        let served = simulated.clone();
        tokio::spawn(async move { served.serve(role, Box::new(server)).await });
        let settings = Settings {
            name: instrument.name.clone(),
            identity: None,
            timeout: Duration::from_secs(10),
            mains_hz: equipped.bench.mains_hz,
        };
        Session::new(Box::new(link), dialect(role).clone(), settings)
    };
    let columns = equipped.bench.wiring.columns_of_each(&inputs.samples).unwrap();
    let bench = Bench {
        source: Box::new(SourceDriver::new(session(Role::CurrentSource))),
        voltmeter: Box::new(VoltmeterDriver::new(session(Role::Voltmeter))),
        ammeter: Box::new(AmmeterDriver::new(session(Role::Ammeter))),
        matrix: Box::new(MatrixDriver::new(session(Role::SwitchMatrix), &equipped.bench.wiring, columns)),
        temperature: None,
        field: None,
    };
    (simulated, bench)
}

/// Takes a minute to change the field, of every simulation alike.
pub(crate) struct Hand {
    benches: Vec<SimulatedBench>,
    last: Tesla,
}

/// How long a field takes, in seconds.
pub(crate) const FIELD_S: f64 = 60.0;

impl Hand {
    pub(crate) fn new(benches: Vec<SimulatedBench>) -> Self {
        Self { benches, last: Tesla(0.0) }
    }
}

#[async_trait]
impl FieldHand for Hand {
    async fn set(&mut self, field: Tesla) -> std::result::Result<Tesla, String> {
        if field != self.last {
            tokio::time::sleep(Duration::from_secs_f64(FIELD_S)).await;
        }
        self.last = field;
        for bench in &self.benches {
            bench.set_field(field).map_err(|error| error.to_string())?;
        }
        Ok(field)
    }
}

/// A noisy bench with its twin.
pub(crate) struct Twins {
    pub(crate) bench: Bench,
    pub(crate) hand: Hand,
    pub(crate) looks: Shared,
    pub(crate) simulated: SimulatedBench,
}

/// Both, told the same.
pub(crate) fn twins(inputs: &Inputs, draw: &Draw) -> Twins {
    let (simulated, noisy) = one(inputs);
    let (quiet, twin) = one(&without_noise(inputs));
    let looks: Shared = Arc::new(Mutex::new(Looks::new(draw)));
    let bench = Bench {
        source: Box::new(Both(noisy.source, twin.source, Arc::clone(&looks))),
        voltmeter: Box::new(Both(noisy.voltmeter, twin.voltmeter, Arc::clone(&looks))),
        ammeter: Box::new(Both(noisy.ammeter, twin.ammeter, Arc::clone(&looks))),
        matrix: Box::new(Both(noisy.matrix, twin.matrix, Arc::clone(&looks))),
        temperature: None,
        field: None,
    };
    let hand = Hand::new(vec![simulated.clone(), quiet]);
    Twins { bench, hand, looks, simulated }
}

/// An instrument and its twin.
struct Both<T: ?Sized>(Box<T>, Box<T>, Shared);

/// Asks both at once; the first one's answer counts, and the second never fails alone.
macro_rules! both {
    ($this:ident, $ask:ident($($argument:expr),*)) => {{
        let (first, second) = tokio::join!($this.0.$ask($($argument),*), $this.1.$ask($($argument),*));
        second?;
        first
    }};
}

#[async_trait]
impl<T: Instrument + ?Sized> Instrument for Both<T> {
    fn name(&self) -> &str {
        self.0.name()
    }

    async fn prepare(&mut self) -> Result<String> {
        both!(self, prepare())
    }
}

#[async_trait]
impl CurrentSource for Both<dyn CurrentSource> {
    async fn set_range_and_limit(&mut self, largest: Ampere, limit: Volt) -> Result<()> {
        both!(self, set_range_and_limit(largest, limit))
    }

    async fn set_guard(&mut self, driven: bool) -> Result<()> {
        both!(self, set_guard(driven))
    }

    async fn set_level(&mut self, level: Ampere) -> Result<()> {
        let set = both!(self, set_level(level));
        self.2.lock().unwrap().disturber.level(level.0);
        set
    }

    async fn set_output(&mut self, on: bool) -> Result<()> {
        let set = both!(self, set_output(on));
        self.2.lock().unwrap().disturber.output(on);
        set
    }

    async fn in_compliance(&mut self) -> Result<Option<bool>> {
        both!(self, in_compliance())
    }
}

/// The number of an answer; not a number where it has none.
pub(crate) fn number(answer: &Answer) -> f64 {
    match answer.value {
        MeterValue::Value(value) => value,
        MeterValue::Overload(_) | MeterValue::NotANumber => f64::NAN,
    }
}

#[async_trait]
impl Voltmeter for Both<dyn Voltmeter> {
    async fn set_range(&mut self, largest: Volt) -> Result<Volt> {
        both!(self, set_range(largest))
    }

    async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()> {
        both!(self, set_aperture(power_line_cycles))
    }

    async fn read(&mut self) -> Result<Answer> {
        let from = Instant::now();
        let (noisy, quiet) = tokio::join!(self.0.read(), self.1.read());
        let (mut noisy, quiet) = (noisy?, number(&quiet?));
        let mut looks = self.2.lock().unwrap();
        let [more, quietly] = looks.disturber.add(from, Instant::now());
        if let (MeterValue::Value(value), true) = (&mut noisy.value, more != 0.0) {
            *value += more;
            noisy.text = format!("{value:.9E}");
        }
        looks.volts.push(Look { noisy: number(&noisy), quiet: quiet + quietly });
        Ok(noisy)
    }
}

#[async_trait]
impl Ammeter for Both<dyn Ammeter> {
    async fn set_range(&mut self, largest: Ampere) -> Result<Ampere> {
        both!(self, set_range(largest))
    }

    async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()> {
        both!(self, set_aperture(power_line_cycles))
    }

    async fn short_input(&mut self, shorted: bool) -> Result<()> {
        both!(self, short_input(shorted))
    }

    async fn read(&mut self) -> Result<Answer> {
        let (noisy, quiet) = tokio::join!(self.0.read(), self.1.read());
        let (noisy, quiet) = (noisy?, number(&quiet?));
        let look = Look { noisy: number(&noisy), quiet };
        self.2.lock().unwrap().amperes.push(look);
        Ok(noisy)
    }
}

#[async_trait]
impl SwitchMatrix for Both<dyn SwitchMatrix> {
    async fn open_all(&mut self) -> Result<()> {
        both!(self, open_all())
    }

    async fn connect(&mut self, place: Place, configuration: Configuration, buffers: bool) -> Result<()> {
        both!(self, connect(place, configuration, buffers))
    }
}
