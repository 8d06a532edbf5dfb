//! A uniform conducting sheet with contacts on its edge, solved exactly at any Hall angle by conformal mapping: a disc
//! with arcs. Knows neither the shape of the sheet, which the mapping forgets, nor its sheet resistance.

mod chords;
mod fit;
mod integrals;

use crate::NetworkError;
use chords::Chords;
use faer::{Mat, linalg::solvers::Solve};
use integrals::{Exponents, Integrals};
use std::f64::consts::TAU;

/// Voltages around the edge that add up to more than this, in terms of one of them, are refused.
const LOOSE: f64 = 1e-8;

/// Contacts as disjoint arcs on the edge of a disc, counter-clockwise seen with +B pointing at the viewer.
///
/// Every simply connected sheet of one uniform, isotropic material with all its contacts on its edge maps to such a
/// disc without change of its terminal conductances, at any Hall angle. Discs whose arcs follow from each other by a
/// Möbius map are the same sheet, so that n contacts have 2n − 3 numbers of their own.
///
/// The current density is that of Wick (J. Appl. Phys. 25, 741, 1954, from memory), written for n contacts: in the upper
/// half plane, with contact k from a_k to b_k,
///
/// J_x − i J_y = P(z) Π_k (z − a_k)^−p (z − b_k)^−q, p = 1/2 + θ/π, q = 1/2 − θ/π,
///
/// P being a real polynomial of degree n − 2, and tan θ = t the Hall angle of E = R_s (J + t Rot J), Rot (x, y) =
/// (−y, x): t > 0 is p-type in a positive field. The phase of J changes at each end of a contact by just what takes it
/// from "along the edge" to "at the Hall angle to the normal" and back.
#[derive(Clone, Debug, PartialEq)]
pub struct EdgeArcs {
    /// Where contact 1 starts, in rad.
    start: f64,
    /// Contact 1, gap from 1 to 2, contact 2, …, gap from n to 1, in rad: their relative accuracy is kept, which
    /// positions would lose.
    lengths: Vec<f64>,
}

impl EdgeArcs {
    /// From start and end of each contact, counter-clockwise, as angles in rad modulo 2π: two contacts at least, none of
    /// them touching or overlapping another.
    pub fn new(arcs: &[(f64, f64)]) -> Result<Self, NetworkError> {
        let count = arcs.len();
        if count < 2 {
            return Err(NetworkError::TooFewContacts { count });
        }
        let length = |quantity, from: f64, to: f64| {
            let value = to - from;
            // A full turn or nothing is no arc; neither is what is not a number.
            let turned = value.rem_euclid(TAU);
            if turned > 0.0 && turned < TAU {
                Ok(turned)
            } else {
                let range = "finite and neither nothing nor a full turn";
                Err(NetworkError::OutOfRange { quantity, value, range })
            }
        };
        let mut lengths = Vec::with_capacity(2 * count);
        for (k, &(start, end)) in arcs.iter().enumerate() {
            lengths.push(length("length of a contact in rad", start, end)?);
            lengths.push(length("gap between neighbouring contacts in rad", end, arcs[(k + 1) % count].0)?);
        }
        // Each step goes forward, so that once round means that none went past the next one.
        let turns = lengths.iter().sum::<f64>() / TAU;
        if (turns - 1.0).abs() > 1e-9 {
            let quantity = "turns around the edge from contact to contact";
            let range = "1: contacts must not overlap and must be listed counter-clockwise";
            return Err(NetworkError::OutOfRange { quantity, value: turns.round(), range });
        }
        Ok(Self { start: arcs[0].0, lengths })
    }

    /// From the lengths of contact 1, gap, contact 2, gap, …, which add up to 2π.
    fn from_lengths(lengths: Vec<f64>) -> Self {
        Self { start: 0.0, lengths }
    }

    /// How many contacts there are.
    pub fn count(&self) -> usize {
        self.lengths.len() / 2
    }

