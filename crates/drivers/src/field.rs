//! The magnet supply.

use crate::command::Value;
use crate::session::Session;
use async_trait::async_trait;
use quadrille_documents::{Action, Magnet};
use quadrille_instruments::{ErrorKind, FieldSource, FieldState, Instrument, Result, Sensed};
use quadrille_quantity::Tesla;

/// What a limit may be exceeded by: rounding of the last digits, no more.
const ROUNDING: f64 = 1e-9;

/// A magnet supply on a session, with the limits of its magnet.
pub struct FieldDriver {
    session: Session,
    magnet: Magnet,
    /// Whether the supply's ramp is known to be one that the bench allows.
    has_ramp: bool,
}

impl FieldDriver {
    /// Takes over a session.
    pub fn new(session: Session, magnet: Magnet) -> Self {
        Self { session, magnet, has_ramp: false }
    }

    async fn set_target(&mut self, field: Tesla) -> Result<()> {
        let step = self.session.dialect().facts.target_step;
        let value = Value::Field { tesla: field.0, ampere: self.magnet.current_a(field.0) };
        self.session.set_in_its_unit(Action::SetFieldTarget, value, Action::FieldTargetSet, step).await
    }

    async fn start(&mut self) -> Result<()> {
        if !self.session.dialect().can(Action::StartRamp) {
            return Ok(());
        }
        self.session.tell(Action::StartRamp, Value::None).await?;
        self.session.no_errors().await
    }
}

#[async_trait]
impl Instrument for FieldDriver {
    fn name(&self) -> &str {
        self.session.name()
    }

    async fn prepare(&mut self) -> Result<String> {
        self.has_ramp = false;
        self.session.prepare().await
    }
}

#[async_trait]
impl FieldSource for FieldDriver {
    async fn set_ramp(&mut self, tesla_per_second: f64) -> Result<()> {
        self.session.begin(format!("set its ramp to {tesla_per_second} T/s"));
        self.has_ramp = false;
        let most = self.magnet.most_ramp_t_per_s;
        if !(tesla_per_second > 0.0 && tesla_per_second <= most * (1.0 + ROUNDING)) {
            let detail = format!("the bench allows more than 0 and up to {most} T/s");
            return Err(self.session.error(ErrorKind::Unable, detail));
        }
        let step = self.session.dialect().facts.ramp_step;
        let ampere_per_second = self.magnet.current_a(tesla_per_second);
        let ramp = Value::FieldRamp { tesla_per_second, ampere_per_second };
        self.session.set_in_its_unit(Action::SetFieldRamp, ramp, Action::FieldRampSet, step).await?;
        self.has_ramp = true;
        Ok(())
    }

    async fn go_to(&mut self, field: Tesla) -> Result<()> {
        self.session.begin(format!("go to {field}"));
        let most = self.magnet.most_field_t;
        if field.0.is_nan() || field.0.abs() > most * (1.0 + ROUNDING) {
            let detail = format!("the bench allows up to {most} T of either sign");
            return Err(self.session.error(ErrorKind::Unable, detail));
        }
        if !self.has_ramp {
            return Err(self.session.error(ErrorKind::Unable, "its ramp was not set"));
        }
        // The target before the output: a supply that goes where it is set as soon as it is on must not go elsewhere.
        self.set_target(field).await?;
        if !self.session.boolean(Action::OutputState).await? {
            self.session.switch(Action::OutputOn, Action::OutputState, true).await?;
        }
        self.start().await
    }

    async fn hold(&mut self) -> Result<()> {
        self.session.begin("hold its field");
        self.session.tell(Action::HoldField, Value::None).await?;
        self.session.no_errors().await
    }

    async fn field(&mut self) -> Result<Sensed> {
        self.session.begin("read the field");
        self.session.sensed(Action::MeasuredField).await
    }

    async fn state(&mut self) -> Result<FieldState> {
        self.session.begin("ask what it is doing");
        let fault = self.session.fault().await?;
        let is_ramping = self.session.is_ramping().await?;
        self.session.no_errors().await?;
        Ok(match (fault, is_ramping) {
            (Some(fault), _) => FieldState::Fault(fault),
            (None, true) => FieldState::Ramping,
            (None, false) => FieldState::AtRest,
        })
    }

    async fn rest(&mut self) -> Result<()> {
        self.session.begin("start its ramp to no current");
        // Where it cannot be said whether the output is on, it is brought to zero as if it were.
        let output = self.session.boolean(Action::OutputState).await;
        if matches!(output, Ok(false)) {
            return self.session.no_errors().await;
        }
        let brought = match self.set_target(Tesla(0.0)).await {
            Ok(()) => self.start().await,
            failed => failed,
        };
        output.map(|_| ()).and(brought)
    }
}
