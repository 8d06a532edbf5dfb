//! Faults that sit between instruments and sample, in a meter's or the source's own circuit, or in the standard: what
//! a known network that reads wrong points at. Knows what each is, not what it does to a reading: that is the circuit's.

mod effects;
mod layout;
mod text;

pub(crate) use layout::Layout;
pub(crate) use text::{
    FORMS, of_meter, of_source, of_standard, of_wiring, write_meter, write_source, write_wiring,
};

use quadrille_documents::Role;
use quadrille_experiment::Contact;

/// A row of the matrix by the terminal that is wired to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Row {
    /// The source's high terminal.
    Source,
    /// The return through the ammeter.
    Return,
    /// The voltmeter's high input.
    SenseHigh,
    /// The voltmeter's low input.
    SenseLow,
}

impl Row {
    /// All of them, in the order of the circuit's nodes.
    pub(crate) const ALL: [Self; 4] = [Self::Source, Self::Return, Self::SenseHigh, Self::SenseLow];

    /// The node of its terminal.
    pub(crate) fn node(self) -> usize {
        self as usize
    }

    /// As faults write it.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Source => "source",
            Self::Return => "return",
            Self::SenseHigh => "sense-high",
            Self::SenseLow => "sense-low",
        }
    }
}

/// What is wrong with leads, cables, guard and buffers, or with the standard. Ohms; factors without a unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum WiringFault {
    /// The leads of two contacts are exchanged.
    LeadsExchanged(Contact, Contact),
    /// The lead to a contact is open.
    LeadOpen(Contact),
    /// The lead between a row and its instrument is open.
    RowOpen(Row),
    /// The leads of two rows are exchanged at their instruments.
    RowsExchanged(Row, Row),
    /// A resistance between two contacts that should not be there.
    Leak {
        /// From.
        from: Contact,
        /// To.
        to: Contact,
        /// How much.
        ohm: f64,
    },
    /// A resistance from a contact to ground that should not be there.
    LeakToGround(Contact, f64),
    /// A resistance across the voltmeter's two lines.
    Loaded(f64),
    /// The buffers do not go in; the matrix says that they did.
    BuffersOut,
    /// The guard is not driven; the source says that it is.
    GuardBroken,
    /// One resistor of the sample's network, counted from 1 as its document lists them, is off by a factor.
    Resistor(usize, f64),
    /// All resistors of the sample's network are off by a factor.
    Scaled(f64),
}

impl WiringFault {
    /// Whether it is the standard that is wrong.
    pub(crate) fn is_of_standard(&self) -> bool {
        matches!(self, Self::Resistor(..) | Self::Scaled(_))
    }

    /// The instrument without which there would be none.
    pub(crate) fn role(&self) -> Role {
        match self {
            Self::Loaded(_) => Role::Voltmeter,
            Self::GuardBroken => Role::CurrentSource,
            _ => Role::SwitchMatrix,
        }
    }

    /// The contacts that it names.
    pub(crate) fn contacts(&self) -> impl Iterator<Item = Contact> {
        let (first, second) = match *self {
            Self::LeadsExchanged(a, b) | Self::Leak { from: a, to: b, .. } => (Some(a), Some(b)),
            Self::LeadOpen(contact) | Self::LeakToGround(contact, _) => (Some(contact), None),
            _ => (None, None),
        };
        first.into_iter().chain(second)
    }
}

/// What is wrong with a meter itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum MeterFault {
    /// The ammeter's input stays shorted, told to measure.
    Shorted,
    /// It answers overload, whatever is there.
    Overloaded,
    /// It stays on the range that holds so many volts or amperes, whatever it was told and says that it is on.
    Range(f64),
    /// Its two inputs are exchanged.
    Reversed,
    /// Its answers are too large by this factor.
    Gain(f64),
    /// Its noise is so many times what it should be.
    Noisy(f64),
    /// An answer is too large by so many volts or amperes.
    Wild(f64),
}

/// What is wrong with the source itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SourceFault {
    /// Its voltage limit is no more than this, in volts, whatever it was told; it says what it was told.
    Limited(f64),
    /// Its two outputs are exchanged.
    Reversed,
}
