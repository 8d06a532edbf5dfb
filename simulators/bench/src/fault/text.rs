//! Faults as text: `<instrument> <what> [how much] [once [after N] | until cleared | for S]`.

use super::{Fault, FaultKind, InstrumentFault, Scope};
use crate::plant::{CryostatFault, MagnetFault};
use crate::wiring;
use quadrille_documents::{Crosspoint, Role};
use quadrille_quantity::Second;
use std::fmt;
use std::ops::RangeInclusive;
use std::str::{FromStr, SplitWhitespace};

/// Longest delay of a fault, in seconds. Ours: longer than any timeout that a bench document may have.
const LONGEST_S: f64 = 3600.0;

/// Every form of a fault with what it does, for a person.
pub(crate) const FORMS: &[(&str, &str)] = &[
    ("INSTRUMENT silent", "no answer comes"),
    ("INSTRUMENT late S", "the answer comes S seconds later"),
    ("INSTRUMENT cut N", "only N bytes of the answer come"),
    ("INSTRUMENT garbled", "the bytes of the answer are others"),
    ("INSTRUMENT wrong-type", "the answer is of another type"),
    ("INSTRUMENT twice S", "the answer comes again S seconds later"),
    ("INSTRUMENT echo", "what is sent comes back"),
    ("INSTRUMENT reset", "the connection is reset"),
    ("INSTRUMENT closed", "the connection is closed"),
    ("INSTRUMENT black-hole", "messages are lost, nothing is answered"),
    ("INSTRUMENT held", "another client holds the socket: new ones wait"),
    ("INSTRUMENT refused", "another client holds the socket: new ones are refused"),
    ("INSTRUMENT reboot S", "it restarts, without its settings, and is back after S seconds"),
    ("INSTRUMENT stranger", "another instrument is at the address"),
    ("INSTRUMENT ignored", "a setting is not carried out"),
    ("INSTRUMENT overflow", "its error queue overflows"),
    ("INSTRUMENT hang", "it does nothing until the fault is over"),
    ("matrix stuck-open R!C", "a relay does not close"),
    ("matrix stuck-closed R!C", "a relay does not open again"),
    ("matrix wrong-relay R!C R!C", "the second relay moves in place of the first"),
    ("source stays-on", "it says that it is off and goes on driving"),
    ("source compliance", "it reports that it is at its voltage limit"),
    ("thermostat stalls", "its heater gives nothing"),
    ("thermostat bath K", "the bath is at K kelvins: the coolant has run out"),
    ("thermostat overshoots", "it is badly tuned and goes beyond what it is set to"),
    ("thermostat oscillates", "it is badly tuned and swings for ever"),
    ("thermostat sensor-jumps K", "its thermometer shows K kelvins too much"),
    ("thermostat sensor-sticks", "its thermometer shows for ever what it shows now"),
    ("thermostat sensor-broken", "its thermometer shows nothing"),
    ("thermostat trips", "it takes its heater off until its trip is cleared"),
    ("magnet stalls", "its ramp goes no further"),
    ("magnet probe-jumps T", "its probe shows T teslas too much"),
    ("magnet probe-sticks", "its probe shows for ever what it shows now"),
    ("magnet trips", "its current dies away, and it does nothing until its trip is cleared"),
];

/// Ours: what takes a controller that is well tuned some kelvins beyond its set point.
const OVERSHOOTS: CryostatFault = CryostatFault::Detuned { gain: 0.1, integral: 0.1, lag_s: 0.0 };

/// Ours: a lag in which the usual gain has no phase left.
const OSCILLATES: CryostatFault = CryostatFault::Detuned { gain: 1.0, integral: 1.0, lag_s: 60.0 };

/// Why a text is no fault, or a fault none of this bench.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct FaultError(pub(crate) String);

fn error<T>(why: impl Into<String>) -> Result<T, FaultError> {
    Err(FaultError(why.into()))
}

/// The short word of a role.
pub(crate) fn word(role: Role) -> &'static str {
    match role {
        Role::CurrentSource => "source",
        Role::SwitchMatrix => "matrix",
        Role::TemperatureController => "thermostat",
        Role::FieldSource => "magnet",
        role => role.word(),
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.kind, self.scope)
    }
}

