//! Faults of wiring, standard, meters and source as text.

use super::{MeterFault, Row, SourceFault, WiringFault};
use crate::fault::FaultError;
use quadrille_documents::Role;
use quadrille_experiment::Contact;
use std::fmt;
use std::ops::RangeInclusive;
use std::str::SplitWhitespace;

/// Every form with what it does, for a person.
pub(crate) const FORMS: &[(&str, &str)] = &[
    ("wiring exchanged CONTACT CONTACT", "the leads of two contacts are exchanged"),
    ("wiring open CONTACT", "the lead to a contact is open"),
    ("wiring row-open ROW", "the lead between a row and its instrument is open"),
    ("wiring rows-exchanged ROW ROW", "the leads of two rows are exchanged"),
    ("wiring leak CONTACT CONTACT OHM", "a resistance between two contacts"),
    ("wiring leak-to-ground CONTACT OHM", "a resistance from a contact to ground"),
    ("wiring loaded OHM", "a resistance across the voltmeter's lines"),
    ("wiring buffers-out", "the buffers do not go in"),
    ("wiring guard-broken", "the guard is not driven"),
    ("matrix welded R!C", "a relay is closed, whatever it is told"),
    ("standard resistor COUNT FACTOR", "a resistor, from 1 as listed, is off by a factor"),
    ("standard scaled FACTOR", "all resistors are off by a factor"),
    ("voltmeter overloaded", "it answers overload"),
    ("voltmeter range SIZE", "it stays on the range that holds so many volts"),
    ("voltmeter reversed", "its two inputs are exchanged"),
    ("voltmeter gain FACTOR", "its answers are off by a factor"),
    ("voltmeter noisy FACTOR", "its noise is so many times the usual"),
    ("voltmeter wild SIZE", "an answer is off by so many volts"),
    ("ammeter shorted", "its input stays shorted"),
    ("ammeter overloaded", "it answers overload"),
    ("ammeter range SIZE", "it stays on the range that holds so many amperes"),
    ("ammeter reversed", "its two inputs are exchanged"),
    ("ammeter gain FACTOR", "its answers are off by a factor"),
    ("ammeter noisy FACTOR", "its noise is so many times the usual"),
    ("ammeter wild SIZE", "an answer is off by so many amperes"),
    ("source limited VOLT", "its voltage limit is no more than this, whatever it was told"),
    ("source reversed", "its two outputs are exchanged"),
];

/// Ohms of a leak. Ours: from a short to what no cable insulates.
const OHMS: RangeInclusive<f64> = 1e-3..=1e18;

/// Factors of a resistor, a gain, a noise. Ours.
const FACTORS: RangeInclusive<f64> = 1e-6..=1e6;

type Words<'t> = SplitWhitespace<'t>;

fn error<T>(why: impl Into<String>) -> Result<T, FaultError> {
    Err(FaultError(why.into()))
}

/// What is wrong with the wiring.
pub(crate) fn of_wiring(what: &str, words: &mut Words<'_>) -> Result<WiringFault, FaultError> {
    Ok(match what {
        "exchanged" => {
            let (a, b) = two_contacts(words, "exchanged 1 2")?;
            WiringFault::LeadsExchanged(a, b)
        }
        "open" => WiringFault::LeadOpen(contact(words, "open 3")?),
        "row-open" => WiringFault::RowOpen(row(words)?),
        "rows-exchanged" => {
            let (a, b) = (row(words)?, row(words)?);
            if a == b {
                return error("the two rows are the same: name two that are exchanged");
            }
            WiringFault::RowsExchanged(a, b)
        }
        "leak" => {
            let (from, to) = two_contacts(words, "leak 1 3 2e6")?;
            WiringFault::Leak { from, to, ohm: number(words, OHMS, "leak 1 3 2e6")? }
        }
        "leak-to-ground" => {
            let contact = contact(words, "leak-to-ground 3 2e6")?;
            WiringFault::LeakToGround(contact, number(words, OHMS, "leak-to-ground 3 2e6")?)
        }
        "loaded" => WiringFault::Loaded(number(words, OHMS, "loaded 1e6")?),
        "buffers-out" => WiringFault::BuffersOut,
        "guard-broken" => WiringFault::GuardBroken,
        _ => return error(format!("the wiring has no fault \"{what}\"; help lists them")),
    })
}

/// What is wrong with the standard.
pub(crate) fn of_standard(what: &str, words: &mut Words<'_>) -> Result<WiringFault, FaultError> {
    Ok(match what {
        "resistor" => {
            let number = words.next().and_then(|word| word.parse().ok()).filter(|number| *number > 0);
            let Some(which) = number else {
                return error("write which resistor, from 1 as listed, as in: resistor 2 1.05");
            };
            WiringFault::Resistor(which, factor(words, "resistor 2 1.05")?)
        }
        "scaled" => WiringFault::Scaled(factor(words, "scaled 1.05")?),
        _ => return error(format!("the standard has no fault \"{what}\"; help lists them")),
    })
}

