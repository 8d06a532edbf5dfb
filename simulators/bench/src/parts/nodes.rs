//! Which node of the circuit is what: terminals, columns, contacts behind barriers, what soaks, leads that are not whole.

use super::{CONTACTS, Parts};
use crate::spread::Spread;

/// What still conducts where a lead is open (common practice, no source: as an open relay).
const OPEN_LEAD_OHM: f64 = 1e15;

/// A lead beside one that is open. Ours: nothing to what relays have.
const NO_LEAD_OHM: f64 = 1e-3;

impl Parts {
    /// How many nodes the circuit has: rows and columns, contacts behind barriers, and what soaks in each cable.
    pub(crate) fn nodes(&self) -> usize {
        let soaking = if self.disturbances.absorption.is_some() { self.cables() } else { 0 };
        self.cables() + self.junctions.len() + soaking + self.added()
    }

    /// Nodes that only leads with a resistance of their own, or open ones, make: at the end, contacts' before rows'.
    pub(super) fn added(&self) -> usize {
        self.plugs() + self.layout.open_rows().count()
    }

    pub(super) fn plugs(&self) -> usize {
        if self.spread.is_some() || self.layout.has_open_leads() { self.occupied().count() } else { 0 }
    }

    /// Leads that a sample is at the end of.
    pub(super) fn occupied(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.columns.len()).filter(|&lead| self.at(lead).is_some())
    }

    /// The node of a contact's own end of its lead.
    pub(crate) fn plug(&self, lead: usize) -> usize {
        let place = if self.plugs() > 0 { self.occupied().position(|other| other == lead) } else { None };
        match place {
            Some(place) => self.nodes() - self.added() + place,
            None => CONTACTS + self.layout.column(lead),
        }
    }

    /// The node of the matrix's end of a row's lead.
    pub(super) fn row(&self, row: usize) -> usize {
        match self.layout.open_rows().position(|open| open == row) {
            Some(place) => self.nodes() - self.added() + self.plugs() + place,
            None => self.layout.terminal(row),
        }
    }

    /// The nodes that [`Parts::added`] counts, each with the node at the other end of its lead and the lead's
    /// resistance in ohms.
    pub(crate) fn leads(&self) -> Vec<(usize, usize, f64)> {
        let of_contact = |lead: usize| {
            let ohm = match self.spread {
                _ if self.layout.is_open(lead) => OPEN_LEAD_OHM,
                Some(_) => Spread::lead_ohm(self.seed, lead),
                None => NO_LEAD_OHM,
            };
            (self.plug(lead), CONTACTS + self.layout.column(lead), ohm)
        };
        let of_row = |row: usize| (self.row(row), self.layout.terminal(row), OPEN_LEAD_OHM);
        self.occupied()
            .take(self.plugs())
            .map(of_contact)
            .chain(self.layout.open_rows().map(of_row))
            .collect()
    }

    pub(super) fn cables(&self) -> usize {
        CONTACTS + self.columns.len()
    }

    /// The node that soaks up charge behind a cable.
    pub(super) fn soaking(&self, cable: usize) -> usize {
        self.cables() + self.junctions.len() + cable
    }
}
