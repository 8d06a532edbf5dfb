//! Dense elimination of a symmetric conductance matrix in diagonal-excess form. Knows conductances and currents, not
//! what they stand for.
//!
//! Row k reads (e_k + Σ_j g_kj) x_k − Σ_j g_kj x_j = b_k. The diagonal is never stored: each pivot is the sum of what is
//! left in its row, so that 1 Ω beside 10¹⁵ Ω costs no digits (Grassmann, Taksar & Heyman, Oper. Res. 33, 1107, 1985).

/// A system of `count` unknowns; cleared and filled, factored in place, solved for any number of right-hand sides.
pub(crate) struct Elimination {
    count: usize,
    between: Vec<f64>,
    excess: Vec<f64>,
    inverse_pivot: Vec<f64>,
}

impl Elimination {
    pub(crate) fn new(count: usize) -> Self {
        Self {
            count,
            between: vec![0.0; count * count],
            excess: vec![0.0; count],
            inverse_pivot: vec![0.0; count],
        }
    }

    pub(crate) fn clear(&mut self) {
        self.between.fill(0.0);
        self.excess.fill(0.0);
    }

    /// Adds a conductance between two nodes; a node beyond the last is ground.
    pub(crate) fn add(&mut self, a: usize, b: usize, siemens: f64) {
        let n = self.count;
        match (a < n, b < n) {
            (true, true) => {
                self.between[a * n + b] += siemens;
                self.between[b * n + a] += siemens;
            }
            (true, false) => self.excess[a] += siemens,
            (false, true) => self.excess[b] += siemens,
            (false, false) => {}
        }
    }

    pub(crate) fn factor(&mut self) {
        let n = self.count;
        for m in 0..n {
            let (above, below) = self.between.split_at_mut((m + 1) * n);
            let pivot_row = &above[m * n + m + 1..];
            let pivot = pivot_row.iter().fold(self.excess[m], |sum, &g| sum + g);
            let inverse = 1.0 / pivot;
            self.inverse_pivot[m] = inverse;
            let excess = self.excess[m];
            for (row, e) in below.chunks_exact_mut(n).zip(&mut self.excess[m + 1..]) {
                if row[m] == 0.0 {
                    continue;
                }
                let share = row[m] * inverse;
                row[m] = share;
                for (g, &p) in row[m + 1..].iter_mut().zip(pivot_row) {
                    *g += share * p;
                }
                *e += share * excess;
            }
        }
    }

    /// Replaces the right-hand side by the solution; `factor` comes first.
    pub(crate) fn solve(&self, b: &mut [f64]) {
        let n = self.count;
        for k in 1..n {
            let (known, rest) = b.split_at_mut(k);
            for (&share, &x) in self.between[k * n..].iter().zip(known.iter()) {
                rest[0] += share * x;
            }
        }
        for k in (0..n).rev() {
            let (rest, known) = b.split_at_mut(k + 1);
            let row = &self.between[k * n + k + 1..(k + 1) * n];
            let sum = row.iter().zip(known.iter()).fold(rest[k], |sum, (&g, &x)| sum + g * x);
            rest[k] = sum * self.inverse_pivot[k];
        }
    }
}
