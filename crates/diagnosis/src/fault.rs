//! What can be wrong with a bench: single faults, the classes of those that readings cannot part, and what a person can
//! do by hand where readings cannot go on.

use crate::Standard;
use serde::{Deserialize, Serialize};

/// A row of the matrix by the terminal wired to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Row {
    /// High terminal of the source.
    Source,
    /// Return lead, through the ammeter.
    Return,
    /// High terminal of the voltmeter.
    SenseHigh,
    /// Low terminal of the voltmeter.
    SenseLow,
}

impl Row {
    /// All four, in the order of a configuration's contacts.
    pub const ALL: [Self; 4] = [Self::Source, Self::Return, Self::SenseHigh, Self::SenseLow];

    /// Its place in [`ALL`](Self::ALL).
    pub fn index(self) -> usize {
        self as usize
    }

    fn words(self) -> &'static str {
        match self {
            Self::Source => "the source's row",
            Self::Return => "the ammeter's row",
            Self::SenseHigh => "the sense-high row",
            Self::SenseLow => "the sense-low row",
        }
    }
}

/// Whose noise is too large.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Noisy {
    /// The voltmeter's.
    Voltmeter,
    /// The ammeter's.
    Ammeter,
    /// Both by the same factor.
    Both,
}

/// One thing that can be wrong. Contacts, resistors and ranges are counted from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// Nothing.
    Good,
    /// The lead of a contact is open.
    ContactOpen(usize),
    /// The leads of two contacts are exchanged.
    LeadsSwapped(usize, usize),
    /// A crosspoint never closes.
    CrosspointOpen(Row, usize),
    /// A crosspoint never opens.
    CrosspointClosed(Row, usize),
    /// The lead from an instrument's terminal to its row is open.
    RowOpen(Row),
    /// A resistor of the standard is not what was declared.
    ResistorOff(usize),
    /// Two are not.
    ResistorsOff(usize, usize),
    /// Something conducts between two contacts.
    Leak(usize, usize),
    /// Something conducts from a contact to ground.
    LeakToGround(usize),
    /// Something conducts between the sense rows.
    Loading,
    /// The buffers are not in the sense lines although told to be.
    BuffersOut,
    /// The guard is not driven although told to be.
    GuardOff,
    /// The ammeter's input stays shorted.
    AmmeterShorted,
    /// The ammeter stays on a range that is too small.
    AmmeterOverload(usize),
    /// The ammeter stays on a range that is too large.
    AmmeterCoarse(usize),
    /// The ammeter's terminals are exchanged.
    AmmeterReversed,
    /// The voltmeter stays on a range that is too small.
    VoltmeterOverload(usize),
    /// The voltmeter stays on a range that is too large.
    VoltmeterCoarse(usize),
    /// The voltmeter's terminals are exchanged.
    VoltmeterReversed,
    /// The rows of source and return lead are exchanged.
    CurrentRowsExchanged,
    /// A meter's noise is too large.
    Noisy(Noisy),
    /// The source's voltage limit is lower than set.
    ComplianceLow,
    /// The source drives the other way.
    SourceReversed,
    /// All resistors are off by one factor.
    AllScaled,
    /// The voltmeter's gain is wrong.
    VoltmeterGain,
}

/// Faults that are reported as one, because no reading with this wiring parts them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// Nothing is wrong that these readings can see.
    Good,
    /// The lead of a contact is open.
    ContactOpen(usize),
    /// The leads of two contacts are exchanged.
    LeadsSwapped(usize, usize),
    /// A crosspoint never closes.
    CrosspointOpen(Row, usize),
    /// A crosspoint never opens.
    CrosspointClosed(Row, usize),
    /// The source's lead or the ammeter's lead is open.
    CurrentRowOpen,
    /// A sense lead is open; which, only inputs that lead to ground could say.
    SenseRowOpen,
    /// A resistor is off, or something leaks across it.
    Edge(usize),
    /// Two edges are off.
    TwoEdges(usize, usize),
    /// A leak between contacts that no resistor joins.
    DiagonalLeak(usize, usize),
    /// A leak from a contact to ground.
    GroundLeak(usize),
    /// The voltmeter's inputs are loaded, or the buffers are not in.
    Loading,
    /// The guard is not driven.
    GuardOff,
    /// The ammeter's input stays shorted.
    AmmeterShorted,
    /// The ammeter's range is too small.
    AmmeterOverload,
    /// The ammeter's range is too large.
    AmmeterCoarse,
    /// The ammeter's sign is wrong.
    AmmeterSign,
    /// The voltmeter's range is too small.
    VoltmeterOverload,
    /// The voltmeter's range is too large.
    VoltmeterCoarse,
    /// Sense leads exchanged, or current rows exchanged.
    SenseReversed,
    /// Noise is too large.
    Noisy,
    /// The source's voltage limit is lower than set.
    ComplianceLow,
    /// The source's sign is wrong.
    SourceSign,
    /// All resistors off by one factor, or the voltmeter's gain.
    Scale,
}

