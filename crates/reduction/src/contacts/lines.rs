//! The current-voltage line of each pair of contacts: resistance, offset, departure from straightness, asymmetry.

use crate::Error;
use crate::least_squares::LeastSquares;
use crate::pair::Ordered;
use crate::resistance;
use nalgebra::{DMatrix, DVector};
use quadrille_experiment::{Condition, Contact, Reading};
use quadrille_quantity::{Ampere, Estimate};
use serde::Serialize;

/// What bends a line, and how likely chance alone bends it as much.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Curvature {
    /// Change of the voltage by the term in I² at the largest current, relative to that of the straight term: what the
    /// two directions do differently.
    pub quadratic: f64,
    /// The same of the term in I³: what both directions do.
    pub cubic: f64,
    /// Probability that a straight line with this scatter shows as much curvature or more.
    pub by_chance: f64,
}

/// The line of current and voltage between two contacts that both carry the current and sense.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ContactLine {
    /// The two contacts, the lower first. Positive current flows into the first.
    pub pair: [Contact; 2],
    /// Slope in ohms: both contacts and the film between them.
    pub resistance: Estimate,
    /// Voltage without current, in volts: thermoelectric, or a contact's own.
    pub offset: Estimate,
    /// Correlation coefficient of offset and slope by the scatter.
    pub correlation: f64,
    /// Largest departure of a reading from the line, relative to the span of the voltages.
    pub nonlinearity: f64,
    /// What noise alone is expected to make of that: the standard deviation of a reading over the span; `None` where
    /// nothing tells.
    pub noise: Option<f64>,
    /// Curvature, where there are enough different currents and readings to tell.
    pub curvature: Option<Curvature>,
    /// Slopes of the two directions in ohms, current into the lower contact first, with one offset for both: `None`
    /// where one direction, or one size of current, is all there is.
    pub directions: Option<[Estimate; 2]>,
    /// Difference of the two slopes relative to their mean; the first is the larger of a positive one.
    pub asymmetry: Option<Estimate>,
    /// Largest current that was driven.
    pub largest_current: Ampere,
    /// How many readings it is made of.
    pub readings: usize,
    /// How many were no values: overload, compliance, not-a-number.
    pub left_out: usize,
    /// Changes of the resistance that are common to all lines, in ohms: by the gains of voltmeter and ammeter, and by what
    /// is left of the transients of both.
    #[serde(skip)]
    pub(crate) common: [f64; 4],
    /// The rest of its standard uncertainty, in ohms.
    #[serde(skip)]
    pub(crate) own: f64,
}

/// A pair of contacts that was measured, and what came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct PairLine {
    /// The two contacts, the lower first.
    pub pair: [Contact; 2],
    /// Its line, where the readings give one.
    pub line: Option<ContactLine>,
}

/// The lines of every pair of contacts that readings have; `None` for a pair whose readings give no line: no value
/// among them, or one current only.
///
/// Readings that are not of two contacts only (`12,12` or `12,21`) play no part. Currents may be zero here.
///
/// # Errors
/// A reading that calls itself sound and has a value that is no number.
pub fn lines(readings: &[Reading]) -> Result<Vec<PairLine>, Error> {
    let two_terminal: Vec<&Reading> = readings.iter().filter(|reading| pair_of(reading).is_some()).collect();
    let sound = |reading: &&&Reading| reading.condition == Condition::Sound;
    two_terminal.iter().filter(sound).try_for_each(|reading| resistance::check_finite(reading))?;
    let mut pairs: Vec<[Contact; 2]> = two_terminal.iter().filter_map(|reading| pair_of(reading)).collect();
    pairs.sort_unstable();
    pairs.dedup();
    let line_of = |pair: [Contact; 2]| {
        let own: Vec<&Reading> =
            two_terminal.iter().copied().filter(|reading| pair_of(reading) == Some(pair)).collect();
        let mut values: Vec<Ordered> =
            own.iter().filter(sound).map(|reading| Ordered::new(reading)).collect();
        values.sort_by(|a, b| {
            (a.time.total_cmp(&b.time))
                .then(a.current.total_cmp(&b.current))
                .then(a.voltage.total_cmp(&b.voltage))
        });
        let line = line(pair, &values)?;
        Some(ContactLine { left_out: own.len() - values.len(), ..line })
    };
    Ok(pairs.into_iter().map(|pair| PairLine { pair, line: line_of(pair) }).collect())
}

/// The contacts of a reading that senses where it drives.
fn pair_of(reading: &Reading) -> Option<[Contact; 2]> {
    let c = reading.configuration;
    let [a, b] = [c.source_in, c.source_out];
    c.is_two_terminal().then_some([a.min(b), a.max(b)])
}

