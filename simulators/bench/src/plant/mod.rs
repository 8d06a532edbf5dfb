//! What surrounds the sample: cryostat and magnet as physics in time, and how the electrical world follows them. Knows
//! no command; a bench without either has the temperature and the field that it is given.

mod cryostat;
mod iron;
mod magnet;
mod pid;
mod sensor;
mod thermal;

#[cfg(test)]
mod tests;

pub(crate) use cryostat::Cryostat;
pub use cryostat::CryostatFault;
pub use magnet::MagnetFault;
pub(crate) use magnet::{Magnet, ProbeErrors};

use crate::SimulationError;
use crate::complaint::ComplaintKind;
use crate::draw::Purpose;
use crate::world::World;
use quadrille_documents::{Bench, Facts};
use quadrille_quantity::{Kelvin, Tesla};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Change of the sample's temperature that the circuit follows, in kelvins. Ours.
const RESOLUTION_K: f64 = 1e-3;

/// Change of the field that the circuit follows, in teslas. Ours.
const RESOLUTION_T: f64 = 1e-6;

/// Steps in which the circuit follows between two events while the source is on. Ours: a circuit costs its time.
const MOST_STEPS: u32 = 16;

/// A complaint about a plant, before it is one of the bench's.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Told {
    pub(crate) time: f64,
    pub(crate) kind: ComplaintKind,
    pub(crate) detail: String,
}

impl Told {
    fn new(time: f64, kind: ComplaintKind, detail: String) -> Self {
        Self { time, kind, detail }
    }
}

/// A plant that its device and the bench hold together; locked after the bench where both are.
pub(crate) struct Shared<T>(Arc<Mutex<T>>);

impl<T> Clone for Shared<T> {
    fn clone(&self) -> Self {
        Self(Arc::clone(&self.0))
    }
}

impl<T> Shared<T> {
    fn new(plant: T) -> Self {
        Self(Arc::new(Mutex::new(plant)))
    }

    pub(crate) fn lock(&self) -> MutexGuard<'_, T> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Cryostat and magnet of a bench, as far as it has them.
pub(crate) struct Surroundings {
    pub(crate) cryostat: Option<Shared<Cryostat>>,
    pub(crate) magnet: Option<Shared<Magnet>>,
    /// Until when the world has followed.
    followed: f64,
    /// As the world has them.
    temperature: Kelvin,
    field: Tesla,
}

impl Surroundings {
    /// What a bench document names, everything at rest; and the temperature and the field of a bench that names none. A
    /// field is there beside a magnet's, too.
    pub(crate) fn new(
        bench: &Bench,
        facts: impl Fn(quadrille_documents::Role) -> Facts,
        seed: u64,
        temperature: Kelvin,
        field: Tesla,
    ) -> Result<Self, SimulationError> {
        use quadrille_documents::Role::{FieldSource, TemperatureController};
        let within = |role: quadrille_documents::Role, what| {
            let most = |facts: &Facts| if what == "gain" { facts.of_reading } else { facts.accuracy };
            draw(seed, what).word(role.word()).uniform() * most(&facts(role))
        };
        let cryostat = match bench.cryostat {
            Some(limits) => {
                let offset = within(TemperatureController, "offset");
                Some(Shared::new(Cryostat::new(&bench.plants.cryostat, limits, offset, seed)?))
            }
            None => None,
        };
        let magnet = bench.magnet.map(|limits| {
            let probe =
                ProbeErrors { gain: within(FieldSource, "gain"), offset_t: within(FieldSource, "offset") };
            Shared::new(Magnet::new(bench.plants.magnet, limits, probe, field.0, seed))
        });
        let temperature = cryostat.as_ref().map_or(temperature, |cryostat| Kelvin(cryostat.lock().start_k()));
        Ok(Self { cryostat, magnet, followed: 0.0, temperature, field })
    }

    /// Temperature and field of the sample as the world has them.
    pub(crate) fn present(&self) -> (Kelvin, Tesla) {
        (self.temperature, self.field)
    }

    /// Gives the sample a temperature that no cryostat has.
    pub(crate) fn give_temperature(
        &mut self,
        now: f64,
        temperature: Kelvin,
        world: &mut World,
    ) -> Result<(), SimulationError> {
        if self.cryostat.is_some() {
            return Err(SimulationError::Cooled);
        }
        if !(temperature.0.is_finite() && temperature.0 > 0.0) {
            return Err(SimulationError::NoTemperature(temperature.0));
        }
        world.set_surroundings(now, temperature, world.position().field())?;
        self.temperature = temperature;
        Ok(())
    }

    /// Whether nothing changes them by itself.
    pub(crate) fn are_given(&self) -> bool {
        self.cryostat.is_none() && self.magnet.is_none()
    }

    /// Lets the plants pass the time, and the world follow them.
    pub(crate) fn follow(&mut self, now: f64, world: &mut World) {
        let (from, steps) = (self.followed, if world.source().on { MOST_STEPS } else { 1 });
        for step in 1..=steps {
            let part = f64::from(step) / f64::from(steps);
            self.step(if step == steps { now } else { from + (now - from) * part }, world);
        }
    }

    fn step(&mut self, now: f64, world: &mut World) {
        if now < self.followed {
            return;
        }
        self.followed = now;
        let (mut kelvin, mut tesla) = (self.temperature, self.field);
        let mut told = Vec::new();
        if let Some(cryostat) = &self.cryostat {
            let mut cryostat = cryostat.lock();
            cryostat.advance(now);
            kelvin = Kelvin(cryostat.temperatures(now).sample);
            told.append(&mut cryostat.take_told());
        }
        if let Some(magnet) = &self.magnet {
            let mut magnet = magnet.lock();
            tesla = Tesla(magnet.field_t(now));
            told.append(&mut magnet.take_told());
        }
        for Told { time, kind, detail } in told {
            world.complain_at(time, kind, detail);
        }
        let moved = (kelvin - self.temperature).abs() > Kelvin(RESOLUTION_K)
            || (tesla - self.field).abs() > Tesla(RESOLUTION_T);
        if !moved {
            return;
        }
        (self.temperature, self.field) = (kelvin, tesla);
        if let Err(error) = world.set_surroundings(now, kelvin, tesla) {
            tracing::warn!(time_s = now, %error, "the sample has no circuit at this temperature and field");
        }
    }
}

fn draw(seed: u64, word: &str) -> Purpose {
    Purpose::new(seed, "surroundings").word(word)
}

/// A generator of its own, for draws in an order that nobody disturbs.
fn generator(seed: u64, word: &str) -> ChaCha8Rng {
    ChaCha8Rng::from_seed(draw(seed, word).digest())
}
