//! How the circuit of a position is put together: matrix, cables, meters, sample, and what makes them imperfect.

use super::{
    Balance, CLAMP_SIEMENS, CONTACTS, Drive, Formed, Inputs, Lined, Parts, Position, RETURN_LOW, SENSE_HIGH,
    SENSE_LOW, SOURCE_HIGH,
};
use crate::elements::{Line, Sense, conducts};
use quadrille_documents::Imperfections;
use quadrille_experiment::Contact;
use quadrille_network::{Dynamics, Mesh, NetworkError, TerminalMatrix};
use quadrille_quantity::Tesla;
use quadrille_specimen::{ROOM, SpecimenError};
use std::sync::Arc;

/// Least capacitance of a node: a bare terminal (common practice, no source).
const LEAST_CAPACITANCE_F: f64 = 0.1e-12;

/// Ammeter's input when it is shorted: a relay contact (common practice, no source).
const SHORTED_OHM: f64 = 1e-2;

/// From the source's terminal to ground while its output is off, so that cables lose their charge. Ours.
const OUTPUT_OFF_OHM: f64 = 1e6;

impl Parts {
    /// The circuit of a position.
    pub(crate) fn form(&self, position: &Position) -> Result<Formed, SpecimenError> {
        let sample = self.sample(position, position.field())?;
        let mut mesh = Mesh::new(self.nodes());
        let contacts: Vec<usize> = (0..sample.count()).map(|k| self.inside(k)).collect();
        mesh.add_sample(&sample, &contacts);
        self.add_relays(&mut mesh, position);
        let mut balance = self.balance(position);
        self.add_imperfections(&mut mesh, &mut balance);
        for (node, (siemens, farad)) in balance.leaks.iter().zip(&balance.capacitances).enumerate() {
            mesh.add_capacitance_to_ground(node, *farad);
            mesh.add_conductance_to_ground(node, *siemens);
        }
        for (contact, &node) in Contact::first(sample.count()).zip(&contacts) {
            balance.leaks[node] += sample.to_ground(contact);
        }
        if self.layout.load > 0.0 {
            mesh.add_conductance(SENSE_HIGH, SENSE_LOW, self.layout.load);
        }
        if !self.are_buffered(position) {
            mesh.add_conductance(SENSE_HIGH, SENSE_LOW, 1.0 / self.plain.ohm);
        }
        let without_ammeter = self.disturbances.johnson.then(|| mesh.clone());
        let input = if position.input { self.burden_ohm } else { SHORTED_OHM };
        mesh.add_conductance_to_ground(RETURN_LOW, 1.0 / input);
        let sense = self.sense(position, &sample)?;
        let causes = self.causes(position);
        let mut formed = Formed { mesh, causes, sample, balance, sense, without_ammeter, whole: None };
        if self.imperfections.barriers.is_empty() {
            formed.whole = Some(Arc::new(self.lined(&formed, &[])?));
        }
        Ok(formed)
    }

    /// The circuit with a line for each contact that may have a barrier.
    fn lined(&self, formed: &Formed, lines: &[Line]) -> Result<Lined, NetworkError> {
        let dynamics = Dynamics::new(self.with_lines(&formed.mesh, lines))?;
        let background = self.background(&dynamics, &formed.causes, lines)?;
        Ok(Lined { dynamics, background })
    }

    /// The whole circuit of a position, with a line for each barrier through two of its voltages.
    pub(crate) fn circuit(
        &self,
        formed: &Formed,
        position: &Position,
        lines: &[[f64; 2]],
    ) -> Result<Arc<Lined>, NetworkError> {
        match &formed.whole {
            Some(whole) => Ok(Arc::clone(whole)),
            None => self.lined(formed, &self.lines(position, lines)).map(Arc::new),
        }
    }

    /// The lines through two voltages of each contact.
    pub(crate) fn lines(&self, position: &Position, voltages: &[[f64; 2]]) -> Vec<Line> {
        let barriers = self.imperfections.barriers.iter().zip(voltages);
        barriers
            .map(|(barrier, voltages)| Line::through(barrier.as_ref(), *voltages, position.temperature()))
            .collect()
    }

    /// Conductance that leads to ground from where the ammeter is, but for the ammeter itself, in siemens.
    pub(crate) fn around_ammeter(&self, mesh: &Mesh, lines: &[Line]) -> Result<f64, NetworkError> {
        let dynamics = Dynamics::new(self.with_lines(mesh, lines))?;
        let mut ampere = vec![0.0; self.nodes()];
        ampere[RETURN_LOW] = 1.0;
        Ok(1.0 / dynamics.steady_state(&ampere)?[RETURN_LOW])
    }

    fn with_lines(&self, mesh: &Mesh, lines: &[Line]) -> Mesh {
        let mut mesh = mesh.clone();
        for (contact, line) in lines.iter().enumerate() {
            mesh.add_conductance(self.plug(contact), self.inside(contact), line.siemens);
        }
        mesh
    }

    /// What conducts between the contacts, in the light and at the temperature that there are.
    fn sample(&self, position: &Position, field: Tesla) -> Result<TerminalMatrix, SpecimenError> {
        let kelvin = position.temperature().0;
        for (quantity, value, is_right, range) in [
            ("temperature in kelvins", kelvin, kelvin.is_finite() && kelvin > 0.0, "above zero"),
            ("field in teslas", field.0, field.0.is_finite(), "finite"),
        ] {
            if !is_right {
                return Err(NetworkError::OutOfRange { quantity, value, range }.into());
            }
        }
        let sample = self.specimen.terminals(position.temperature(), field)?;
        let light = self.imperfections.light.filter(|_| position.lit).map_or(1.0, |light| light.factor);
        let warmer = kelvin - ROOM.0;
        let factor = light * (-self.imperfections.temperature_coefficient_per_k * warmer).exp();
        Ok(if factor == 1.0 { sample } else { sample.times(factor) })
    }

