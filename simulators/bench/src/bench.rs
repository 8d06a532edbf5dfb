//! The simulated bench: its devices, one world, and the time that passes for them.

mod devices;

use crate::SimulationError;
use crate::accuracy::Accuracy;
use crate::complaint::{Complaint, ComplaintKind};
use crate::device::{CurrentSource, Device, FieldSource, Kind, Matrix, Meter, TemperatureController};
use crate::fault_board::Board;
use crate::mirror::{self, Mirror};
use crate::parts::{Broken, Parts};
use crate::plant::{Cryostat, CryostatFault, Magnet, MagnetFault, Surroundings};
use crate::spread::Spread;
use crate::world::World;
use quadrille_documents::{Bench, Dialect, Instrument, Role, Sample};
use quadrille_quantity::{Kelvin, Tesla};
use quadrille_specimen::ROOM;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// How a bench is simulated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// The guard line is broken: what the source drives does not reach the cables.
    pub without_guard: bool,
    /// The relay of the buffers clicks and changes nothing.
    pub without_buffers: bool,
    /// How pieces differ from what their documents say; otherwise resistors and leads are exactly that.
    pub spread: Option<Spread>,
    /// Temperature of the sample; on a bench with a cryostat its document's.
    pub temperature: Kelvin,
    /// Field at the sample to begin with; on a bench with a magnet one that is there beside the magnet's.
    pub field: Tesla,
    /// Seed of everything that is drawn, instead of the bench document's.
    pub seed: Option<u64>,
}

impl Default for Options {
    /// Nothing broken, no field, a room.
    fn default() -> Self {
        Self {
            without_guard: false,
            without_buffers: false,
            spread: None,
            temperature: ROOM,
            field: Tesla(0.0),
            seed: None,
        }
    }
}

/// A simulated bench; a clone is a handle to the same one.
///
/// Its time begins when it is first used, and is tokio's: virtual on a runtime whose clock is paused.
#[derive(Clone)]
pub struct SimulatedBench {
    inner: Arc<Mutex<Inner>>,
    /// What the bench document expects each to say it is.
    identities: Arc<BTreeMap<Role, String>>,
    /// Held while a device carries out a message: one after the other, whoever sends them.
    pub(crate) busy: Arc<[tokio::sync::Mutex<()>; 6]>,
    /// The faults in force. Locked after the bench where both are.
    pub(crate) faults: Arc<Board>,
    /// The instruments that speak a dialect of the laboratory's own.
    mirrors: Arc<BTreeMap<Role, Mirror>>,
}

struct Inner {
    faults: Arc<Board>,
    world: World,
    surroundings: Surroundings,
    /// In the order of [`Role::ALL`], as far as the bench has them.
    devices: Vec<Box<dyn Device>>,
}

