//! Where a run finds its instruments: at the addresses of the bench document, or simulated in this process on the clock of
//! the runtime that it is opened on. And the bench brought to rest without a run.

use crate::open::{assemble, links};
use crate::{Error, Inputs, Simulation, SimulationOptions};
use async_trait::async_trait;
use quadrille_documents::Role;
use quadrille_instruments::{Bench, Instrument};
use quadrille_link::{Link, LinkError, Resource};
use quadrille_plan::BenchFacts;
use quadrille_quantity::{Ampere, Second};
use quadrille_scheduler::{Output, Rest, StandDown, Stop};
use std::sync::Arc;

/// Told the name of an instrument each time that something comes from it.
pub type Heard = Arc<dyn Fn(&str) + Send + Sync>;

/// Range on which the ammeter looks for a current when nothing is known of what the source was set to, and what may be left
/// beside the bias currents; ours.
const LOOK: Ampere = Ampere(1e-6);
const GONE: f64 = 0.01;
const PAUSE: Second = Second(0.1);

/// Where a run finds its instruments.
#[derive(Clone, Default)]
pub struct Rack {
    simulated: Option<SimulationOptions>,
    heard: Option<Heard>,
}

impl Rack {
    /// The instruments at the addresses of the bench document.
    pub fn real() -> Self {
        Self::default()
    }

    /// A bench simulated in this process: anew each time it is opened, with the samples of the run in it.
    pub fn simulated(options: SimulationOptions) -> Self {
        Self { simulated: Some(options), heard: None }
    }

    /// The same with somebody who is told when an instrument answers.
    #[must_use]
    pub fn heard_by(self, heard: Heard) -> Self {
        Self { heard: Some(heard), ..self }
    }

    /// Whether its instruments are simulated.
    pub fn is_simulated(&self) -> bool {
        self.simulated.is_some()
    }

    /// Opens links to the instruments, and asks nothing yet.
    pub(crate) async fn open(&self, inputs: &Inputs) -> Result<(Bench, Option<Simulation>), Error> {
        let equipped = &inputs.equipped;
        let columns = equipped.bench.wiring.columns_of_each(&inputs.samples)?;
        let (links, simulation) = match self.simulated {
            Some(options) => {
                let simulation = Simulation::new(inputs, options)?;
                (simulation.in_memory(equipped), Some(simulation))
            }
            None => (links(equipped).await?, None),
        };
        let names = equipped.bench.instruments.iter().map(|instrument| instrument.name.clone());
        let listened = links.into_iter().zip(names).map(|(link, name)| self.listen(link, name)).collect();
        Ok((assemble(equipped, columns, listened)?, simulation))
    }

    fn listen(&self, link: Box<dyn Link>, name: String) -> Box<dyn Link> {
        match &self.heard {
            Some(heard) => Box::new(Listened { link, name, heard: Arc::clone(heard) }),
            None => link,
        }
    }
}

/// A link that tells when something came.
struct Listened {
    link: Box<dyn Link>,
    name: String,
    heard: Heard,
}

#[async_trait]
impl Link for Listened {
    fn resource(&self) -> &Resource {
        self.link.resource()
    }
    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        self.link.send(message).await
    }
    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        let bytes = self.link.receive().await?;
        (self.heard)(&self.name);
        Ok(bytes)
    }
    async fn clear(&mut self) -> Result<(), LinkError> {
        self.link.clear().await
    }
}

/// A wish that nobody will have.
pub fn never() -> Stop {
    tokio::sync::watch::channel(false).1
}

/// A bench that was brought to rest, and who answered.
#[derive(Clone, Debug)]
pub struct AtRest {
    /// Names of instruments, and what they say they are.
    pub identities: Vec<(String, String)>,
    /// How it went; failures of identity and initialisation come first.
    pub stand_down: StandDown,
}

/// Brings a bench to rest without a run: after a crash, or before the first work. Heater and field too, where the bench has
/// somebody for them. An error where a link could not be opened; what could be reached was put to rest then.
pub async fn stand_down(inputs: &Inputs, rack: &Rack) -> Result<AtRest, Error> {
    let (mut bench, _simulation) = rack.open(inputs).await?;
    let mut told = Roll::default();
    let source_is_known = told.call(bench.source.as_mut()).await;
    told.call(bench.ammeter.as_mut()).await;
    told.call(bench.voltmeter.as_mut()).await;
    // A matrix that is initialised may open its crosspoints: only when no current can flow.
    let is_off = source_is_known && bench.source.set_output(false).await.is_ok();
    let matrix_is_known = is_off && told.call(bench.matrix.as_mut()).await;
    if let Some(controller) = bench.temperature.as_mut() {
        told.call(controller.as_mut()).await;
    }
    if let Some(magnet) = bench.field.as_mut() {
        told.call(magnet.as_mut()).await;
    }
    let mut stand_down = quadrille_scheduler::stand_down(&mut bench, &rest(inputs)).await;
    if !matrix_is_known && stand_down.output == Output::Verified {
        // What an ammeter does not see through a matrix that nobody knows is no proof.
        stand_down.output = Output::Commanded;
    }
    stand_down.failures.splice(0..0, told.failures);
    Ok(AtRest { identities: told.identities, stand_down })
}

fn rest(inputs: &Inputs) -> Rest {
    let facts = BenchFacts::of(&inputs.equipped);
    let ammeter = inputs.equipped.dialect(Role::Ammeter).and_then(|ammeter| ammeter.facts.ranges.last());
    let range = ammeter.map_or(LOOK, |largest| LOOK.min(Ampere(largest.full_scale)));
    Rest {
        range,
        residual: range * GONE + facts.bias * 2.0,
        pause: PAUSE,
        heater: inputs.equipped.bench.cryostat.is_some(),
        magnet: inputs.equipped.bench.magnet.is_some(),
    }
}

/// Who answered, and who did not.
#[derive(Default)]
struct Roll {
    identities: Vec<(String, String)>,
    failures: Vec<String>,
}

impl Roll {
    async fn call(&mut self, instrument: &mut (impl Instrument + ?Sized)) -> bool {
        match instrument.prepare().await {
            Ok(identity) => self.identities.push((instrument.name().to_owned(), identity)),
            Err(error) => {
                self.failures.push(error.to_string());
                return false;
            }
        }
        true
    }
}