impl fmt::Display for Scope {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Once { after: 0 } => f.write_str("once"),
            Self::Once { after } => write!(f, "once after {after}"),
            Self::UntilCleared => f.write_str("until cleared"),
            Self::For(Second(seconds)) => write!(f, "for {seconds}"),
        }
    }
}

impl fmt::Display for FaultKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Self::Wiring(fault) = self {
            return wiring::write_wiring(f, fault);
        }
        write!(f, "{} ", word(self.role()))?;
        match self {
            Self::Wiring(_) => Ok(()),
            Self::Meter(_, fault) => wiring::write_meter(f, fault),
            Self::Source(fault) => wiring::write_source(f, fault),
            Self::Instrument(_, fault) => fault.fmt(f),
            Self::StuckOpen(crosspoint) => write!(f, "stuck-open {crosspoint}"),
            Self::StuckClosed(crosspoint) => write!(f, "stuck-closed {crosspoint}"),
            Self::Welded(crosspoint) => write!(f, "welded {crosspoint}"),
            Self::WrongRelay { told, moves } => write!(f, "wrong-relay {told} {moves}"),
            Self::StaysOn => f.write_str("stays-on"),
            Self::Compliance => f.write_str("compliance"),
            Self::Cryostat(fault) => of_cryostat(f, fault),
            Self::Magnet(MagnetFault::RampStalls) => f.write_str("stalls"),
            Self::Magnet(MagnetFault::Trips) => f.write_str("trips"),
            Self::Magnet(MagnetFault::ProbeJumps(tesla)) => write!(f, "probe-jumps {tesla}"),
            Self::Magnet(MagnetFault::ProbeSticks) => f.write_str("probe-sticks"),
        }
    }
}

fn of_cryostat(f: &mut fmt::Formatter<'_>, fault: &CryostatFault) -> fmt::Result {
    match fault {
        CryostatFault::HeaterBroken => f.write_str("stalls"),
        CryostatFault::BathAt(kelvin) => write!(f, "bath {kelvin}"),
        fault if *fault == OVERSHOOTS => f.write_str("overshoots"),
        fault if *fault == OSCILLATES => f.write_str("oscillates"),
        CryostatFault::Detuned { gain, integral, lag_s } => write!(f, "detuned {gain} {integral} {lag_s}"),
        CryostatFault::SensorJumps(kelvin) => write!(f, "sensor-jumps {kelvin}"),
        CryostatFault::SensorSticks => f.write_str("sensor-sticks"),
        CryostatFault::SensorBroken => f.write_str("sensor-broken"),
        CryostatFault::Trips => f.write_str("trips"),
    }
}

impl fmt::Display for InstrumentFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Silent => f.write_str("silent"),
            Self::Late(Second(seconds)) => write!(f, "late {seconds}"),
            Self::Cut(bytes) => write!(f, "cut {bytes}"),
            Self::Garbled => f.write_str("garbled"),
            Self::WrongType => f.write_str("wrong-type"),
            Self::Twice(Second(seconds)) => write!(f, "twice {seconds}"),
            Self::Echo => f.write_str("echo"),
            Self::Reset => f.write_str("reset"),
            Self::Closed => f.write_str("closed"),
            Self::BlackHole => f.write_str("black-hole"),
            Self::Held => f.write_str("held"),
            Self::Refused => f.write_str("refused"),
            Self::Reboot(Second(seconds)) => write!(f, "reboot {seconds}"),
            Self::Stranger => f.write_str("stranger"),
            Self::Ignored => f.write_str("ignored"),
            Self::Overflow => f.write_str("overflow"),
            Self::Hang => f.write_str("hang"),
        }
    }
}

impl FromStr for Fault {
    type Err = FaultError;

    fn from_str(text: &str) -> Result<Self, FaultError> {
        let mut words = text.split_whitespace();
        let kind = kind(&mut words)?;
        let scope = scope(&mut words)?.unwrap_or_else(|| kind.usual_scope());
        if kind.acts_at_once() && matches!(scope, Scope::Once { .. }) {
            return error("this fault waits for no occasion: it lasts until cleared, or for S seconds");
        }
        match words.next() {
            None => Ok(Self { kind, scope }),
            Some(word) => error(format!("\"{word}\" is too much: a fault ends after how long it lasts")),
        }
    }
}

