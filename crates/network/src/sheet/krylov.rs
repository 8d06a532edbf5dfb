//! The terminals of a sheet at every Hall angle from one symmetric factorisation.
//!
//! With W the solutions at zero field and C = A W on the free unknowns, the Schur complement of S + tA on the terminals is
//!
//! G₀ + t WᵀAW + t² Cᵀ (S + tA)⁻¹ C,
//!
//! as W is orthogonal, in S, to all that vanishes on the terminals. S⁻¹A is skew in the inner product of S and its
//! eigenvalues are ±i times 1 at most, so that in the Krylov space of S⁻¹C, made orthonormal in S, the last term converges
//! as tan(θ/2)^2k, at every t from the same vectors.

use super::system::System;
use faer::{Mat, linalg::solvers::Solve};
use std::{cmp::Ordering, collections::HashMap};

/// Change of the conductances, relative to them, that ends the iteration.
const CONVERGED: f64 = 1e-11;
/// No more vectors than this: enough for |t| of 20 with four terminals, 12 with six.
const MOST_VECTORS: usize = 900;
/// A vector that keeps less than this of its length when the others are taken out is rounding.
const DEPENDENT: f64 = 1e-11;

/// The Krylov space of a system, which grows with the Hall angles asked for.
pub(crate) struct Krylov {
    system: System,
    /// Free unknowns that A touches; all else is known from them.
    support: Vec<usize>,
    hall: Vec<(usize, usize, f64)>,
    /// C, on the support, by patterns; WᵀAW.
    start: Vec<Vec<f64>>,
    first_order: Mat<f64>,
    vectors: Vec<Vector>,
    /// Vectors of the last block.
    last: usize,
    exhausted: bool,
}

/// A vector q of the space, on the support: its values, S q and A q.
struct Vector {
    values: Vec<f64>,
    image: Vec<f64>,
    hall: Vec<f64>,
    /// qᵀC, and pᵀAq for each vector p before it.
    overlap: Vec<f64>,
    coupling: Vec<f64>,
}

impl Krylov {
    pub(crate) fn new(system: System) -> Self {
        let patterns = system.terminals - 1;
        let mut place: HashMap<usize, usize> = HashMap::new();
        let mut support = Vec::new();
        for &(row, column, _) in &system.hall {
            for unknown in [row, column].into_iter().filter(|&unknown| unknown < system.free) {
                place.entry(unknown).or_insert_with(|| {
                    support.push(unknown);
                    support.len() - 1
                });
            }
        }
        let mut start = vec![vec![0.0; support.len()]; patterns];
        let mut first_order = Mat::<f64>::zeros(patterns, patterns);
        for &(row, column, value) in &system.hall {
            for j in 0..patterns {
                let by = value * system.solution(column, j);
                if row < system.free {
                    start[j][place[&row]] += by;
                }
                for k in 0..patterns {
                    first_order[(k, j)] += system.solution(row, k) * by;
                }
            }
        }
        let first_order =
            Mat::from_fn(patterns, patterns, |k, j| (first_order[(k, j)] - first_order[(j, k)]) / 2.0);
        let inner = |&(row, column, value): &(usize, usize, f64)| {
            Some((*place.get(&row)?, *place.get(&column)?, value))
        };
        let hall = system.hall.iter().filter_map(inner).collect();
        Self { system, support, hall, start, first_order, vectors: Vec::new(), last: 0, exhausted: false }
    }

    pub(crate) fn system(&self) -> &System {
        &self.system
    }

    /// The Schur complement of S + tA on all terminals but the last, to about 1e-11 of its largest entry.
    ///
    /// None if that takes more vectors than are allowed.
    pub(crate) fn schur(&mut self, t: f64) -> Option<Mat<f64>> {
        if t == 0.0 {
            return Some(self.system.schur.clone());
        }
        // tan²(θ/2) is what each block leaves of the error.
        let ratio = (t.atan() / 2.0).tan().powi(2);
        let wanted = (CONVERGED.ln() / ratio.ln()).ceil() * self.start.len() as f64;
        if wanted > MOST_VECTORS as f64 {
            return None;
        }
        while self.vectors.len() < wanted as usize && !self.exhausted {
            self.extend();
        }
        let mut now = self.projected(t, self.vectors.len());
        let mut before = self.projected(t, self.last);
        while !self.exhausted {
            let change = (&now - &before).norm_max() / now.norm_max();
            if change * ratio / (1.0 - ratio) < CONVERGED {
                break;
            }
            if self.vectors.len() > MOST_VECTORS {
                return None;
            }
            self.extend();
            before = now;
            now = self.projected(t, self.vectors.len());
        }
        Some(now)
    }

