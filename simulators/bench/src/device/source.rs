//! The virtual current source.

use super::{Device, ERROR_QUEUE, Step, asks_status, commands, range, range_limits};
use crate::accuracy::Accuracy;
use crate::fault_board::Board;
use crate::world::{Source, World};
use quadrille_documents::Role;
use quadrille_scpi::device::{
    CommandSet, Family, Form, Limits, ScpiError, Status, Unit, boolean, errors, real,
};
use std::sync::{Arc, LazyLock};

/// Smallest voltage limit, in volts. Ours.
const SMALLEST_LIMIT_V: f64 = 1e-3;

/// Largest voltage limit, in volts, where the bench does not allow more. Ours.
const LARGEST_LIMIT_V: f64 = 100.0;

/// Bit of the questionable register: voltage (SCPI-1999 volume 1, 9.4, from memory).
const VOLTAGE: u8 = 0;

#[derive(Clone, Copy)]
enum Command {
    Level,
    Range,
    Limit,
    Output,
    Guard,
}

static COMMANDS: LazyLock<CommandSet<Command>> = LazyLock::new(|| {
    commands(&[
        ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", Form::Both, Command::Level),
        ("[SOURce:]CURRent:RANGe", Form::Both, Command::Range),
        ("[SOURce:]VOLTage:LIMit", Form::Both, Command::Limit),
        ("OUTPut[:STATe]", Form::Both, Command::Output),
        ("OUTPut:GUARd", Form::Both, Command::Guard),
    ])
});

/// Settings and status of the source.
pub(crate) struct CurrentSource {
    status: Status,
    faults: Arc<Board>,
    accuracy: Accuracy,
    operate_s: f64,
    limits: Limits,
    range: usize,
    level: f64,
    limit: f64,
    output: bool,
    guard: bool,
}

impl CurrentSource {
    /// As after power on. `highest_v` is what the bench allows.
    pub(crate) fn new(faults: Arc<Board>, accuracy: Accuracy, operate_s: f64, highest_v: f64) -> Self {
        let highest = highest_v.max(LARGEST_LIMIT_V);
        Self {
            status: Status::new(ERROR_QUEUE),
            faults,
            range: accuracy.largest(),
            accuracy,
            operate_s,
            limits: Limits::new(Family::Volt, SMALLEST_LIMIT_V, highest),
            level: 0.0,
            limit: SMALLEST_LIMIT_V,
            output: false,
            guard: false,
        }
    }

    /// As the world sees the source.
    pub(crate) fn as_set(&self) -> Source {
        let wrong = self.faults.of_source();
        Source {
            on: self.output,
            level: self.level,
            current: wrong.sign * self.accuracy.applied(self.range, self.level),
            limit: self.limit.min(wrong.most_limit),
        }
    }

    fn level_limits(&self, range: usize) -> Limits {
        let most = self.accuracy.full_scale(range);
        Limits { family: Family::Ampere, minimum: -most, maximum: most, default: 0.0 }
    }

    fn set(&mut self, command: Command, unit: &Unit) -> Result<(), ScpiError> {
        unit.expect(1..=1)?;
        match command {
            Command::Level => self.level = unit.number(0, &self.level_limits(self.range))?,
            Command::Range => {
                let range = range(unit, &self.accuracy, Family::Ampere)?;
                if self.level.abs() > self.accuracy.full_scale(range) {
                    return Err(ScpiError::with(errors::SETTINGS_CONFLICT, "the level is beyond the range"));
                }
                self.range = range;
            }
            Command::Limit => self.limit = unit.number(0, &self.limits)?,
            Command::Output => self.output = unit.boolean(0)?,
            Command::Guard => self.guard = unit.boolean(0)?,
        }
        Ok(())
    }

    fn ask(&self, command: Command, unit: &Unit) -> Result<String, ScpiError> {
        let limited = |limits: &Limits, value: f64| -> Result<String, ScpiError> {
            Ok(real(unit.named_limit(limits)?.unwrap_or(value)))
        };
        let plain = |is_on: bool| unit.expect_none().map(|()| boolean(is_on));
        match command {
            Command::Level => limited(&self.level_limits(self.range), self.level),
            Command::Range => {
                limited(&range_limits(&self.accuracy, Family::Ampere), self.accuracy.full_scale(self.range))
            }
            Command::Limit => limited(&self.limits, self.limit),
            Command::Output => plain(self.output),
            Command::Guard => plain(self.guard),
        }
    }
}

impl Device for CurrentSource {
    fn role(&self) -> Role {
        Role::CurrentSource
    }

    fn status(&mut self) -> &mut Status {
        &mut self.status
    }

    fn operate_s(&self) -> f64 {
        self.operate_s
    }

    fn catch_up(&mut self, unit: &Unit, now: f64, world: &mut World) {
        if !asks_status(unit) {
            return;
        }
        world.advance(now);
        // What came and went between two questions is an event all the same.
        if world.take_limit_reached() {
            self.status.questionable.set_condition_bit(VOLTAGE, true);
        }
        let is_at_limit = world.is_at_limit() || self.faults.pretends_compliance();
        self.status.questionable.set_condition_bit(VOLTAGE, is_at_limit);
    }

    fn execute(&mut self, unit: &Unit, _now: f64, _world: &mut World) -> Result<Step, ScpiError> {
        let command = COMMANDS.find(unit)?;
        if unit.is_query {
            return self.ask(command, unit).map(|answer| Step::Done(Some(answer)));
        }
        self.set(command, unit).map(|()| Step::Operate)
    }

    fn apply(&mut self, now: f64, world: &mut World) {
        let drives = |source: Source| source.on && source.level != 0.0;
        let stays_on = drives(world.source()) && !drives(self.as_set()) && self.faults.stays_on();
        if world.source() != self.as_set() && !stays_on {
            world.set_source(now, self.as_set());
        }
        if world.position().guard != self.guard {
            world.set_guard(now, self.guard);
        }
    }

    fn reset(&mut self, _world: &mut World) {
        self.range = self.accuracy.largest();
        (self.level, self.limit) = (0.0, self.limits.minimum);
        (self.output, self.guard) = (false, false);
    }
}
