//! Integrals of the current density over contacts and gaps, by a trapezoidal rule that end exponents and narrow places
//! do not disturb.

use super::chords::Chords;
use std::{cmp::Ordering, f64::consts::PI};

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

    /// How far the middle of the voltage lies beyond the middle of a gap, in s: the density s ↦ exp(ps) / (1 + exp(s)) of
    /// a gap between wide contacts is as much below as above p/q.
    fn shift(self) -> f64 {
        (self.p / self.q).ln()
    }
}

/// Step of the trapezoidal rule: its error is exp(−2π² / step), 7e-18.
const STEP: f64 = 0.5;
/// Beyond the last narrow place by so much in s, an integrand is a power to within exp(−42), 6e-19.
const MARGIN: f64 = 42.0;

/// Of n flows, each of them a current density in its own right: the current into each contact and the voltage
/// V_k − V_k+1 along each gap, by rows, in units that they have in common.
///
/// Flow j comes out of contact j: its polynomial P has a zero in every gap that does not border on j. There the voltage
/// nearly vanishes, so that flow j is nearly the current for a voltage at contact j alone. The flows are one too many.
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
        let zeros = zeros(chords, exponents);
        let along = |stretch: usize, factor: f64| {
            // The phase of J turns by −π from one contact to the next.
            let sign = if (count - stretch / 2).is_multiple_of(2) { -factor } else { factor };
            let mut row = Stretch { chords, from: stretch }.integrals(exponents, &zeros);
            row.iter_mut().for_each(|value| *value *= sign);
            row
        };
        Self {
            currents: (0..count).map(|k| along(2 * k, exponents.cosine)).collect(),
            voltages: (0..count).map(|k| along(2 * k + 1, 1.0)).collect(),
        }
    }
}

/// The stretch of edge from one end of a contact to the next: a contact if `from` is even, else a gap.
struct Stretch<'a> {
    chords: &'a Chords,
    from: usize,
}

impl Stretch<'_> {
    fn to(&self) -> usize {
        (self.from + 1) % self.chords.ends()
    }

    /// ∫ of each flow over the stretch, up to what [`Integrals`] multiplies.
    fn integrals(&self, exponents: Exponents, zeros: &[(f64, f64)]) -> Vec<f64> {
        let Exponents { p, q, .. } = exponents;
        let (at_start, at_end) = if self.from.is_multiple_of(2) { (q, p) } else { (p, q) };
        let (first, last) = self.narrow();
        // The zero of P in a gap can lie beyond.
        let shift = exponents.shift();
        let (first, last) = (first - MARGIN + shift.min(0.0), last + MARGIN + shift.max(0.0));
        let steps = ((last - first) / STEP).ceil() as usize;
        // The sum of exp(κs) from here outwards, over exp(κs) here.
        let series = |power: f64| -1.0 / (-power * STEP).exp_m1();
        let mut sums = vec![0.0; zeros.len()];
        let mut factors = vec![0.0; zeros.len()];
        for k in 0..=steps {
            let weight = match k {
                0 => series(at_start),
                _ if k == steps => series(at_end),
                _ => 1.0,
            };
            let density =
                weight * STEP * self.sample(first + STEP * k as f64, exponents, zeros, &mut factors);
            for (j, sum) in sums.iter_mut().enumerate() {
                let before = (j + zeros.len() - 1) % zeros.len();
                let others = factors.iter().enumerate().filter(|&(gap, _)| gap != j && gap != before);
                *sum += density * others.map(|(_, factor)| factor).product::<f64>();
            }
        }
        sums
    }

    /// Between which s the integrand is anything but a power.
    fn narrow(&self) -> (f64, f64) {
        let (start, end) = (self.from, self.to());
        let others = (0..self.chords.ends()).filter(|&e| e != start && e != end);
        let ratios = others.map(|e| (self.chords.half(e, start) / self.chords.half(e, end)).ln());
        ratios.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), s| (least.min(s), most.max(s)))
    }

    /// Π (v − a_k)^−p (v − b_k)^−q times the measure at s; and the factor of P with the zero in each gap.
    fn sample(&self, s: f64, exponents: Exponents, zeros: &[(f64, f64)], factors: &mut [f64]) -> f64 {
        let (lambda, mu) = point(s);
        let (start, end) = (self.from, self.to());
        let distance = |e: usize| lambda * self.chords.half(e, start) + mu * self.chords.half(e, end);
        let (mut starts, mut ends) = (1.0, 1.0);
        let mut next = distance(0);
        let first = next;
        for (k, factor) in factors.iter_mut().enumerate() {
            let (a, b) = (next, distance(2 * k + 1));
            next = if 2 * k + 2 < self.chords.ends() { distance(2 * k + 2) } else { first };
            starts *= a;
            ends *= b;
            // P changes its sign at its zero.
            let (after, before) = (zeros[k].0 * b, zeros[k].1 * next);
            *factor = match (2 * k + 1).cmp(&self.from) {
                Ordering::Greater => -(after + before),
                Ordering::Equal => after - before,
                Ordering::Less => after + before,
            };
        }
        let Exponents { p, q, .. } = exponents;
        let power = (starts * ends).sqrt().recip() * (ends / starts).powf((p - q) / 2.0);
        power * lambda * mu * self.chords.half(start, end)
    }
}

/// λ and μ at s, the larger of them being 1.
fn point(s: f64) -> (f64, f64) {
    (1.0_f64.min((-s).exp()), 1.0_f64.min(s.exp()))
}

/// λ and μ of the zero that P has in each gap: where about half of the voltage along the gap would lie on either side, a
/// place that Möbius maps preserve.
fn zeros(chords: &Chords, exponents: Exponents) -> Vec<(f64, f64)> {
    let middle = |gap: usize| {
        let (first, last) = Stretch { chords, from: 2 * gap + 1 }.narrow();
        point((first + last) / 2.0 + exponents.shift())
    };
    (0..chords.ends() / 2).map(middle).collect()
}