    fn add_imperfections(&self, mesh: &mut Mesh, balance: &mut Balance) {
        let Imperfections { leak_ohm, leak_to_ground_ohm, capacitance_f, .. } = &self.imperfections;
        for &(a, b, siemens) in &self.layout.leaks {
            mesh.add_conductance(self.plug(a), self.plug(b), siemens);
        }
        for &(contact, siemens) in &self.layout.to_ground {
            balance.leaks[self.plug(contact)] += siemens;
        }
        for (node, other, ohm) in self.leads() {
            mesh.add_conductance(node, other, 1.0 / ohm);
        }
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
        if let Some(absorption) = self.disturbances.absorption {
            for cable in 0..self.cables() {
                let siemens = balance.capacitances[self.soaking(cable)] / absorption.time_s;
                mesh.add_conductance(cable, self.soaking(cable), siemens);
            }
        }
    }

    fn sense(&self, position: &Position, sample: &TerminalMatrix) -> Result<Option<Sense>, SpecimenError> {
        if !conducts(&self.disturbances, &self.imperfections) {
            return Ok(None);
        }
        let on = |terminal: usize| {
            let row = self.layout.row(terminal).filter(|&row| !self.layout.is_row_open(row))?;
            let mut columns = position.closed.iter().filter(|(r, _)| *r == row).map(|(_, column)| *column);
            let contact = columns.next().and_then(|column| self.layout.contact(column));
            let contact =
                contact.filter(|&contact| contact < sample.count() && !self.layout.is_open(contact));
            if columns.next().is_none() { contact } else { None }
        };
        let Some(pair) = on(SENSE_HIGH).zip(on(SENSE_LOW)).filter(|(a, b)| a != b) else { return Ok(None) };
        let reversed = match self.imperfections.thermomagnetic {
            Some(_) => Some(self.sample(position, Tesla(-position.field().0))?),
            None => None,
        };
        Ok(Some(Sense::new(pair, sample, reversed.as_ref())?))
    }

    fn add_relays(&self, mesh: &mut Mesh, position: &Position) {
        for (row, relays) in self.relays.iter().enumerate() {
            for (column, relay) in relays.iter().enumerate() {
                let closed = position.closed.contains(&(row, column));
                let ohm = if closed { relay.closed_ohm } else { relay.open_ohm };
                mesh.add_conductance(self.row(row), CONTACTS + column, 1.0 / ohm);
            }
        }
    }

    fn balance(&self, position: &Position) -> Balance {
        let guarded = position.guard && self.guard_works && !self.layout.guard_broken;
        let (capacitance, insulation) = if guarded {
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
        if self.are_buffered(position) {
            leaks[SENSE_HIGH] += 1.0 / inputs.ohm;
            leaks[SENSE_LOW] += 1.0 / inputs.ohm;
        }
        let mut capacitances = vec![capacitance.max(LEAST_CAPACITANCE_F); self.cables()];
        capacitances.resize(self.cables() + self.imperfections.barriers.len(), LEAST_CAPACITANCE_F);
        let slow = self.disturbances.absorption.map_or(0.0, |absorption| absorption.part);
        capacitances.resize(self.nodes() - self.added(), capacitance.max(LEAST_CAPACITANCE_F) * slow);
        capacitances.resize(self.nodes(), LEAST_CAPACITANCE_F);
        Balance { leaks, capacitances, bias: inputs.bias_a.iter().sum() }
    }

    /// The inputs that are in the sense lines.
    fn inputs(&self, position: &Position) -> Inputs {
        self.buffered.filter(|_| self.are_buffered(position)).unwrap_or(self.plain)
    }

    fn are_buffered(&self, position: &Position) -> bool {
        position.buffers && self.buffered.is_some() && !self.layout.buffers_out
    }

    fn causes(&self, position: &Position) -> Vec<Vec<(usize, f64)>> {
        let relays = position.closed.iter().map(|&(row, column)| {
            let relay = self.relays[row][column];
            let ampere = relay.emf_v / relay.closed_ohm;
            vec![(self.row(row), ampere), (CONTACTS + column, -ampere)]
        });
        let [high, low] = self.inputs(position).bias_a;
        relays.chain([vec![(SENSE_HIGH, high)], vec![(SENSE_LOW, low)]]).collect()
    }

    /// Each cause alone, then summed: a thermoelectric voltage is a current out of one end of its relay and into
    /// the other, many times what flows through a gigohm, and must not be paired with another's.
    fn background(
        &self,
        dynamics: &Dynamics,
        causes: &[Vec<(usize, f64)>],
        lines: &[Line],
    ) -> Result<Vec<f64>, NetworkError> {
        let mut sum = vec![0.0; self.nodes()];
        let of_lines = lines.iter().enumerate().map(|(contact, line)| {
            vec![(self.plug(contact), -line.ampere), (self.inside(contact), line.ampere)]
        });
        for cause in causes.iter().cloned().chain(of_lines) {
            if cause.iter().all(|(_, ampere)| *ampere == 0.0) {
                continue;
            }
            let mut list = vec![0.0; sum.len()];
            cause.iter().for_each(|&(node, ampere)| list[node] = ampere);
            for (total, volt) in sum.iter_mut().zip(dynamics.steady_state(&list)?) {
                *total += volt;
            }
        }
        Ok(sum)
    }
}
