//! Answers that mean more than a number: registers, faults, readings that may be states.

use crate::session::Session;
use quadrille_documents::Action;
use quadrille_instruments::{MeterValue, Result, Sensed};
use quadrille_scpi::controller::Number;
use std::time::Duration;

impl Session {
    /// Asks for a register of sixteen bits.
    pub(crate) async fn register(&mut self, action: Action) -> Result<u16> {
        let condition = self.number(action).await?;
        if !(0.0..65_536.0).contains(&condition) || condition.fract() != 0.0 {
            return Err(self.garbage(format!("{condition} is no register of sixteen bits")));
        }
        Ok(condition as u16)
    }

    /// Asks what is wrong with the instrument; `None` for nothing, or where its dialect has no words for it.
    pub(crate) async fn fault(&mut self) -> Result<Option<String>> {
        if !self.dialect().can(Action::Fault) {
            return Ok(None);
        }
        if self.dialect().fault_bits.is_empty() {
            let number = self.number(Action::Fault).await?;
            return Ok((number != 0.0).then(|| format!("it reports fault {number}")));
        }
        let condition = self.register(Action::Fault).await?;
        let set = self.dialect().fault_bits.iter().filter(|fault| (condition >> fault.bit) & 1 == 1);
        let meanings: Vec<&str> = set.map(|fault| fault.meaning.as_str()).collect();
        Ok((!meanings.is_empty()).then(|| meanings.join("; ")))
    }

    /// Asks whether it is on its way to what is set.
    pub(crate) async fn is_ramping(&mut self) -> Result<bool> {
        let condition = self.register(Action::Ramping).await?;
        let is_set = (condition >> self.dialect().ramping_bit) & 1 == 1;
        Ok(is_set != self.dialect().ramping_is_zero)
    }

    /// Asks a thermometer or a probe.
    pub(crate) async fn sensed(&mut self, action: Action) -> Result<Sensed> {
        let (number, text) = self.reading(action, Duration::ZERO).await?;
        self.no_errors().await?;
        let facts = &self.dialect().facts;
        Ok(Sensed {
            value: meter_value(number),
            text,
            gain_u: facts.of_reading / 3f64.sqrt(),
            own_u: facts.accuracy / 3f64.sqrt(),
        })
    }
}

/// A number, or the state that stands for none (SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5, from memory).
pub(crate) fn meter_value(number: Number) -> MeterValue {
    match number {
        Number::Value(value) => MeterValue::Value(value),
        Number::PositiveInfinity => MeterValue::Overload(1.0),
        Number::NegativeInfinity => MeterValue::Overload(-1.0),
        Number::NotANumber => MeterValue::NotANumber,
    }
}
