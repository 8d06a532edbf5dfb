//! Which faults are held against the readings, how likely each is beforehand, and from where its fit starts.

use crate::bench::{BenchModel, range_for};
use crate::data::Data;
use crate::fault::{Class, Fault, Noisy, Row};
use crate::fit::{Fit, Problem};
use crate::forward::Predicted;
use crate::layout::Layout;
use crate::linear::Linear;
use crate::standard::Standard;
use std::collections::BTreeMap;

/// Half of all benches are good before anything was read. Ours.
const GOOD: f64 = 0.5;

/// Two wrong resistors against one. Ours.
const TWO_AGAINST_ONE: f64 = 0.3;

/// All faults of the list that this bench and standard can have.
pub(crate) fn faults(standard: &Standard, bench: &BenchModel, data: &Data) -> Vec<Fault> {
    let mut all = vec![Fault::Good];
    let contacts = 0..4;
    let pairs: Vec<(usize, usize)> = (0..4).flat_map(|i| (i + 1..4).map(move |j| (i, j))).collect();
    all.extend(contacts.clone().map(Fault::ContactOpen));
    all.extend(pairs.iter().map(|&(i, j)| Fault::LeadsSwapped(i, j)));
    for row in Row::ALL {
        all.extend(contacts.clone().map(|k| Fault::CrosspointOpen(row, k)));
        all.extend(contacts.clone().map(|k| Fault::CrosspointClosed(row, k)));
    }
    all.extend(Row::ALL.map(Fault::RowOpen));
    let resistors = standard.resistors().len();
    all.extend((0..resistors).map(Fault::ResistorOff));
    for j in 0..resistors {
        let others = (j + 1..resistors).filter(|&k| standard.edge_of(k) != standard.edge_of(j));
        all.extend(others.map(|k| Fault::ResistorsOff(j, k)));
    }
    all.extend(pairs.iter().map(|&(i, j)| Fault::Leak(i, j)));
    all.extend(contacts.map(Fault::LeakToGround));
    all.push(Fault::Loading);
    if bench.buffers.is_some() {
        all.push(Fault::BuffersOut);
    }
    if bench.guard {
        all.push(Fault::GuardOff);
    }
    all.extend([
        Fault::AmmeterShorted,
        Fault::AmmeterReversed,
        Fault::VoltmeterReversed,
        Fault::CurrentRowsExchanged,
        Fault::Noisy(Noisy::Voltmeter),
        Fault::Noisy(Noisy::Ammeter),
        Fault::Noisy(Noisy::Both),
        Fault::ComplianceLow,
        Fault::SourceReversed,
        Fault::AllScaled,
        Fault::VoltmeterGain,
    ]);
    all.extend(stuck_ranges(bench, data));
    all
}

/// Ranges that a meter may be stuck on: for overload those below the largest told, for coarseness those above the
/// smallest.
fn stuck_ranges(bench: &BenchModel, data: &Data) -> Vec<Fault> {
    let told = |of: &dyn Fn(usize) -> usize| {
        let all = 0..data.settings.len();
        (all.clone().map(of).min().unwrap_or(0), all.map(of).max().unwrap_or(0))
    };
    let volts = told(&|k| range_for(&bench.voltmeter.ranges, data.settings[k].voltage_range.0));
    let amperes = told(&|k| range_for(&bench.ammeter.ranges, data.settings[k].current_range.0));
    let mut all = Vec::new();
    all.extend((0..volts.1).map(Fault::VoltmeterOverload));
    all.extend((volts.0 + 1..bench.voltmeter.ranges.len()).map(Fault::VoltmeterCoarse));
    all.extend((0..amperes.1).map(Fault::AmmeterOverload));
    all.extend((amperes.0 + 1..bench.ammeter.ranges.len()).map(Fault::AmmeterCoarse));
    all
}

/// Logarithm of the probability of each fault beforehand: classes of a sort share what the sort has, members of a class
/// what the class has.
pub(crate) fn priors(standard: &Standard, faults: &[Fault]) -> Vec<f64> {
    let mut sorts: BTreeMap<String, BTreeMap<Class, usize>> = BTreeMap::new();
    for fault in faults {
        let class = fault.class(standard);
        *sorts.entry(sort(class)).or_default().entry(class).or_default() += 1;
    }
    let bad = sorts.len().saturating_sub(1).max(1) as f64;
    let of = |fault: &Fault| {
        let class = fault.class(standard);
        if class == Class::Good {
            return f64::ln(GOOD);
        }
        let classes = &sorts[&sort(class)];
        let share = if matches!(class, Class::TwoEdges(..)) { TWO_AGAINST_ONE } else { 1.0 };
        ((1.0 - GOOD) * share / bad / classes.len() as f64 / classes[&class] as f64).ln()
    };
    faults.iter().map(of).collect()
}

fn sort(class: Class) -> String {
    match class {
        Class::TwoEdges(..) => "two edges".into(),
        Class::ContactOpen(_)
        | Class::LeadsSwapped(..)
        | Class::CrosspointOpen(..)
        | Class::CrosspointClosed(..)
        | Class::CurrentRowOpen
        | Class::SenseRowOpen
        | Class::Edge(_)
        | Class::DiagonalLeak(..)
        | Class::GroundLeak(_) => format!("{:?}", class.kind()),
        other => format!("{other:?}"),
    }
}

