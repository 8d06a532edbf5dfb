//! How resistances change with temperature: from the neighbouring temperatures of a run, or from the repeats of one
//! set of readings that drifted.

use crate::pair::{Ordered, numbers};
use crate::reduce::HALVES;
use crate::resistance::{Group, PairResistance};
use quadrille_experiment::Configuration;

/// Fields of two temperatures that differ by no more than this are one field of the plan.
const SAME_FIELD: f64 = 0.05;

/// From one side only, what a slope may be off by: a quarter of it. A judgement, no source; a law of Arrhenius with
/// an energy of 10 kT that is taken for a straight line over a tenth of the temperature is off by four tenths of it.
const ONE_SIDED: f64 = 0.25;

/// Of repeats that drifted, degrees of freedom that a slope needs.
const LEAST_FREE: usize = 2;

/// Change of a resistance with temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Slope {
    /// In ohms per kelvin.
    pub(crate) value: f64,
    /// Its standard uncertainty.
    pub(crate) u: f64,
    /// Magnitude of the second derivative in ohms per kelvin squared, as neighbours on both sides tell it; 0 otherwise.
    pub(crate) bend: f64,
}

impl Slope {
    /// What a resistance may have beyond the straight line, in ohms, at departures of a mean square in K²: as much as an
    /// exponential of the same slope, half R (s/R)² ΔT², but no more than half of what the line gives; or as the neighbours
    /// say, as at a minimum, where there is no slope.
    pub(crate) fn second_order(self, ohm: f64, square_departure: f64) -> f64 {
        let exponential = 0.5 * self.value.powi(2) / ohm.abs() * square_departure;
        let most = 0.5 * self.value.abs() * square_departure.sqrt();
        if square_departure == 0.0 {
            0.0
        } else {
            exponential.min(most).max(0.5 * self.bend * square_departure).copysign(ohm)
        }
    }
}

/// Slopes of the pairs of pairs at each level of the field.
#[derive(Clone, Debug, Default)]
pub(crate) struct Slopes(Vec<(Configuration, f64, Slope)>);

impl Slopes {
    /// The slope of a pair of pairs at a level.
    pub(crate) fn of(&self, configuration: Configuration, level: f64) -> Option<Slope> {
        let found = self.0.iter().find(|(other, at, _)| *other == configuration && same_field(*at, level));
        found.map(|(.., slope)| *slope)
    }

    /// Of both, the slopes with the smaller uncertainty.
    pub(crate) fn or_better(mut self, other: Self) -> Self {
        for (configuration, level, slope) in other.0 {
            let own = self.0.iter_mut().find(|(own, at, _)| *own == configuration && same_field(*at, level));
            match own {
                Some((.., own)) if own.u <= slope.u => {}
                Some((.., own)) => *own = slope,
                None => self.0.push((configuration, level, slope)),
            }
        }
        self
    }

    /// From the neighbours of one temperature in a run.
    pub(crate) fn of_neighbours(sets: &[Vec<PairResistance>], place: usize) -> Self {
        let all = sets[place].iter().filter_map(|here| {
            let point = |other: &PairResistance| {
                let same = other.configuration == here.configuration && same_field(other.level, here.level);
                same.then_some(Point::of(other))
            };
            let side = |sets: &[Vec<PairResistance>]| {
                let points: Vec<Point> = sets.iter().flatten().filter_map(point).collect();
                best(Point::of(here), &points)
            };
            let (below, above) = (side(&sets[..place]), side(&sets[place + 1..]));
            let slope = slope(Point::of(here), &[below, above].into_iter().flatten().collect::<Vec<_>>())?;
            Some((here.configuration, here.level, slope))
        });
        Self(all.collect())
    }

    /// From repeats at different temperatures within one set.
    ///
    /// The resistances of van der Pauw change in proportion, as they are one sheet resistance: V = e_k + R_k I
    /// (1 + α (T − T₀)) with one α for all. Of a diagonal in a field the two parts change each in its own way, and
    /// each state has a slope of its own. Offsets and resistances are projected out, as in a fit with all of them.
    pub(crate) fn of_repeats(groups: &[Group], reference: f64) -> Self {
        let is_sheet = |group: &&Group| {
            HALVES.iter().any(|(half, ..)| half.contains(&numbers(group.readings[0].configuration)))
        };
        let sheet: Vec<&Group> = groups.iter().filter(is_sheet).collect();
        let others = groups.iter().filter(|group| !is_sheet(group)).map(|group| vec![group]);
        let families = std::iter::once(sheet).chain(others).filter(|family| !family.is_empty());
        Self(families.filter_map(|family| of_family(&family, reference)).flatten().collect())
    }
}

