//! The polynomials of a whole mesh: its unknowns numbered, each triangle's equations with its inside eliminated. The
//! same equations serve the potential and the stream function, which differ in what is tied together.

use super::element::{Reference, Tensor};
use super::mesh::{Arc, EdgeSide, Mesh, Owner};
use super::outline::Point;
use std::collections::HashMap;

/// Conductance from place to place, relative to that of the sheet; `None` where it is the same everywhere.
pub(crate) type Conductance<'c> = Option<&'c dyn Fn(Point) -> f64>;

/// Equations of a mesh.
pub(crate) struct Space {
    /// Nodes on corners and sides; those inside triangles are eliminated.
    pub(crate) nodes: usize,
    /// Unknowns before that.
    pub(crate) unknowns: usize,
    pub(crate) elements: Vec<Element>,
    /// Nodes along each side on the edge, in its direction.
    pub(crate) sides: Vec<(Vec<usize>, Owner)>,
    /// ∫ φ_i dφ_j along a side, by rows.
    pub(crate) turn: Vec<f64>,
}

/// Equations of a triangle among the nodes of its sides.
pub(crate) struct Element {
    pub(crate) nodes: Vec<usize>,
    /// By rows.
    pub(crate) matrix: Vec<f64>,
}

/// Numbers of nodes: corners first, then sides.
struct Numbers {
    order: usize,
    corners: usize,
    sides: HashMap<(usize, usize), usize>,
}

impl Numbers {
    fn new(mesh: &Mesh, order: usize) -> Self {
        let mut sides = HashMap::new();
        for triangle in &mesh.triangles {
            for k in 0..3 {
                let (a, b) = (triangle[k], triangle[(k + 1) % 3]);
                let next = sides.len();
                sides.entry((a.min(b), a.max(b))).or_insert(next);
            }
        }
        Self { order, corners: mesh.points.len(), sides }
    }

    fn count(&self) -> usize {
        self.corners + self.sides.len() * (self.order - 1)
    }

    /// Nodes inside a side, from `a` to `b`.
    fn between(&self, a: usize, b: usize) -> impl Iterator<Item = usize> + use<> {
        let inside = self.order - 1;
        let side = self.sides.get(&(a.min(b), a.max(b))).copied().unwrap_or(0);
        let first = self.corners + side * inside;
        (0..inside).map(move |m| first + if a < b { m } else { inside - 1 - m })
    }
}

impl Space {
    /// `turned` is the tangent of the Hall angle where the conductance changes from place to place, so that it cannot be
    /// brought in from the edge; the equations are then not symmetric.
    pub(crate) fn new(
        mesh: &Mesh,
        order: usize,
        tensor: Tensor,
        conductance: Conductance<'_>,
        turned: f64,
    ) -> Self {
        let reference = Reference::new(order);
        let numbers = Numbers::new(mesh, order);
        let arcs: HashMap<(usize, usize), Arc> =
            mesh.sides.iter().filter_map(|side| Some(((side.from, side.to), side.arc?))).collect();
        let uniform = |_: Point| 1.0;
        let element = |triangle: &[usize; 3]| {
            let corners = triangle.map(|corner| mesh.points[corner]);
            let bent = [0, 1, 2].map(|k| arcs.get(&(triangle[k], triangle[(k + 1) % 3])).copied());
            let mut full = if conductance.is_none() && bent.iter().all(Option::is_none) {
                reference.straight(corners, tensor)
            } else {
                reference.curved(corners, bent, tensor, conductance.unwrap_or(&uniform))
            };
            if turned != 0.0 {
                let hall = reference.turned(corners, bent, conductance.unwrap_or(&uniform));
                full.iter_mut().zip(hall).for_each(|(entry, hall)| *entry += turned * hall);
            }
            let matrix = condensed(full, reference.count(), 3 * order);
            Element { nodes: skeleton(triangle, &numbers), matrix }
        };
        let elements: Vec<Element> = mesh.triangles.iter().map(element).collect();
        let inside = (order - 1) * (order - 2) / 2;
        let side = |side: &EdgeSide| {
            let nodes =
                std::iter::once(side.from).chain(numbers.between(side.from, side.to)).chain([side.to]);
            (nodes.collect(), side.owner)
        };
        Self {
            nodes: numbers.count(),
            unknowns: numbers.count() + inside * elements.len(),
            elements,
            sides: mesh.sides.iter().map(side).collect(),
            turn: reference.turn,
        }
    }

    /// Entries (row, column, value) of A_ij = ∮ φ_i dφ_j: antisymmetric, between nodes of the edge alone.
    pub(crate) fn turning(&self) -> impl Iterator<Item = (usize, usize, f64)> + '_ {
        self.sides.iter().flat_map(move |(nodes, _)| {
            let count = nodes.len();
            let entries = (0..count * count).filter(move |at| at / count != at % count);
            entries.map(move |at| (nodes[at / count], nodes[at % count], self.turn[at]))
        })
    }
}

fn skeleton(triangle: &[usize; 3], numbers: &Numbers) -> Vec<usize> {
    let sides = (0..3).flat_map(|k| numbers.between(triangle[k], triangle[(k + 1) % 3]));
    triangle.iter().copied().chain(sides).collect()
}

/// Schur complement of a matrix on its first `kept` rows: the inside of a triangle, which nothing drives,
/// follows its sides. Elimination by rows, pivots on the diagonal (its symmetric part is positive definite there).
fn condensed(mut full: Vec<f64>, count: usize, kept: usize) -> Vec<f64> {
    for pivot in (kept..count).rev() {
        let inverse = 1.0 / full[pivot * count + pivot];
        for row in 0..pivot {
            let factor = full[row * count + pivot] * inverse;
            if factor != 0.0 {
                for column in 0..pivot {
                    full[row * count + column] -= factor * full[pivot * count + column];
                }
            }
        }
    }
    (0..kept).flat_map(|row| full[row * count..row * count + kept].to_vec()).collect()
}
