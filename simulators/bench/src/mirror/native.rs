//! What an action of a dialect is in the virtual instruments' own words, and how their answers become the dialect's.

use quadrille_documents::{Action, Bench, Crosspoint, Dialect, Part, Placeholder, Role, Template};
use quadrille_scpi::ChannelList;
use quadrille_scpi::device::{ScpiError, errors, integer, real};
use std::collections::BTreeMap;

/// Whether a supply can go, and that it does.
pub(crate) const CAN_GO: &str = ":OUTPut:STATe?";
pub(crate) const GO: &str = ":SOURce:FIELd:STARt";

const OPERATION: &str = ":STATus:OPERation:CONDition?";
const QUESTIONABLE: &str = ":STATus:QUEStionable:CONDition?";

/// Bit of the virtual source's questionable register: at its voltage limit.
const AT_LIMIT: u8 = 0;

/// Bit of the operation register of virtual controller and supply: on its way.
const ON_ITS_WAY: u8 = 3;

/// Bits of the questionable register of the virtual controller and of the virtual supply, by rising number.
const CONTROLLER_FAULTS: [u8; 2] = [4, 9];
const SUPPLY_FAULTS: [u8; 1] = [9];

/// Digits after the first that survive a change of unit: so that 0.1 power-line cycles are 0.1 again after they were
/// seconds.
const DIGITS: usize = 14;

/// What a native device is told and asked, and what is made of its answers.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Deed {
    /// One unit each, in order.
    pub(crate) messages: Vec<String>,
    pub(crate) answer: Answer,
    /// Whether a supply whose document has no word for it goes where it is set, now that this is done and if its
    /// output is on.
    pub(crate) goes: bool,
}

/// What an answer in the dialect is made of.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Answer {
    /// The native answer as it is; for a command, nothing.
    Same,
    /// A number in another unit, so many of which are one of the native.
    Scaled(f64),
    /// A register.
    Bits(Vec<Bit>),
    /// Crosspoints as the dialect writes them.
    Crosspoints,
}

/// One bit of a register that is answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Bit {
    /// Which native register it is taken from.
    register: &'static str,
    native: u8,
    /// Its number in the dialect's register.
    pub(crate) bit: u8,
    is_inverted: bool,
}

/// Values that stood in a message.
pub(crate) type Values<'m> = BTreeMap<Placeholder, &'m str>;

/// What turns values of a dialect into native ones.
#[derive(Debug)]
pub(crate) struct Units {
    mains_hz: f64,
    field_t_per_a: f64,
}

impl Units {
    pub(crate) fn new(bench: &Bench) -> Self {
        let field_t_per_a = bench.magnet.map_or(1.0, |magnet| magnet.field_t_per_a);
        Self { mains_hz: bench.mains_hz, field_t_per_a }
    }

    /// How much of the native unit one of a placeholder's unit is.
    fn factor(&self, placeholder: Placeholder) -> f64 {
        match placeholder {
            Placeholder::ApertureSecond => self.mains_hz,
            Placeholder::RampKelvinPerSecond => 60.0,
            Placeholder::MagnetCurrent | Placeholder::RampAmperePerSecond => self.field_t_per_a,
            Placeholder::RampTeslaPerMinute => 1.0 / 60.0,
            Placeholder::RampAmperePerMinute => self.field_t_per_a / 60.0,
            _ => 1.0,
        }
    }

    /// A value in the native unit; as it was written where that is the same.
    fn native(&self, placeholder: Placeholder, text: &str) -> Result<String, ScpiError> {
        let factor = self.factor(placeholder);
        if factor == 1.0 {
            return Ok(text.to_owned());
        }
        Ok(real(tidy(number(text)? * factor)))
    }
}

fn number(text: &str) -> Result<f64, ScpiError> {
    text.trim().parse().map_err(|_| ScpiError::with(errors::NUMERIC_DATA_ERROR, text))
}

fn tidy(value: f64) -> f64 {
    format!("{value:.DIGITS$E}").parse().unwrap_or(value)
}

/// The placeholder in whose unit a value is set, and so read back.
fn carried(template: Option<&Template>) -> Option<Placeholder> {
    let mut found = template?.parts().iter().filter_map(|part| match part {
        Part::Value(placeholder) => Some(*placeholder),
        Part::Text(_) => None,
    });
    let first = found.next()?;
    // An aperture that is given in both units is read back in seconds.
    Some(found.find(|&other| other == Placeholder::ApertureSecond).unwrap_or(first))
}

