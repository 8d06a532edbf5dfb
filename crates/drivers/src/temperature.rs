//! The temperature controller.

use crate::command::Value;
use crate::session::Session;
use async_trait::async_trait;
use quadrille_documents::{Action, Cryostat};
use quadrille_instruments::{
    ErrorKind, Instrument, MeterValue, Result, Sensed, TemperatureController, ThermalState, ThermalStatus,
};
use quadrille_quantity::Kelvin;

/// What a limit may be exceeded by: rounding of the last digits, no more.
const ROUNDING: f64 = 1e-9;

/// A temperature controller on a session, with the limits of its cryostat.
pub struct TemperatureDriver {
    session: Session,
    cryostat: Cryostat,
}

impl TemperatureDriver {
    /// Takes over a session.
    pub fn new(session: Session, cryostat: Cryostat) -> Self {
        Self { session, cryostat }
    }
}

#[async_trait]
impl Instrument for TemperatureDriver {
    fn name(&self) -> &str {
        self.session.name()
    }

    async fn prepare(&mut self) -> Result<String> {
        self.session.prepare().await
    }
}

#[async_trait]
impl TemperatureController for TemperatureDriver {
    async fn set_ramp(&mut self, kelvin_per_minute: f64) -> Result<()> {
        self.session.begin(format!("set its ramp to {kelvin_per_minute} K/min"));
        let most = self.cryostat.most_ramp_k_per_min;
        if !(kelvin_per_minute > 0.0 && kelvin_per_minute <= most * (1.0 + ROUNDING)) {
            let detail = format!("the bench allows more than 0 and up to {most} K/min");
            return Err(self.session.error(ErrorKind::Unable, detail));
        }
        let step = self.session.dialect().facts.ramp_step;
        let ramp = Value::TemperatureRamp { kelvin_per_minute };
        self.session.set_in_its_unit(Action::SetTemperatureRamp, ramp, Action::TemperatureRampSet, step).await
    }

    async fn set_target(&mut self, target: Kelvin) -> Result<()> {
        self.session.begin(format!("set its target to {target}"));
        let Cryostat { lowest_k, highest_k, .. } = self.cryostat;
        if !(target.0 >= lowest_k * (1.0 - ROUNDING) && target.0 <= highest_k * (1.0 + ROUNDING)) {
            let detail = format!("the bench allows {lowest_k} K to {highest_k} K");
            return Err(self.session.error(ErrorKind::Unable, detail));
        }
        let step = self.session.dialect().facts.target_step;
        self.session
            .set_in_its_unit(Action::SetTarget, Value::Number(target.0), Action::TargetSet, step)
            .await
    }

    async fn set_heater(&mut self, on: bool) -> Result<()> {
        self.session.begin(if on { "let it drive its heater" } else { "switch its heater off" });
        let action = if on { Action::HeaterOn } else { Action::HeaterOff };
        self.session.switch(action, Action::HeaterState, on).await
    }

    async fn temperature(&mut self) -> Result<Sensed> {
        self.session.begin("read the temperature");
        let sensed = self.session.sensed(Action::Temperature).await?;
        match sensed.value {
            MeterValue::Value(kelvin) if kelvin <= 0.0 => {
                Err(self.session.garbage(format!("\"{}\" is no temperature in kelvins", sensed.text)))
            }
            _ => Ok(sensed),
        }
    }

    async fn status(&mut self) -> Result<ThermalStatus> {
        self.session.begin("ask what it is doing");
        let fault = self.session.fault().await?;
        let is_on = self.session.boolean(Action::HeaterState).await?;
        let is_ramping = self.session.is_ramping().await?;
        let heater_percent = match self.session.dialect().can(Action::HeaterPower) {
            true => Some(self.session.number(Action::HeaterPower).await?),
            false => None,
        };
        self.session.no_errors().await?;
        let state = match (fault, is_on, is_ramping) {
            (Some(fault), _, _) => ThermalState::Fault(fault),
            (None, false, _) => ThermalState::Off,
            (None, true, true) => ThermalState::Ramping,
            (None, true, false) => ThermalState::Holding,
        };
        Ok(ThermalStatus { state, heater_percent })
    }

    async fn rest(&mut self) -> Result<()> {
        self.set_heater(false).await
    }
}