fn kind(words: &mut SplitWhitespace<'_>) -> Result<FaultKind, FaultError> {
    let Some(instrument) = words.next() else {
        return error("name an instrument and what goes wrong, as in: voltmeter late 3");
    };
    if matches!(instrument, "wiring" | "standard") {
        let Some(what) = words.next() else {
            return error(format!("say what is wrong with the {instrument}; help lists what may be"));
        };
        let read = if instrument == "wiring" { wiring::of_wiring } else { wiring::of_standard };
        return read(what, words).map(FaultKind::Wiring);
    }
    let role = Role::ALL.into_iter().find(|&role| instrument == word(role) || instrument == role.word());
    let Some(role) = role else {
        let known = Role::ALL.map(word).join(", ");
        return error(format!(
            "there is no instrument \"{instrument}\"; the bench has {known}, wiring and standard"
        ));
    };
    let Some(what) = words.next() else {
        return error(format!("say what goes wrong with the {instrument}, as in: {instrument} silent"));
    };
    let fault = match what {
        "silent" => InstrumentFault::Silent,
        "late" => InstrumentFault::Late(seconds(words, what)?),
        "cut" => InstrumentFault::Cut(bytes(words)?),
        "garbled" => InstrumentFault::Garbled,
        "wrong-type" => InstrumentFault::WrongType,
        "twice" => InstrumentFault::Twice(seconds(words, what)?),
        "echo" => InstrumentFault::Echo,
        "reset" => InstrumentFault::Reset,
        "closed" => InstrumentFault::Closed,
        "black-hole" => InstrumentFault::BlackHole,
        "held" => InstrumentFault::Held,
        "refused" => InstrumentFault::Refused,
        "reboot" => InstrumentFault::Reboot(seconds(words, what)?),
        "stranger" => InstrumentFault::Stranger,
        "ignored" => InstrumentFault::Ignored,
        "overflow" => InstrumentFault::Overflow,
        "hang" => InstrumentFault::Hang,
        _ => return of_the_bench(role, what, words),
    };
    Ok(FaultKind::Instrument(role, fault))
}

/// What only one of the instruments can show.
fn of_the_bench(role: Role, what: &str, words: &mut SplitWhitespace<'_>) -> Result<FaultKind, FaultError> {
    if let Some(fault) = wiring::of_meter(role, what, words)? {
        return Ok(FaultKind::Meter(role, fault));
    }
    if role == Role::CurrentSource
        && let Some(fault) = wiring::of_source(what, words)?
    {
        return Ok(FaultKind::Source(fault));
    }
    Ok(match (role, what) {
        (Role::SwitchMatrix, "stuck-open") => FaultKind::StuckOpen(crosspoint(words)?),
        (Role::SwitchMatrix, "stuck-closed") => FaultKind::StuckClosed(crosspoint(words)?),
        (Role::SwitchMatrix, "welded") => FaultKind::Welded(crosspoint(words)?),
        (Role::SwitchMatrix, "wrong-relay") => {
            let (told, moves) = (crosspoint(words)?, crosspoint(words)?);
            if told == moves {
                return error("the two relays are the same: name the one that moves in place of the first");
            }
            FaultKind::WrongRelay { told, moves }
        }
        (Role::CurrentSource, "stays-on") => FaultKind::StaysOn,
        (Role::CurrentSource, "compliance") => FaultKind::Compliance,
        (Role::TemperatureController, "stalls") => FaultKind::Cryostat(CryostatFault::HeaterBroken),
        (Role::TemperatureController, "bath") => {
            FaultKind::Cryostat(CryostatFault::BathAt(number(words, 0.1..=1000.0, "bath 300")?))
        }
        (Role::TemperatureController, "overshoots") => FaultKind::Cryostat(OVERSHOOTS),
        (Role::TemperatureController, "oscillates") => FaultKind::Cryostat(OSCILLATES),
        (Role::TemperatureController, "detuned") => {
            let mut factor = |range| number(words, range, "detuned 0.1 0.1 0");
            let (gain, integral) = (factor(1e-3..=1e3)?, factor(1e-3..=1e3)?);
            let lag_s = factor(0.0..=LONGEST_S)?;
            FaultKind::Cryostat(CryostatFault::Detuned { gain, integral, lag_s })
        }
        (Role::TemperatureController, "sensor-jumps") => {
            let kelvin = number(words, -1000.0..=1000.0, "sensor-jumps 2.5")?;
            FaultKind::Cryostat(CryostatFault::SensorJumps(kelvin))
        }
        (Role::TemperatureController, "sensor-sticks") => FaultKind::Cryostat(CryostatFault::SensorSticks),
        (Role::TemperatureController, "sensor-broken") => FaultKind::Cryostat(CryostatFault::SensorBroken),
        (Role::TemperatureController, "trips") => FaultKind::Cryostat(CryostatFault::Trips),
        (Role::FieldSource, "stalls") => FaultKind::Magnet(MagnetFault::RampStalls),
        (Role::FieldSource, "probe-jumps") => {
            FaultKind::Magnet(MagnetFault::ProbeJumps(number(words, -100.0..=100.0, "probe-jumps 0.02")?))
        }
        (Role::FieldSource, "probe-sticks") => FaultKind::Magnet(MagnetFault::ProbeSticks),
        (Role::FieldSource, "trips") => FaultKind::Magnet(MagnetFault::Trips),
        _ => return error(format!("the {} has no fault \"{what}\"; help lists them", word(role))),
    })
}