/// The bits of a register that a question asks for; `None` where its answer is no register.
pub(crate) fn bits(dialect: &Dialect, action: Action) -> Option<Vec<Bit>> {
    let one = |register, native, bit, is_inverted| vec![Bit { register, native, bit, is_inverted }];
    match action {
        Action::InCompliance => Some(one(QUESTIONABLE, AT_LIMIT, dialect.compliance_bit, false)),
        Action::Ramping => Some(one(OPERATION, ON_ITS_WAY, dialect.ramping_bit, dialect.ramping_is_zero)),
        Action::Fault if !dialect.fault_bits.is_empty() => Some(fault_bits(dialect)),
        _ => None,
    }
}

/// The first native fault is the first that the document lists, and so on; what is beyond is its last. Where it
/// lists none, any answer but 0 is a fault.
fn fault_bits(dialect: &Dialect) -> Vec<Bit> {
    let native: &[u8] = if dialect.role == Role::FieldSource { &SUPPLY_FAULTS } else { &CONTROLLER_FAULTS };
    let bit = |(k, &native): (usize, &u8)| {
        let listed = dialect.fault_bits.get(k).or(dialect.fault_bits.last());
        let bit = listed.map_or(native, |listed| listed.bit);
        Bit { register: QUESTIONABLE, native, bit, is_inverted: false }
    };
    native.iter().enumerate().map(bit).collect()
}

/// What the native device is asked for bits.
pub(crate) fn register(bits: Vec<Bit>) -> Deed {
    let mut messages: Vec<String> = Vec::new();
    for bit in &bits {
        if !messages.iter().any(|message| message == bit.register) {
            messages.push(bit.register.to_owned());
        }
    }
    Deed { messages, answer: Answer::Bits(bits), goes: false }
}

/// An action in native words. `closes` are the crosspoints that stood in the message.
pub(crate) fn deed(
    dialect: &Dialect,
    action: Action,
    values: &Values<'_>,
    closes: &[Crosspoint],
    units: &Units,
) -> Result<Deed, ScpiError> {
    if let Some(bits) = bits(dialect, action) {
        return Ok(register(bits));
    }
    let asks = |message: &str, answer| Deed { messages: vec![message.to_owned()], answer, goes: false };
    let plain = |message: &str| Ok(asks(message, Answer::Same));
    let goes = dialect.role == Role::FieldSource && !dialect.can(Action::StartRamp);
    let set = |header: &str| -> Result<Deed, ScpiError> {
        let placeholder = carried(dialect.template(action));
        let missing = || ScpiError::new(errors::MISSING_PARAMETER);
        let placeholder = placeholder.ok_or_else(missing)?;
        let text = values.get(&placeholder).ok_or_else(missing)?;
        plain(&format!("{header} {}", units.native(placeholder, text)?))
    };
    let asked = |message: &str, set: Action| {
        let factor = carried(dialect.template(set)).map_or(1.0, |placeholder| units.factor(placeholder));
        let answer = if factor == 1.0 { Answer::Same } else { Answer::Scaled(1.0 / factor) };
        Ok(asks(message, answer))
    };
    match action {
        Action::Identity => plain("*IDN?"),
        Action::NextError => plain(":SYSTem:ERRor?"),
        Action::Complete => plain("*OPC?"),
        Action::SetLevel => set(":SOURce:CURRent"),
        Action::LevelSet => plain(":SOURce:CURRent?"),
        Action::SetSourceRange => set(":SOURce:CURRent:RANGe"),
        Action::SourceRangeSet => plain(":SOURce:CURRent:RANGe?"),
        Action::SetLimit => set(":SOURce:VOLTage:LIMit"),
        Action::LimitSet => plain(":SOURce:VOLTage:LIMit?"),
        Action::OutputOn | Action::HeaterOn => Ok(Deed { goes, ..plain(":OUTPut:STATe ON")? }),
        Action::OutputOff | Action::HeaterOff => plain(":OUTPut:STATe OFF"),
        Action::OutputState | Action::HeaterState => plain(":OUTPut:STATe?"),
        Action::GuardOn => plain(":OUTPut:GUARd ON"),
        Action::GuardOff => plain(":OUTPut:GUARd OFF"),
        Action::GuardState => plain(":OUTPut:GUARd?"),
        Action::SetVoltageRange => set(":SENSe:VOLTage:RANGe"),
        Action::VoltageRangeSet => plain(":SENSe:VOLTage:RANGe?"),
        Action::SetCurrentRange => set(":SENSe:CURRent:RANGe"),
        Action::CurrentRangeSet => plain(":SENSe:CURRent:RANGe?"),
        Action::SetAperture if dialect.role == Role::Voltmeter => set(":SENSe:VOLTage:NPLCycles"),
        Action::SetAperture => set(":SENSe:CURRent:NPLCycles"),
        Action::ApertureSet if dialect.role == Role::Voltmeter => {
            asked(":SENSe:VOLTage:NPLCycles?", Action::SetAperture)
        }
        Action::ApertureSet => asked(":SENSe:CURRent:NPLCycles?", Action::SetAperture),
        Action::Read => plain(":READ?"),
        Action::ShortInput => plain(":INPut:STATe OFF"),
        Action::ReleaseInput => plain(":INPut:STATe ON"),
        Action::InputState => plain(":INPut:STATe?"),
        Action::Close => {
            let pairs = closes.iter().map(|c| (u32::from(c.row), u32::from(c.column)));
            plain(&format!(":ROUTe:CLOSe {}", ChannelList::crosspoints(pairs)))
        }
        Action::OpenAll => plain(":ROUTe:OPEN:ALL"),
        Action::Closed => Ok(asks(":ROUTe:CLOSe:STATe?", Answer::Crosspoints)),
        Action::SetTarget => set(":SOURce:TEMPerature:SPOint"),
        Action::TargetSet => plain(":SOURce:TEMPerature:SPOint?"),
        Action::SetTemperatureRamp => set(":SOURce:TEMPerature:RAMP"),
        Action::TemperatureRampSet => asked(":SOURce:TEMPerature:RAMP?", Action::SetTemperatureRamp),
        Action::Temperature => plain(":MEASure:TEMPerature?"),
        Action::HeaterPower => plain(":OUTPut:POWer?"),
        Action::SetFieldTarget => Ok(Deed { goes, ..set(":SOURce:FIELd")? }),
        Action::FieldTargetSet => asked(":SOURce:FIELd?", Action::SetFieldTarget),
        Action::SetFieldRamp => set(":SOURce:FIELd:RAMP"),
        Action::FieldRampSet => asked(":SOURce:FIELd:RAMP?", Action::SetFieldRamp),
        Action::StartRamp => plain(GO),
        Action::HoldField => plain(":SOURce:FIELd:HOLD"),
        Action::MeasuredField => plain(":MEASure:FIELd?"),
        Action::Fault => Ok(register(fault_bits(dialect))),
        // These are bits of a register, above.
        Action::InCompliance | Action::Ramping => Err(ScpiError::new(errors::SYSTEM_ERROR)),
    }
}