fn line(pair: [Contact; 2], values: &[Ordered]) -> Option<ContactLine> {
    let largest = values.iter().map(|r| r.current.abs()).fold(0.0, f64::max);
    if largest == 0.0 {
        return None;
    }
    // Currents relative to the largest, so that powers of them stay of one size.
    let x: Vec<f64> = values.iter().map(|r| r.current / largest).collect();
    let observed = DVector::from_iterator(values.len(), values.iter().map(|r| r.voltage));
    let fit = solve(&x, &observed, &[|_| 1.0, |x| x])?;
    let voltages = || values.iter().map(|r| r.voltage);
    let span = voltages().fold(f64::NEG_INFINITY, f64::max) - voltages().fold(f64::INFINITY, f64::min);
    let bent = solve(&x, &observed, &[|_| 1.0, |x| x, |x| x * x, |x| x * x * x]);
    let stated = stated_noise(values, fit.coefficients[1] / largest);
    let deviation = bent.as_ref().and_then(LeastSquares::deviation).or(fit.deviation());
    let deviation = deviation.map(|seen| seen.max(stated)).or((stated > 0.0).then_some(stated));
    // A meter's own part moves all readings of one direction alike: what that leaves of a line is no scatter.
    let steps = solve(&x, &observed, &[|_| 1.0, |x| x, |x| if x == 0.0 { 0.0 } else { x.signum() }]);
    let scatter = steps.as_ref().and_then(LeastSquares::deviation).or(fit.deviation()).unwrap_or(0.0);
    let sources = Sources::new(values, &fit, largest, scatter);
    let unscaled = fit.covariance(1.0);
    let directions = directions(&x, &observed, largest);
    Some(ContactLine {
        pair,
        resistance: Estimate::new(fit.coefficients[1] / largest, sources.total(1) / largest),
        offset: Estimate::new(fit.coefficients[0], sources.total(0)),
        correlation: unscaled[(0, 1)] / (unscaled[(0, 0)] * unscaled[(1, 1)]).sqrt(),
        nonlinearity: relative(fit.residuals.amax(), span),
        noise: deviation.map(|deviation| relative(deviation, span)),
        curvature: bent.as_ref().and_then(|bent| curvature(&fit, bent, stated)),
        asymmetry: directions.as_ref().map(|directions| directions.asymmetry),
        directions: directions.map(|directions| directions.slopes),
        largest_current: Ampere(largest),
        readings: values.len(),
        left_out: 0,
        common: sources.common.map(|change| change / largest),
        own: sources.own(1) / largest,
    })
}

/// Zero of zero is no departure at all.
fn relative(part: f64, whole: f64) -> f64 {
    if part == 0.0 { 0.0 } else { part / whole }
}

/// Least squares of the voltages as a sum of functions of the current.
fn solve(x: &[f64], observed: &DVector<f64>, terms: &[fn(f64) -> f64]) -> Option<LeastSquares> {
    let design = DMatrix::from_fn(x.len(), terms.len(), |row, column| terms[column](x[row]));
    LeastSquares::solve(&design, observed)
}

/// Root mean square of the noise that the readings say of themselves, in volts; 0 where none says.
fn stated_noise(values: &[Ordered], resistance: f64) -> f64 {
    let squares = values.iter().map(|r| r.voltage_u.noise.powi(2) + (resistance * r.current_u.noise).powi(2));
    (squares.sum::<f64>() / values.len() as f64).sqrt()
}

/// Whether terms in I² and I³ take away more of the squares than chance does: for Gaussian scatter
/// F = (difference/2)/(rest/ν) follows the distribution of Fisher and Snedecor with 2 and ν degrees of freedom, of
/// which P(F > f) = (1 + 2 f/ν)^(−ν/2) in closed form (its density integrates by substitution). Of scatter that the
/// readings state, difference/σ² follows χ² with 2 degrees of freedom, P = exp(−χ²/2). The larger of the two counts.
fn curvature(straight: &LeastSquares, bent: &LeastSquares, stated: f64) -> Option<Curvature> {
    let free = bent.degrees_of_freedom();
    let rest = bent.sum_of_squares();
    let taken = (straight.sum_of_squares() - rest).max(0.0);
    let seen =
        (free > 0).then(|| if taken == 0.0 { 1.0 } else { (1.0 + taken / rest).powf(-(free as f64) / 2.0) });
    let told = (stated > 0.0).then(|| (-taken / (2.0 * stated * stated)).exp());
    let by_chance = [seen, told].into_iter().flatten().reduce(f64::max)?;
    let part = |k: usize| bent.coefficients[k] / bent.coefficients[1];
    Some(Curvature { quadratic: part(2), cubic: part(3), by_chance })
}

