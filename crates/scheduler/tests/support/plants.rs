//! A cryostat and a magnet that follow in time and write into the log of the bench. They know no stability and no rule.

use super::{Mock, Shared};
use async_trait::async_trait;
use quadrille_instruments::{
    FieldSource, FieldState, Instrument, MeterValue, Result, Sensed, TemperatureController, ThermalState,
    ThermalStatus,
};
use quadrille_quantity::{Kelvin, Tesla};
use tokio::time::Instant;

/// Approaches its target exponentially, with a time constant in seconds; passes it by a time that its ramp goes on.
pub(crate) struct Cryostat {
    pub(crate) mock: Mock,
    pub(crate) time_constant_s: f64,
    pub(crate) stays_off_by_k: f64,
    /// The only target that it stays off, where it is not all of them, and for how long.
    pub(crate) stays_off: Option<f64>,
    pub(crate) stays_off_for_s: f64,
    /// Most that it passes a target by, in kelvins for each kelvin per minute; about 30 s after it was asked for it.
    pub(crate) passes_by: f64,
    pub(crate) ramp: f64,
    pub(crate) fault: Option<&'static str>,
    pub(crate) from: (Instant, f64),
    pub(crate) target: f64,
    pub(crate) heater: bool,
}

impl Cryostat {
    pub(crate) fn new(world: &Shared) -> Self {
        Self {
            mock: Mock(world.clone(), "cryostat"),
            time_constant_s: 10.0,
            stays_off_by_k: 0.0,
            stays_off: None,
            stays_off_for_s: f64::INFINITY,
            passes_by: 0.0,
            ramp: 0.0,
            fault: None,
            from: (Instant::now(), 300.0),
            target: 300.0,
            heater: false,
        }
    }

    fn now(&self) -> f64 {
        let (since, from) = self.from;
        let since = since.elapsed().as_secs_f64();
        let is_off = self.stays_off.is_none_or(|only| only == self.target) && since < self.stays_off_for_s;
        let to = self.target + if is_off { self.stays_off_by_k } else { 0.0 };
        let passed =
            (to - from).signum() * self.passes_by * self.ramp * since / 30.0 * (1.0 - since / 30.0).exp();
        to + (from - to) * (-since / self.time_constant_s).exp() + passed
    }
}

#[async_trait]
impl Instrument for Cryostat {
    fn name(&self) -> &str {
        self.mock.name()
    }
    async fn prepare(&mut self) -> Result<String> {
        self.mock.prepare().await
    }
}

#[async_trait]
impl TemperatureController for Cryostat {
    async fn set_ramp(&mut self, kelvin_per_minute: f64) -> Result<()> {
        self.ramp = kelvin_per_minute;
        self.mock.act(&format!("ramp {kelvin_per_minute}"), |_| {}).await
    }
    async fn set_target(&mut self, target: Kelvin) -> Result<()> {
        self.from = (Instant::now(), self.now());
        self.target = target.0;
        self.mock.act(&format!("target {target}"), |_| {}).await
    }
    async fn set_heater(&mut self, on: bool) -> Result<()> {
        self.heater = on;
        self.mock.act(&format!("heater {on}"), |_| {}).await
    }
    async fn temperature(&mut self) -> Result<Sensed> {
        let value = self.now();
        Ok(Sensed { value: MeterValue::Value(value), text: value.to_string(), gain_u: 0.0, own_u: 0.01 })
    }
    async fn status(&mut self) -> Result<ThermalStatus> {
        let state = match self.fault {
            Some(what) => ThermalState::Fault(what.to_owned()),
            None if !self.heater => ThermalState::Off,
            None => ThermalState::Holding,
        };
        Ok(ThermalStatus { state, heater_percent: Some(10.0) })
    }
    async fn rest(&mut self) -> Result<()> {
        self.mock.act("rests", |_| {}).await
    }
}

/// Ramps at a tenth of a tesla a second; its iron keeps some of the field.
pub(crate) struct Magnet {
    pub(crate) mock: Mock,
    pub(crate) remanence_t: f64,
    pub(crate) stalls: bool,
    pub(crate) from: (Instant, f64),
    pub(crate) target: f64,
}

impl Magnet {
    pub(crate) fn new(world: &Shared) -> Self {
        Self {
            mock: Mock(world.clone(), "magnet"),
            remanence_t: 4e-3,
            stalls: false,
            from: (Instant::now(), 0.0),
            target: 0.0,
        }
    }

    fn now(&self) -> f64 {
        let (since, from) = self.from;
        let way = if self.stalls { 0.0 } else { 0.1 * since.elapsed().as_secs_f64() };
        if way >= (self.target - from).abs() { self.target } else { from + way.copysign(self.target - from) }
    }
}

#[async_trait]
impl Instrument for Magnet {
    fn name(&self) -> &str {
        self.mock.name()
    }
    async fn prepare(&mut self) -> Result<String> {
        self.mock.prepare().await
    }
}

#[async_trait]
impl FieldSource for Magnet {
    async fn set_ramp(&mut self, tesla_per_second: f64) -> Result<()> {
        self.mock.act(&format!("ramp {tesla_per_second}"), |_| {}).await
    }
    async fn go_to(&mut self, field: Tesla) -> Result<()> {
        self.from = (Instant::now(), self.now());
        self.target = field.0;
        self.mock.act(&format!("goes to {field}"), |_| {}).await
    }
    async fn hold(&mut self) -> Result<()> {
        self.mock.act("holds", |_| {}).await
    }
    async fn field(&mut self) -> Result<Sensed> {
        let value = self.now() + self.remanence_t;
        Ok(Sensed { value: MeterValue::Value(value), text: value.to_string(), gain_u: 0.0, own_u: 1e-5 })
    }
    async fn state(&mut self) -> Result<FieldState> {
        Ok(if self.now() == self.target { FieldState::AtRest } else { FieldState::Ramping })
    }
    async fn rest(&mut self) -> Result<()> {
        self.mock.act("rests", |_| {}).await
    }
}
