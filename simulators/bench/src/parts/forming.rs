//! How the circuit of a position is put together: matrix, cables, meters, sample, and what makes them imperfect.

use super::{
    Balance, CLAMP_SIEMENS, CONTACTS, Drive, Formed, Held, Inputs, Junction, Lined, Parts, Position,
    RETURN_LOW, SENSE_HIGH, SENSE_LOW, SOURCE_HIGH,
};
use crate::elements::{Line, Sense, conducts};
use quadrille_documents::Imperfections;
use quadrille_experiment::Contact;
use quadrille_network::{Dynamics, Mesh, NetworkError, TerminalMatrix};
use quadrille_quantity::Tesla;
use quadrille_specimen::SpecimenError;
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
        let samples = self.terminals(position)?;
        let mut mesh = Mesh::new(self.nodes());
        for (sample, held) in samples.iter().zip(&self.samples) {
            mesh.add_sample(sample, &held.inside);
        }
        self.add_relays(&mut mesh, position);
        let mut balance = self.balance(position);
        self.add_imperfections(&mut mesh, &mut balance);
        for (node, (siemens, farad)) in balance.leaks.iter().zip(&balance.capacitances).enumerate() {
            mesh.add_capacitance_to_ground(node, *farad);
            mesh.add_conductance_to_ground(node, *siemens);
        }
        for (sample, held) in samples.iter().zip(&self.samples) {
            for (contact, &node) in Contact::first(sample.count()).zip(&held.inside) {
                balance.leaks[node] += sample.to_ground(contact);
            }
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
        let sense = self.sense(position, &samples)?;
        let causes = self.causes(position);
        let mut formed = Formed { mesh, causes, samples, balance, sense, without_ammeter, whole: None };
        if self.junctions.is_empty() {
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
        let line = |(junction, voltages): (&Junction, &[f64; 2])| {
            let temperature = position.conditions[junction.sample].temperature();
            Line::through(junction.barrier.as_ref(), *voltages, temperature)
        };
        self.junctions.iter().zip(voltages).map(line).collect()
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
        for (junction, line) in self.junctions.iter().zip(lines) {
            let [outside, inside] = self.sides(junction);
            mesh.add_conductance(outside, inside, line.siemens);
        }
        mesh
    }

    /// Nodes of a contact's metal and of the sample beneath it.
    pub(crate) fn sides(&self, junction: &Junction) -> [usize; 2] {
        let held = &self.samples[junction.sample];
        [held.outside[junction.contact], held.inside[junction.contact]]
    }

    /// What conducts between the contacts of each sample.
    fn terminals(&self, position: &Position) -> Result<Vec<TerminalMatrix>, SpecimenError> {
        let each = self.samples.iter().zip(&position.conditions);
        each.map(|(held, condition)| held.terminals(*condition, position.field())).collect()
    }

    fn add_imperfections(&self, mesh: &mut Mesh, balance: &mut Balance) {
        for &(a, b, siemens) in &self.layout.leaks {
            mesh.add_conductance(self.plug(a), self.plug(b), siemens);
        }
        for &(lead, siemens) in &self.layout.to_ground {
            balance.leaks[self.plug(lead)] += siemens;
        }
        for (node, other, ohm) in self.leads() {
            mesh.add_conductance(node, other, 1.0 / ohm);
        }
        for Held { inside, imperfections, .. } in &self.samples {
            let Imperfections { leak_ohm, leak_to_ground_ohm, capacitance_f, .. } = imperfections;
            let count = inside.len();
            for (k, ohm) in leak_ohm.iter().enumerate().filter(|(_, ohm)| **ohm > 0.0) {
                mesh.add_conductance(inside[k], inside[(k + 1) % count], 1.0 / ohm);
            }
            for (k, ohm) in leak_to_ground_ohm.iter().enumerate().filter(|(_, ohm)| **ohm > 0.0) {
                balance.leaks[inside[k]] += 1.0 / ohm;
            }
            for a in 0..count {
                for b in a + 1..count {
                    mesh.add_capacitance(inside[a], inside[b], *capacitance_f);
                }
            }
        }
        if let Some(absorption) = self.disturbances.absorption {
            for cable in 0..self.cables() {
                let siemens = balance.capacitances[self.soaking(cable)] / absorption.time_s;
                mesh.add_conductance(cable, self.soaking(cable), siemens);
            }
        }
    }

    fn sense(&self, position: &Position, samples: &[TerminalMatrix]) -> Result<Option<Sense>, SpecimenError> {
        let on = |terminal: usize| {
            let row = self.layout.row(terminal).filter(|&row| !self.layout.is_row_open(row))?;
            let mut columns = position.closed.iter().filter(|(r, _)| *r == row).map(|(_, column)| *column);
            let lead = columns.next().and_then(|column| self.layout.contact(column));
            let contact = lead.filter(|&lead| !self.layout.is_open(lead)).and_then(|lead| self.at(lead));
            if columns.next().is_none() { contact } else { None }
        };
        let Some(((sample, high), (of_low, low))) = on(SENSE_HIGH).zip(on(SENSE_LOW)) else {
            return Ok(None);
        };
        let held = &self.samples[sample];
        if sample != of_low || high == low || !conducts(&self.disturbances, &held.imperfections) {
            return Ok(None);
        }
        let reversed = match held.imperfections.thermomagnetic {
            Some(_) => Some(held.terminals(position.conditions[sample], Tesla(-position.field().0))?),
            None => None,
        };
        Ok(Some(Sense::new(sample, (high, low), &samples[sample], reversed.as_ref())?))
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
        capacitances.resize(self.cables() + self.junctions.len(), LEAST_CAPACITANCE_F);
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
        let of_lines = self.junctions.iter().zip(lines).map(|(junction, line)| {
            let [outside, inside] = self.sides(junction);
            vec![(outside, -line.ampere), (inside, line.ampere)]
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
