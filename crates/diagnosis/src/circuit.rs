//! The circuit of one configuration under one fault, and its solutions.
//!
//! Nodes: four rows, four columns, the contacts of the standard and its inner nodes, and behind an open lead of a row one more
//! for the instrument's terminal.

use crate::elimination::Elimination;
use crate::fault::{Fault, Row};
use crate::forward::Forward;
use crate::reading::Setting;
use quadrille_experiment::{Configuration, Contact};

/// Ground as a node, and no quantity.
pub(crate) const NONE: usize = usize::MAX;

/// Steps in which cables are charged: what is missing after one time constant is right to 1 % of itself, after five to 20 %.
const CHARGING_STEPS: usize = 64;

/// How much longer a time is for the derivative by its logarithm.
const LONGER: f64 = 1e-3;

/// A lead that hangs loose leaks this much less than an open crosspoint. Ours.
const LOOSE: f64 = 100.0;

/// One conductance; a node beyond the last is ground.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Branch {
    pub(crate) a: usize,
    pub(crate) b: usize,
    pub(crate) siemens: f64,
    /// The quantity whose logarithm its resistance follows.
    pub(crate) quantity: usize,
    /// Voltage in series, which raises `a` against `b`, and its quantity.
    pub(crate) emf: f64,
    pub(crate) emf_quantity: usize,
}

/// Places of terminals among the nodes.
pub(crate) struct Terminals {
    pub(crate) source: usize,
    pub(crate) back: usize,
    pub(crate) high: usize,
    pub(crate) low: usize,
}

/// Solutions for one configuration.
pub(crate) struct Solved {
    pub(crate) background: Vec<f64>,
    pub(crate) unit: Vec<f64>,
    pub(crate) volts: Vec<f64>,
    pub(crate) amperes: Vec<f64>,
}

/// Answer to 1 A of the source while cables are being charged.
pub(crate) struct Charged {
    pub(crate) unit: Vec<f64>,
    /// Its derivative by the logarithm of all times.
    pub(crate) by_time: Vec<f64>,
}