    /// With the first `count` vectors: (1 + tT)⁻¹ QᵀC, T = QᵀAQ, are the shares of the vectors in (S + tA)⁻¹ C.
    fn projected(&self, t: f64, count: usize) -> Mat<f64> {
        let mut schur = &self.system.schur + t * &self.first_order;
        if count > 0 {
            let overlap = Mat::from_fn(count, self.start.len(), |i, k| self.vectors[i].overlap[k]);
            let matrix = Mat::from_fn(count, count, |i, j| match i.cmp(&j) {
                Ordering::Less => t * self.vectors[j].coupling[i],
                Ordering::Equal => 1.0,
                Ordering::Greater => -t * self.vectors[i].coupling[j],
            });
            schur += t * t * (overlap.transpose() * matrix.partial_piv_lu().solve(&overlap));
        }
        schur
    }

    /// One block more.
    fn extend(&mut self) {
        let right: Vec<Vec<f64>> = if self.vectors.is_empty() {
            self.start.clone()
        } else {
            self.vectors[self.last..].iter().map(|vector| vector.hall.clone()).collect()
        };
        self.last = self.vectors.len();
        let mut full = Mat::zeros(self.system.free, right.len());
        for (j, column) in right.iter().enumerate() {
            for (&unknown, &value) in self.support.iter().zip(column) {
                full[(unknown, j)] = value;
            }
        }
        let solved = self.system.solve(&full);
        let mut block: Vec<(Vec<f64>, Vec<f64>)> = right
            .into_iter()
            .enumerate()
            .map(|(j, image)| (self.support.iter().map(|&unknown| solved[(unknown, j)]).collect(), image))
            .collect();
        // Each vector is taken out of the whole block while it is at hand; twice, as rounding leaves some of it.
        for _ in 0..2 {
            for other in &self.vectors {
                for new in &mut block {
                    take_out(new, other);
                }
            }
        }
        for new in block {
            self.add(new);
        }
        self.exhausted = self.last == self.vectors.len();
    }

    /// Takes the other vectors of its block out of one and adds what is left of it.
    fn add(&mut self, mut new: (Vec<f64>, Vec<f64>)) {
        let before = dot(&new.0, &new.1).max(0.0).sqrt();
        for _ in 0..2 {
            for other in &self.vectors[self.last..] {
                take_out(&mut new, other);
            }
        }
        let (mut values, mut image) = new;
        let length = dot(&values, &image).max(0.0).sqrt();
        if length <= DEPENDENT * before || length == 0.0 {
            return;
        }
        for x in values.iter_mut().chain(&mut image) {
            *x /= length;
        }
        let mut hall = vec![0.0; self.support.len()];
        for &(row, column, value) in &self.hall {
            hall[row] += value * values[column];
        }
        let overlap = self.start.iter().map(|start| dot(&values, start)).collect();
        let coupling = self.vectors.iter().map(|before| dot(&before.values, &hall)).collect();
        self.vectors.push(Vector { values, image, hall, overlap, coupling });
    }
}

fn take_out((values, image): &mut (Vec<f64>, Vec<f64>), other: &Vector) {
    let part = dot(&other.values, image);
    subtract(values, part, &other.values);
    subtract(image, part, &other.image);
}

fn subtract(from: &mut [f64], part: f64, other: &[f64]) {
    for (x, y) in from.iter_mut().zip(other) {
        *x -= part * y;
    }
}

/// In four sums, which a processor adds side by side.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (a, b) = (a.chunks_exact(4), b.chunks_exact(4));
    let rest: f64 = a.remainder().iter().zip(b.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in a.zip(b) {
        for i in 0..4 {
            sums[i] += x[i] * y[i];
        }
    }
    sums.iter().sum::<f64>() + rest
}
