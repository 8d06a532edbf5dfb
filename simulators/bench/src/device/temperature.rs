//! The virtual temperature controller: the words around the cryostat.

use super::{Device, Step, commands, powered_on};
use crate::plant::{Cryostat, Shared};
use crate::world::World;
use quadrille_documents::Role;
use quadrille_scpi::device::{
    CommandSet, Family, Form, Limits, ScpiError, Status, Unit, boolean, errors, real, real_with_decimals,
};
use std::sync::LazyLock;

/// What it can be told, whatever the cryostat bears. Ours.
const TARGET: Limits = Limits { family: Family::Kelvin, minimum: 0.1, maximum: 1500.0, default: 295.0 };

/// Kelvins per minute. Ours.
const RAMP: Limits = Limits { family: Family::None, minimum: 1e-3, maximum: 100.0, default: 1.0 };

/// Digits after the point in a reading.
const DECIMALS: usize = 9;

/// Bit of the operation register: sweeping (SCPI-1999 volume 1, 9.3, from memory); the set point is on its way.
const SWEEPING: u8 = 3;

/// Bit of the questionable register: temperature (SCPI-1999 volume 1, 9.4, from memory); the thermometer shows none.
const TEMPERATURE: u8 = 4;

/// Bit of the questionable register that is a designer's own: it tripped.
const TRIPPED: u8 = 9;

#[derive(Clone, Copy)]
enum Command {
    Target,
    Ramp,
    Output,
    Power,
    ClearTrip,
    Temperature,
    Resistance,
}

static COMMANDS: LazyLock<CommandSet<Command>> = LazyLock::new(|| {
    commands(&[
        ("[SOURce:]TEMPerature:SPOint", Form::Both, Command::Target),
        ("[SOURce:]TEMPerature:RAMP", Form::Both, Command::Ramp),
        ("OUTPut[:STATe]", Form::Both, Command::Output),
        ("OUTPut:POWer", Form::Query, Command::Power),
        ("OUTPut:PROTection:CLEar", Form::Command, Command::ClearTrip),
        ("MEASure[:SCALar]:TEMPerature", Form::Query, Command::Temperature),
        ("MEASure[:SCALar]:RESistance", Form::Query, Command::Resistance),
    ])
});

/// Settings and status of the controller.
pub(crate) struct TemperatureController {
    status: Status,
    operate_s: f64,
    cryostat: Shared<Cryostat>,
    target: f64,
    ramp: f64,
    output: bool,
    clears_trip: bool,
}

impl TemperatureController {
    /// As after power on: heater off.
    pub(crate) fn new(cryostat: Shared<Cryostat>, operate_s: f64) -> Self {
        Self {
            status: powered_on(),
            operate_s,
            cryostat,
            target: TARGET.default,
            ramp: RAMP.default,
            output: false,
            clears_trip: false,
        }
    }

    fn set(&mut self, command: Command, unit: &Unit) -> Result<(), ScpiError> {
        if matches!(command, Command::ClearTrip) {
            unit.expect_none()?;
            self.clears_trip = true;
            return Ok(());
        }
        unit.expect(1..=1)?;
        match command {
            Command::Target => self.target = unit.number(0, &TARGET)?,
            Command::Ramp => self.ramp = unit.number(0, &RAMP)?,
            _ => {
                let on = unit.boolean(0)?;
                if on && self.cryostat.lock().has_tripped() {
                    return Err(ScpiError::with(errors::SETTINGS_CONFLICT, "it has tripped"));
                }
                self.output = on;
            }
        }
        Ok(())
    }

    fn ask(&self, command: Command, unit: &Unit) -> Result<String, ScpiError> {
        let limited = |limits: &Limits, value: f64| -> Result<String, ScpiError> {
            Ok(real(unit.named_limit(limits)?.unwrap_or(value)))
        };
        let reading = |value: Option<f64>| {
            let text = real_with_decimals(value.unwrap_or(f64::NAN), DECIMALS);
            unit.expect_none().map(|()| text)
        };
        let cryostat = self.cryostat.lock();
        match command {
            Command::Target => limited(&TARGET, self.target),
            Command::Ramp => limited(&RAMP, self.ramp),
            Command::Power => reading(Some(cryostat.heater_percent())),
            Command::Temperature => reading(cryostat.shown_k()),
            Command::Resistance => reading(cryostat.ohm()),
            Command::Output | Command::ClearTrip => unit.expect_none().map(|()| boolean(self.output)),
        }
    }
}

impl Device for TemperatureController {
    fn role(&self) -> Role {
        Role::TemperatureController
    }

    fn status(&mut self) -> &mut Status {
        &mut self.status
    }

    fn operate_s(&self) -> f64 {
        self.operate_s
    }

    fn catch_up(&mut self, _unit: &Unit, now: f64, _world: &mut World) {
        let mut cryostat = self.cryostat.lock();
        cryostat.advance(now);
        self.output &= !cryostat.has_tripped();
        self.status.operation.set_condition_bit(SWEEPING, cryostat.is_ramping());
        self.status.questionable.set_condition_bit(TEMPERATURE, cryostat.shown_k().is_none());
        self.status.questionable.set_condition_bit(TRIPPED, cryostat.has_tripped());
    }

    fn execute(&mut self, unit: &Unit, _now: f64, _world: &mut World) -> Result<Step, ScpiError> {
        let command = COMMANDS.find(unit)?;
        if unit.is_query {
            return self.ask(command, unit).map(|answer| Step::Done(Some(answer)));
        }
        self.set(command, unit).map(|()| Step::Operate)
    }

    fn apply(&mut self, now: f64, _world: &mut World) {
        let mut cryostat = self.cryostat.lock();
        cryostat.advance(now);
        if std::mem::take(&mut self.clears_trip) {
            cryostat.clear_trip();
        }
        cryostat.set_target(self.target);
        cryostat.set_ramp(self.ramp / 60.0);
        if cryostat.is_on() != self.output {
            cryostat.set_heater(self.output);
        }
    }

    fn reset(&mut self, _world: &mut World) {
        (self.target, self.ramp, self.output) = (TARGET.default, RAMP.default, false);
        self.clears_trip = true;
    }
}
