//! Whether readings that a fault explains show a second one beside it. χ² of all readings hardly notices a second fault that is five
//! standard deviations large; a test for that fault does.

use crate::circuit::NONE;
use crate::fault::{Class, Fault, Row};
use crate::fit::{Fit, Problem};
use crate::forward::{Beside, Forward, NO_COLUMN, Point, Predictions};
use crate::layout::Layout;
use crate::power::SEEN;
use crate::student::{Stage, weight};
use nalgebra::DVector;

/// Conductance of a second fault by which derivatives are taken, as a part of that of the whole standard.
const SMALL: f64 = 1e-6;

/// The second fault that is seen best beside the first, where one is seen: by as much as counts as seen of a single one.
///
/// The test is the score's: g²/h, what χ² would lose if the second fault were free, with g the derivative of half of χ² and h its
/// second derivative after all else was fitted (Rao, Proc. Camb. Phil. Soc. 44, 50, 1948).
pub(crate) fn second(problem: &Problem<'_>, fit: &Fit) -> Option<Class> {
    if matches!(fit.fault, Fault::Good | Fault::Noisy(_)) {
        return None;
    }
    let score = Score::new(problem, fit);
    let own = fit.fault.class(problem.standard);
    let has = |class: Class| match (own, class) {
        // Pairs of edges are in the list.
        (Class::Edge(_) | Class::TwoEdges(..), Class::Edge(_)) => true,
        (own, class) => own == class,
    };
    let leaks = leaks().into_iter().map(|(fault, beside)| (fault, score.of_leak(beside)));
    let resistors = (0..problem.standard.resistors().len())
        .filter_map(|k| Some((Fault::ResistorOff(k), score.of_resistor(fit, k)?)));
    let all = leaks.chain(resistors).map(|(fault, gain)| (fault.class(problem.standard), gain));
    let best = all.filter(|(class, _)| !has(*class)).max_by(|(_, a), (_, b)| a.total_cmp(b));
    best.filter(|(_, gain)| *gain > SEEN * SEEN).map(|(class, _)| class)
}

fn leaks() -> Vec<(Fault, Beside)> {
    let contact = |k: usize| 8 + k;
    let pairs = (0..4).flat_map(|i| (i + 1..4).map(move |j| (i, j)));
    let between = pairs.map(|(i, j)| (Fault::Leak(i, j), contact(i), contact(j)));
    let to_ground = (0..4).map(|k| (Fault::LeakToGround(k), contact(k), NONE));
    let load = (Fault::Loading, Row::SenseHigh.index(), Row::SenseLow.index());
    let all = between.chain(to_ground).chain([load]);
    all.map(|(fault, a, b)| (fault, Beside { a, b, siemens: 0.0 })).collect()
}

/// What is needed of the first fault's fit.
struct Score<'s> {
    problem: &'s Problem<'s>,
    fit: &'s Fit,
    layout: Layout,
    alone: Predictions,
    /// Square roots of the weights of the rows over their standard deviations; zero where a row is not used.
    factors: Vec<f64>,
    /// The step to the optimum that the search left undone: small for the first fault, not for what hides behind it.
    step: DVector<f64>,
}

impl<'s> Score<'s> {
    fn new(problem: &'s Problem<'s>, fit: &'s Fit) -> Self {
        let layout = Layout::new(problem.standard, problem.bench);
        let factor = |(r, sigma): (&f64, &f64)| {
            if r.is_finite() { weight(*r, Stage::Student).sqrt() / sigma } else { 0.0 }
        };
        let factors = fit.residuals.iter().zip(&fit.sigma).map(factor).collect();
        let (alone, step) = (Predictions::default(), DVector::zeros(fit.count));
        let mut score = Self { problem, fit, layout, alone, factors, step };
        score.alone = score.predict(None, &fit.columns, fit.count);
        score.step = fit.cholesky.solve(&score.gradient());
        score
    }

    /// What is left of the gradient.
    fn gradient(&self) -> DVector<f64> {
        let n = self.fit.count;
        let mut gradient = DVector::zeros(n);
        for (quantity, &column) in self.fit.columns.iter().enumerate().filter(|(_, c)| **c != NO_COLUMN) {
            if quantity != self.layout.size() {
                gradient[column] -= self.fit.values[quantity] / self.fit.scales[quantity];
            }
        }
        for row in 0..self.factors.len() {
            for c in 0..n {
                gradient[c] += self.alone.jacobian[row * n + c] * self.factors[row] * self.weighted(row);
            }
        }
        gradient
    }

    /// A residual in standard deviations times the root of its weight.
    fn weighted(&self, row: usize) -> f64 {
        let factor = self.factors[row];
        if factor > 0.0 { self.fit.residuals[row] * factor * self.fit.sigma[row] } else { 0.0 }
    }

    fn predict(&self, beside: Option<Beside>, columns: &[usize], count: usize) -> Predictions {
        let Problem { standard, bench, data } = *self.problem;
        let forward = Forward { standard, bench, layout: self.layout, fault: self.fit.fault, beside };
        let mut out = Predictions::default();
        let point = Point { values: &self.fit.values, scales: &self.fit.scales, columns, count };
        forward.predict(&data.settings, &data.groups, point, &mut out);
        out
    }

    fn of_leak(&self, beside: Beside) -> f64 {
        let siemens = SMALL / self.problem.standard.scale_ohm();
        let none = vec![NO_COLUMN; self.fit.columns.len()];
        let with = self.predict(Some(Beside { siemens, ..beside }), &none, 0);
        let n = self.fit.count;
        let (mut gradient, mut curvature) = (0.0, 0.0);
        let mut shared = DVector::zeros(n);
        for (row, factor) in self.factors.iter().enumerate().filter(|(_, factor)| **factor > 0.0) {
            let (one, other) = (with.readings[row / 2], self.alone.readings[row / 2]);
            let change = if row % 2 == 0 { one.volts - other.volts } else { one.amperes - other.amperes };
            let d = change * factor;
            gradient += d * self.weighted(row);
            curvature += d * d;
            for c in 0..n {
                shared[c] += d * self.alone.jacobian[row * n + c] * factor;
            }
        }
        gradient -= shared.dot(&self.step);
        let own = curvature - shared.dot(&self.fit.cholesky.solve(&shared));
        // What no reading shows apart from all else; and nothing conducts less than nothing.
        if own <= 1e-9 * curvature || gradient <= 0.0 { 0.0 } else { gradient * gradient / own }
    }

    /// Of a resistor whose tolerance holds it: its own part of χ² would go, and as much more as the readings then fit better.
    fn of_resistor(&self, fit: &Fit, k: usize) -> Option<f64> {
        let quantity = self.layout.resistor(k);
        let column = fit.columns[quantity];
        let tolerance = self.problem.standard.tolerance() / 3f64.sqrt();
        if column == NO_COLUMN || fit.scales[quantity] > 1.001 * tolerance {
            return None;
        }
        let u = fit.values[quantity] / fit.scales[quantity];
        let mut unit = DVector::zeros(fit.count);
        unit[column] = 1.0;
        let variance = fit.cholesky.solve(&unit)[column];
        Some(u * u / (1.0 - variance).max(0.1))
    }
}
