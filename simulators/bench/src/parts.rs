//! What the bench is made of, electrically, and the circuit that it forms in one position of all its switches.
//! Knows no time and no command.

mod forming;
mod held;
mod nodes;

pub(crate) use held::{Held, Junction, Limits};

use crate::SimulationError;
use crate::draw::Purpose;
use crate::elements::Sense;
use crate::spread::Spread;
use crate::wiring::Layout;
use quadrille_documents::{Bench, Cable, Crosspoint, Dialect, Disturbances, Role, Sample};
use quadrille_network::{Dynamics, Mesh, TerminalMatrix};
use quadrille_quantity::{Kelvin, Tesla};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Nodes of the four rows, in the order of the terminals wired to them; the contacts follow from [`CONTACTS`].
pub(crate) const SOURCE_HIGH: usize = 0;
pub(crate) const RETURN_LOW: usize = 1;
pub(crate) const SENSE_HIGH: usize = 2;
pub(crate) const SENSE_LOW: usize = 3;
pub(crate) const CONTACTS: usize = 4;

/// How hard a source holds its voltage limit. Ours: 1 mV short of the limit at 1 mA.
pub(crate) const CLAMP_SIEMENS: f64 = 1.0;

/// Closed resistances scatter by this part of their nominal value (common practice, no source).
const CLOSED_SCATTER: f64 = 0.15;

/// One relay between a row and a contact.
#[derive(Clone, Copy, Debug)]
struct Relay {
    closed_ohm: f64,
    open_ohm: f64,
    /// Thermoelectric voltage when closed; positive raises the row against the contact.
    emf_v: f64,
}

/// Currents out of the sense terminals, in amperes.
#[derive(Clone, Copy, Debug)]
struct Inputs {
    ohm: f64,
    bias_a: [f64; 2],
}

/// What pushes current into the source's row.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Drive {
    /// Nothing: the output is off.
    Off,
    /// The set current.
    Current,
    /// The voltage limit.
    Clamp,
}

/// A position of everything that changes the circuit.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Position {
    /// Closed relays, by row from 0 and contact from 0.
    pub(crate) closed: BTreeSet<(usize, usize)>,
    /// Whether the relay of the buffers is closed.
    pub(crate) buffers: bool,
    /// Whether the source drives the guard.
    pub(crate) guard: bool,
    /// Whether the ammeter's input is open rather than shorted.
    pub(crate) input: bool,
    /// What drives.
    pub(crate) drive: Drive,
    /// How each sample is.
    pub(crate) conditions: Vec<Condition>,
    /// Bits of the field in teslas.
    pub(crate) field: u64,
}

/// What changes a sample, beside the field.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Condition {
    /// Whether light falls on it.
    pub(crate) lit: bool,
    /// Bits of its temperature in kelvins.
    temperature: u64,
}

impl Condition {
    /// In the dark.
    fn new(temperature: Kelvin) -> Self {
        Self { lit: false, temperature: temperature.0.to_bits() }
    }

    pub(crate) fn temperature(self) -> Kelvin {
        Kelvin(f64::from_bits(self.temperature))
    }

    pub(crate) fn set_temperature(&mut self, temperature: Kelvin) {
        self.temperature = temperature.0.to_bits();
    }
}

impl Position {
    /// As after switching everything on, with so many samples.
    pub(crate) fn at_rest(samples: usize, temperature: Kelvin, field: Tesla) -> Self {
        Self {
            closed: BTreeSet::new(),
            buffers: false,
            guard: false,
            input: false,
            drive: Drive::Off,
            conditions: vec![Condition::new(temperature); samples],
            field: field.0.to_bits(),
        }
    }

    /// The field.
    pub(crate) fn field(&self) -> Tesla {
        Tesla(f64::from_bits(self.field))
    }
}

/// The circuit of one position, but for the lines that stand for barriers.
pub(crate) struct Formed {
    mesh: Mesh,
    /// Currents in pairs of nodes that thermoelectric voltages are, and bias currents.
    causes: Vec<Vec<(usize, f64)>>,
    /// Each sample.
    pub(crate) samples: Vec<TerminalMatrix>,
    pub(crate) balance: Balance,
    /// What of a sample the voltmeter sees, where something that depends on it is simulated.
    pub(crate) sense: Option<Sense>,
    /// The circuit without the ammeter's own resistance, where Johnson noise is simulated.
    pub(crate) without_ammeter: Option<Mesh>,
    /// The whole, where nothing has a barrier.
    pub(crate) whole: Option<Arc<Lined>>,
}

