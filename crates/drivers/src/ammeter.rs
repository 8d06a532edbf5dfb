//! The ammeter, and what the two meters have in common.

use crate::answers::meter_value;
use crate::command::Value;
use crate::session::Session;
use async_trait::async_trait;
use quadrille_documents::{Action, Placeholder, RangeFacts};
use quadrille_instruments::{Ammeter, Answer, ErrorKind, Instrument, Result};
use quadrille_quantity::Ampere;
use std::time::Duration;

/// A meter: range, aperture, reading.
pub(crate) struct Meter {
    pub(crate) session: Session,
    range: Option<RangeFacts>,
    aperture: Duration,
}

impl Meter {
    pub(crate) fn new(session: Session) -> Self {
        Self { session, range: None, aperture: Duration::ZERO }
    }

    /// Smallest range that holds a value; answers its full scale.
    pub(crate) async fn set_range(&mut self, largest: f64, set: Action, get: Action) -> Result<f64> {
        self.range = None;
        let Some(range) = self.session.dialect().facts.range_for(largest).copied() else {
            return Err(self.session.error(ErrorKind::Unable, "it has no range that large"));
        };
        self.session.set(set, range.full_scale, get).await?;
        self.range = Some(range);
        Ok(range.full_scale)
    }

    pub(crate) async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()> {
        self.session.begin(format!("set its aperture to {power_line_cycles} power-line cycles"));
        let seconds = power_line_cycles / self.session.mains_hz();
        self.session.tell(Action::SetAperture, Value::Aperture { power_line_cycles, seconds }).await?;
        let in_seconds = self
            .session
            .dialect()
            .template(Action::SetAperture)
            .is_some_and(|template| template.carries(Placeholder::ApertureSecond));
        let read = self.session.number(Action::ApertureSet).await?;
        self.session.no_errors().await?;
        self.session.agree(if in_seconds { seconds } else { power_line_cycles }, read)?;
        self.aperture = Duration::from_secs_f64(seconds);
        Ok(())
    }

    pub(crate) async fn read(&mut self, operation: &str) -> Result<Answer> {
        self.session.begin(operation);
        let Some(range) = self.range else {
            return Err(self.session.error(ErrorKind::Unable, "its range was not set"));
        };
        let (number, text) = self.session.reading(Action::Read, self.aperture).await?;
        self.session.no_errors().await?;
        let value = meter_value(number);
        // A mean over T has the bandwidth 1/(2 T).
        let noise_u = range.noise_per_rthz / (2.0 * self.aperture.as_secs_f64()).sqrt();
        Ok(Answer {
            value,
            text,
            range: range.full_scale,
            gain_u: range.gain_u(),
            own_u: range.own_u(),
            noise_u: if noise_u.is_finite() { noise_u } else { 0.0 },
            corner_hz: range.noise_corner_hz,
        })
    }
}

/// An ammeter on a session.
pub struct AmmeterDriver(Meter);

impl AmmeterDriver {
    /// Takes over a session.
    pub fn new(session: Session) -> Self {
        Self(Meter::new(session))
    }
}

#[async_trait]
impl Instrument for AmmeterDriver {
    fn name(&self) -> &str {
        self.0.session.name()
    }

    async fn prepare(&mut self) -> Result<String> {
        self.0.session.prepare().await
    }
}

#[async_trait]
impl Ammeter for AmmeterDriver {
    async fn set_range(&mut self, largest: Ampere) -> Result<Ampere> {
        self.0.session.begin(format!("set its range for {largest}"));
        self.0.set_range(largest.0, Action::SetCurrentRange, Action::CurrentRangeSet).await.map(Ampere)
    }

    async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()> {
        self.0.set_aperture(power_line_cycles).await
    }

    async fn short_input(&mut self, shorted: bool) -> Result<()> {
        self.0.session.begin(if shorted { "short its input" } else { "release its input" });
        let action = if shorted { Action::ShortInput } else { Action::ReleaseInput };
        self.0.session.switch(action, Action::InputState, !shorted).await
    }

    async fn read(&mut self) -> Result<Answer> {
        self.0.read("read the current").await
    }
}
