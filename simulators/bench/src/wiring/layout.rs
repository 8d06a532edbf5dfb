//! How leads run where something is wrong with them: which column a contact is on, which terminal a row, what conducts
//! that should not. Knows no voltage.

use super::{Row, WiringFault};

/// Where leads run and what conducts beside them. Contacts, columns and terminals are counted from 0.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Layout {
    /// Column of each contact.
    columns: Vec<usize>,
    /// Terminal of each row.
    terminals: [usize; 4],
    open_leads: Vec<bool>,
    open_rows: [bool; 4],
    /// Contacts and siemens.
    pub(crate) leaks: Vec<(usize, usize, f64)>,
    /// Contact and siemens.
    pub(crate) to_ground: Vec<(usize, f64)>,
    /// Across the voltmeter's lines, in siemens.
    pub(crate) load: f64,
    pub(crate) buffers_out: bool,
    pub(crate) guard_broken: bool,
    /// Of the network's resistors, from 0.
    resistors: Vec<(usize, f64)>,
    scale: f64,
}

impl Layout {
    /// As it should be, with so many columns wired.
    pub(crate) fn right(wired: usize) -> Self {
        Self {
            columns: (0..wired).collect(),
            terminals: [0, 1, 2, 3],
            open_leads: vec![false; wired],
            open_rows: [false; 4],
            leaks: Vec::new(),
            to_ground: Vec::new(),
            load: 0.0,
            buffers_out: false,
            guard_broken: false,
            resistors: Vec::new(),
            scale: 1.0,
        }
    }

    /// With these faults, each on top of those before it.
    pub(crate) fn with(wired: usize, faults: impl IntoIterator<Item = WiringFault>) -> Self {
        let mut this = Self::right(wired);
        faults.into_iter().for_each(|fault| this.add(fault));
        this
    }

    fn add(&mut self, fault: WiringFault) {
        match fault {
            WiringFault::LeadsExchanged(a, b) => self.columns.swap(a.index(), b.index()),
            WiringFault::LeadOpen(contact) => self.open_leads[contact.index()] = true,
            WiringFault::RowOpen(row) => self.open_rows[row.node()] = true,
            WiringFault::RowsExchanged(a, b) => self.terminals.swap(a.node(), b.node()),
            WiringFault::Leak { from, to, ohm } => self.leaks.push((from.index(), to.index(), 1.0 / ohm)),
            WiringFault::LeakToGround(contact, ohm) => self.to_ground.push((contact.index(), 1.0 / ohm)),
            WiringFault::Loaded(ohm) => self.load += 1.0 / ohm,
            WiringFault::BuffersOut => self.buffers_out = true,
            WiringFault::GuardBroken => self.guard_broken = true,
            WiringFault::Resistor(number, factor) => self.resistors.push((number - 1, factor)),
            WiringFault::Scaled(factor) => self.scale *= factor,
        }
    }

    /// The column that the lead of a contact is on.
    pub(crate) fn column(&self, contact: usize) -> usize {
        self.columns[contact]
    }

    /// The contact whose lead is on a column.
    pub(crate) fn contact(&self, column: usize) -> Option<usize> {
        self.columns.iter().position(|&on| on == column)
    }

    /// The terminal that the lead of a row goes to.
    pub(crate) fn terminal(&self, row: usize) -> usize {
        self.terminals[row]
    }

    /// The row whose lead goes to a terminal.
    pub(crate) fn row(&self, terminal: usize) -> Option<usize> {
        self.terminals.iter().position(|&at| at == terminal)
    }

    /// Whether the lead of a contact is open.
    pub(crate) fn is_open(&self, contact: usize) -> bool {
        self.open_leads[contact]
    }

    /// Whether any is.
    pub(crate) fn has_open_leads(&self) -> bool {
        self.open_leads.contains(&true)
    }

    /// Whether the lead of a row is open.
    pub(crate) fn is_row_open(&self, row: usize) -> bool {
        self.open_rows[row]
    }

    /// Rows whose leads are open, in order.
    pub(crate) fn open_rows(&self) -> impl Iterator<Item = usize> + '_ {
        (0..Row::ALL.len()).filter(|&row| self.open_rows[row])
    }

    /// What a resistor of the network, from 0, is off by.
    pub(crate) fn factor(&self, resistor: usize) -> f64 {
        let own = self.resistors.iter().filter(|(number, _)| *number == resistor).map(|(_, factor)| factor);
        self.scale * own.product::<f64>()
    }
}
