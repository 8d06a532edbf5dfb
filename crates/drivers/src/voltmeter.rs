//! The voltmeter.

use crate::session::Session;
use async_trait::async_trait;
use quadrille_documents::Action;
use quadrille_instruments::{Answer, Instrument, Result, Voltmeter};
use quadrille_quantity::Volt;

use crate::ammeter::Meter;

/// A voltmeter on a session.
pub struct VoltmeterDriver(Meter);

impl VoltmeterDriver {
    /// Takes over a session.
    pub fn new(session: Session) -> Self {
        Self(Meter::new(session))
    }
}

#[async_trait]
impl Instrument for VoltmeterDriver {
    fn name(&self) -> &str {
        self.0.session.name()
    }

    async fn prepare(&mut self) -> Result<String> {
        self.0.session.prepare().await
    }
}

#[async_trait]
impl Voltmeter for VoltmeterDriver {
    async fn set_range(&mut self, largest: Volt) -> Result<Volt> {
        self.0.session.begin(format!("set its range for {largest}"));
        self.0.set_range(largest.0, Action::SetVoltageRange, Action::VoltageRangeSet).await.map(Volt)
    }

    async fn set_aperture(&mut self, power_line_cycles: f64) -> Result<()> {
        self.0.set_aperture(power_line_cycles).await
    }

    async fn read(&mut self) -> Result<Answer> {
        self.0.read("read the voltage").await
    }
}