fn scope(words: &mut SplitWhitespace<'_>) -> Result<Option<Scope>, FaultError> {
    Ok(Some(match words.next() {
        None => return Ok(None),
        Some("once") => match words.clone().next() {
            Some("after") => {
                words.next();
                let count = words.next().and_then(|word| word.parse().ok());
                let Some(after) = count else {
                    return error("write after how many occasions, as in: once after 12");
                };
                Scope::Once { after }
            }
            _ => Scope::Once { after: 0 },
        },
        Some("until") if words.next() == Some("cleared") => Scope::UntilCleared,
        Some("for") => Scope::For(seconds(words, "for")?),
        Some(_) => return error("a fault lasts once, until cleared, or for S seconds"),
    }))
}

fn seconds(words: &mut SplitWhitespace<'_>, what: &str) -> Result<Second, FaultError> {
    let number = words.next().and_then(|word| word.parse().ok());
    match number.filter(|seconds: &f64| (0.0..=LONGEST_S).contains(seconds)) {
        Some(seconds) => Ok(Second(seconds)),
        None => error(format!("write seconds from 0 to {LONGEST_S}, as in: {what} 3")),
    }
}

fn number(
    words: &mut SplitWhitespace<'_>,
    range: RangeInclusive<f64>,
    example: &str,
) -> Result<f64, FaultError> {
    let number = words.next().and_then(|word| word.parse().ok());
    match number.filter(|number| range.contains(number)) {
        Some(number) => Ok(number),
        None => error(format!("write a number from {} to {}, as in: {example}", range.start(), range.end())),
    }
}

fn bytes(words: &mut SplitWhitespace<'_>) -> Result<u16, FaultError> {
    match words.next().and_then(|word| word.parse().ok()) {
        Some(bytes) => Ok(bytes),
        None => error("write how many bytes come, from 0 to 65535, as in: cut 5"),
    }
}

