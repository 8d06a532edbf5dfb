//! A bench opened: a link to each instrument, a session on it, a driver for its role.

use quadrille_documents::{Bench as BenchDocument, Instrument, Role};
use quadrille_drivers::{AmmeterDriver, MatrixDriver, Session, Settings, SourceDriver, VoltmeterDriver};
use quadrille_instruments::{Bench, ErrorKind, InstrumentError};
use quadrille_link::{Link, OpenOptions, Resource, Traced};
use quadrille_plan::EquippedBench;
use std::time::Duration;

/// Opens the links that a bench document names. Nothing is asked of any instrument yet.
pub(crate) async fn open(equipped: &EquippedBench) -> Result<Bench, InstrumentError> {
    let mut links = Vec::new();
    for instrument in &equipped.bench.instruments {
        links.push(link(instrument).await?);
    }
    assemble(equipped, links)
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
    links: Vec<Box<dyn Link>>,
) -> Result<Bench, InstrumentError> {
    let document = &equipped.bench;
    let mut sessions: Vec<(Role, Session)> = document
        .instruments
        .iter()
        .zip(&equipped.dialects)
        .zip(links)
        .map(|((instrument, dialect), link)| {
            let link: Box<dyn Link> = Box::new(Traced(link));
            (instrument.role, Session::new(link, dialect.clone(), settings(document, instrument)))
        })
        .collect();
    let mut take = |role: Role| {
        let at = sessions.iter().position(|(of, _)| *of == role);
        at.map(|at| sessions.swap_remove(at).1).ok_or_else(|| InstrumentError {
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
        matrix: Box::new(MatrixDriver::new(take(Role::SwitchMatrix)?, document.wiring.clone())),
    })
}

fn settings(bench: &BenchDocument, instrument: &Instrument) -> Settings {
    Settings {
        name: instrument.name.clone(),
        identity: instrument.identity.clone(),
        timeout: Duration::from_secs_f64(instrument.timeout_s),
        mains_hz: bench.mains_hz,
    }
}
