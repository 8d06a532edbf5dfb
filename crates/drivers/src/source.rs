//! The current source.

use crate::session::Session;
use async_trait::async_trait;
use quadrille_documents::Action;
use quadrille_instruments::{CurrentSource, ErrorKind, Instrument, Result};
use quadrille_quantity::{Ampere, Volt};

/// A current source on a session.
pub struct SourceDriver(Session);

impl SourceDriver {
    /// Takes over a session.
    pub fn new(session: Session) -> Self {
        Self(session)
    }
}

#[async_trait]
impl Instrument for SourceDriver {
    fn name(&self) -> &str {
        self.0.name()
    }

    /// The output is off before initialisation: an earlier run may have died with it on, and an initialisation under
    /// current is a change under current.
    async fn prepare(&mut self) -> Result<String> {
        let identity = self.0.identify().await?;
        self.set_output(false).await?;
        self.0.initialise().await?;
        Ok(identity)
    }
}

#[async_trait]
impl CurrentSource for SourceDriver {
    async fn set_range_and_limit(&mut self, largest: Ampere, limit: Volt) -> Result<()> {
        self.0.begin(format!("set its range for {largest} and its voltage limit to {limit}"));
        let Some(range) = self.0.dialect().facts.range_for(largest.0).map(|range| range.full_scale) else {
            return Err(self.0.error(ErrorKind::Unable, "it has no range that large"));
        };
        self.0.set(Action::SetSourceRange, range, Action::SourceRangeSet).await?;
        self.0.set(Action::SetLimit, limit.0, Action::LimitSet).await
    }

    async fn set_guard(&mut self, driven: bool) -> Result<()> {
        self.0.begin(if driven { "drive the guard" } else { "leave the guard undriven" });
        let action = if driven { Action::GuardOn } else { Action::GuardOff };
        if !driven && !self.0.dialect().can(action) {
            return Ok(());
        }
        self.0.switch(action, Action::GuardState, driven).await
    }

    async fn set_level(&mut self, level: Ampere) -> Result<()> {
        self.0.begin(format!("set {level}"));
        self.0.set(Action::SetLevel, level.0, Action::LevelSet).await
    }

    async fn set_output(&mut self, on: bool) -> Result<()> {
        self.0.begin(if on { "switch its output on" } else { "switch its output off" });
        let action = if on { Action::OutputOn } else { Action::OutputOff };
        self.0.switch(action, Action::OutputState, on).await
    }

    async fn in_compliance(&mut self) -> Result<Option<bool>> {
        self.0.begin("ask whether it is at its voltage limit");
        if !self.0.dialect().can(Action::InCompliance) {
            return Ok(None);
        }
        let bit = self.0.dialect().compliance_bit;
        let condition = self.0.register(Action::InCompliance).await?;
        self.0.no_errors().await?;
        Ok(Some((condition >> bit) & 1 == 1))
    }
}