fn crosspoint(words: &mut SplitWhitespace<'_>) -> Result<Crosspoint, FaultError> {
    let pair = words.next().and_then(|word| word.split_once('!'));
    let pair = pair.and_then(|(row, column)| Some((row.parse().ok()?, column.parse().ok()?)));
    match pair {
        Some((row, column)) => Ok(Crosspoint { row, column }),
        None => error("write a crosspoint as row!column, as in: stuck-open 2!3"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_is_printed_as_it_is_read() {
        for (text, printed) in [
            ("voltmeter late 3", "voltmeter late 3 once"),
            ("source reset", "source reset once"),
            ("current-source reset once after 7", "source reset once after 7"),
            ("matrix stuck-open 2!3", "matrix stuck-open 2!3 until cleared"),
            ("matrix wrong-relay 2!3 1!4 for 12.5", "matrix wrong-relay 2!3 1!4 for 12.5"),
            ("  ammeter   cut 5   until cleared ", "ammeter cut 5 until cleared"),
            ("ammeter twice 0.25", "ammeter twice 0.25 once"),
            ("matrix stuck-closed 1!1 once", "matrix stuck-closed 1!1 once"),
            ("source stays-on", "source stays-on until cleared"),
            ("switch-matrix refused", "matrix refused until cleared"),
            ("voltmeter reboot 2 for 30", "voltmeter reboot 2 for 30"),
            ("temperature-controller stalls", "thermostat stalls until cleared"),
            ("thermostat sensor-jumps -2.5 for 9", "thermostat sensor-jumps -2.5 for 9"),
            ("thermostat detuned 0.1 0.1 0", "thermostat overshoots until cleared"),
            ("thermostat detuned 2 0.5 7", "thermostat detuned 2 0.5 7 until cleared"),
            ("field-source probe-jumps 0.02", "magnet probe-jumps 0.02 until cleared"),
            ("magnet late 2", "magnet late 2 once"),
            ("wiring exchanged 1 3", "wiring exchanged 1 3 until cleared"),
            ("wiring leak 1 3 2e6 for 5", "wiring leak 1 3 2000000 for 5"),
            ("standard resistor 2 0.9", "standard resistor 2 0.9 until cleared"),
            ("voltmeter wild -0.01", "voltmeter wild -0.01 once"),
            ("ammeter gain 1.01", "ammeter gain 1.01 until cleared"),
            ("source limited 0.5", "source limited 0.5 until cleared"),
        ] {
            let fault: Fault = text.parse().unwrap();
            assert_eq!(fault.to_string(), printed);
            assert_eq!(printed.parse(), Ok(fault));
        }
    }

    #[test]
    fn every_form_that_help_lists_is_read() {
        for (form, _) in FORMS.iter().chain(wiring::FORMS) {
            let text = form
                .replace("INSTRUMENT", "ammeter")
                .replace("range SIZE", "range 0.01")
                .replace("SIZE", "-0.5")
                .replace("VOLT", "0.5");
            let text = text.replace("CONTACT CONTACT", "2 3").replace("CONTACT", "4").replace("COUNT", "2");
            let text = text.replace("ROW ROW", "sense-low source").replace("ROW", "return");
            let text = text.replace("OHM", "2500").replace("FACTOR", "1.25");
            let text =
                text.replace(" S", " 1.5").replace(" N", " 4").replace(" K", " 40").replace(" T", " 0.2");
            let text = text.replacen("R!C", "1!2", 1).replace("R!C", "1!3");
            let fault: Fault = text.parse().unwrap_or_else(|error| panic!("{form}: {error}"));
            assert!(fault.to_string().starts_with(&text), "{form}");
        }
    }

    #[test]
    fn what_is_no_fault_is_refused_with_a_reason() {
        for (text, reason) in [
            ("", "name an instrument"),
            ("thermometer silent", "no instrument \"thermometer\""),
            ("voltmeter", "say what goes wrong"),
            ("voltmeter explode", "no fault \"explode\""),
            ("voltmeter stays-on", "no fault \"stays-on\""),
            ("voltmeter late", "write seconds"),
            ("voltmeter late -1", "write seconds"),
            ("voltmeter late nan", "write seconds"),
            ("voltmeter late 1e9", "write seconds"),
            ("voltmeter cut 1.5", "write how many bytes"),
            ("matrix stuck-open 2", "write a crosspoint"),
            ("matrix stuck-open 2!70000", "write a crosspoint"),
            ("matrix wrong-relay 2!3 2!3", "the same"),
            ("voltmeter silent twice", "lasts once"),
            ("voltmeter silent until tomorrow", "lasts once"),
            ("voltmeter silent once after", "how many"),
            ("voltmeter silent once more", "too much"),
            ("thermostat sensor-jumps", "write a number"),
            ("thermostat bath 1e9", "from 0.1 to 1000"),
            ("thermostat stalls once", "no occasion"),
            ("magnet probe-jumps inf", "write a number"),
            ("wiring", "say what is wrong"),
            ("wiring exchanged 2 2", "the same"),
            ("wiring exchanged 0 2", "from 1"),
            ("wiring leak 1 2 0", "write a number"),
            ("wiring row-open guard", "write a row"),
            ("wiring rows-exchanged source source", "the same"),
            ("wiring open 3 once", "no occasion"),
            ("standard resistor 0 1.1", "which resistor"),
            ("voltmeter shorted", "no fault \"shorted\""),
            ("voltmeter noisy 0.5", "write a number"),
            ("ammeter range 0", "write a number"),
            ("voltmeter limited 3", "no fault \"limited\""),
        ] {
            let error = text.parse::<Fault>().unwrap_err().to_string();
            assert!(error.contains(reason), "{text}: {error}");
        }
    }
}