impl SimulatedBench {
    /// Everything switched on and at rest, each sample on the columns that the bench document gives its name. Refused
    /// for a sample without a model or without columns.
    pub fn new<'a>(
        bench: &Bench,
        dialects: impl Fn(Role) -> &'a Dialect,
        samples: &[&Sample],
        options: Options,
    ) -> Result<Self, SimulationError> {
        let mirrors = Arc::new(mirror::of_bench(bench, &dialects)?);
        let seed = options.seed.unwrap_or(bench.seed);
        let broken =
            Broken { guard: options.without_guard, buffers: options.without_buffers, spread: options.spread };
        let parts = Parts::new(bench, &dialects, samples, seed, broken)?;
        let facts = |role: Role| &dialects(role).facts;
        let accuracy = |role: Role| Accuracy::new(seed, role, &facts(role).ranges);
        let faults = Arc::<Board>::default();
        let meter = |kind, role: Role| {
            let times = (facts(role).operate_s, bench.mains_hz);
            Box::new(Meter::new(kind, seed, Arc::clone(&faults), accuracy(role), times))
        };
        let source = CurrentSource::new(
            Arc::clone(&faults),
            accuracy(Role::CurrentSource),
            facts(Role::CurrentSource).operate_s,
            bench.limits.voltage_v,
        );
        let of_role = |role| facts(role).clone();
        let surroundings = Surroundings::new(bench, of_role, seed, options.temperature, options.field)?;
        let world = World::new(parts, source.as_set(), surroundings.present())?;
        let mut devices: Vec<Box<dyn Device>> = vec![
            Box::new(source),
            meter(Kind::Voltmeter, Role::Voltmeter),
            meter(Kind::Ammeter, Role::Ammeter),
            Box::new(Matrix::new(Arc::clone(&faults), facts(Role::SwitchMatrix).operate_s)),
        ];
        if let Some(cryostat) = surroundings.cryostat.clone() {
            let operate_s = facts(Role::TemperatureController).operate_s;
            devices.push(Box::new(TemperatureController::new(cryostat, operate_s)));
        }
        if let Some((magnet, limits)) = surroundings.magnet.clone().zip(bench.magnet) {
            devices.push(Box::new(FieldSource::new(magnet, &limits, facts(Role::FieldSource).operate_s)));
        }
        let inner = Inner { faults: Arc::clone(&faults), world, surroundings, devices };
        let expected = |instrument: &Instrument| Some((instrument.role, instrument.identity.clone()?));
        let identities = Arc::new(bench.instruments.iter().filter_map(expected).collect());
        Ok(Self { inner: Arc::new(Mutex::new(inner)), identities, busy: Arc::default(), faults, mirrors })
    }

    /// Sets the field at the sample, at once. Refused where it is not finite, and where the bench has a magnet.
    pub fn set_field(&self, field: Tesla) -> Result<(), SimulationError> {
        let mut inner = self.lock();
        if inner.surroundings.magnet.is_some() {
            return Err(SimulationError::Driven);
        }
        let now = inner.now();
        Ok(inner.world.set_field(now, field)?)
    }

    /// Sets the temperature of the sample, at once. Refused where it has none, and where the bench has a cryostat.
    pub fn set_temperature(&self, temperature: Kelvin) -> Result<(), SimulationError> {
        let mut inner = self.lock();
        inner.follow();
        let now = inner.now();
        let Inner { world, surroundings, .. } = &mut *inner;
        surroundings.give_temperature(now, temperature, world)
    }

    /// What the bench has complained of so far.
    pub fn complaints(&self) -> Vec<Complaint> {
        let mut inner = self.lock();
        inner.follow();
        inner.world.complaints().to_vec()
    }

    /// The temperature of the (first) sample and the field, as they are and not as instruments show them.
    pub fn surroundings(&self) -> (Kelvin, Tesla) {
        let mut inner = self.lock();
        inner.follow();
        (inner.world.temperature(), inner.world.position().field())
    }

    /// What would be left on if nobody came any more: a heater, or current in the magnet that is not on its way to
    /// nothing.
    pub fn left_on(&self) -> Vec<ComplaintKind> {
        let mut inner = self.lock();
        inner.follow();
        let now = inner.now();
        let Surroundings { cryostat, magnet, .. } = &inner.surroundings;
        let heater = cryostat.as_ref().filter(|cryostat| cryostat.lock().is_on());
        let field = magnet.as_ref().filter(|magnet| magnet.lock().is_left_on(now));
        let heater = heater.map(|_| ComplaintKind::HeaterLeftOn);
        heater.into_iter().chain(field.map(|_| ComplaintKind::FieldLeftOn)).collect()
    }

    /// Shows a fault of the cryostat from now on; false where the bench has none.
    pub fn fail_cryostat(&self, fault: CryostatFault) -> bool {
        self.lock().with_cryostat(|cryostat, _| cryostat.fail(fault))
    }

    /// Mends the cryostat; false where the bench has none. A trip is still to be cleared by its controller.
    pub fn mend_cryostat(&self) -> bool {
        self.lock().with_cryostat(|cryostat, _| cryostat.mend())
    }

    /// Shows a fault of the magnet from now on; false where the bench has none.
    pub fn fail_magnet(&self, fault: MagnetFault) -> bool {
        self.lock().with_magnet(|magnet, now| magnet.fail(now, fault))
    }

    /// Mends the magnet; false where the bench has none. A trip is still to be cleared by its supply.
    pub fn mend_magnet(&self) -> bool {
        self.lock().with_magnet(|magnet, _| magnet.mend())
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

    /// Lets the surroundings come to the present.
    fn follow(&mut self) {
        if self.surroundings.are_given() {
            return;
        }
        let now = self.now();
        self.surroundings.follow(now, &mut self.world);
    }

    fn with_cryostat(&mut self, act: impl FnOnce(&mut Cryostat, f64)) -> bool {
        self.follow();
        let now = self.now();
        self.surroundings.cryostat.as_ref().map(|cryostat| act(&mut cryostat.lock(), now)).is_some()
    }

    fn with_magnet(&mut self, act: impl FnOnce(&mut Magnet, f64)) -> bool {
        self.follow();
        let now = self.now();
        self.surroundings.magnet.as_ref().map(|magnet| act(&mut magnet.lock(), now)).is_some()
    }

    fn device(&mut self, role: Role) -> &mut dyn Device {
        let place = self.place(role);
        self.devices[place].as_mut()
    }

    /// Place of a role's device; who asks for one that the bench has not has made a mistake.
    fn place(&self, role: Role) -> usize {
        let place = self.devices.iter().position(|device| device.role() == role);
        place.unwrap_or_else(|| unreachable!("the bench has no {role}"))
    }
}

/// Place of a role's turn.
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
