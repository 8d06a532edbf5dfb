//! Forward model: what each reading should be under one fault, and exactly how it changes with every quantity it depends
//! on. Written for the diagnosis alone; knows no simulator.
//!
//! Nodes: four rows, four columns, the four contacts of the standard and its inner nodes; behind an open lead of a row
//! one more for the instrument's terminal. One factorisation G of a configuration serves both polarities: x₀ is the
//! answer to thermoelectric voltages and bias currents, x₁ to 1 A of the source, z the adjoints of what the two meters
//! see, and ∂y/∂g of a branch is −(A z)(A x).

use crate::bench::{BenchModel, range_for};
use crate::elimination::Elimination;
use crate::fault::{Fault, Row};
use crate::layout::Layout;
use crate::reading::Setting;
use crate::standard::Standard;
use quadrille_experiment::{Configuration, Contact};

/// Above this many times the resistance of the whole standard the voltmeter's inputs count as floating: what they show is
/// then decided by leaks, charges and bias currents that nobody knows. Ours.
const FLOATING: f64 = 5.0;

/// Steps in which cables are charged: 2 % of what is missing after one time constant.
const CHARGING_STEPS: usize = 24;

/// A reading has settled where it is within this part of its end. Ours.
const CHARGED: f64 = 1e-3;

const NONE: usize = usize::MAX;

/// One conductance; a node beyond the last is ground.
#[derive(Clone, Copy, Debug)]
struct Branch {
    a: usize,
    b: usize,
    siemens: f64,
    /// The quantity whose logarithm its resistance follows.
    quantity: usize,
    /// Voltage in series, which raises `a` against `b`, and its quantity.
    emf: f64,
    emf_quantity: usize,
}

/// What is predicted of one reading.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Predicted {
    pub(crate) volts: f64,
    pub(crate) amperes: f64,
    /// Voltage that the source needs, as a part of its limit.
    pub(crate) need: f64,
    /// Voltage between the voltmeter's terminals, as a part of what its range takes without overload; the same of the
    /// ammeter.
    pub(crate) volt_load: f64,
    pub(crate) ampere_load: f64,
    /// Whether the voltmeter's inputs float, or have not settled.
    pub(crate) floats: bool,
    /// Whether the cables are still being charged.
    pub(crate) charging: bool,
}

/// Predictions with derivatives: row 2k for the voltage of reading k, row 2k + 1 for its current.
#[derive(Clone, Debug, Default)]
pub(crate) struct Predictions {
    pub(crate) readings: Vec<Predicted>,
    pub(crate) columns: usize,
    pub(crate) jacobian: Vec<f64>,
}

/// Readings that share a configuration, by their places.
pub(crate) type Groups = Vec<(Configuration, Vec<usize>)>;

pub(crate) fn groups<'s>(settings: impl Iterator<Item = &'s Setting>) -> Groups {
    let mut groups: Groups = Vec::new();
    for (k, setting) in settings.enumerate() {
        match groups.iter_mut().find(|(configuration, _)| *configuration == setting.configuration) {
            Some((_, places)) => places.push(k),
            None => groups.push((setting.configuration, vec![k])),
        }
    }
    groups
}

/// The bench under one fault.
pub(crate) struct Forward<'a> {
    pub(crate) standard: &'a Standard,
    pub(crate) bench: &'a BenchModel,
    pub(crate) layout: Layout,
    pub(crate) fault: Fault,
}

/// Places of terminals among the nodes.
struct Terminals {
    source: usize,
    back: usize,
    high: usize,
    low: usize,
}

/// Solutions for one configuration.
struct Solved {
    background: Vec<f64>,
    unit: Vec<f64>,
    volts: Vec<f64>,
    amperes: Vec<f64>,
    /// Answer of the voltmeter to 1 A of the source after any time.
    volts_at_rest: f64,
}

/// The list of quantities, and in which column of the Jacobian each stands.
#[derive(Clone, Copy)]
pub(crate) struct Point<'p> {
    pub(crate) values: &'p [f64],
    pub(crate) scales: &'p [f64],
    pub(crate) columns: &'p [usize],
    pub(crate) count: usize,
}

/// Marks a quantity without a column.
pub(crate) const NO_COLUMN: usize = NONE;