/// Where the fit of a fault may start, with how badly the readings fit there.
pub(crate) struct Start {
    values: Vec<f64>,
    pub(crate) score: f64,
}

/// A start that fits so many times worse than the best is not tried.
const WORSE_START: f64 = 4.0;

/// Most starts that are tried.
const STARTS: usize = 2;

impl Problem<'_> {
    /// The best fit of a fault over its starts, best first.
    pub(crate) fn best_fit(&self, fault: Fault, starts: &[Start], bound: f64) -> Fit {
        let mut best: Option<Fit> = None;
        let least = starts.first().map_or(0.0, |start| start.score);
        for start in starts.iter().take(STARTS).filter(|start| start.score <= WORSE_START * least) {
            let so_far = best.as_ref().map_or(bound, |fit| bound.min(fit.objective));
            let fit = self.fit(fault, &start.values, so_far);
            if best.as_ref().is_none_or(|best| fit.evidence > best.evidence) {
                best = Some(fit);
            }
        }
        best.unwrap_or_else(|| self.fit(fault, &self.nominal(), bound))
    }

    /// Starts of a fault, the one that fits best first when what is not known of a good bench is fitted beside it.
    pub(crate) fn ordered_starts(&self, fault: Fault, good: &Linear) -> Vec<Start> {
        let score = |values: Vec<f64>| {
            let score = good.score(self, fault, &values);
            Start { values, score }
        };
        let mut starts: Vec<Start> = self.starts(fault).into_iter().map(score).collect();
        starts.sort_by(|a, b| a.score.total_cmp(&b.score));
        starts
    }

    fn starts(&self, fault: Fault) -> Vec<Vec<f64>> {
        let layout = Layout::new(self.standard, self.bench);
        let scale = self.standard.scale_ohm();
        let times = |factors: &[f64]| factors.iter().map(|x| (x * scale).ln()).collect();
        let (quantity, values): (usize, Vec<f64>) = match fault {
            Fault::Leak(..) => (layout.size(), times(&[0.02, 0.07, 0.2, 0.7, 2.0, 7.0, 30.0, 150.0, 1e3])),
            Fault::LeakToGround(_) | Fault::Loading => {
                (layout.size(), times(&[0.03, 0.1, 0.4, 1.5, 6.0, 25.0, 100.0, 1e3, 1e4, 1e5]))
            }
            Fault::ComplianceLow => (layout.size(), self.limits()),
            // From a loose lead that leaks as usual to one that leaks like some relays.
            Fault::RowOpen(Row::Source | Row::Return) => (layout.size(), vec![0.0, -2.3, -4.6, -6.9]),
            Fault::ResistorOff(k) => (layout.resistor(k), vec![-2.5, -1.2, -0.5, 0.0, 0.4, 1.0]),
            Fault::AllScaled | Fault::VoltmeterGain => {
                let spread = [-2.0, -1.0, -0.4, 0.0, 0.4, 1.0, 2.0];
                (layout.factor(), spread.into_iter().chain(self.common_factor()).collect())
            }
            _ => return vec![self.nominal()],
        };
        let at = |value: f64| {
            let mut start = self.nominal();
            start[quantity] = value;
            start
        };
        values.into_iter().map(at).collect()
    }

    /// Logarithm of what the resistances that are shown have in common against those of a good bench: near it a source at its limit
    /// is at its limit where the readings say so, and a search does not stop at the edge of that.
    fn common_factor(&self) -> Option<f64> {
        let good = Linear::nominal(self);
        let off = |(read, y): (&Predicted, &[f64])| {
            let ohm = |volts: f64, amperes: f64| (volts / amperes).abs();
            (ohm(y[0], y[1]) / ohm(read.volts, read.amperes)).ln()
        };
        let mut all: Vec<f64> = good.readings().iter().zip(self.data.y.chunks_exact(2)).map(off).collect();
        all.retain(|off| off.is_finite());
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied()
    }

    /// Logarithms of voltage limits: those that the readings at the limit had, or near what the others need.
    fn limits(&self) -> Vec<f64> {
        let good = Linear::nominal(self);
        let needs: Vec<f64> = good
            .readings()
            .iter()
            .zip(&self.data.settings)
            .map(|(read, s)| read.need * s.voltage_limit.0)
            .collect();
        let at_limit = |k: &usize| self.data.conditions[*k] == quadrille_experiment::Condition::Compliance;
        let mut seen: Vec<f64> = (0..needs.len())
            .filter(at_limit)
            .map(|k| needs[k] * (self.data.y[2 * k + 1] / self.data.settings[k].commanded.0).abs())
            .filter(|limit| limit.is_finite() && *limit > 0.0)
            .map(f64::ln)
            .collect();
        seen.sort_by(f64::total_cmp);
        if seen.is_empty() {
            let most = needs.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
            return [0.3, 0.6, 0.9, 0.98].map(|x: f64| (x * most).ln()).to_vec();
        }
        vec![seen[seen.len() / 4], seen[seen.len() / 2], seen[3 * seen.len() / 4]]
    }
}
