//! The instruments as their commands see them: settings, status, and what of a command takes time. Knows no
//! link and does not wait itself.

mod field;
mod matrix;
mod meter;
mod source;
mod temperature;

pub(crate) use field::FieldSource;
pub(crate) use matrix::Matrix;
pub(crate) use meter::{Kind, Meter};
pub(crate) use source::CurrentSource;
pub(crate) use temperature::TemperatureController;

#[cfg(test)]
mod surroundings_tests;
#[cfg(test)]
mod tests;

use crate::accuracy::Accuracy;
use crate::fault::FaultKind;
use crate::world::World;
use quadrille_documents::Role;
use quadrille_scpi::device::{
    CommandSet, Family, Form, Header, Limits, Parameter, ScpiError, Status, Unit, errors,
};

/// Status of a device that was just switched on.
pub(crate) fn powered_on() -> Status {
    Status::new(ERROR_QUEUE)
}

/// Entries of an error queue. Ours.
const ERROR_QUEUE: usize = 16;

/// What a unit needs before the next one may follow.
#[derive(Debug, PartialEq)]
pub(crate) enum Step {
    /// Nothing: it is carried out, with or without an answer.
    Done(Option<String>),
    /// The instrument's time to operate, then [`Device::apply`].
    Operate,
    /// The end of a reading, at this time, then [`Device::reading`].
    Reading(f64),
    /// To be asked again at this time: operations are under way.
    Later(f64),
}

/// One virtual instrument.
pub(crate) trait Device: Send {
    /// What it is called in its answer to `*IDN?`.
    fn role(&self) -> Role;

    /// Its registers and error queue.
    /// Why it cannot show a fault that is its own.
    fn can_show(&self, _fault: &FaultKind) -> Result<(), String> {
        Ok(())
    }

    fn status(&mut self) -> &mut Status;

    /// How long a setting takes, in seconds.
    fn operate_s(&self) -> f64;

    /// Brings its registers up to date, where a unit looks at them.
    fn catch_up(&mut self, unit: &Unit, now: f64, world: &mut World);

    /// Begins to carry out a unit that is not common to all devices.
    fn execute(&mut self, unit: &Unit, now: f64, world: &mut World) -> Result<Step, ScpiError>;

    /// Makes the world follow the settings.
    fn apply(&mut self, now: f64, world: &mut World);

    /// `*RST`: settings as after power on; [`Device::apply`] follows.
    fn reset(&mut self, world: &mut World);

    /// When what goes on by itself ends.
    fn pending_until(&self) -> Option<f64> {
        None
    }

    /// The reading whose end has come.
    fn reading(&mut self, _now: f64, _world: &mut World) -> Result<String, ScpiError> {
        Err(ScpiError::new(errors::DATA_CORRUPT_OR_STALE))
    }

    /// Device clear: forgets what is under way, keeps settings and status.
    fn clear(&mut self, _world: &mut World) {}
}

/// Begins to carry out a unit on a device, common commands included.
pub(crate) fn begin(
    device: &mut dyn Device,
    unit: &Unit,
    now: f64,
    world: &mut World,
) -> Result<Step, ScpiError> {
    device.catch_up(unit, now, world);
    if let Some(until) = device.pending_until().filter(|_| device.status().must_wait(unit)) {
        return Ok(Step::Later(until));
    }
    match (&unit.header, unit.is_query) {
        (Header::Common(name), true) if name == "IDN" => {
            unit.expect_none()?;
            return Ok(Step::Done(Some(identity(device.role()))));
        }
        (Header::Common(name), false) if name == "RST" => {
            unit.expect_none()?;
            device.reset(world);
            return Ok(Step::Operate);
        }
        _ => {}
    }
    match device.status().common(unit) {
        Some(outcome) => outcome.map(Step::Done),
        None => device.execute(unit, now, world),
    }
}

/// Whether an answer is arbitrary text, after which no other may follow in a message (IEEE 488.2, 8.7.11).
pub(crate) fn ends_message(unit: &Unit) -> bool {
    unit.is_query && matches!(&unit.header, Header::Common(name) if name == "IDN")
}

fn identity(role: Role) -> String {
    let (name, number) = match role {
        Role::CurrentSource => ("CURRENT SOURCE", 1),
        Role::Voltmeter => ("VOLTMETER", 2),
        Role::Ammeter => ("AMMETER", 3),
        Role::SwitchMatrix => ("SWITCH MATRIX", 4),
        Role::TemperatureController => ("TEMPERATURE CONTROLLER", 5),
        Role::FieldSource => ("FIELD SOURCE", 6),
    };
    format!("QUADRILLE,VIRTUAL {name},SIM-{number},{}", env!("CARGO_PKG_VERSION"))
}

/// A table of commands; a pattern that is none is our own mistake, which every test of a device would meet.
fn commands<T: Copy>(entries: &[(&str, Form, T)]) -> CommandSet<T> {
    let mut set = CommandSet::new();
    for (pattern, form, command) in entries {
        let added = set.add(pattern, *form, *command);
        debug_assert!(added.is_ok(), "{added:?}");
    }
    set
}

/// Whether a unit looks at registers that physics sets.
fn asks_status(unit: &Unit) -> bool {
    unit.is_query
        && match &unit.header {
            Header::Common(name) => name == "STB" || name == "ESR",
            Header::Path(path) => path.first().is_some_and(|node| node.name.starts_with("STAT")),
        }
}

/// Limits of a range: the words stand for the smallest and the largest full scale.
fn range_limits(accuracy: &Accuracy, family: Family) -> Limits {
    let largest = accuracy.full_scale(accuracy.largest());
    Limits { family, minimum: accuracy.full_scale(0), maximum: largest, default: largest }
}

/// The range that a command asks for: the smallest that holds the value (SCPI-1999 volume 2, 18.17.6, from memory).
fn range(unit: &Unit, accuracy: &Accuracy, family: Family) -> Result<usize, ScpiError> {
    unit.expect(1..=1)?;
    let limits = range_limits(accuracy, family);
    let limits = match unit.parameter(0)? {
        Parameter::Word(_) => limits,
        // Values below the smallest full scale are held by it.
        _ => Limits { minimum: 0.0, ..limits },
    };
    Ok(accuracy.range_for(unit.number(0, &limits)?))
}