/// The sixteen sorts of classes, whatever contact or resistor they are of; two edges are a report of the seventh.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// 1.
    Good,
    /// 2.
    ContactOpen,
    /// 3.
    LeadsSwapped,
    /// 4.
    CrosspointOpen,
    /// 5.
    CrosspointClosed,
    /// 6.
    RowOpen,
    /// 7.
    Edge,
    /// 8.
    DiagonalLeak,
    /// 9.
    GroundLeak,
    /// 10.
    Loading,
    /// 11.
    GuardOff,
    /// 12.
    Ammeter,
    /// 13.
    Voltmeter,
    /// 14.
    Noisy,
    /// 15.
    Source,
    /// 16.
    Scale,
}

impl Fault {
    /// The class it is reported in.
    pub fn class(self, standard: &Standard) -> Class {
        match self {
            Self::Good => Class::Good,
            Self::ContactOpen(k) => Class::ContactOpen(k),
            Self::LeadsSwapped(i, j) => Class::LeadsSwapped(i, j),
            Self::CrosspointOpen(row, k) => Class::CrosspointOpen(row, k),
            Self::CrosspointClosed(row, k) => Class::CrosspointClosed(row, k),
            Self::RowOpen(Row::Source | Row::Return) => Class::CurrentRowOpen,
            Self::RowOpen(_) => Class::SenseRowOpen,
            Self::ResistorOff(k) => Class::Edge(standard.edge_of(k)),
            Self::ResistorsOff(j, k) => two_edges(standard.edge_of(j), standard.edge_of(k)),
            Self::Leak(i, j) => standard.edge_between(i, j).map_or(Class::DiagonalLeak(i, j), Class::Edge),
            Self::LeakToGround(k) => Class::GroundLeak(k),
            Self::Loading | Self::BuffersOut => Class::Loading,
            Self::GuardOff => Class::GuardOff,
            Self::AmmeterShorted => Class::AmmeterShorted,
            Self::AmmeterOverload(_) => Class::AmmeterOverload,
            Self::AmmeterCoarse(_) => Class::AmmeterCoarse,
            Self::AmmeterReversed => Class::AmmeterSign,
            Self::VoltmeterOverload(_) => Class::VoltmeterOverload,
            Self::VoltmeterCoarse(_) => Class::VoltmeterCoarse,
            Self::VoltmeterReversed | Self::CurrentRowsExchanged => Class::SenseReversed,
            Self::Noisy(_) => Class::Noisy,
            Self::ComplianceLow => Class::ComplianceLow,
            Self::SourceReversed => Class::SourceSign,
            Self::AllScaled | Self::VoltmeterGain => Class::Scale,
        }
    }
}

fn two_edges(one: usize, other: usize) -> Class {
    if one == other { Class::Edge(one) } else { Class::TwoEdges(one.min(other), one.max(other)) }
}

impl Class {
    /// The sort of fault.
    pub fn kind(self) -> Kind {
        match self {
            Self::Good => Kind::Good,
            Self::ContactOpen(_) => Kind::ContactOpen,
            Self::LeadsSwapped(..) => Kind::LeadsSwapped,
            Self::CrosspointOpen(..) => Kind::CrosspointOpen,
            Self::CrosspointClosed(..) => Kind::CrosspointClosed,
            Self::CurrentRowOpen | Self::SenseRowOpen => Kind::RowOpen,
            Self::Edge(_) | Self::TwoEdges(..) => Kind::Edge,
            Self::DiagonalLeak(..) => Kind::DiagonalLeak,
            Self::GroundLeak(_) => Kind::GroundLeak,
            Self::Loading => Kind::Loading,
            Self::GuardOff => Kind::GuardOff,
            Self::AmmeterShorted | Self::AmmeterOverload | Self::AmmeterCoarse | Self::AmmeterSign => {
                Kind::Ammeter
            }
            Self::VoltmeterOverload | Self::VoltmeterCoarse | Self::SenseReversed => Kind::Voltmeter,
            Self::Noisy => Kind::Noisy,
            Self::ComplianceLow | Self::SourceSign => Kind::Source,
            Self::Scale => Kind::Scale,
        }
    }