/// What is wrong with a meter; `None` where it is no such fault.
pub(crate) fn of_meter(
    role: Role,
    what: &str,
    words: &mut Words<'_>,
) -> Result<Option<MeterFault>, FaultError> {
    if !matches!(role, Role::Voltmeter | Role::Ammeter) {
        return Ok(None);
    }
    Ok(Some(match what {
        "shorted" if role == Role::Ammeter => MeterFault::Shorted,
        "overloaded" => MeterFault::Overloaded,
        "range" => MeterFault::Range(number(words, 1e-15..=1e6, "range 100")?),
        "reversed" => MeterFault::Reversed,
        "gain" => MeterFault::Gain(factor(words, "gain 1.05")?),
        "noisy" => MeterFault::Noisy(number(words, 1.0..=*FACTORS.end(), "noisy 30")?),
        "wild" => MeterFault::Wild(number(words, -1e6..=1e6, "wild 0.01")?),
        _ => return Ok(None),
    }))
}

/// What is wrong with the source; `None` where it is no such fault.
pub(crate) fn of_source(what: &str, words: &mut Words<'_>) -> Result<Option<SourceFault>, FaultError> {
    Ok(Some(match what {
        "limited" => SourceFault::Limited(number(words, 1e-3..=1e3, "limited 0.5")?),
        "reversed" => SourceFault::Reversed,
        _ => return Ok(None),
    }))
}

/// Prints what [`of_wiring`] and [`of_standard`] read, with the word before it.
pub(crate) fn write_wiring(f: &mut fmt::Formatter<'_>, fault: &WiringFault) -> fmt::Result {
    f.write_str(if fault.is_of_standard() { "standard " } else { "wiring " })?;
    match fault {
        WiringFault::LeadsExchanged(a, b) => write!(f, "exchanged {a} {b}"),
        WiringFault::LeadOpen(contact) => write!(f, "open {contact}"),
        WiringFault::RowOpen(row) => write!(f, "row-open {}", row.word()),
        WiringFault::RowsExchanged(a, b) => write!(f, "rows-exchanged {} {}", a.word(), b.word()),
        WiringFault::Leak { from, to, ohm } => write!(f, "leak {from} {to} {ohm}"),
        WiringFault::LeakToGround(contact, ohm) => write!(f, "leak-to-ground {contact} {ohm}"),
        WiringFault::Loaded(ohm) => write!(f, "loaded {ohm}"),
        WiringFault::BuffersOut => f.write_str("buffers-out"),
        WiringFault::GuardBroken => f.write_str("guard-broken"),
        WiringFault::Resistor(number, factor) => write!(f, "resistor {number} {factor}"),
        WiringFault::Scaled(factor) => write!(f, "scaled {factor}"),
    }
}

/// Prints what [`of_meter`] reads.
pub(crate) fn write_meter(f: &mut fmt::Formatter<'_>, fault: &MeterFault) -> fmt::Result {
    match fault {
        MeterFault::Shorted => f.write_str("shorted"),
        MeterFault::Overloaded => f.write_str("overloaded"),
        MeterFault::Range(size) => write!(f, "range {size}"),
        MeterFault::Reversed => f.write_str("reversed"),
        MeterFault::Gain(factor) => write!(f, "gain {factor}"),
        MeterFault::Noisy(factor) => write!(f, "noisy {factor}"),
        MeterFault::Wild(size) => write!(f, "wild {size}"),
    }
}

/// Prints what [`of_source`] reads.
pub(crate) fn write_source(f: &mut fmt::Formatter<'_>, fault: &SourceFault) -> fmt::Result {
    match fault {
        SourceFault::Limited(volt) => write!(f, "limited {volt}"),
        SourceFault::Reversed => f.write_str("reversed"),
    }
}

fn contact(words: &mut Words<'_>, example: &str) -> Result<Contact, FaultError> {
    match words.next().and_then(|word| word.parse().ok()).and_then(Contact::new) {
        Some(contact) => Ok(contact),
        None => error(format!("write a contact, from 1, as in: {example}")),
    }
}

fn two_contacts(words: &mut Words<'_>, example: &str) -> Result<(Contact, Contact), FaultError> {
    let (a, b) = (contact(words, example)?, contact(words, example)?);
    if a == b { error("the two contacts are the same: name two") } else { Ok((a, b)) }
}

fn row(words: &mut Words<'_>) -> Result<Row, FaultError> {
    let word = words.next().unwrap_or("");
    match Row::ALL.into_iter().find(|row| row.word() == word) {
        Some(row) => Ok(row),
        None => error("write a row: source, return, sense-high or sense-low"),
    }
}

fn factor(words: &mut Words<'_>, example: &str) -> Result<f64, FaultError> {
    number(words, FACTORS, example)
}

fn number(words: &mut Words<'_>, range: RangeInclusive<f64>, example: &str) -> Result<f64, FaultError> {
    let number = words.next().and_then(|word| word.parse().ok());
    match number.filter(|number| range.contains(number)) {
        Some(number) => Ok(number),
        None => error(format!("write a number from {} to {}, as in: {example}", range.start(), range.end())),
    }
}