fn same_field(a: f64, b: f64) -> bool {
    (a == 0.0) == (b == 0.0) && (a - b).abs() <= SAME_FIELD * a.abs().max(b.abs())
}

/// A resistance at a temperature.
#[derive(Clone, Copy)]
struct Point {
    kelvin: f64,
    ohm: f64,
    u: f64,
}

impl Point {
    fn of(resistance: &PairResistance) -> Self {
        Self { kelvin: resistance.temperature, ohm: resistance.resistance.value, u: resistance.sources.own() }
    }
}

/// The neighbour on one side that says most: near ones say little where readings are noisy, far ones where the course
/// bends.
fn best(here: Point, points: &[Point]) -> Option<Point> {
    let uncertainty = |point: &Point| slope(here, &[*point]).map_or(f64::INFINITY, |slope| slope.u);
    points.iter().copied().min_by(|a, b| uncertainty(a).total_cmp(&uncertainty(b)))
}

/// Slope through a point and its neighbours: the mean of a course that is a parabola (or line) of the temperature and one
/// whose logarithm is one of the inverse temperature; half their difference is what is not known of the course.
fn slope(here: Point, others: &[Point]) -> Option<Slope> {
    let all: Vec<Point> = std::iter::once(here).chain(others.iter().copied()).collect();
    if others.is_empty() || others.iter().any(|other| other.kelvin == here.kelvin) {
        return None;
    }
    let linear = weights(all.iter().map(|p| p.kelvin).collect());
    let sum = |weights: &[f64], of: &dyn Fn(&Point) -> f64| {
        weights.iter().zip(&all).map(|(weight, point)| weight * of(point)).sum::<f64>()
    };
    let value = sum(&linear, &|p| p.ohm);
    let noise = linear.iter().zip(&all).map(|(weight, point)| (weight * point.u).powi(2)).sum::<f64>();
    let one_signed = all.iter().all(|p| p.ohm * here.ohm > 0.0) && all.iter().all(|p| p.kelvin > 0.0);
    let activated = one_signed.then(|| {
        let inverse = weights(all.iter().map(|p| 1.0 / p.kelvin).collect());
        -here.ohm / here.kelvin.powi(2) * sum(&inverse, &|p| p.ohm.abs().ln())
    });
    let mean = activated.map_or(value, |activated| (value + activated) / 2.0);
    let course = match (activated, others) {
        (Some(activated), [_]) => ((value - activated).abs() / 2.0).max(ONE_SIDED * mean.abs()),
        (Some(activated), _) => (value - activated).abs() / 2.0,
        (None, _) => ONE_SIDED * mean.abs(),
    };
    let bend = match all.as_slice() {
        [a, b, c] => {
            let part =
                |p: &Point, q: &Point, r: &Point| p.ohm / (p.kelvin - q.kelvin) / (p.kelvin - r.kelvin);
            2.0 * (part(a, b, c) + part(b, a, c) + part(c, a, b))
        }
        _ => 0.0,
    };
    Some(Slope { value: mean, u: noise.sqrt().hypot(course), bend: bend.abs() })
}

/// Weights of the ordinates for the derivative, at the first of two or three abscissas, of the line or parabola through
/// them (Lagrange).
fn weights(x: Vec<f64>) -> Vec<f64> {
    match x.as_slice() {
        [a, b] => vec![1.0 / (a - b), 1.0 / (b - a)],
        [a, b, c] => {
            vec![1.0 / (a - b) + 1.0 / (a - c), (a - c) / ((b - a) * (b - c)), (a - b) / ((c - a) * (c - b))]
        }
        _ => Vec::new(),
    }
}

