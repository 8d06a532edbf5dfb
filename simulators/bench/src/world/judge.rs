//! What the world complains of.

use super::World;
use crate::complaint::{Complaint, ComplaintKind};
use crate::parts::Limits;
use crate::parts::{CONTACTS, Place, RETURN_LOW, SOURCE_HIGH};
use quadrille_documents::Role;
use quadrille_quantity::Volt;

/// What a contact that moves may have against ground, in volts. Ours.
const COLD_V: f64 = 1.0;

/// Above a limit by this much is a complaint: the source's own error is no misuse.
const LIMIT_MARGIN: f64 = 1.01;

impl World {
    /// The client of the source is gone.
    pub(crate) fn source_abandoned(&mut self, time: f64) {
        self.advance(time);
        if self.source.on && self.source.level != 0.0 {
            let detail = format!("{:e} A is still set, and nobody is there", self.source.level);
            self.complain(ComplaintKind::OutputLeftOn, detail);
        }
    }

    /// Another instrument than the bench's was told to do something.
    pub(crate) fn stranger_told(&mut self, time: f64, role: Role, what: &str) {
        self.advance(time);
        self.complain(ComplaintKind::StrangerTold(role), format!("it was told {what}"));
    }

    pub(super) fn judge_switching(&mut self, moved: &[Place]) {
        if moved.is_empty() {
            return;
        }
        let name = |place: &Place| {
            self.parts.crosspoint(*place).map_or_else(|| "buffers".to_owned(), |c| c.to_string())
        };
        let names = moved.iter().map(name).collect::<Vec<_>>().join(",");
        let driven = self.source.on && self.source.level != 0.0;
        let volts = moved.iter().map(|place| match *place {
            Place::Relay(row, column) => {
                let contact = self.voltages[CONTACTS + column].abs();
                if row == SOURCE_HIGH { contact.max(self.voltages[row].abs()) } else { contact }
            }
            Place::Buffers => 0.0,
        });
        let most = volts.fold(0.0, f64::max);
        if driven {
            let detail = format!("{names} moved while the source drove {:e} A", self.source.level);
            self.complain(ComplaintKind::HotSwitching, detail);
        } else if most > COLD_V {
            self.complain(ComplaintKind::HotSwitching, format!("{names} moved with {} on it", Volt(most)));
        }
        if self.position.input {
            self.complain(ComplaintKind::AmmeterOpen, format!("{names} moved"));
        }
        let shorted = |&column: &usize| {
            let closed = |row| self.position.closed.contains(&(row, column));
            let touched = |place: &Place| matches!(*place, Place::Relay(row, c) if c == column && row <= 1);
            closed(SOURCE_HIGH) && closed(RETURN_LOW) && moved.iter().any(touched)
        };
        let columns = self.parts.wired();
        if let Some(column) = (0..columns).find(shorted) {
            let detail = format!("source and return are both on {}", self.parts.contact_in_words(column));
            self.complain(ComplaintKind::SourceShorted, detail);
        }
    }

    /// Complains once when a limit of a sample is passed, again only after it was kept.
    pub(super) fn judge_limits(&mut self) {
        (0..self.samples.len()).for_each(|sample| self.judge_limits_of(sample));
    }

    fn judge_limits_of(&mut self, sample: usize) {
        let (contacts, currents) = self.in_sample(sample, &self.voltages);
        let power: f64 = contacts.iter().zip(&currents).map(|(v, i)| v * i.0).sum();
        let current = currents.iter().fold(0.0_f64, |m, i| m.max(i.0.abs()));
        let highest = contacts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let lowest = contacts.iter().copied().fold(f64::INFINITY, f64::min);
        let Limits { voltage: most_v, current: most_a, power: most_w } = self.parts.samples[sample].limits;
        let judged = [
            (ComplaintKind::OverVoltage, highest - lowest, most_v, "V"),
            (ComplaintKind::OverCurrent, current, most_a, "A"),
            (ComplaintKind::OverPower, power, most_w, "W"),
        ];
        for (k, (kind, value, limit, unit)) in judged.into_iter().enumerate() {
            let exceeds = value > limit * LIMIT_MARGIN;
            if exceeds && !self.samples[sample].exceeded[k] {
                let called = self.parts.called(sample);
                let detail = format!("{value:.6e} {unit} in the sample{called}, {limit:e} {unit} is allowed");
                self.complain(kind, detail);
            }
            self.samples[sample].exceeded[k] = exceeds;
        }
    }

    fn complain(&mut self, kind: ComplaintKind, detail: String) {
        self.complain_at(self.time, kind, detail);
    }

    /// Complains of what was at a time.
    pub(crate) fn complain_at(&mut self, time_s: f64, kind: ComplaintKind, detail: String) {
        tracing::warn!(time_s, %kind, detail, "the simulated bench complains");
        self.complaints.push(Complaint { time_s, kind, detail });
    }
}