/// A circuit with a line for every barrier: its dynamics, and what its thermoelectric voltages, bias currents and
/// lines alone settle to.
pub(crate) struct Lined {
    pub(crate) dynamics: Dynamics,
    pub(crate) background: Vec<f64>,
}

/// What leads to ground beside the ammeter, so that the current through that can be known from all the others: its
/// own node is so near ground that picoamperes would be lost in the rounding of volts elsewhere.
pub(crate) struct Balance {
    /// Siemens by node.
    leaks: Vec<f64>,
    /// Farads by node.
    capacitances: Vec<f64>,
    /// Bias currents together, in amperes.
    bias: f64,
}

impl Balance {
    /// Charge through the ammeter over some seconds, in coulombs, by Kirchhoff's current law: what came in (`driven` and
    /// the bias), less what leaked (from the integrals of the voltages) and what the capacitances took up.
    pub(crate) fn charge(&self, driven: f64, seconds: f64, integrals: &[f64], rises: &[f64]) -> f64 {
        let leaked: f64 = self.leaks.iter().zip(integrals).map(|(siemens, area)| siemens * area).sum();
        let stored: f64 = self.capacitances.iter().zip(rises).map(|(farad, rise)| farad * rise).sum();
        driven + self.bias * seconds - leaked - stored
    }
}

/// Where a crosspoint leads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Place {
    /// Joins a row (from 0) to a contact (from 0).
    Relay(usize, usize),
    /// Puts the buffers in.
    Buffers,
}

/// Everything on the bench that conducts, with what the seed says of each piece.
pub(crate) struct Parts {
    rows: [u16; 4],
    columns: Vec<u16>,
    buffers_crosspoint: Option<Crosspoint>,
    relays: Vec<Vec<Relay>>,
    cable: Cable,
    guard_works: bool,
    plain: Inputs,
    buffered: Option<Inputs>,
    output_ohm: f64,
    burden_ohm: f64,
    pub(crate) samples: Vec<Held>,
    /// Contacts that may have barriers, in the order of the nodes behind them.
    pub(crate) junctions: Vec<Junction>,
    pub(crate) layout: Layout,
    spread: Option<Spread>,
    pub(crate) disturbances: Disturbances,
    pub(crate) mains_hz: f64,
    pub(crate) seed: u64,
}

/// What of the bench is broken, and whether its pieces differ from what documents say of them.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Broken {
    pub(crate) guard: bool,
    pub(crate) buffers: bool,
    pub(crate) spread: Option<Spread>,
}

