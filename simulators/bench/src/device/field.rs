//! The virtual magnet supply with its Hall probe: the words around the magnet.

use super::{Device, Step, commands, powered_on};
use crate::plant::{Magnet, Shared};
use crate::world::World;
use quadrille_documents::{Magnet as MagnetLimits, Role};
use quadrille_scpi::device::{
    CommandSet, Family, Form, Limits, ScpiError, Status, Unit, boolean, errors, real, real_with_decimals,
};
use std::sync::LazyLock;

/// What the supply can be told beyond what the magnet bears. Ours.
const BEYOND: f64 = 1.5;

/// Teslas per second. Ours.
const RAMP: Limits = Limits { family: Family::None, minimum: 1e-7, maximum: 10.0, default: 1e-3 };

/// Digits after the point in a reading.
const DECIMALS: usize = 9;

/// Bit of the operation register: sweeping (SCPI-1999 volume 1, 9.3, from memory).
const SWEEPING: u8 = 3;

/// Bit of the questionable register: voltage (SCPI-1999 volume 1, 9.4, from memory); at its limit, the ramp is slower.
const VOLTAGE: u8 = 0;

/// Bit of the questionable register that is a designer's own: it tripped.
const TRIPPED: u8 = 9;

#[derive(Clone, Copy)]
enum Command {
    Target,
    Ramp,
    Start,
    Hold,
    Output,
    ClearTrip,
    Field,
    Current,
}

static COMMANDS: LazyLock<CommandSet<Command>> = LazyLock::new(|| {
    commands(&[
        ("[SOURce:]FIELd", Form::Both, Command::Target),
        ("[SOURce:]FIELd:RAMP", Form::Both, Command::Ramp),
        ("[SOURce:]FIELd:STARt", Form::Command, Command::Start),
        ("[SOURce:]FIELd:HOLD", Form::Command, Command::Hold),
        ("OUTPut[:STATe]", Form::Both, Command::Output),
        ("OUTPut:PROTection:CLEar", Form::Command, Command::ClearTrip),
        ("MEASure[:SCALar]:FIELd", Form::Query, Command::Field),
        ("MEASure[:SCALar]:CURRent[:DC]", Form::Query, Command::Current),
    ])
});

/// What is to happen to the current when a command has been taken.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Act {
    Nothing,
    Start,
    Hold,
    ClearTrip,
    /// To no current, and the output off then.
    Down,
}

/// Settings and status of the supply.
pub(crate) struct FieldSource {
    status: Status,
    operate_s: f64,
    magnet: Shared<Magnet>,
    targets: Limits,
    target: f64,
    ramp: f64,
    output: bool,
    act: Act,
    off_at_zero: bool,
}

impl FieldSource {
    /// As after power on: no current, output off.
    pub(crate) fn new(magnet: Shared<Magnet>, limits: &MagnetLimits, operate_s: f64) -> Self {
        let most = BEYOND * limits.most_field_t;
        Self {
            status: powered_on(),
            operate_s,
            magnet,
            targets: Limits { family: Family::Tesla, minimum: -most, maximum: most, default: 0.0 },
            target: 0.0,
            ramp: RAMP.default,
            output: false,
            act: Act::Nothing,
            off_at_zero: false,
        }
    }

    fn set(&mut self, command: Command, unit: &Unit) -> Result<(), ScpiError> {
        let conflict = |what| Err(ScpiError::with(errors::SETTINGS_CONFLICT, what));
        let has_tripped = self.magnet.lock().has_tripped();
        match command {
            Command::Start | Command::Hold | Command::ClearTrip => {
                unit.expect_none()?;
                self.act = match command {
                    Command::Hold => Act::Hold,
                    Command::ClearTrip => Act::ClearTrip,
                    _ if has_tripped => return conflict("it has tripped"),
                    _ if !self.output => return conflict("the output is off"),
                    _ => Act::Start,
                };
                if self.act != Act::ClearTrip {
                    self.off_at_zero = false;
                }
                return Ok(());
            }
            _ => unit.expect(1..=1)?,
        }
        match command {
            Command::Target => self.target = unit.number(0, &self.targets)?,
            Command::Ramp => self.ramp = unit.number(0, &RAMP)?,
            _ => {
                let on = unit.boolean(0)?;
                if on && has_tripped {
                    return conflict("it has tripped");
                }
                (self.output, self.off_at_zero) = (on, false);
            }
        }
        Ok(())
    }

    fn ask(&self, command: Command, unit: &Unit, now: f64) -> Result<String, ScpiError> {
        let limited = |limits: &Limits, value: f64| -> Result<String, ScpiError> {
            Ok(real(unit.named_limit(limits)?.unwrap_or(value)))
        };
        let reading = |value: f64| unit.expect_none().map(|()| real_with_decimals(value, DECIMALS));
        let magnet = self.magnet.lock();
        match command {
            Command::Target => limited(&self.targets, self.target),
            Command::Ramp => limited(&RAMP, self.ramp),
            Command::Field => reading(magnet.shown_t(now)),
            Command::Current => reading(magnet.current_a(now)),
            _ => unit.expect_none().map(|()| boolean(self.output)),
        }
    }
}

impl Device for FieldSource {
    fn role(&self) -> Role {
        Role::FieldSource
    }

    fn status(&mut self) -> &mut Status {
        &mut self.status
    }

    fn operate_s(&self) -> f64 {
        self.operate_s
    }

    fn catch_up(&mut self, _unit: &Unit, now: f64, _world: &mut World) {
        let mut magnet = self.magnet.lock();
        if self.off_at_zero && !magnet.is_ramping(now) && !magnet.has_current(now) {
            (self.output, self.off_at_zero) = (false, false);
            magnet.set_output(now, false);
        }
        self.status.operation.set_condition_bit(SWEEPING, magnet.is_ramping(now));
        self.status.questionable.set_condition_bit(VOLTAGE, magnet.is_at_voltage_limit(now));
        self.status.questionable.set_condition_bit(TRIPPED, magnet.has_tripped());
    }

    fn execute(&mut self, unit: &Unit, now: f64, _world: &mut World) -> Result<Step, ScpiError> {
        let command = COMMANDS.find(unit)?;
        if unit.is_query {
            return self.ask(command, unit, now).map(|answer| Step::Done(Some(answer)));
        }
        self.set(command, unit).map(|()| Step::Operate)
    }

    fn apply(&mut self, now: f64, _world: &mut World) {
        let mut magnet = self.magnet.lock();
        if magnet.is_on() != self.output {
            magnet.set_output(now, self.output);
        }
        match std::mem::replace(&mut self.act, Act::Nothing) {
            Act::Nothing => {}
            Act::Start => magnet.go_to(now, self.target, self.ramp),
            Act::Hold => magnet.hold(now),
            Act::ClearTrip => magnet.clear_trip(now),
            Act::Down => {
                magnet.clear_trip(now);
                magnet.go_to(now, 0.0, self.ramp);
            }
        }
    }

    /// Reset or switched on again, the supply goes to no current by its ramp and switches its output off there.
    fn reset(&mut self, _world: &mut World) {
        (self.target, self.ramp) = (0.0, RAMP.default);
        (self.act, self.off_at_zero) = (Act::Down, self.output);
    }
}
