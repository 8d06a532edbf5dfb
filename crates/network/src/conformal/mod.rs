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
    /// Good to about 1e-13 of the largest conductance; see [`Integrals`] for the reasons.
    pub fn conductances(&self, tan_hall: f64) -> Result<Vec<Vec<f64>>, NetworkError> {
        if !tan_hall.is_finite() {
            let quantity = "tangent of the Hall angle";
            return Err(NetworkError::OutOfRange { quantity, value: tan_hall, range: "finite" });
        }
        Ok(self.admittance(Exponents::new(tan_hall)))
    }

    /// Each flow of the basis has a current into each contact and a voltage along each gap, V_k − V_k+1, of which the
    /// last follows from the others. Y = (currents) (voltages)⁻¹ (differences of neighbours).
    fn admittance(&self, exponents: Exponents) -> Vec<Vec<f64>> {
        let n = self.count();
        let Integrals { currents, voltages } = Integrals::of(&Chords::new(&self.lengths), exponents);
        let transposed = |rows: &[Vec<f64>], height: usize| Mat::from_fn(n - 1, height, |m, k| rows[k][m]);
        let per_gap = transposed(&voltages, n - 1).partial_piv_lu().solve(transposed(&currents, n));
        let along =
            |gap: Option<usize>, k: usize| gap.filter(|&g| g < n - 1).map_or(0.0, |g| per_gap[(g, k)]);
        let row = |k: usize| {
            let mut row: Vec<f64> = (0..n).map(|j| along(Some(j), k) - along(j.checked_sub(1), k)).collect();
            row[k] = -(0..n).filter(|&j| j != k).map(|j| row[j]).sum::<f64>();
            row
        };
        (0..n).map(row).collect()
    }
}
