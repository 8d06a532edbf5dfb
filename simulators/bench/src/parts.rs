//! What the bench is made of, electrically, and the circuit that it forms in one position of all its switches.
//! Knows no time and no command.

use crate::SimulationError;
use crate::draw::Purpose;
use crate::elements::{Line, Sense, conducts};
use quadrille_documents::{Bench, Cable, Crosspoint, Dialect, Disturbances, Imperfections, Role, Sample};
use quadrille_experiment::Contact;
use quadrille_network::{Dynamics, Mesh, NetworkError, TerminalMatrix};
use quadrille_quantity::{Kelvin, Tesla};
use quadrille_specimen::{Specimen, SpecimenError};
use std::collections::BTreeSet;

/// Nodes of the four rows, in the order of the terminals wired to them; the contacts follow from [`CONTACTS`].
pub(crate) const SOURCE_HIGH: usize = 0;
pub(crate) const RETURN_LOW: usize = 1;
pub(crate) const SENSE_HIGH: usize = 2;
pub(crate) const SENSE_LOW: usize = 3;
pub(crate) const CONTACTS: usize = 4;

/// Least capacitance of a node: a bare terminal (common practice, no source).
const LEAST_CAPACITANCE_F: f64 = 0.1e-12;

/// Ammeter's input when it is shorted: a relay contact (common practice, no source).
const SHORTED_OHM: f64 = 1e-2;

/// From the source's terminal to ground while its output is off, so that cables lose their charge. Ours.
const OUTPUT_OFF_OHM: f64 = 1e6;

/// How hard a source holds its voltage limit. Ours: 1 mV short of the limit at 1 mA.
pub(crate) const CLAMP_SIEMENS: f64 = 1.0;

/// Closed resistances scatter by this part of their nominal value (common practice, no source).
const CLOSED_SCATTER: f64 = 0.15;

/// One relay between a row and a contact.
#[derive(Clone, Copy, Debug)]
struct Relay {
    closed_ohm: f64,
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
    /// Whether light falls on the sample.
    pub(crate) lit: bool,
    /// Bits of the two voltages through which each barrier's line is drawn.
    pub(crate) barriers: Vec<[u64; 2]>,
    /// Bits of the sample's temperature in kelvins.
    pub(crate) temperature: u64,
    /// Bits of the field in teslas.
    pub(crate) field: u64,
}

impl Position {
    /// As after switching everything on.
    pub(crate) fn at_rest(temperature: Kelvin, field: Tesla) -> Self {
        Self {
            closed: BTreeSet::new(),
            buffers: false,
            guard: false,
            input: false,
            drive: Drive::Off,
            lit: false,
            barriers: Vec::new(),
            temperature: temperature.0.to_bits(),
            field: field.0.to_bits(),
        }
    }

    /// The sample's temperature.
    pub(crate) fn temperature(&self) -> Kelvin {
        Kelvin(f64::from_bits(self.temperature))
    }

    /// The field.
    pub(crate) fn field(&self) -> Tesla {
        Tesla(f64::from_bits(self.field))
    }
}

/// The circuit of one position: its dynamics, and what its thermoelectric voltages and bias currents alone settle
/// to.
pub(crate) struct Formed {
    pub(crate) dynamics: Dynamics,
    pub(crate) background: Vec<f64>,
    pub(crate) sample: TerminalMatrix,
    pub(crate) balance: Balance,
    /// What of the sample the voltmeter sees, where something that depends on it is simulated.
    pub(crate) sense: Option<Sense>,
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
    /// Farads by node.
    pub(crate) fn capacitances(&self) -> &[f64] {
        &self.capacitances
    }