impl Forward<'_> {
    pub(crate) fn biases(&self, values: &[f64]) -> [f64; 2] {
        [values[self.layout.bias(0)], values[self.layout.bias(1)]]
    }

    fn buffers(&self) -> bool {
        self.bench.buffers.is_some() && self.fault != Fault::BuffersOut
    }

    /// Matrix, leads, standard, cables and the fault's own branch.
    pub(crate) fn branches(&self, configuration: Configuration, values: &[f64], branches: &mut Vec<Branch>) {
        let (bench, layout, fault) = (self.bench, self.layout, self.fault);
        let ground = NONE;
        branches.clear();
        let mut add = |a: usize, b: usize, ohm: f64, quantity: usize| {
            let siemens = 1.0 / (ohm * values[quantity].exp());
            branches.push(Branch { a, b, siemens, quantity, emf: 0.0, emf_quantity: NONE });
        };
        let factor = if fault == Fault::AllScaled { values[layout.factor()].exp() } else { 1.0 };
        for (k, resistor) in self.standard.resistors().iter().enumerate() {
            add(8 + resistor.ends.0, 8 + resistor.ends.1, resistor.ohm * factor, layout.resistor(k));
        }
        for k in 0..4 {
            let contact = match fault {
                Fault::LeadsSwapped(i, j) if k == i => j,
                Fault::LeadsSwapped(i, j) if k == j => i,
                _ => k,
            };
            let ohm = if fault == Fault::ContactOpen(k) { bench.matrix.open_ohm } else { bench.lead.ohm };
            add(4 + k, 8 + contact, ohm, layout.lead(k));
        }
        for cable in 0..8 {
            let guard = bench.guard && fault != Fault::GuardOff;
            add(cable, ground, bench.insulation_ohm(guard), layout.insulation(cable));
        }
        match fault {
            Fault::Leak(i, j) => add(8 + i, 8 + j, 1.0, layout.size()),
            Fault::LeakToGround(k) => add(8 + k, ground, 1.0, layout.size()),
            _ => {}
        }
        let contacts = configuration.contacts().map(Contact::index);
        for (r, row) in Row::ALL.into_iter().enumerate() {
            for column in 0..4 {
                let told = contacts[r] == column;
                let closed = match fault {
                    Fault::CrosspointOpen(broken, k) if (broken, k) == (row, column) => false,
                    Fault::CrosspointClosed(broken, k) if (broken, k) == (row, column) => true,
                    _ => told,
                };
                let (ohm, quantity) = if closed {
                    (bench.matrix.closed_ohm, layout.closed(r, column))
                } else {
                    (bench.matrix.open_ohm, layout.open(r, column))
                };
                let siemens = 1.0 / (ohm * values[quantity].exp());
                let (emf, emf_quantity) =
                    if closed { (values[layout.emf(r, column)], layout.emf(r, column)) } else { (0.0, NONE) };
                branches.push(Branch { a: r, b: 4 + column, siemens, quantity, emf, emf_quantity });
            }
        }
    }

    /// Instruments at their terminals; an open lead of a row sets the terminal apart. Also the burden's conductance.
    pub(crate) fn instruments(&self, values: &[f64], branches: &mut Vec<Branch>) -> (Terminals, f64) {
        let (bench, layout, fault) = (self.bench, self.layout, self.fault);
        let apart = 8 + self.standard.nodes();
        let terminal = |row: Row| if fault == Fault::RowOpen(row) { apart } else { row.index() };
        let (source, back) = match fault {
            Fault::CurrentRowsExchanged => (terminal(Row::Return), terminal(Row::Source)),
            _ => (terminal(Row::Source), terminal(Row::Return)),
        };
        let (high, low) = match fault {
            Fault::VoltmeterReversed => (terminal(Row::SenseLow), terminal(Row::SenseHigh)),
            _ => (terminal(Row::SenseHigh), terminal(Row::SenseLow)),
        };
        let mut add = |a: usize, b: usize, ohm: f64, quantity: usize| {
            let logarithm = if quantity == NONE { 0.0 } else { values[quantity] };
            let siemens = 1.0 / (ohm * logarithm.exp());
            branches.push(Branch { a, b, siemens, quantity, emf: 0.0, emf_quantity: NONE });
            siemens
        };
        // The node set apart hangs on its row, or where no row is open on ground.
        match fault {
            // A loose current lead is at the voltage limit: what it lets through to gigohms shows, and nobody knows it.
            Fault::RowOpen(row @ (Row::Source | Row::Return)) => {
                add(apart, row.index(), LOOSE * bench.matrix.open_ohm, layout.size())
            }
            Fault::RowOpen(row) => add(apart, row.index(), LOOSE * bench.matrix.open_ohm, NONE),
            _ => add(apart, NONE, bench.matrix.open_ohm, NONE),
        };
        add(source, NONE, bench.source.output_ohm, layout.output());
        match bench.buffers.filter(|_| self.buffers()) {
            Some(buffers) => {
                add(high, NONE, buffers.input_ohm, layout.input(0));
                add(low, NONE, buffers.input_ohm, layout.input(1));
            }
            None => {
                add(high, low, bench.voltmeter.input_ohm, layout.input(0));
                if bench.voltmeter.low_to_ground_ohm.is_finite() {
                    add(low, NONE, bench.voltmeter.low_to_ground_ohm, layout.input(1));
                }
            }
        }
        if fault == Fault::Loading {
            add(high, low, 1.0, layout.size());
        }
        let ohm =
            if fault == Fault::AmmeterShorted { bench.ammeter.shorted_ohm } else { bench.ammeter.burden_ohm };
        let burden = add(back, NONE, ohm, NONE);
        (Terminals { source, back, high, low }, burden)
    }

    /// What a guard that is not driven leaves: the readings of a configuration find their cables on the way. They are charged
    /// from rest for as long as the first reading waits, then from where they are for as long as the next does, by implicit
    /// Euler, whose matrix has no subtraction either. What the configuration before left on them is not followed.
    pub(crate) fn charge(
        &self,
        system: &mut Elimination,
        branches: &[Branch],
        source: usize,
        settings: &[&Setting],
        values: &[f64],
    ) -> Vec<Charged> {
        let all = values[self.layout.factor()].exp();
        let mut charging = |longer: f64| {
            let mut x = vec![0.0; 9 + self.standard.nodes()];
            let mut before = 1.0;
            let mut after = Vec::with_capacity(settings.len());
            for setting in settings {
                let waited = if setting.waited.0 > 0.0 { setting.waited.0 } else { self.bench.settle_s };
                // Voltages for one ampere of the current that is driven now.
                x.iter_mut().for_each(|x| *x *= before / setting.commanded.0);
                before = setting.commanded.0;
                self.let_charge(system, branches, source, waited * all * longer, &mut x);
                after.push(x.clone());
            }
            after
        };
        let (units, later) = (charging(1.0), charging(1.0 + LONGER));
        let charged = |(unit, later): (Vec<f64>, Vec<f64>)| {
            let by_time = unit.iter().zip(later).map(|(now, later)| (later - now) / LONGER).collect();
            Charged { unit, by_time }
        };
        units.into_iter().zip(later).map(charged).collect()
    }

    /// Lets some seconds pass while the source drives 1 A.
    fn let_charge(
        &self,
        system: &mut Elimination,
        branches: &[Branch],
        source: usize,
        seconds: f64,
        x: &mut [f64],
    ) {
        let per_step = self.bench.cable.capacitance_f * CHARGING_STEPS as f64 / seconds;
        system.clear();
        for branch in branches {
            system.add(branch.a, branch.b, branch.siemens);
        }
        let is_charged = per_step.is_finite() && per_step > 0.0;
        let (per_step, steps) = if is_charged { (per_step, CHARGING_STEPS) } else { (0.0, 1) };
        for cable in 0..8 {
            system.add(cable, NONE, per_step);
        }
        system.factor();
        for _ in 0..steps {
            for (node, x) in x.iter_mut().enumerate() {
                *x = if node < 8 { *x * per_step } else { 0.0 };
            }
            x[source] += 1.0;
            system.solve(x);
        }
    }
}