    /// What is wrong, in a sentence for the person at the bench.
    pub fn sentence(self, standard: &Standard) -> String {
        let edge = |e: usize| name_of_edge(standard, e);
        match self {
            Self::Good => "nothing is wrong that these readings can see".into(),
            Self::ContactOpen(k) => format!("the lead of contact {} is open", k + 1),
            Self::LeadsSwapped(i, j) => {
                format!("the leads of contacts {} and {} are exchanged", i + 1, j + 1)
            }
            Self::CrosspointOpen(row, k) => {
                format!("the crosspoint of {} and contact {} does not close", row.words(), k + 1)
            }
            Self::CrosspointClosed(row, k) => {
                format!("the crosspoint of {} and contact {} does not open", row.words(), k + 1)
            }
            Self::CurrentRowOpen => {
                "the lead between the source and its row is open, or that between the ammeter and its row"
                    .into()
            }
            Self::SenseRowOpen => "the lead between one terminal of the voltmeter and its row is open".into(),
            Self::Edge(e) => format!("{} is not what was declared, or something leaks across it", edge(e)),
            Self::TwoEdges(e, f) => format!("{} and {} are not what was declared", edge(e), edge(f)),
            Self::DiagonalLeak(i, j) => format!("something leaks between contacts {} and {}", i + 1, j + 1),
            Self::GroundLeak(k) => format!("something leaks from contact {} to ground", k + 1),
            Self::Loading => {
                "something loads the voltmeter's inputs, or the buffers are not in the sense lines".into()
            }
            Self::GuardOff => "the guard is not driven".into(),
            Self::AmmeterShorted => "the ammeter's input stays shorted".into(),
            Self::AmmeterOverload => "the ammeter stays on a range that is too small".into(),
            Self::AmmeterCoarse => "the ammeter stays on a range that is too large".into(),
            Self::AmmeterSign => "the ammeter's terminals are exchanged".into(),
            Self::VoltmeterOverload => "the voltmeter stays on a range that is too small".into(),
            Self::VoltmeterCoarse => "the voltmeter stays on a range that is too large".into(),
            Self::SenseReversed => {
                "the voltmeter's terminals are exchanged, or the rows of source and ammeter are".into()
            }
            Self::Noisy => "the readings are noisier than the meters' ranges say".into(),
            Self::ComplianceLow => "the source's voltage limit is lower than it was set".into(),
            Self::SourceSign => "the source drives its current the other way".into(),
            Self::Scale => {
                "all resistors are off by one factor, or the voltmeter's gain is wrong by that factor".into()
            }
        }
    }

    /// What to do by hand to find which of its members it is, or to mend it.
    pub fn hand_action(self, standard: &Standard) -> String {
        match self {
            Self::Good => "nothing".into(),
            Self::ContactOpen(k) => {
                format!("check plug and lead of contact {} for continuity, standard unplugged", k + 1)
            }
            Self::LeadsSwapped(i, j) => {
                format!("exchange the plugs of contacts {} and {} and read again", i + 1, j + 1)
            }
            Self::CrosspointOpen(row, k) | Self::CrosspointClosed(row, k) => {
                format!(
                    "unplug the standard and check the relay of {} and contact {} for continuity",
                    row.words(),
                    k + 1
                )
            }
            Self::CurrentRowOpen => {
                "check the source's and the ammeter's leads to the matrix one after the other for continuity".into()
            }
            Self::SenseRowOpen => "check the voltmeter's two leads to the matrix one after the other for continuity".into(),
            Self::Edge(e) => {
                let (a, b) = standard.edges().get(e).map_or((0, 0), |edge| edge.ends);
                format!(
                    "unplug the standard: what still conducts between {} and {} is a leak of the bench, otherwise \
                     measure the resistor",
                    node(a),
                    node(b)
                )
            }
            Self::TwoEdges(..) => "unplug the standard and measure its resistors".into(),
            Self::DiagonalLeak(i, j) => {
                format!("unplug the standard and look whether contacts {} and {} still conduct", i + 1, j + 1)
            }
            Self::GroundLeak(k) => {
                format!("unplug the standard: if contact {} still conducts to ground it is its cable", k + 1)
            }
            Self::Loading => "take the voltmeter's leads off the matrix; look whether the buffers' relay acts".into(),
            Self::GuardOff => "measure the voltage of a cable's shield against its core while the source drives".into(),
            Self::AmmeterShorted => "switch the ammeter's input on by hand".into(),
            Self::AmmeterOverload | Self::AmmeterCoarse => "set the ammeter's range by hand and read again".into(),
            Self::AmmeterSign => "exchange the ammeter's two leads and read again".into(),
            Self::VoltmeterOverload | Self::VoltmeterCoarse => {
                "set the voltmeter's range by hand and read again".into()
            }
            Self::SenseReversed => {
                "exchange the voltmeter's two leads: if it does not help on both scales, exchange source and ammeter"
                    .into()
            }
            Self::Noisy => {
                "read one configuration many times with the source off, then on: what remains is a meter's".into()
            }
            Self::ComplianceLow => "read the source's voltage limit on its panel and set it again".into(),
            Self::SourceSign => "exchange the source's two leads and read again".into(),
            Self::Scale => "read a second standard: if that is off by the same factor it is the voltmeter".into(),
        }
    }
}

fn node(k: usize) -> String {
    if k < 4 { format!("contact {}", k + 1) } else { "an inner node".into() }
}

/// "the resistor of 22000 Ω between contact 1 and contact 2".
fn name_of_edge(standard: &Standard, e: usize) -> String {
    let Some(edge) = standard.edges().get(e) else { return "a resistor".into() };
    let one = |&k: &usize| format!("{} Ω", standard.resistors()[k].ohm);
    let values: Vec<String> = edge.resistors.iter().map(one).collect();
    let noun = if values.len() == 1 { "the resistor of" } else { "one of the resistors of" };
    format!("{noun} {} between {} and {}", values.join(", "), node(edge.ends.0), node(edge.ends.1))
}