fn of_family(family: &[&Group], reference: f64) -> Option<Vec<(Configuration, f64, Slope)>> {
    let (mut along, mut across, mut square, mut noise, mut whole) = (Vec::new(), Vec::new(), 0.0, 0.0, 0.0);
    let mut free = 0;
    let mut fitted = Vec::new();
    for group in family {
        let (current, offset) = basis(&group.readings)?;
        let project = |values: Vec<f64>| without(without(values, &offset), &current);
        let resistance = dot(&current, &group.readings.iter().map(|r| r.voltage).collect::<Vec<_>>())
            / dot(&current, &current);
        let z = project(
            group.readings.iter().map(|r| resistance * r.current * (r.temperature - reference)).collect(),
        );
        let v = project(group.readings.iter().map(|r| r.voltage).collect());
        let u = |r: &Ordered| r.voltage_u.noise.hypot(resistance * r.current_u.noise);
        noise += z.iter().zip(&group.readings).map(|(z, r)| (z * u(r)).powi(2)).sum::<f64>();
        whole += group
            .readings
            .iter()
            .map(|r| (resistance * r.current * (r.temperature - reference)).powi(2))
            .sum::<f64>();
        square += dot(&z, &z);
        free += group.readings.len().saturating_sub(2);
        fitted.push((group.readings[0].configuration, group.level, resistance));
        along.extend(z);
        across.extend(v);
    }
    // Beside what rounding makes of temperatures that repeat with the current, there must be something left.
    if square <= 1e-9 * whole || square == 0.0 || free < 1 + LEAST_FREE {
        return None;
    }
    let alpha = dot(&along, &across) / square;
    let rest: f64 = along.iter().zip(&across).map(|(z, v)| (v - alpha * z).powi(2)).sum();
    let u = (rest / (free - 1) as f64 / square).sqrt().max(noise.sqrt() / square);
    let of = |(configuration, level, resistance): (Configuration, f64, f64)| {
        (configuration, level, Slope { value: alpha * resistance, u: u * resistance.abs(), bend: 0.0 })
    };
    Some(fitted.into_iter().map(of).collect())
}

/// An orthogonal basis of offset and current: the current without its mean, and ones; `None` where the current does not
/// vary.
fn basis(readings: &[Ordered]) -> Option<(Vec<f64>, Vec<f64>)> {
    let offset = vec![1.0; readings.len()];
    let current = without(readings.iter().map(|r| r.current).collect(), &offset);
    (dot(&current, &current) > 0.0).then_some((current, offset))
}

fn without(values: Vec<f64>, direction: &[f64]) -> Vec<f64> {
    let part = dot(&values, direction) / dot(direction, direction);
    values.iter().zip(direction).map(|(value, along)| value - part * along).collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(course: impl Fn(f64) -> f64, kelvins: &[f64]) -> Vec<Point> {
        kelvins.iter().map(|k| Point { kelvin: *k, ohm: course(*k), u: 0.0 }).collect()
    }

    #[test]
    fn between_two_neighbours_the_slope_is_within_its_uncertainty_of_the_true_one() {
        for (course, true_slope) in [
            (Box::new(|t: f64| 3.0 + 0.011 * t) as Box<dyn Fn(f64) -> f64>, 0.011),
            (Box::new(|t: f64| 0.02 * (900.0 / t).exp()), -0.02 * 9.0f64.exp() * 900.0 / 1e4),
            (Box::new(|t: f64| 5.0 * (t / 100.0).powf(1.5)), 0.075),
        ] {
            let all = points(course, &[100.0, 94.0, 109.0]);
            let found = slope(all[0], &all[1..]).unwrap();
            assert!((found.value - true_slope).abs() <= found.u + 1e-12, "{found:?}, true {true_slope}");
            assert!(found.u < 0.1 * true_slope.abs(), "{found:?}, true {true_slope}");
            let one = slope(all[0], &all[1..2]).unwrap();
            assert!((one.value - true_slope).abs() <= one.u, "{one:?}, true {true_slope}");
        }
    }

    #[test]
    fn noise_of_the_neighbours_is_noise_of_the_slope() {
        let mut all = points(|t| 2.0 * t, &[100.0, 96.0, 104.0]);
        all[1].u = 0.3;
        all[2].u = 0.4;
        let found = slope(all[0], &all[1..]).unwrap();
        assert!((found.value - 2.0).abs() < 1e-3 && (found.u - 0.5 / 8.0).abs() < 1e-3, "{found:?}");
    }

    #[test]
    fn a_near_neighbour_that_is_noisy_gives_way_to_a_far_one() {
        let mut all = points(|t| 2.0 * t, &[100.0, 99.9, 95.0]);
        all[1].u = 0.5;
        all[2].u = 0.5;
        assert_eq!(best(all[0], &all[1..]).unwrap().kelvin, 95.0);
        all[1].u = 0.001;
        assert_eq!(best(all[0], &all[1..]).unwrap().kelvin, 99.9);
    }
}
