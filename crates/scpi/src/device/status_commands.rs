//! The commands that IEEE 488.2 and SCPI-1999 require of every device, as far as status alone can answer them.

use super::pattern::{CommandSet, Form};
use super::status::{EventRegister, Status};
use super::unit::{Header, Unit};
use super::{ScpiError, response};
use std::sync::LazyLock;

/// Version of SCPI that `SYSTem:VERSion?` names.
const VERSION: &str = "1999.0";

#[derive(Clone, Copy, Debug)]
enum Command {
    NextError,
    AllErrors,
    ErrorCount,
    Version,
    Preset,
    Register(Which, Part),
}

#[derive(Clone, Copy, Debug)]
enum Which {
    Operation,
    Questionable,
}

#[derive(Clone, Copy, Debug)]
enum Part {
    Event,
    Condition,
    Enable,
    Positive,
    Negative,
}

/// Names of SCPI-1999 volume 2, 20 and 21; from memory.
static COMMANDS: LazyLock<CommandSet<Command>> = LazyLock::new(|| {
    let mut set = CommandSet::new();
    let mut add = |pattern: &str, form, command| {
        let added = set.add(pattern, form, command);
        debug_assert!(added.is_ok(), "{added:?}");
    };
    add("SYSTem:ERRor[:NEXT]", Form::Query, Command::NextError);
    add("SYSTem:ERRor:ALL", Form::Query, Command::AllErrors);
    add("SYSTem:ERRor:COUNt", Form::Query, Command::ErrorCount);
    add("SYSTem:VERSion", Form::Query, Command::Version);
    add("STATus:PRESet", Form::Command, Command::Preset);
    for (name, which) in [("OPERation", Which::Operation), ("QUEStionable", Which::Questionable)] {
        add(&format!("STATus:{name}[:EVENt]"), Form::Query, Command::Register(which, Part::Event));
        add(&format!("STATus:{name}:CONDition"), Form::Query, Command::Register(which, Part::Condition));
        add(&format!("STATus:{name}:ENABle"), Form::Both, Command::Register(which, Part::Enable));
        add(&format!("STATus:{name}:PTRansition"), Form::Both, Command::Register(which, Part::Positive));
        add(&format!("STATus:{name}:NTRansition"), Form::Both, Command::Register(which, Part::Negative));
    }
    set
});

/// What one command gives: an answer, nothing, or an error that the device reports to its status.
type Outcome = Result<Option<String>, ScpiError>;

impl Status {
    /// Carries out `*CLS *ESE *ESE? *ESR? *OPC *OPC? *SRE *SRE? *STB? *WAI *TST?`, `SYSTem:ERRor[:NEXT]?`, `:ALL?`
    /// and `:COUNt?`, `SYSTem:VERSion?` and `STATus:`; nothing for any other unit. `*IDN?`, `*RST` and `*TRG` are
    /// the device's own. The self-test passes; a device that has one looks for `*TST?` first.
    ///
    /// Before `*OPC?` and `*WAI` the device asks [`Status::must_wait`].
    pub fn common(&mut self, unit: &Unit) -> Option<Outcome> {
        match &unit.header {
            Header::Common(name) => self.star(name, unit),
            Header::Path(_) => COMMANDS.find(unit).ok().map(|command| self.tree(command, unit)),
        }
    }

    /// Whether a unit must wait for the operations under way: `*OPC?` and `*WAI`.
    pub fn must_wait(&self, unit: &Unit) -> bool {
        self.is_operation_pending()
            && match (&unit.header, unit.is_query) {
                (Header::Common(name), true) => name == "OPC",
                (Header::Common(name), false) => name == "WAI",
                _ => false,
            }
    }

    fn star(&mut self, name: &str, unit: &Unit) -> Option<Outcome> {
        Some(match (name, unit.is_query) {
            ("CLS", false) => self.plain(unit, Self::clear),
            ("OPC", false) => self.plain(unit, Self::await_completion),
            ("WAI", false) => self.plain(unit, |_| ()),
            ("OPC", true) => answer(unit, || 1),
            ("TST", true) => answer(unit, || 0),
            ("ESR", true) => answer(unit, || self.take_events().into()),
            ("STB", true) => answer(unit, || self.status_byte().into()),
            ("ESE", true) => answer(unit, || self.event_enable.into()),
            ("SRE", true) => answer(unit, || self.service_enable.into()),
            ("ESE", false) => byte(unit).map(|value| {
                self.event_enable = value;
                None
            }),
            // Bit 6 cannot be enabled (IEEE 488.2, 11.3.2.3).
            ("SRE", false) => byte(unit).map(|value| {
                self.service_enable = value & !(1 << 6);
                None
            }),
            _ => return None,
        })
    }

    fn plain(&mut self, unit: &Unit, act: impl FnOnce(&mut Self)) -> Outcome {
        unit.expect_none()?;
        act(self);
        Ok(None)
    }

    fn tree(&mut self, command: Command, unit: &Unit) -> Outcome {
        match command {
            Command::Register(which, part) => {
                let register = match which {
                    Which::Operation => &mut self.operation,
                    Which::Questionable => &mut self.questionable,
                };
                register_command(register, part, unit)
            }
            _ => {
                unit.expect_none()?;
                Ok(match command {
                    Command::NextError => Some(self.error_answer()),
                    Command::AllErrors => {
                        let mut all = vec![self.error_answer()];
                        while self.error_count() > 0 {
                            all.push(self.error_answer());
                        }
                        Some(all.join(","))
                    }
                    Command::ErrorCount => Some(response::integer(self.error_count() as i64)),
                    Command::Version => Some(VERSION.to_owned()),
                    Command::Preset | Command::Register(..) => {
                        self.preset();
                        None
                    }
                })
            }
        }
    }

    fn error_answer(&mut self) -> String {
        self.next_error().unwrap_or_else(|| ScpiError::new(0)).answer()
    }
}

fn register_command(register: &mut EventRegister, part: Part, unit: &Unit) -> Outcome {
    let mask = match part {
        Part::Event => return answer(unit, || register.take_event().into()),
        Part::Condition => return answer(unit, || register.condition().into()),
        Part::Enable => register.enable(),
        Part::Positive => register.positive(),
        Part::Negative => register.negative(),
    };
    if unit.is_query {
        return answer(unit, || (*mask).into());
    }
    unit.expect(1..=1)?;
    // Bit 15 is never used, so that the register fits a signed word.
    *mask = unit.integer(0, 0..=65_535)? as u16 & 0x7FFF;
    Ok(None)
}

fn answer(unit: &Unit, value: impl FnOnce() -> i64) -> Outcome {
    unit.expect_none()?;
    Ok(Some(response::integer(value())))
}

fn byte(unit: &Unit) -> Result<u8, ScpiError> {
    unit.expect(1..=1)?;
    Ok(unit.integer(0, 0..=255)? as u8)
}