struct Directions {
    slopes: [Estimate; 2],
    asymmetry: Estimate,
}

/// One offset and a slope for each direction. With one size of current an offset looks like an asymmetry, and there is
/// no answer.
fn directions(x: &[f64], observed: &DVector<f64>, largest: f64) -> Option<Directions> {
    let fit = solve(x, observed, &[|_| 1.0, |x| x.max(0.0), |x| x.min(0.0)])?;
    let deviation = fit.deviation()?;
    let covariance = fit.covariance(deviation);
    let (up, down) = (fit.coefficients[1], fit.coefficients[2]);
    let slope = |k: usize| Estimate::new(fit.coefficients[k] / largest, covariance[(k, k)].sqrt() / largest);
    // A = 2 (a − b)/(a + b): ∂A/∂a = 4 b/(a + b)², ∂A/∂b = −4 a/(a + b)².
    let sum = (up + down).powi(2);
    let (by_up, by_down) = (4.0 * down / sum, -4.0 * up / sum);
    let variance = by_up * by_up * covariance[(1, 1)]
        + by_down * by_down * covariance[(2, 2)]
        + 2.0 * by_up * by_down * covariance[(1, 2)];
    let asymmetry = Estimate::new(2.0 * (up - down) / (up + down), variance.max(0.0).sqrt());
    Some(Directions { slopes: [slope(1), slope(2)], asymmetry })
}

/// What makes offset and slope uncertain, both in volts: the slope per largest current.
struct Sources {
    /// What the readings say of their noise, or the scatter where that is more.
    noise: [f64; 2],
    /// Own parts of voltmeter and ammeter, common to the readings of one direction.
    voltmeter: [f64; 2],
    ammeter: [f64; 2],
    /// Gains of voltmeter and ammeter, then what is left of their transients: changes of the slope with sign.
    common: [f64; 4],
}

impl Sources {
    fn new(values: &[Ordered], fit: &LeastSquares, largest: f64, scatter: f64) -> Self {
        let covariance = fit.covariance(scatter);
        let slope = fit.coefficients[1];
        let by = |row: usize, k: usize| fit.by_observation[(row, k)];
        let direction = |r: &Ordered| r.current.partial_cmp(&0.0);
        let own = |row: usize, volts: &dyn Fn(&Ordered) -> f64| {
            let mut seen: Vec<(_, f64)> = Vec::new();
            for (k, r) in values.iter().enumerate() {
                let term = by(row, k) * volts(r);
                match seen.iter_mut().find(|(other, _)| *other == direction(r)) {
                    Some((_, sum)) => *sum += term,
                    None => seen.push((direction(r), term)),
                }
            }
            seen.iter().map(|(_, sum)| sum * sum).sum::<f64>().sqrt()
        };
        let voltmeter = |r: &Ordered| r.voltage_u.own;
        // To first order a current that is off by δ is a voltage off by −slope·δ.
        let ammeter = |r: &Ordered| -slope / largest * r.current_u.own;
        let common = |volts: &dyn Fn(&Ordered) -> f64| {
            values.iter().enumerate().map(|(k, r)| by(1, k) * volts(r)).sum::<f64>()
        };
        let noise = |row: usize| {
            let squares = values.iter().enumerate().map(|(k, r)| {
                by(row, k).powi(2)
                    * (r.voltage_u.noise.powi(2) + (slope / largest * r.current_u.noise).powi(2))
            });
            squares.sum::<f64>().sqrt().max(covariance[(row, row)].sqrt())
        };
        Self {
            noise: [noise(0), noise(1)],
            voltmeter: [own(0, &voltmeter), own(1, &voltmeter)],
            ammeter: [own(0, &ammeter), own(1, &ammeter)],
            common: [
                common(&|r| r.voltage * r.voltage_u.gain),
                common(&|r| -slope / largest * r.current * r.current_u.gain),
                common(&|r| -slope.signum() * r.direction() * r.voltage_u.settling),
                common(&|r| slope / largest * r.direction() * r.current_u.settling),
            ],
        }
    }

    fn own(&self, row: usize) -> f64 {
        self.noise[row].hypot(self.voltmeter[row]).hypot(self.ammeter[row])
    }

    /// Of the offset what is common is left out: gains change it by a part of itself, and transients turn with the current.
    fn total(&self, row: usize) -> f64 {
        let common = if row == 1 { self.common } else { [0.0; 4] };
        common.into_iter().fold(self.own(row), f64::hypot)
    }
}