impl Parts {
    pub(crate) fn new<'a>(
        bench: &Bench,
        dialect: &impl Fn(Role) -> &'a Dialect,
        samples: &[&Sample],
        seed: u64,
        broken: Broken,
    ) -> Result<Self, SimulationError> {
        let wiring = &bench.wiring;
        let columns: Vec<u16> = wiring.columns().collect();
        let samples = held::hold(bench, samples, &columns)?;
        let wired = columns.len();
        let matrix = &dialect(Role::SwitchMatrix).facts;
        let voltmeter = &dialect(Role::Voltmeter).facts;
        let purpose = |word: &str, k: usize| Purpose::new(seed, word).whole(k as u64);
        let relay = |row: usize, column: usize| {
            let purpose = |word: &str| purpose(word, row).whole(column as u64);
            Relay {
                closed_ohm: matrix.closed_resistance_ohm
                    * (1.0 + CLOSED_SCATTER * purpose("closed resistance").uniform()),
                open_ohm: matrix.open_resistance_ohm
                    * broken.spread.map_or(1.0, |_| Spread::open(seed, row, column)),
                emf_v: matrix.thermoelectric_v * purpose("thermoelectric voltage").normal(),
            }
        };
        let inputs = |word: &str, ohm: f64, most: f64| {
            let bias_a = [0, 1].map(|k| most * purpose(word, k).uniform());
            Inputs { ohm, bias_a }
        };
        let buffers = wiring.buffers.filter(|_| !broken.buffers);
        let mut parts = Self {
            rows: wiring.rows.in_order(),
            columns,
            buffers_crosspoint: wiring.buffers.map(|buffers| buffers.crosspoint),
            relays: (0..4).map(|row| (0..wired).map(|column| relay(row, column)).collect()).collect(),
            cable: wiring.cable,
            guard_works: wiring.guard && !broken.guard,
            plain: inputs("bias current", voltmeter.input_resistance_ohm, voltmeter.bias_current_a),
            buffered: buffers.map(|b| inputs("buffer bias", b.input_resistance_ohm, b.bias_current_a)),
            output_ohm: dialect(Role::CurrentSource).facts.output_resistance_ohm,
            burden_ohm: dialect(Role::Ammeter).facts.burden_ohm,
            junctions: held::junctions(&samples),
            samples,
            layout: Layout::right(wired),
            spread: broken.spread,
            disturbances: bench.disturbances,
            mains_hz: bench.mains_hz,
            seed,
        };
        parts.lay(Layout::right(wired))?;
        Ok(parts)
    }

    /// Lets leads run as a layout says, and standards be what it says.
    pub(crate) fn lay(&mut self, layout: Layout) -> Result<(), SimulationError> {
        let mut number = 0;
        let mut specimens = Vec::with_capacity(self.samples.len());
        for held in &self.samples {
            specimens.push(held.actual(&layout, self.spread.map(|spread| (spread, self.seed)), number)?);
            number += held.resistors().unwrap_or(0);
        }
        self.layout = layout;
        let mut inner = self.cables()..;
        let outside: Vec<Vec<usize>> = self
            .samples
            .iter()
            .map(|held| held.leads.clone().map(|lead| self.plug(lead)).collect())
            .collect();
        for ((held, specimen), outside) in self.samples.iter_mut().zip(specimens).zip(outside) {
            held.lay(specimen, outside, &mut inner);
        }
        Ok(())
    }

    /// How many resistors the samples' networks have together; `None` where none is a network.
    pub(crate) fn resistors(&self) -> Option<usize> {
        self.samples.iter().filter_map(Held::resistors).reduce(|a, b| a + b)
    }

    /// The sample and its contact, both from 0, at the end of a lead.
    pub(crate) fn at(&self, lead: usize) -> Option<(usize, usize)> {
        self.samples.iter().enumerate().find_map(|(sample, held)| Some((sample, held.contact(lead)?)))
    }

    /// A contact in words, by the column that it is on.
    pub(crate) fn contact_in_words(&self, column: usize) -> String {
        match self.layout.contact(column).and_then(|lead| self.at(lead)) {
            Some((sample, contact)) if self.samples.len() > 1 => {
                format!("contact {} of{}", contact + 1, self.called(sample))
            }
            Some((_, contact)) => format!("contact {}", contact + 1),
            None => format!("column {}", self.columns[column]),
        }
    }

    /// What a sample is called, where there are several.
    pub(crate) fn called(&self, sample: usize) -> String {
        if self.samples.len() < 2 { String::new() } else { format!(" \"{}\"", self.samples[sample].name()) }
    }

    /// Whether there is a guard that is driven when the source is told to.
    pub(crate) fn has_guard(&self) -> bool {
        self.guard_works
    }

    /// Whether there are buffers that go in when the matrix is told to.
    pub(crate) fn has_buffers(&self) -> bool {
        self.buffered.is_some()
    }

    /// How many contacts the matrix has columns for.
    pub(crate) fn wired(&self) -> usize {
        self.columns.len()
    }

    /// Where a crosspoint leads; `None` where the matrix has none.
    pub(crate) fn place(&self, crosspoint: Crosspoint) -> Option<Place> {
        if self.buffers_crosspoint == Some(crosspoint) {
            return Some(Place::Buffers);
        }
        let row = self.rows.iter().position(|&row| row == crosspoint.row)?;
        let column = self.columns.iter().position(|&column| column == crosspoint.column)?;
        Some(Place::Relay(row, column))
    }

    /// The crosspoint of a place.
    pub(crate) fn crosspoint(&self, place: Place) -> Option<Crosspoint> {
        match place {
            Place::Relay(row, column) => {
                Some(Crosspoint { row: self.rows[row], column: self.columns[column] })
            }
            Place::Buffers => self.buffers_crosspoint,
        }
    }

    /// Every crosspoint of a wired row and a wired column, row by row.
    pub(crate) fn crosspoints(&self) -> Vec<Crosspoint> {
        let of_row = |&row: &u16| self.columns.iter().map(move |&column| Crosspoint { row, column });
        self.rows.iter().flat_map(of_row).collect()
    }

    /// Resistance of the ammeter's input when it measures, in ohms.
    pub(crate) fn burden_ohm(&self) -> f64 {
        self.burden_ohm
    }
}
