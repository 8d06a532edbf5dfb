//! The simulated bench: four devices, one world, and the time that passes for them.

use crate::SimulationError;
use crate::accuracy::Accuracy;
use crate::complaint::Complaint;
use crate::device::{self, CurrentSource, Device, Kind, Matrix, Meter, Step};
use crate::fault_board::Board;
use crate::parts::{Broken, Parts};
use crate::world::{Limits, World};
use quadrille_documents::{Bench, BenchLimits, Crosspoint, Dialect, Role, Sample};
use quadrille_quantity::Tesla;
use quadrille_scpi::device::{Response, ScpiError, Unit, errors, parse_message};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// How a bench is simulated.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Options {
    /// The guard line is broken: what the source drives does not reach the cables.
    pub without_guard: bool,
    /// The relay of the buffers clicks and changes nothing.
    pub without_buffers: bool,
    /// Field at the sample to begin with.
    pub field: Tesla,
    /// Seed of everything that is drawn, instead of the bench document's.
    pub seed: Option<u64>,
}

/// A simulated bench; a clone is a handle to the same one.
///
/// Its time begins when it is first used, and is tokio's: virtual on a runtime whose clock is paused.
#[derive(Clone)]
pub struct SimulatedBench {
    inner: Arc<Mutex<Inner>>,
    /// Held while a device carries out a message: one after the other, whoever sends them.
    pub(crate) busy: Arc<[tokio::sync::Mutex<()>; 6]>,
    /// The faults in force. Locked after the bench where both are.
    pub(crate) faults: Arc<Board>,
}

struct Inner {
    faults: Arc<Board>,
    world: World,
    devices: [Box<dyn Device>; 4],
}