    /// Charge through the ammeter over some seconds, in coulombs, by Kirchhoff's current law: what came in, less
    /// what leaked (from the integrals of the voltages) and what the capacitances took up.
    pub(crate) fn charge(&self, drive: f64, seconds: f64, integrals: &[f64], rises: &[f64]) -> f64 {
        let leaked: f64 = self.leaks.iter().zip(integrals).map(|(siemens, area)| siemens * area).sum();
        let stored: f64 = self.capacitances.iter().zip(rises).map(|(farad, rise)| farad * rise).sum();
        (drive + self.bias) * seconds - leaked - stored
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
    open_ohm: f64,
    cable: Cable,
    guard_works: bool,
    plain: Inputs,
    buffered: Option<Inputs>,
    output_ohm: f64,
    burden_ohm: f64,
    specimen: Specimen,
    contacts: usize,
    pub(crate) disturbances: Disturbances,
    pub(crate) imperfections: Imperfections,
    pub(crate) mains_hz: f64,
    pub(crate) seed: u64,
}

/// What of the bench is broken.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Broken {
    pub(crate) guard: bool,
    pub(crate) buffers: bool,
}

impl Parts {
    pub(crate) fn new<'a>(
        bench: &Bench,
        dialect: &impl Fn(Role) -> &'a Dialect,
        sample: &Sample,
        seed: u64,
        broken: Broken,
    ) -> Result<Self, SimulationError> {
        let wiring = &bench.wiring;
        let (wired, contacts) = (wiring.columns.len(), sample.contacts);
        if contacts > wired {
            return Err(SimulationError::Unwired { sample: sample.name.value.clone(), contacts, wired });
        }
        let no_model = || SimulationError::NoModel { sample: sample.name.value.clone() };
        let matrix = &dialect(Role::SwitchMatrix).facts;
        let voltmeter = &dialect(Role::Voltmeter).facts;
        let purpose = |word: &str, k: usize| Purpose::new(seed, word).whole(k as u64);
        let relay = |row: usize, column: usize| {
            let purpose = |word: &str| purpose(word, row).whole(column as u64);
            Relay {
                closed_ohm: matrix.closed_resistance_ohm
                    * (1.0 + CLOSED_SCATTER * purpose("closed resistance").uniform()),
                emf_v: matrix.thermoelectric_v * purpose("thermoelectric voltage").normal(),
            }
        };
        let inputs = |word: &str, ohm: f64, most: f64| {
            let bias_a = [0, 1].map(|k| most * purpose(word, k).uniform());
            Inputs { ohm, bias_a }
        };
        let buffers = wiring.buffers.filter(|_| !broken.buffers);
        Ok(Self {
            rows: wiring.rows.in_order(),
            columns: wiring.columns.clone(),
            buffers_crosspoint: wiring.buffers.map(|buffers| buffers.crosspoint),
            relays: (0..4).map(|row| (0..wired).map(|column| relay(row, column)).collect()).collect(),
            open_ohm: matrix.open_resistance_ohm,
            cable: wiring.cable,
            guard_works: wiring.guard && !broken.guard,
            plain: inputs("bias current", voltmeter.input_resistance_ohm, voltmeter.bias_current_a),
            buffered: buffers.map(|b| inputs("buffer bias", b.input_resistance_ohm, b.bias_current_a)),
            output_ohm: dialect(Role::CurrentSource).facts.output_resistance_ohm,
            burden_ohm: dialect(Role::Ammeter).facts.burden_ohm,
            specimen: Specimen::new(sample)?.ok_or_else(no_model)?,
            contacts,
            disturbances: bench.disturbances,
            imperfections: sample.imperfections.clone(),
            mains_hz: bench.mains_hz,
            seed,
        })
    }

    /// How many contacts the matrix has columns for.
    pub(crate) fn wired(&self) -> usize {
        self.columns.len()
    }

    /// How many nodes the circuit has: rows and columns, contacts behind barriers, and what soaks in each cable.
    pub(crate) fn nodes(&self) -> usize {
        let soaking = if self.disturbances.absorption.is_some() { self.cables() } else { 0 };
        self.cables() + self.imperfections.barriers.len() + soaking
    }

    fn cables(&self) -> usize {
        CONTACTS + self.columns.len()
    }

    /// The node of the sample's own side of a contact.
    pub(crate) fn inside(&self, contact: usize) -> usize {
        let barriers = &self.imperfections.barriers;
        if barriers.is_empty() { CONTACTS + contact } else { self.cables() + contact }
    }

    /// The node that soaks up charge behind a cable.
    fn soaking(&self, cable: usize) -> usize {
        self.cables() + self.imperfections.barriers.len() + cable
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

    /// The circuit of a position.
    pub(crate) fn form(&self, position: &Position) -> Result<Formed, SpecimenError> {
        let sample = self.sample(position, position.field())?;
        let mut mesh = Mesh::new(self.nodes());
        let contacts: Vec<usize> = (0..sample.count()).map(|k| self.inside(k)).collect();
        mesh.add_sample(&sample, &contacts);
        self.add_relays(&mut mesh, position);
        let mut balance = self.balance(position);
        self.add_imperfections(&mut mesh, position, &mut balance);
        for (node, (siemens, farad)) in balance.leaks.iter().zip(&balance.capacitances).enumerate() {
            mesh.add_capacitance_to_ground(node, *farad);
            mesh.add_conductance_to_ground(node, *siemens);
        }
        for (contact, &node) in Contact::first(sample.count()).zip(&contacts) {
            balance.leaks[node] += sample.to_ground(contact);
        }
        self.add_meters(&mut mesh, position);
        let dynamics = Dynamics::new(mesh)?;
        let background = self.background(&dynamics, position)?;
        let sense = self.sense(position, &sample)?;
        Ok(Formed { dynamics, background, sample, balance, sense })
    }

    /// What conducts between the contacts, in the light that there is.
    fn sample(&self, position: &Position, field: Tesla) -> Result<TerminalMatrix, SpecimenError> {
        let sample = self.specimen.terminals(position.temperature(), field)?;
        let factor = self.imperfections.light.filter(|_| position.lit).map_or(1.0, |light| light.factor);
        Ok(if factor == 1.0 { sample } else { sample.times(factor) })
    }

    fn add_imperfections(&self, mesh: &mut Mesh, position: &Position, balance: &mut Balance) {
        let Imperfections { leak_ohm, leak_to_ground_ohm, capacitance_f, .. } = &self.imperfections;
        let count = self.contacts;
        for (k, ohm) in leak_ohm.iter().enumerate().filter(|(_, ohm)| **ohm > 0.0) {
            mesh.add_conductance(self.inside(k), self.inside((k + 1) % count), 1.0 / ohm);
        }
        for (k, ohm) in leak_to_ground_ohm.iter().enumerate().filter(|(_, ohm)| **ohm > 0.0) {
            balance.leaks[self.inside(k)] += 1.0 / ohm;
        }
        for a in 0..count {
            for b in a + 1..count {
                mesh.add_capacitance(self.inside(a), self.inside(b), *capacitance_f);
            }
        }
        for (k, line) in self.lines(position).into_iter().enumerate() {
            mesh.add_conductance(CONTACTS + k, self.inside(k), line.siemens);
        }
        if let Some(absorption) = self.disturbances.absorption {
            for cable in 0..self.cables() {
                let siemens = balance.capacitances[self.soaking(cable)] / absorption.time_s;
                mesh.add_conductance(cable, self.soaking(cable), siemens);
            }
        }
    }

    /// The line that stands for each contact's characteristic in a position.
    fn lines(&self, position: &Position) -> Vec<Line> {
        let barriers = self.imperfections.barriers.iter().zip(&position.barriers);
        barriers
            .map(|(barrier, bits)| {
                Line::through(barrier.as_ref(), bits.map(f64::from_bits), position.temperature())
            })
            .collect()
    }

    /// Barriers at rest.
    pub(crate) fn barriers_at_rest(&self) -> Vec<[u64; 2]> {
        vec![[0.0f64.to_bits(); 2]; self.imperfections.barriers.len()]
    }

    fn sense(&self, position: &Position, sample: &TerminalMatrix) -> Result<Option<Sense>, SpecimenError> {
        if !conducts(&self.disturbances, &self.imperfections) {
            return Ok(None);
        }
        let on = |row: usize| {
            let mut columns = position.closed.iter().filter(|(r, _)| *r == row).map(|(_, column)| *column);
            let column = columns.next().filter(|column| *column < sample.count());
            if columns.next().is_none() { column } else { None }
        };
        let (Some(high), Some(low)) = (on(SENSE_HIGH), on(SENSE_LOW)) else { return Ok(None) };
        let source = on(SOURCE_HIGH).zip(on(RETURN_LOW)).filter(|(a, b)| a != b);
        let reversed = match self.imperfections.thermomagnetic {
            Some(_) => Some(self.sample(position, Tesla(-position.field().0))?),
            None => None,
        };
        Ok(Some(Sense::new(source, (high, low), sample, reversed.as_ref())?))
    }

    fn add_relays(&self, mesh: &mut Mesh, position: &Position) {
        for (row, relays) in self.relays.iter().enumerate() {
            for (column, relay) in relays.iter().enumerate() {
                let closed = position.closed.contains(&(row, column));
                let ohm = if closed { relay.closed_ohm } else { self.open_ohm };
                mesh.add_conductance(row, CONTACTS + column, 1.0 / ohm);
            }
        }
    }

    fn balance(&self, position: &Position) -> Balance {
        let (capacitance, insulation) = if position.guard && self.guard_works {
            (self.cable.guarded_capacitance_f, self.cable.guarded_insulation_ohm)
        } else {
            (self.cable.capacitance_f, self.cable.insulation_ohm)
        };
        let mut leaks = vec![1.0 / insulation; self.cables()];
        leaks.resize(self.nodes(), 0.0);
        leaks[SOURCE_HIGH] += match position.drive {
            Drive::Off => 1.0 / OUTPUT_OFF_OHM,
            Drive::Current => 1.0 / self.output_ohm,
            Drive::Clamp => 1.0 / self.output_ohm + CLAMP_SIEMENS,
        };
        let inputs = self.inputs(position);
        if position.buffers && self.buffered.is_some() {
            leaks[SENSE_HIGH] += 1.0 / inputs.ohm;
            leaks[SENSE_LOW] += 1.0 / inputs.ohm;
        }
        let mut capacitances = vec![capacitance.max(LEAST_CAPACITANCE_F); self.cables()];
        capacitances.resize(self.cables() + self.imperfections.barriers.len(), LEAST_CAPACITANCE_F);
        let slow = self.disturbances.absorption.map_or(0.0, |absorption| absorption.part);
        capacitances.resize(self.nodes(), capacitance.max(LEAST_CAPACITANCE_F) * slow);
        Balance { leaks, capacitances, bias: inputs.bias_a.iter().sum() }
    }

    fn add_meters(&self, mesh: &mut Mesh, position: &Position) {
        let input = if position.input { self.burden_ohm } else { SHORTED_OHM };
        mesh.add_conductance_to_ground(RETURN_LOW, 1.0 / input);
        if !(position.buffers && self.buffered.is_some()) {
            mesh.add_conductance(SENSE_HIGH, SENSE_LOW, 1.0 / self.plain.ohm);
        }
    }

    /// The inputs that are in the sense lines.
    fn inputs(&self, position: &Position) -> Inputs {
        self.buffered.filter(|_| position.buffers).unwrap_or(self.plain)
    }

    /// Each cause alone, then summed: a thermoelectric voltage is a current out of one end of its relay and into
    /// the other, many times what flows through a gigohm, and must not be paired with another's.
    fn background(&self, dynamics: &Dynamics, position: &Position) -> Result<Vec<f64>, NetworkError> {
        let mut sum = vec![0.0; self.nodes()];
        let mut add = |currents: &[(usize, f64)]| -> Result<(), NetworkError> {
            let mut list = vec![0.0; sum.len()];
            currents.iter().for_each(|&(node, ampere)| list[node] = ampere);
            for (total, volt) in sum.iter_mut().zip(dynamics.steady_state(&list)?) {
                *total += volt;
            }
            Ok(())
        };
        for &(row, column) in &position.closed {
            let relay = self.relays[row][column];
            let ampere = relay.emf_v / relay.closed_ohm;
            add(&[(row, ampere), (CONTACTS + column, -ampere)])?;
        }
        for (k, line) in self.lines(position).into_iter().enumerate().filter(|(_, line)| line.ampere != 0.0) {
            add(&[(CONTACTS + k, -line.ampere), (self.inside(k), line.ampere)])?;
        }
        let [high, low] = self.inputs(position).bias_a;
        add(&[(SENSE_HIGH, high)])?;
        add(&[(SENSE_LOW, low)])?;
        Ok(sum)
    }
}
