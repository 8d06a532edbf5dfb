//! A conducting film with four contacts on its edge, in a magnetic field: what its contacts see, not where they are.

use crate::{NetworkError, TerminalMatrix};
use quadrille_quantity::{Ohm, Tesla};

/// A film with contacts 1 to 4 on its edge, counter-clockwise seen with +B pointing at the viewer.
///
/// Even in the field it is a reciprocal network with the two van der Pauw resistances; odd in the field it adds to
/// the impedances the antisymmetric part that point-like contacts on the edge have: R_ab,cd of neighbouring pairs
/// (12,34 and 23,14 and their permutations) has no odd part, and R13,24 has the odd part +R_H B, where R_H > 0 is
/// p-type: holes driven from 1 to 3 are pressed by v × B towards contact 2 (ASTM F76, from memory, gives the same
/// sign for this numbering). Hence
///
/// * Onsager-Casimir: R_ab,cd(B) = R_cd,ab(−B), for all configurations;
/// * R12,34 + R23,14 + R31,24 = −R_H B. Reciprocity is what makes this sum vanish at B = 0 and in the part that is
///   even in B; of the odd parts, the first two vanish and R31,24 = −R13,24.
///
/// Contact resistances stand in series with the contacts; with all of them zero, the two-terminal resistances are
/// those of a ring of four resistors. No magnetoresistance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Film {
    r12_43: f64,
    r23_14: f64,
    hall_ohm_per_tesla: f64,
    contacts: [f64; 4],
}

impl Film {
    /// A film of given R12,43 and R23,14 at zero field (above zero), Hall resistance per tesla (Ω/T, positive for
    /// p-type) and contact resistances (zero or above).
    pub fn new(
        r12_43: Ohm,
        r23_14: Ohm,
        hall_ohm_per_tesla: f64,
        contacts: [Ohm; 4],
    ) -> Result<Self, NetworkError> {
        let check = |quantity, value: f64, range, inside: bool| {
            if value.is_finite() && inside {
                Ok(value)
            } else {
                Err(NetworkError::OutOfRange { quantity, value, range })
            }
        };
        let above = "above zero and finite";
        for contact in contacts {
            check("contact resistance in ohms", contact.0, "zero or above and finite", contact.0 >= 0.0)?;
        }
        Ok(Self {
            r12_43: check("R12,43 in ohms", r12_43.0, above, r12_43.0 > 0.0)?,
            r23_14: check("R23,14 in ohms", r23_14.0, above, r23_14.0 > 0.0)?,
            hall_ohm_per_tesla: check(
                "Hall resistance in ohms per tesla",
                hall_ohm_per_tesla,
                "finite",
                true,
            )?,
            contacts: contacts.map(|c| c.0),
        })
    }

    /// What the contacts see in a field normal to the film.
    ///
    /// Opposite resistors of the ring are equal, p = 2√A(√A + √B) and q = 2√B(√A + √B), so that p²/2(p+q) = A =
    /// R12,43 and q²/2(p+q) = B = R23,14. Among the currents u (into 1, out of 2), v (2, 3) and w (3, 4) the
    /// impedance is P = Z + \[a\]×, with Z symmetric (ring and contacts) and a = (H/2)(1, 0, 1), H = R_H B: the one
    /// antisymmetric matrix for which P_wu = 0 and P_uv + P_wv = 0 (no odd part in 12,34 and 23,14). Then
    /// P⁻¹ = (det(Z) Z⁻¹ + a aᵀ − \[Z a\]×) / (det Z + aᵀ Z a), and carried over to the contacts each conductance is a
    /// sum of at most three terms; only a aᵀ, second order in the field, is ever subtracted, between opposite
    /// contacts.
    pub fn terminal_matrix(&self, field: Tesla) -> Result<TerminalMatrix, NetworkError> {
        if !field.0.is_finite() {
            let quantity = "field in teslas";
            return Err(NetworkError::OutOfRange { quantity, value: field.0, range: "finite" });
        }
        let [c1, c2, c3, c4] = self.contacts;
        let (root_a, root_b) = (self.r12_43.sqrt(), self.r23_14.sqrt());
        let (p, q) = (2.0 * root_a * (root_a + root_b), 2.0 * root_b * (root_a + root_b));
        let even = ring_behind_contacts(p, q, self.contacts);
        let hall = self.hall_ohm_per_tesla * field.0;
        // Everything below over det Z = 1 / (sum over spanning trees).
        let m = p * q / (p + q);
        let trees = spanning_trees(&even);
        let second = hall * hall / 4.0 * trees;
        let scale = 1.0 / (1.0 + second * (c1 + c2 + c3 + c4 + 2.0 * m));
        let first = hall / 2.0 * trees;
        // Y_12, Y_13, Y_14, Y_23, Y_24, Y_34 of −[Z a]×, over H/2.
        let odd = [c3 + c4 + m, c2 - c4, -(c2 + c3 + m), c1 + c4 + m, c3 - c1, c1 + c2 + m];
        let pairs = [(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)];
        let mut between = vec![vec![0.0; 4]; 4];
        for ((k, j), odd) in pairs.into_iter().zip(odd) {
            let opposite = (k + j) % 2 == 0;
            let reciprocal = even[k][j] + if opposite { -second } else { second };
            between[k][j] = scale * (reciprocal - first * odd);
            between[j][k] = scale * (reciprocal + first * odd);
        }
        TerminalMatrix::new(&between, &[0.0; 4])
    }
}

/// Conductances among the outer ends of the contact resistances of a ring 12 = 34 = p, 23 = 41 = q.
fn ring_behind_contacts(p: f64, q: f64, contacts: [f64; 4]) -> [[f64; 4]; 4] {
    let mut g = [[0.0; 4]; 4];
    for (k, r) in [p, q, p, q].into_iter().enumerate() {
        let j = (k + 1) % 4;
        g[k][j] = 1.0 / r;
        g[j][k] = 1.0 / r;
    }
    for (k, &contact) in contacts.iter().enumerate() {
        g = behind_contact(g, k, contact);
    }
    g
}

/// Moves terminal `k` out to the far end of a resistance: its inner node, with conductances g_kj and 1/c, goes by
/// star-mesh.
fn behind_contact(g: [[f64; 4]; 4], k: usize, contact: f64) -> [[f64; 4]; 4] {
    let others = 1.0 + contact * (0..4).filter(|&j| j != k).map(|j| g[k][j]).sum::<f64>();
    let mut out = g;
    for i in (0..4).filter(|&i| i != k) {
        out[k][i] = g[k][i] / others;
        out[i][k] = out[k][i];
        for j in (0..4).filter(|&j| j != k && j != i) {
            out[i][j] = g[i][j] + g[i][k] * g[k][j] * contact / others;
        }
    }
    out
}

/// Sum over the spanning trees of four nodes, g symmetric: one node after the other eliminated, pivots multiplied.
fn spanning_trees(g: &[[f64; 4]; 4]) -> f64 {
    let pivot_3 = g[3][0] + g[3][1] + g[3][2];
    let through = |k: usize, j: usize| g[k][j] + g[k][3] * g[3][j] / pivot_3;
    let (g01, g02, g12) = (through(0, 1), through(0, 2), through(1, 2));
    pivot_3 * (g01 * g02 + g02 * g12 + g12 * g01)
}
