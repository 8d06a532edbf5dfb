//! Forward model: what each reading should be under one fault, and exactly how it changes with every quantity it depends
//! on. Written for the diagnosis alone; knows no simulator.
//!
//! Nodes: four rows, four columns, the four contacts of the standard and its inner nodes; behind an open lead of a row
//! one more for the instrument's terminal. One factorisation G of a configuration serves both polarities: x₀ is the
//! answer to thermoelectric voltages and bias currents, x₁ to 1 A of the source, z the adjoints of what the two meters
//! see, and ∂y/∂g of a branch is −(A z)(A x).

use crate::bench::{BenchModel, range_for};
use crate::circuit::{Branch, Charged, NONE, Solved, Terminals, solve};
use crate::elimination::Elimination;
use crate::fault::Fault;
use crate::layout::Layout;
use crate::reading::Setting;
use crate::standard::Standard;
use quadrille_experiment::Configuration;

/// Above this many times the resistance of the whole standard the voltmeter's inputs count as floating: what they show is
/// then decided by leaks, charges and bias currents that nobody knows. Ours.
const FLOATING: f64 = 5.0;

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
    /// The same of the voltmeter where a wrong gain comes after what overloads.
    pub(crate) input_load: f64,
    /// Whether the voltmeter's inputs float.
    pub(crate) floats: bool,
    /// What voltage and current are off by because cables are still being charged.
    pub(crate) unsettled: [f64; 2],
}

/// Part of the charge that has still to come of which nothing is known: no two cables are alike.
const CHARGE_PART: f64 = 0.1;

impl Predicted {
    /// Variances of voltage and current that cables give which are still being charged.
    pub(crate) fn unknown_charge(&self) -> [f64; 2] {
        self.unsettled.map(|off| (CHARGE_PART * off).powi(2))
    }
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

/// The circuit of one configuration, solved.
#[derive(Clone, Copy)]
struct Now<'n> {
    branches: &'n [Branch],
    terminals: &'n Terminals,
    burden: f64,
    solved: &'n Solved,
}

/// The bench under one fault.
pub(crate) struct Forward<'a> {
    pub(crate) standard: &'a Standard,
    pub(crate) bench: &'a BenchModel,
    pub(crate) layout: Layout,
    pub(crate) fault: Fault,
    /// What conducts beside that.
    pub(crate) beside: Option<Beside>,
}

impl Beside {
    fn branch(self) -> Branch {
        let Self { a, b, siemens } = self;
        Branch { a, b, siemens, quantity: NONE, emf: 0.0, emf_quantity: NONE }
    }
}

/// A second fault: a conductance between two nodes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Beside {
    pub(crate) a: usize,
    pub(crate) b: usize,
    pub(crate) siemens: f64,
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
pub(crate) const NO_COLUMN: usize = usize::MAX;

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
            branches.extend(self.beside.map(Beside::branch));
            let solved = solve(&mut system, nodes, &branches, &terminals, self.biases(point.values));
            let mut charged = Vec::new().into_iter();
            if self.fault == Fault::GuardOff {
                let settings: Vec<&Setting> = places.iter().map(|&place| &settings[place]).collect();
                charged = self
                    .charge(&mut system, &branches, terminals.source, &settings, point.values)
                    .into_iter();
            }
            let now = Now { branches: &branches, terminals: &terminals, burden, solved: &solved };
            for &place in places {
                self.reading(&settings[place], place, now, charged.next().as_ref(), point, out);
            }
        }
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

    fn reading(
        &self,
        setting: &Setting,
        place: usize,
        Now { branches, terminals, burden, solved }: Now<'_>,
        charged: Option<&Charged>,
        point: Point<'_>,
        out: &mut Predictions,
    ) {
        let (layout, values) = (self.layout, point.values);
        let unit = charged.map_or(&solved.unit, |charged| &charged.unit);
        let sign = if self.fault == Fault::SourceReversed { -1.0 } else { 1.0 };
        let gain = values[layout.source_gain()].exp();
        let asked = sign * (setting.commanded.0 * gain + values[layout.source_offset()]);
        let (at_source, per_ampere) = (solved.background[terminals.source], unit[terminals.source]);
        let needed = at_source + asked * per_ampere;
        let limit = self.limit(setting, values);
        let clamped = needed.abs() > limit;
        let driven = if clamped { (limit.copysign(needed) - at_source) / per_ampere } else { asked };
        let x = |node: usize| {
            if node == NONE { 0.0 } else { solved.background[node] + driven * unit[node] }
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
        let across = |unit: &[f64]| unit[terminals.high] - unit[terminals.low];
        let late = |by: &[f64]| [across(by) * volt_gain, burden * by[terminals.back] * ampere_gain];
        let unsettled = charged.map_or([0.0; 2], |charged| {
            let ([v, i], [v_end, i_end]) = (late(&charged.unit), late(&solved.unit));
            [driven * (v - v_end), driven * (i - i_end)]
        });
        let impedance = solved.volts[terminals.high] - solved.volts[terminals.low];
        let reach = self.standard.scale_ohm() + 100.0 * self.bench.matrix.closed_ohm;
        let meters = (&self.bench.voltmeter, &self.bench.ammeter);
        let volt_load = volts.abs() / (meters.0.overload * meters.0.ranges[volt_range].full_scale);
        let read = Predicted {
            volts: volts + values[layout.volt_offset(volt_range)],
            amperes: amperes + values[layout.ampere_offset(ampere_range)],
            need: needed.abs() / limit,
            volt_load,
            input_load: volt_load / scaled,
            ampere_load: amperes.abs() / (meters.1.overload * meters.1.ranges[ampere_range].full_scale),
            floats: impedance > FLOATING * reach,
            unsettled,
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
            i_row[column] += of_amperes * scale;
        };
        // What the two meters see of 1 A more from the source.
        let [volts_unit, amperes_unit] = late(unit);
        // A change of voltage at the source's terminal is taken back by its current where it is at its limit.
        let back = if clamped { 1.0 / per_ampere } else { 0.0 };
        let mut through = |quantity: usize, cause: f64, a: usize, b: usize| {
            if quantity == NONE || point.columns[quantity] == NO_COLUMN {
                return;
            }
            let across = |z: &[f64]| at(z, a) - at(z, b);
            let correction = -cause * across(unit) * back;
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
        if let Some(charged) = charged {
            let [of_volts, of_amperes] = late(&charged.by_time);
            set(layout.factor(), driven * of_volts, driven * of_amperes);
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