impl Forward<'_> {
    pub(crate) fn predict(
        &self,
        settings: &[Setting],
        groups: &Groups,
        point: Point<'_>,
        out: &mut Predictions,
    ) {
        out.readings.clear();
        out.readings.resize(settings.len(), Predicted::default());
        out.columns = point.count;
        out.jacobian.clear();
        out.jacobian.resize(2 * settings.len() * point.count, 0.0);
        let nodes = 9 + self.standard.nodes();
        let mut system = Elimination::new(nodes);
        let mut branches = Vec::new();
        for (configuration, places) in groups {
            self.branches(*configuration, point.values, &mut branches);
            let (terminals, burden) = self.instruments(point.values, &mut branches);
            let mut solved = solve(&mut system, nodes, &branches, &terminals, self.biases(point.values));
            if self.fault == Fault::GuardOff {
                self.charge(&mut system, &branches, &terminals, point.values, &mut solved);
            }
            for &place in places {
                self.reading(&settings[place], place, &branches, &terminals, burden, &solved, point, out);
            }
        }
    }

    /// What a guard that is not driven leaves: cables charge from rest for as long as the reading waits, by implicit Euler,
    /// whose matrix has no subtraction either. What earlier readings left on the sense contacts is not followed.
    fn charge(
        &self,
        system: &mut Elimination,
        branches: &[Branch],
        terminals: &Terminals,
        values: &[f64],
        solved: &mut Solved,
    ) {
        let step = self.bench.settle_s * values[self.layout.size()].exp() / CHARGING_STEPS as f64;
        let per_step = self.bench.cable.capacitance_f / step;
        if !(per_step.is_finite() && per_step > 0.0) {
            return;
        }
        system.clear();
        for branch in branches {
            system.add(branch.a, branch.b, branch.siemens);
        }
        for cable in 0..8 {
            system.add(cable, NONE, per_step);
        }
        system.factor();
        let mut x = vec![0.0; solved.unit.len()];
        for _ in 0..CHARGING_STEPS {
            for (node, x) in x.iter_mut().enumerate() {
                *x = if node < 8 { *x * per_step } else { 0.0 };
            }
            x[terminals.source] += 1.0;
            system.solve(&mut x);
        }
        solved.unit = x;
    }

    fn biases(&self, values: &[f64]) -> [f64; 2] {
        [values[self.layout.bias(0)], values[self.layout.bias(1)]]
    }

    fn buffers(&self) -> bool {
        self.bench.buffers.is_some() && self.fault != Fault::BuffersOut
    }

    /// Matrix, leads, standard, cables and the fault's own branch.
    fn branches(&self, configuration: Configuration, values: &[f64], branches: &mut Vec<Branch>) {
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
    fn instruments(&self, values: &[f64], branches: &mut Vec<Branch>) -> (Terminals, f64) {
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
        // The node set apart hangs on its row, or where no row is open on ground, by what an open crosspoint has.
        match fault {
            Fault::RowOpen(row) => add(apart, row.index(), bench.matrix.open_ohm, NONE),
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

    /// Range that a meter is on: where a fault keeps it on another, that one.
    pub(crate) fn ranges(&self, setting: &Setting) -> (usize, usize) {
        let volts = range_for(&self.bench.voltmeter.ranges, setting.voltage_range.0);
        let amperes = range_for(&self.bench.ammeter.ranges, setting.current_range.0);
        match self.fault {
            Fault::VoltmeterOverload(range) => (volts.min(range), amperes),
            Fault::VoltmeterCoarse(range) => (volts.max(range), amperes),
            Fault::AmmeterOverload(range) => (volts, amperes.min(range)),
            Fault::AmmeterCoarse(range) => (volts, amperes.max(range)),
            _ => (volts, amperes),
        }
    }

    #[allow(clippy::too_many_arguments)]
    fn reading(
        &self,
        setting: &Setting,
        place: usize,
        branches: &[Branch],
        terminals: &Terminals,
        burden: f64,
        solved: &Solved,
        point: Point<'_>,
        out: &mut Predictions,
    ) {
        let (layout, values) = (self.layout, point.values);
        let sign = if self.fault == Fault::SourceReversed { -1.0 } else { 1.0 };
        let gain = values[layout.source_gain()].exp();
        let asked = sign * (setting.commanded.0 * gain + values[layout.source_offset()]);
        let (at_source, per_ampere) = (solved.background[terminals.source], solved.unit[terminals.source]);
        let needed = at_source + asked * per_ampere;
        let limit = self.limit(setting, values);
        let clamped = needed.abs() > limit;
        let driven = if clamped { (limit.copysign(needed) - at_source) / per_ampere } else { asked };
        let x = |node: usize| {
            if node == NONE { 0.0 } else { solved.background[node] + driven * solved.unit[node] }
        };
        let (volt_range, ampere_range) = self.ranges(setting);
        let ammeter = match self.fault {
            Fault::AmmeterShorted => 0.0,
            Fault::AmmeterReversed => -1.0,
            _ => 1.0,
        };
        let scaled = if self.fault == Fault::VoltmeterGain { values[layout.factor()].exp() } else { 1.0 };
        let volt_gain = scaled * values[layout.volt_gain(volt_range)].exp();
        let ampere_gain = ammeter * values[layout.ampere_gain(ampere_range)].exp();
        let volts = (x(terminals.high) - x(terminals.low)) * volt_gain;
        let amperes = burden * x(terminals.back) * ampere_gain;
        let volts_unit = solved.unit[terminals.high] - solved.unit[terminals.low];
        let charging = (volts_unit - solved.volts_at_rest).abs() > CHARGED * solved.volts_at_rest.abs();
        let impedance = solved.volts[terminals.high] - solved.volts[terminals.low];
        let reach = self.standard.scale_ohm() + 100.0 * self.bench.matrix.closed_ohm;
        let meters = (&self.bench.voltmeter, &self.bench.ammeter);
        let read = Predicted {
            volts: volts + values[layout.volt_offset(volt_range)],
            amperes: amperes + values[layout.ampere_offset(ampere_range)],
            need: needed.abs() / limit,
            volt_load: volts.abs() / (meters.0.overload * meters.0.ranges[volt_range].full_scale),
            ampere_load: amperes.abs() / (meters.1.overload * meters.1.ranges[ampere_range].full_scale),
            floats: impedance > FLOATING * reach || charging,
            charging,
        };
        out.readings[place] = read;
        if point.count == 0 {
            return;
        }
        let (v_row, i_row) = out.jacobian[2 * place * point.count..].split_at_mut(point.count);
        let mut set = |quantity: usize, of_volts: f64, of_amperes: f64| {
            if quantity == NONE || point.columns[quantity] == NO_COLUMN {
                return;
            }
            let (column, scale) = (point.columns[quantity], point.scales[quantity]);
            v_row[column] += if read.floats { 0.0 } else { of_volts * scale };
            i_row[column] += if charging { 0.0 } else { of_amperes * scale };
        };
        // What the two meters see of 1 A more from the source.
        let volts_unit = volts_unit * volt_gain;
        let amperes_unit = burden * solved.unit[terminals.back] * ampere_gain;
        // A change of voltage at the source's terminal is taken back by its current where it is at its limit.
        let back = if clamped { 1.0 / per_ampere } else { 0.0 };
        let mut through = |quantity: usize, cause: f64, a: usize, b: usize| {
            if quantity == NONE || point.columns[quantity] == NO_COLUMN {
                return;
            }
            let across = |z: &[f64]| at(z, a) - at(z, b);
            let correction = -cause * across(&solved.unit) * back;
            let of_volts = cause * across(&solved.volts) * volt_gain + volts_unit * correction;
            let of_amperes =
                cause * across(&solved.amperes) * burden * ampere_gain + amperes_unit * correction;
            set(quantity, of_volts, of_amperes);
        };
        for branch in branches {
            let across = x(branch.a) - x(branch.b) - branch.emf;
            through(branch.quantity, branch.siemens * across, branch.a, branch.b);
            through(branch.emf_quantity, branch.siemens, branch.a, branch.b);
            if self.fault == Fault::AllScaled
                && branch.a >= 8
                && branch.quantity < self.standard.resistors().len()
            {
                through(layout.factor(), branch.siemens * across, branch.a, branch.b);
            }
        }
        through(layout.bias(0), 1.0, terminals.high, NONE);
        through(layout.bias(1), 1.0, terminals.low, NONE);
        if clamped {
            let of_limit = limit.copysign(needed) / per_ampere;
            let quantity = if self.fault == Fault::ComplianceLow { layout.size() } else { layout.limit() };
            set(quantity, volts_unit * of_limit, amperes_unit * of_limit);
        } else {
            let of_gain = sign * setting.commanded.0 * gain;
            set(layout.source_gain(), volts_unit * of_gain, amperes_unit * of_gain);
            set(layout.source_offset(), volts_unit * sign, amperes_unit * sign);
        }
        set(layout.volt_gain(volt_range), volts, 0.0);
        set(layout.volt_offset(volt_range), 1.0, 0.0);
        set(layout.ampere_gain(ampere_range), 0.0, amperes);
        set(layout.ampere_offset(ampere_range), 0.0, 1.0);
        if self.fault == Fault::VoltmeterGain {
            set(layout.factor(), volts, 0.0);
        }
    }

    fn limit(&self, setting: &Setting, values: &[f64]) -> f64 {
        if self.fault == Fault::ComplianceLow {
            values[self.layout.size()].exp()
        } else {
            setting.voltage_limit.0 * values[self.layout.limit()].exp()
        }
    }
}

fn at(x: &[f64], node: usize) -> f64 {
    if node == NONE { 0.0 } else { x[node] }
}

fn solve(
    system: &mut Elimination,
    nodes: usize,
    branches: &[Branch],
    terminals: &Terminals,
    biases: [f64; 2],
) -> Solved {
    system.clear();
    let mut background = vec![0.0; nodes];
    for branch in branches {
        system.add(branch.a, branch.b, branch.siemens);
        if branch.emf != 0.0 {
            background[branch.a] += branch.siemens * branch.emf;
            background[branch.b] -= branch.siemens * branch.emf;
        }
    }
    background[terminals.high] += biases[0];
    background[terminals.low] += biases[1];
    system.factor();
    system.solve(&mut background);
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
        volts_at_rest: unit[terminals.high] - unit[terminals.low],
        background,
        unit,
        volts: unit_at(&[(terminals.high, 1.0), (terminals.low, -1.0)]),
        amperes: unit_at(&[(terminals.back, 1.0)]),
    }
}
