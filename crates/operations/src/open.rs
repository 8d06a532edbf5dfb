//! A bench opened: a link to each instrument, a session on it, a driver for its role.

use quadrille_documents::{Bench as BenchDocument, Dialect, Instrument, Role};
use quadrille_drivers::{
    AmmeterDriver, FieldDriver, MatrixDriver, Session, Settings, SourceDriver, TemperatureDriver,
    VoltmeterDriver,
};
use quadrille_instruments::{
    Bench, ErrorKind, FieldSource as _, Instrument as _, InstrumentError, SwitchMatrix as _,
    TemperatureController as _,
};
use quadrille_link::{Link, OpenOptions, Resource, Traced};
use quadrille_plan::EquippedBench;
use std::collections::BTreeMap;
use std::time::Duration;

/// Opens the links that a bench document names, in its order. Nothing is asked of any instrument yet; but where one of them
/// cannot be reached, a source that an earlier run left on is switched off, and a matrix opened, before the failure is told.
pub(crate) async fn links(equipped: &EquippedBench) -> Result<Vec<Box<dyn Link>>, InstrumentError> {
    let mut links = Vec::new();
    let mut failure = None;
    for instrument in &equipped.bench.instruments {
        match link(instrument).await {
            Ok(link) => links.push(Some(link)),
            Err(error) => {
                links.push(None);
                failure.get_or_insert(error);
            }
        }
    }
    if let Some(failure) = failure {
        put_to_rest(equipped, links).await;
        return Err(failure);
    }
    Ok(links.into_iter().flatten().collect())
}

/// Brings what can be reached to rest, the source first; crosspoints are opened only when its output is known to be off.
async fn put_to_rest(equipped: &EquippedBench, links: Vec<Option<Box<dyn Link>>>) {
    let mut sessions = sessions(equipped, links);
    let at_rest = async {
        let Some(session) = sessions.remove(&Role::CurrentSource) else { return Ok(()) };
        SourceDriver::new(session).prepare().await?;
        let Some(session) = sessions.remove(&Role::SwitchMatrix) else { return Ok(()) };
        let mut matrix = MatrixDriver::new(session, &equipped.bench.wiring, Vec::new());
        matrix.prepare().await?;
        matrix.open_all().await
    };
    let electrically = at_rest.await;
    for at_rest in
        [electrically, field_to_rest(equipped, &mut sessions).await, cool(equipped, &mut sessions).await]
    {
        if let Err(error) = at_rest {
            tracing::warn!("while the others were put to rest: {error}");
        }
    }
}

async fn field_to_rest(
    equipped: &EquippedBench,
    sessions: &mut BTreeMap<Role, Session>,
) -> Result<(), InstrumentError> {
    let Some((session, magnet)) = sessions.remove(&Role::FieldSource).zip(equipped.bench.magnet) else {
        return Ok(());
    };
    let mut field = FieldDriver::new(session, magnet);
    field.prepare().await?;
    field.rest().await
}

async fn cool(
    equipped: &EquippedBench,
    sessions: &mut BTreeMap<Role, Session>,
) -> Result<(), InstrumentError> {
    let Some((session, cryostat)) =
        sessions.remove(&Role::TemperatureController).zip(equipped.bench.cryostat)
    else {
        return Ok(());
    };
    let mut temperature = TemperatureDriver::new(session, cryostat);
    temperature.prepare().await?;
    temperature.rest().await
}

async fn link(instrument: &Instrument) -> Result<Box<dyn Link>, InstrumentError> {
    let failed = |detail| InstrumentError {
        kind: ErrorKind::Link,
        instrument: instrument.name.clone(),
        operation: "open its link".to_owned(),
        detail,
    };
    let resource: Resource = instrument
        .resource
        .value
        .parse()
        .map_err(|error: quadrille_link::ResourceError| failed(error.to_string()))?;
    let options =
        OpenOptions { timeout: Duration::from_secs_f64(instrument.timeout_s), baud: instrument.baud };
    quadrille_link::open(&resource, options).await.map_err(|error| failed(error.to_string()))
}

/// A bench on links that are already there, in the order of the document's instruments.
pub(crate) fn assemble(
    equipped: &EquippedBench,
    columns: Vec<Vec<u16>>,
    links: Vec<Box<dyn Link>>,
) -> Result<Bench, InstrumentError> {
    let mut sessions = sessions(equipped, links.into_iter().map(Some).collect());
    let mut take = |role: Role| {
        sessions.remove(&role).ok_or_else(|| InstrumentError {
            kind: ErrorKind::Unable,
            instrument: role.to_string(),
            operation: "open the bench".into(),
            detail: "the bench has none".into(),
        })
    };
    Ok(Bench {
        source: Box::new(SourceDriver::new(take(Role::CurrentSource)?)),
        voltmeter: Box::new(VoltmeterDriver::new(take(Role::Voltmeter)?)),
        ammeter: Box::new(AmmeterDriver::new(take(Role::Ammeter)?)),
        matrix: Box::new(MatrixDriver::new(take(Role::SwitchMatrix)?, &equipped.bench.wiring, columns)),
        temperature: match equipped.bench.cryostat {
            Some(cryostat) => {
                Some(Box::new(TemperatureDriver::new(take(Role::TemperatureController)?, cryostat)))
            }
            None => None,
        },
        field: match equipped.bench.magnet {
            Some(magnet) => Some(Box::new(FieldDriver::new(take(Role::FieldSource)?, magnet))),
            None => None,
        },
    })
}

fn sessions(equipped: &EquippedBench, links: Vec<Option<Box<dyn Link>>>) -> BTreeMap<Role, Session> {
    let bench = &equipped.bench;
    let session = |((instrument, dialect), link): ((&Instrument, &Dialect), Option<Box<dyn Link>>)| {
        let link: Box<dyn Link> = Box::new(Traced(link?));
        Some((instrument.role, Session::new(link, dialect.clone(), settings(bench, instrument))))
    };
    bench.instruments.iter().zip(&equipped.dialects).zip(links).filter_map(session).collect()
}

fn settings(bench: &BenchDocument, instrument: &Instrument) -> Settings {
    Settings {
        name: instrument.name.clone(),
        identity: instrument.identity.clone(),
        timeout: Duration::from_secs_f64(instrument.timeout_s),
        mains_hz: bench.mains_hz,
    }
}