/// Factors the circuit and solves for what drives it and for what its meters see.
pub(crate) fn solve(
    system: &mut Elimination,
    nodes: usize,
    branches: &[Branch],
    terminals: &Terminals,
    biases: [f64; 2],
) -> Solved {
    system.clear();
    let raised = raised(branches, terminals);
    let mut background = vec![0.0; nodes];
    for branch in branches {
        system.add(branch.a, branch.b, branch.siemens);
        let emf = branch.emf - level(&raised, branch.a) + level(&raised, branch.b);
        if emf != 0.0 {
            for (node, sign) in
                [(branch.a, 1.0), (branch.b, -1.0)].into_iter().filter(|(node, _)| *node != NONE)
            {
                background[node] += sign * branch.siemens * emf;
            }
        }
    }
    background[terminals.high] += biases[0];
    background[terminals.low] += biases[1];
    system.factor();
    system.solve(&mut background);
    background.iter_mut().zip(raised).for_each(|(x, level)| *x += level);
    let unit_at = |pairs: &[(usize, f64)]| {
        let mut b = vec![0.0; nodes];
        for &(node, ampere) in pairs {
            b[node] += ampere;
        }
        system.solve(&mut b);
        b
    };
    let unit = unit_at(&[(terminals.source, 1.0)]);
    Solved {
        background,
        unit,
        volts: unit_at(&[(terminals.high, 1.0), (terminals.low, -1.0)]),
        amperes: unit_at(&[(terminals.back, 1.0)]),
    }
}

/// What the rows are raised by: the thermoelectric voltage of their first closed crosspoint. Potentials are reckoned from there,
/// so that a microvolt across an ohm is no pair of microamperes, whose roundings would be microvolts on a row that floats. The
/// ammeter's terminal is so near ground that it is reckoned from ground.
fn raised(branches: &[Branch], terminals: &Terminals) -> [f64; 4] {
    let mut raised = [None; 4];
    for branch in branches.iter().filter(|branch| branch.emf_quantity != NONE && branch.a != terminals.back) {
        if let Some(level @ None) = raised.get_mut(branch.a) {
            *level = Some(branch.emf);
        }
    }
    raised.map(|level| level.unwrap_or(0.0))
}

fn level(raised: &[f64; 4], node: usize) -> f64 {
    raised.get(node).copied().unwrap_or(0.0)
}