impl Deed {
    /// Whether something is answered.
    pub(crate) fn asks(&self) -> bool {
        self.messages.iter().any(|message| message.ends_with('?'))
    }

    /// The answer in the dialect's form; `None` where the native device answered nothing.
    pub(crate) fn answered(&self, dialect: &Dialect, native: &[String]) -> Result<Option<String>, ScpiError> {
        let Some(first) = native.first() else { return Ok(None) };
        Ok(Some(match &self.answer {
            Answer::Same => first.clone(),
            Answer::Scaled(factor) => real(tidy(number(first)? * factor)),
            Answer::Bits(bits) => integer(self.register_of(bits, native)?),
            Answer::Crosspoints => {
                let fault = || ScpiError::with(errors::SYSTEM_ERROR, first.clone());
                let list = ChannelList::parse(first).map_err(|_| fault())?;
                let pairs = list.as_crosspoints().ok_or_else(fault)?;
                let write = |&(row, column): &(u32, u32)| -> Option<String> {
                    let crosspoint =
                        Crosspoint { row: row.try_into().ok()?, column: column.try_into().ok()? };
                    Some(dialect.crosspoint_text(crosspoint))
                };
                let written: Option<Vec<String>> = pairs.iter().map(write).collect();
                format!("(@{})", written.ok_or_else(fault)?.join(","))
            }
        }))
    }

    fn register_of(&self, bits: &[Bit], native: &[String]) -> Result<i64, ScpiError> {
        let mut value = 0;
        for bit in bits {
            let asked = self.messages.iter().filter(|message| message.ends_with('?'));
            let answer = asked.zip(native).find(|(message, _)| *message == bit.register);
            let condition: i64 = answer
                .and_then(|(_, answer)| answer.trim().parse().ok())
                .ok_or_else(|| ScpiError::new(errors::SYSTEM_ERROR))?;
            let is_set = (condition >> bit.native) & 1 == 1;
            value |= i64::from(is_set != bit.is_inverted) << bit.bit;
        }
        Ok(value)
    }
}