    /// Start and end of each contact in rad, increasing from the start of contact 1.
    pub fn arcs(&self) -> Vec<(f64, f64)> {
        let mut at = self.start;
        let arc = |pair: &[f64]| {
            let ends = (at, at + pair[0]);
            at = ends.1 + pair[1];
            ends
        };
        self.lengths.chunks_exact(2).map(arc).collect()
    }

    /// Y in units of 1/R_s by rows: I_k = Σ_j Y_kj V_j is the current *into* contact k, where `tan_hall` = t = μB of
    /// E = R_s (J + t Rot J), above zero for p-type in a positive field. R_s is the sheet resistance in this field.
    ///
    /// The sum of a row is zero. Measured: lengths within four decades cost no more than 1e-12 of a
    /// row's largest conductance, and at zero field of each by itself; seven decades cost up to 1e-10. Where the voltages
    /// around the edge add up to more than 1e-8 of one of them, there is an error instead of an answer.
    pub fn conductances(&self, tan_hall: f64) -> Result<Vec<Vec<f64>>, NetworkError> {
        if !tan_hall.is_finite() {
            let quantity = "tangent of the Hall angle";
            return Err(NetworkError::OutOfRange { quantity, value: tan_hall, range: "finite" });
        }
        let (admittance, loose) = self.admittance(Exponents::new(tan_hall));
        if loose > LOOSE {
            let quantity = "sum of voltages around the edge, over one of them";
            let range =
                "1e-8 or less: lengths of contacts and gaps differ by more than numbers have digits for";
            return Err(NetworkError::OutOfRange { quantity, value: loose, range });
        }
        Ok(admittance)
    }

    /// Y, and how far from zero the voltages around the edge add up: an estimate of its error.
    fn admittance(&self, exponents: Exponents) -> (Vec<Vec<f64>>, f64) {
        let n = self.count();
        let integrals = Integrals::of(&Chords::new(&self.lengths), exponents);
        let (columns, loose): (Vec<_>, Vec<_>) = (0..n).map(|j| currents(&integrals, j)).unzip();
        let row = |k: usize| {
            let mut row: Vec<f64> = columns.iter().map(|column| column[k]).collect();
            row[k] = -(0..n).filter(|&j| j != k).map(|j| row[j]).sum::<f64>();
            row
        };
        let worst = |worst: f64, loose: f64| if loose.is_nan() { f64::INFINITY } else { worst.max(loose) };
        ((0..n).map(row).collect(), loose.into_iter().fold(0.0, worst))
    }
}

/// Currents into the contacts for 1 V at contact `j` and none at the others: flow `j` and so much of the other flows that
/// no voltage is left along the gaps that do not border on `j`. One flow more is dispensable, an opposite one. Also by how
/// much the voltages along the two gaps that do, which no equation compared, are not opposite.
fn currents(Integrals { currents, voltages }: &Integrals, j: usize) -> (Vec<f64>, f64) {
    let n = currents.len();
    let at = |steps: usize| (j + steps) % n;
    let gaps: Vec<usize> = (1..n - 1).map(at).collect();
    let flows: Vec<usize> = (1..n).filter(|&steps| steps != n / 2).map(at).collect();
    let between = Mat::from_fn(n - 2, n - 2, |g, m| voltages[gaps[g]][flows[m]]);
    let parts = between.partial_piv_lu().solve(Mat::from_fn(n - 2, 1, |g, _| -voltages[gaps[g]][j]));
    let sum = |row: &[f64]| {
        row[j] + flows.iter().enumerate().map(|(m, &flow)| parts[(m, 0)] * row[flow]).sum::<f64>()
    };
    let (after, before) = (sum(&voltages[j]), sum(&voltages[at(n - 1)]));
    let volt = (after - before) / 2.0;
    (currents.iter().map(|row| sum(row) / volt).collect(), ((after + before) / volt).abs())
}