impl SimulatedBench {
    /// Everything switched on and at rest. Refused for a sample without a model.
    pub fn new<'a>(
        bench: &Bench,
        dialects: impl Fn(Role) -> &'a Dialect,
        sample: &Sample,
        options: Options,
    ) -> Result<Self, SimulationError> {
        for role in [Role::TemperatureController, Role::FieldSource] {
            if bench.instrument(role).is_some() {
                return Err(SimulationError::NotSimulated(role));
            }
        }
        let seed = options.seed.unwrap_or(bench.seed);
        let broken = Broken { guard: options.without_guard, buffers: options.without_buffers };
        let parts = Parts::new(bench, &dialects, sample, seed, broken)?;
        let facts = |role: Role| &dialects(role).facts;
        let accuracy = |role: Role| Accuracy::new(seed, role, &facts(role).ranges);
        let meter = |kind, role: Role| {
            Box::new(Meter::new(kind, seed, accuracy(role), facts(role).operate_s, bench.mains_hz))
        };
        let faults = Arc::<Board>::default();
        let source = CurrentSource::new(
            Arc::clone(&faults),
            accuracy(Role::CurrentSource),
            facts(Role::CurrentSource).operate_s,
            bench.limits.voltage_v,
        );
        let world = World::new(parts, limits(&bench.limits, sample), source.as_set(), options.field)?;
        let devices: [Box<dyn Device>; 4] = [
            Box::new(source),
            meter(Kind::Voltmeter, Role::Voltmeter),
            meter(Kind::Ammeter, Role::Ammeter),
            Box::new(Matrix::new(Arc::clone(&faults), facts(Role::SwitchMatrix).operate_s)),
        ];
        let inner = Inner { faults: Arc::clone(&faults), world, devices };
        Ok(Self { inner: Arc::new(Mutex::new(inner)), busy: Arc::default(), faults })
    }

    /// Sets the field at the sample, at once. Refused where it is not finite.
    pub fn set_field(&self, field: Tesla) -> Result<(), SimulationError> {
        let mut inner = self.lock();
        let now = inner.now();
        Ok(inner.world.set_field(now, field)?)
    }

    /// What the bench has complained of so far.
    pub fn complaints(&self) -> Vec<Complaint> {
        self.lock().world.complaints().to_vec()
    }

    /// Whether the output is on with a level other than zero.
    pub fn is_energised(&self) -> bool {
        let source = self.lock().world.source();
        source.on && source.level != 0.0
    }

    /// Seconds since the bench was first used: the time of complaints.
    pub fn now_s(&self) -> f64 {
        self.lock().now()
    }

    /// Carries out a program message without its newline; answers the response message, if there is one.
    pub(crate) async fn carry_out(&self, role: Role, message: &[u8]) -> Option<Vec<u8>> {
        let mut response = Response::new();
        let mut is_ended = false;
        for unit in parse_message(message) {
            let outcome = match &unit {
                Ok(unit) if is_ended && unit.is_query => {
                    Err(ScpiError::new(errors::QUERY_UNTERMINATED_AFTER_INDEFINITE_RESPONSE))
                }
                Ok(unit) => {
                    is_ended |= device::ends_message(unit);
                    self.unit(role, unit, !response.is_empty()).await
                }
                Err(error) => Err(error.clone()),
            };
            match outcome {
                Ok(Some(answer)) => response.push(answer),
                Ok(None) => {}
                Err(error) => {
                    // After a command error the parser is no longer sure of what follows (IEEE 488.2, 6.1.6.1.1).
                    let is_command_error = (-199..=-100).contains(&error.code);
                    self.report(role, error);
                    if is_command_error {
                        break;
                    }
                }
            }
        }
        response.finish()
    }

    /// Reports an error to a device's status.
    pub(crate) fn report(&self, role: Role, error: ScpiError) {
        tracing::debug!(%role, %error, "the virtual instrument reports an error");
        self.lock().device(role).status().report(error);
    }

    /// Whether a device is taking a reading.
    pub(crate) fn is_reading(&self, role: Role) -> bool {
        self.lock().device(role).pending_until().is_some()
    }

    /// As after power on, settings and status.
    pub(crate) fn reboot(&self, role: Role) {
        let mut inner = self.lock();
        let now = inner.now();
        let Inner { world, devices, .. } = &mut *inner;
        let device = &mut devices[place(role)];
        device.clear(world);
        device.reset(world);
        *device.status() = device::powered_on();
        device.apply(now, world);
    }

    /// Another instrument was told to do something.
    pub(crate) fn stranger_told(&self, role: Role, what: &str) {
        let mut inner = self.lock();
        let now = inner.now();
        inner.world.stranger_told(now, role, what);
    }

    /// The instruments that the bench has.
    pub(crate) fn roles(&self) -> Vec<Role> {
        self.lock().devices.iter().map(|device| device.role()).collect()
    }

    /// Every crosspoint of the sample's rows and columns, row by row.
    pub(crate) fn crosspoints(&self) -> Vec<Crosspoint> {
        self.lock().world.parts().crosspoints()
    }

    pub(crate) fn has(&self, crosspoint: Crosspoint) -> bool {
        self.lock().world.parts().place(crosspoint).is_some()
    }

    /// Forgets a reading under way.
    pub(crate) fn clear(&self, role: Role) {
        let mut inner = self.lock();
        let Inner { world, devices, .. } = &mut *inner;
        let device = &mut devices[place(role)];
        device.clear(world);
        device.status().device_clear();
    }

    /// Nobody talks to a device any more.
    pub(crate) fn abandoned(&self, role: Role) {
        let mut inner = self.lock();
        let now = inner.now();
        if role == Role::CurrentSource {
            inner.world.source_abandoned(now);
        }
    }

    async fn unit(&self, role: Role, unit: &Unit, has_answer: bool) -> Result<Option<String>, ScpiError> {
        // Instants are whole nanoseconds: one that was waited for has come, even where it is rounded down.
        let mut earliest = 0.0;
        if let Some(outcome) = self.spoilt(role, unit) {
            return outcome;
        }
        loop {
            let (step, now, operate_s) = {
                let mut inner = self.lock();
                let now = inner.now().max(earliest);
                let Inner { world, devices, .. } = &mut *inner;
                let device = devices[place(role)].as_mut();
                device.status().set_message_available(has_answer);
                (device::begin(device, unit, now, world)?, now, device.operate_s())
            };
            match step {
                Step::Done(answer) => return Ok(answer),
                Step::Operate => {
                    self.wait_until(now + operate_s).await;
                    let mut inner = self.lock();
                    let now = inner.now();
                    let Inner { world, devices, .. } = &mut *inner;
                    devices[place(role)].apply(now, world);
                    return Ok(None);
                }
                Step::Reading(end) => {
                    self.wait_until(end).await;
                    let mut inner = self.lock();
                    let now = inner.now().max(end);
                    let Inner { world, devices, .. } = &mut *inner;
                    return devices[place(role)].reading(now, world).map(Some);
                }
                Step::Later(time) => {
                    self.wait_until(time).await;
                    earliest = time;
                }
            }
        }
    }

    async fn wait_until(&self, time: f64) {
        let epoch = self.lock().epoch();
        tokio::time::sleep_until(epoch + Duration::from_secs_f64(time)).await;
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inner {
    fn epoch(&self) -> Instant {
        self.faults.epoch()
    }

    fn now(&self) -> f64 {
        self.epoch().elapsed().as_secs_f64()
    }

    fn device(&mut self, role: Role) -> &mut dyn Device {
        self.devices[place(role)].as_mut()
    }
}

/// Place of a role's device.
pub(crate) fn place(role: Role) -> usize {
    match role {
        Role::CurrentSource => 0,
        Role::Voltmeter => 1,
        Role::Ammeter => 2,
        Role::SwitchMatrix => 3,
        Role::TemperatureController => 4,
        Role::FieldSource => 5,
    }
}

/// The stricter of what the bench and the sample allow.
fn limits(bench: &BenchLimits, sample: &Sample) -> Limits {
    let of_sample = |get: fn(&quadrille_documents::SampleLimits) -> f64| {
        sample.limits.as_ref().map_or(f64::INFINITY, get)
    };
    Limits {
        voltage: bench.voltage_v.min(of_sample(|limits| limits.voltage_v)),
        current: bench.current_a.min(of_sample(|limits| limits.current_a)),
        power: bench.power_w.min(of_sample(|limits| limits.power_w)),
    }
}
