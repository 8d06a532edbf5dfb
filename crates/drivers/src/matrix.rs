//! The switch matrix.

use crate::command::Value;
use crate::session::Session;
use async_trait::async_trait;
use quadrille_documents::{Action, Buffers, Crosspoint, Rows, Wiring};
use quadrille_experiment::Configuration;
use quadrille_instruments::{ErrorKind, Instrument, Place, Result, SwitchMatrix};
use std::collections::BTreeSet;
use std::time::Duration;

/// A switch matrix on a session, with the wiring that says which row is what, and the columns of each sample's contacts.
pub struct MatrixDriver {
    session: Session,
    rows: Rows,
    buffers: Option<Buffers>,
    columns: Vec<Vec<u16>>,
}

impl MatrixDriver {
    /// Takes over a session. `columns` are those of contact 1, 2, 3, … of each sample, in the order of their [`Place`]s.
    pub fn new(session: Session, wiring: &Wiring, columns: Vec<Vec<u16>>) -> Self {
        Self { session, rows: wiring.rows, buffers: wiring.buffers, columns }
    }

    fn crosspoints(
        &self,
        place: Place,
        configuration: Configuration,
        buffers: bool,
    ) -> Result<Vec<Crosspoint>> {
        let unable = |detail: String| self.session.error(ErrorKind::Unable, detail);
        let columns =
            self.columns.get(place.0).ok_or_else(|| unable(format!("{place} is not wired to columns")))?;
        let mut crosspoints = Vec::with_capacity(5);
        for (row, contact) in self.rows.in_order().into_iter().zip(configuration.contacts()) {
            let Some(&column) = columns.get(contact.index()) else {
                let detail = format!("contact {contact} of {configuration} is not wired to a column");
                return Err(unable(detail));
            };
            crosspoints.push(Crosspoint { row, column });
        }
        match (buffers, self.buffers) {
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

    async fn connect(&mut self, place: Place, configuration: Configuration, buffers: bool) -> Result<()> {
        let of_which = if self.columns.len() > 1 { format!(" of {place}") } else { String::new() };
        self.session.begin(format!("connect {configuration}{of_which}"));
        let crosspoints = self.crosspoints(place, configuration, buffers)?;
        self.session.tell(Action::Close, Value::Crosspoints(&crosspoints)).await?;
        self.expect_closed(&crosspoints).await
    }
}
