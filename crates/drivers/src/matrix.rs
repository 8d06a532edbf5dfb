//! The switch matrix.

use crate::command::Value;
use crate::session::Session;
use async_trait::async_trait;
use quadrille_documents::{Action, Buffers, Crosspoint, Wiring};
use quadrille_experiment::Configuration;
use quadrille_instruments::{ErrorKind, Instrument, Result, SwitchMatrix};
use std::collections::BTreeSet;
use std::time::Duration;

/// A switch matrix on a session, with the wiring that says which crosspoint is what.
pub struct MatrixDriver {
    session: Session,
    wiring: Wiring,
}

impl MatrixDriver {
    /// Takes over a session.
    pub fn new(session: Session, wiring: Wiring) -> Self {
        Self { session, wiring }
    }

    fn crosspoints(&self, configuration: Configuration, buffers: bool) -> Result<Vec<Crosspoint>> {
        let mut crosspoints = Vec::with_capacity(5);
        for (row, contact) in self.wiring.rows.in_order().into_iter().zip(configuration.contacts()) {
            let Some(&column) = self.wiring.columns.get(contact.index()) else {
                let detail = format!("contact {contact} of {configuration} is not wired to a column");
                return Err(self.session.error(ErrorKind::Unable, detail));
            };
            crosspoints.push(Crosspoint { row, column });
        }
        match (buffers, self.wiring.buffers) {
            (false, _) => {}
            (true, Some(Buffers { crosspoint, .. })) => crosspoints.push(crosspoint),
            (true, None) => return Err(self.session.error(ErrorKind::Unable, "this bench has no buffers")),
        }
        Ok(crosspoints)
    }

    /// Reads back which crosspoints are closed and holds them against what should be.
    async fn expect_closed(&mut self, expected: &[Crosspoint]) -> Result<()> {
        let answer = self.session.ask(Action::Closed, Duration::ZERO).await?;
        let Some(inside) = answer.trim().strip_prefix("(@").and_then(|rest| rest.strip_suffix(')')) else {
            let detail = format!("asked which crosspoints are closed, came \"{answer}\", not a list (@…)");
            return Err(self.session.garbage(detail));
        };
        self.session.no_errors().await?;
        let found: BTreeSet<String> =
            inside.split(',').map(|one| one.trim().to_owned()).filter(|one| !one.is_empty()).collect();
        let wanted: BTreeSet<String> =
            expected.iter().map(|one| self.session.dialect().crosspoint_text(*one)).collect();
        if found == wanted {
            return Ok(());
        }
        let missing: Vec<&String> = wanted.difference(&found).collect();
        let beyond: Vec<&String> = found.difference(&wanted).collect();
        let detail = format!("not closed though told to: {missing:?}; closed though not told to: {beyond:?}");
        Err(self.session.error(ErrorKind::ReadBack, detail))
    }
}

#[async_trait]
impl Instrument for MatrixDriver {
    fn name(&self) -> &str {
        self.session.name()
    }

    async fn prepare(&mut self) -> Result<String> {
        self.session.prepare().await
    }
}

#[async_trait]
impl SwitchMatrix for MatrixDriver {
    async fn open_all(&mut self) -> Result<()> {
        self.session.begin("open every crosspoint");
        self.session.tell(Action::OpenAll, Value::None).await?;
        self.expect_closed(&[]).await
    }

    async fn connect(&mut self, configuration: Configuration, buffers: bool) -> Result<()> {
        self.session.begin(format!("connect {configuration}"));
        let crosspoints = self.crosspoints(configuration, buffers)?;
        self.session.tell(Action::Close, Value::Crosspoints(&crosspoints)).await?;
        self.expect_closed(&crosspoints).await
    }
}
