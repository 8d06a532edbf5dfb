//! Integrals of the current density over contacts and gaps, by a trapezoidal rule that end exponents and narrow places
//! do not disturb.

use super::chords::Chords;
use std::f64::consts::PI;

/// How J goes with the distance from the start (−p) and the end (−q) of a contact; p + q = 1.
#[derive(Clone, Copy)]
pub(super) struct Exponents {
    p: f64,
    q: f64,
    /// Normal part of J on a contact, over its size.
    cosine: f64,
}

impl Exponents {
    /// p = 1/2 + θ/π and q = 1/2 − θ/π, with all their digits however close θ is to a right angle.
    pub(super) fn new(tan_hall: f64) -> Self {
        let angle = |tangent: f64| 1.0_f64.atan2(tangent) / PI;
        Self { p: angle(-tan_hall), q: angle(tan_hall), cosine: 1.0 / tan_hall.hypot(1.0) }
    }
}

/// Step of the trapezoidal rule: its error is exp(−2π² / step), 7e-18.
const STEP: f64 = 0.5;
/// Beyond the last narrow place by so much in s, an integrand is a power to within exp(−42), 6e-19.
const MARGIN: f64 = 42.0;

/// Of n − 1 independent flows: the current into each contact (n rows) and the voltage V_k − V_k+1 along each gap but the
/// last (n − 1 rows), in units of current density and sheet resistance.
///
/// Flow m goes from contact m to contact n; on every other contact the polynomial P has a zero, so that little goes
/// through it. This basis is about as well conditioned as the sheet itself.
///
/// A stretch of edge from P to Q is covered by v = λP + μQ with s = ln(μ/λ) from −∞ to ∞. All other points of the edge
/// have Im s = ±π there, whatever their distances, and between these lines the integrand is analytic; so the
/// trapezoidal rule in s converges the same for all layouts. Towards P and Q the integrand becomes a power exp(κs):
/// the rest of the sum is a geometric series. The determinant of v with any end of a contact is a sum of two terms of
/// one sign.
pub(super) struct Integrals {
    pub(super) currents: Vec<Vec<f64>>,
    pub(super) voltages: Vec<Vec<f64>>,
}

impl Integrals {
    pub(super) fn of(chords: &Chords, exponents: Exponents) -> Self {
        let count = chords.ends() / 2;
        let along = |stretch: usize, factor: f64| {
            // The phase of J turns by −π from one contact to the next.
            let sign = if (count - stretch / 2).is_multiple_of(2) { -factor } else { factor };
            let mut row = Stretch { chords, exponents, from: stretch }.integrals();
            row.iter_mut().for_each(|value| *value *= sign);
            row
        };
        Self {
            currents: (0..count).map(|k| along(2 * k, exponents.cosine)).collect(),
            voltages: (0..count - 1).map(|k| along(2 * k + 1, 1.0)).collect(),
        }
    }
}

/// The stretch of edge from one end of a contact to the next: a contact if `from` is even, else a gap.
struct Stretch<'a> {
    chords: &'a Chords,
    exponents: Exponents,
    from: usize,
}

impl Stretch<'_> {
    /// ∫ of each flow over the stretch, up to what [`Integrals`] multiplies.
    fn integrals(&self) -> Vec<f64> {
        let Exponents { p, q, .. } = self.exponents;
        let (at_start, at_end) = if self.from.is_multiple_of(2) { (q, p) } else { (p, q) };
        let (first, last) = self.range();
        let steps = ((last - first) / STEP).ceil() as usize;
        // The sum of exp(κs) from here outwards, over exp(κs) here.
        let series = |power: f64| -1.0 / (-power * STEP).exp_m1();
        let mut sums = vec![0.0; self.chords.ends() / 2 - 1];
        let mut flows = Flows::new(self.chords.ends() / 2);
        for k in 0..=steps {
            let weight = match k {
                0 => series(at_start),
                _ if k == steps => series(at_end),
                _ => 1.0,
            };
            let density = weight * STEP * self.sample(first + STEP * k as f64, &mut flows);
            sums.iter_mut().zip(&flows.polynomials).for_each(|(sum, value)| *sum += density * value);
        }
        sums
    }

    /// Where in s the integrand has become a power, on both sides.
    fn range(&self) -> (f64, f64) {
        let (start, end) = (self.from, (self.from + 1) % self.chords.ends());
        let others = || (0..self.chords.ends()).filter(|&e| e != start && e != end);
        let ratio = |e: usize| (self.chords.half(e, end) / self.chords.half(e, start)).ln();
        // s = 0 is where P may have a zero.
        let nearest_start = others().map(ratio).fold(0.0, f64::max);
        let nearest_end = others().map(|e| -ratio(e)).fold(0.0, f64::max);
        (-nearest_start - MARGIN, nearest_end + MARGIN)
    }

    /// Π (v − a_k)^−p (v − b_k)^−q times the measure at s; the polynomials of the flows are put into `flows`.
    fn sample(&self, s: f64, flows: &mut Flows) -> f64 {
        let small = (-s.abs()).exp();
        let (lambda, mu) = if s < 0.0 { (1.0, small) } else { (small, 1.0) };
        let (start, end) = (self.from, (self.from + 1) % self.chords.ends());
        let distance = |e: usize| lambda * self.chords.half(e, start) + mu * self.chords.half(e, end);
        let (mut starts, mut ends) = (1.0, 1.0);
        for (k, zero) in flows.zeros.iter_mut().enumerate() {
            let (a, b) = (distance(2 * k), distance(2 * k + 1));
            starts *= a;
            ends *= b;
            // The zero lies in the middle of contact k; P changes its sign there.
            *zero = match (2 * k).cmp(&self.from) {
                std::cmp::Ordering::Greater => -(a + b),
                std::cmp::Ordering::Equal => a - b,
                std::cmp::Ordering::Less => a + b,
            };
        }
        flows.multiply();
        let Exponents { p, q, .. } = self.exponents;
        let power = (starts * ends).sqrt().recip() * (ends / starts).powf((p - q) / 2.0);
        power * lambda * mu * self.chords.half(start, end)
    }
}

/// The factors of P that vanish on each contact, and for each flow the product of those of all contacts but two.
struct Flows {
    zeros: Vec<f64>,
    polynomials: Vec<f64>,
}

impl Flows {
    fn new(count: usize) -> Self {
        Self { zeros: vec![0.0; count], polynomials: vec![0.0; count - 1] }
    }

    fn multiply(&mut self) {
        let zeros = &self.zeros[..self.polynomials.len()];
        for (m, polynomial) in self.polynomials.iter_mut().enumerate() {
            *polynomial = zeros.iter().enumerate().filter(|&(j, _)| j != m).map(|(_, zero)| zero).product();
        }
    }
}
