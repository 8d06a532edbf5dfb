//! Lagrange polynomials on a triangle, and what they contribute to the equations. Knows one triangle at a time.

use super::mesh::Arc;
use super::outline::Point;

/// A uniform symmetric conductivity, relative to that of the sheet: xx, xy, yy.
pub(crate) type Tensor = [f64; 3];

/// Points more than a straight triangle needs, where the map is curved or the conductivity changes.
const CURVED: usize = 4;

/// Polynomials of an order on the triangle with corners (0, 0), (1, 0), (0, 1), one for each node of its lattice:
/// corners, then the sides' nodes from corner to corner, then those inside.
pub(crate) struct Reference {
    pub(crate) order: usize,
    /// Barycentric numerators of each node.
    lattice: Vec<[usize; 3]>,
    /// ∫ ∂φ ∂φ for ξξ, ξη + ηξ, ηη.
    stiffness: [Vec<f64>; 3],
    quadrature: Vec<Sample>,
    /// ∫ φ_i dφ_j along a side, antisymmetric part.
    pub(crate) turn: Vec<f64>,
}

struct Sample {
    weight: f64,
    values: Vec<f64>,
    gradients: Vec<[f64; 2]>,
}

impl Reference {
    pub(crate) fn new(order: usize) -> Self {
        let lattice = lattice(order);
        let exact = samples(&lattice, order, order + 1);
        let count = lattice.len();
        let mut stiffness = [0, 1, 2].map(|_| vec![0.0; count * count]);
        for sample in &exact {
            for (i, a) in sample.gradients.iter().enumerate() {
                for (j, b) in sample.gradients.iter().enumerate() {
                    let at = i * count + j;
                    stiffness[0][at] += sample.weight * a[0] * b[0];
                    stiffness[1][at] += sample.weight * (a[0] * b[1] + a[1] * b[0]);
                    stiffness[2][at] += sample.weight * a[1] * b[1];
                }
            }
        }
        let quadrature = samples(&lattice, order, order + 1 + CURVED);
        Self { order, stiffness, quadrature, turn: turn(order), lattice }
    }

    /// How many nodes a triangle has.
    pub(crate) fn count(&self) -> usize {
        self.lattice.len()
    }

    /// ∫ ∇φ_i · C ∇φ_j on a triangle with straight sides, by rows.
    pub(crate) fn straight(&self, corners: [Point; 3], tensor: Tensor) -> Vec<f64> {
        let [a, b, c] = corners;
        let jacobian = [[b[0] - a[0], c[0] - a[0]], [b[1] - a[1], c[1] - a[1]]];
        let (metric, area) = metric(jacobian, tensor);
        let [xi, mixed, eta] = &self.stiffness;
        let sum = |k: usize| area * (metric[0] * xi[k] + metric[1] * mixed[k] + metric[2] * eta[k]);
        (0..xi.len()).map(sum).collect()
    }

    /// The same on a triangle of which side k, from corner k to the next, is an arc where `arcs[k]` is one, with a
    /// conductance that changes from place to place.
    pub(crate) fn curved(
        &self,
        corners: [Point; 3],
        arcs: [Option<Arc>; 3],
        tensor: Tensor,
        conductance: &dyn Fn(Point) -> f64,
    ) -> Vec<f64> {
        let nodes: Vec<Point> = self.lattice.iter().map(|node| self.place(*node, corners, &arcs)).collect();
        let count = nodes.len();
        let mut matrix = vec![0.0; count * count];
        for sample in &self.quadrature {
            let mut jacobian = [[0.0; 2]; 2];
            let mut point = [0.0; 2];
            for ((node, gradient), value) in nodes.iter().zip(&sample.gradients).zip(&sample.values) {
                for axis in 0..2 {
                    point[axis] += value * node[axis];
                    jacobian[axis][0] += node[axis] * gradient[0];
                    jacobian[axis][1] += node[axis] * gradient[1];
                }
            }
            let (metric, area) = metric(jacobian, tensor);
            let weight = sample.weight * area * conductance(point);
            for (i, a) in sample.gradients.iter().enumerate() {
                let flow = [metric[0] * a[0] + metric[1] * a[1], metric[1] * a[0] + metric[2] * a[1]];
                for (j, b) in sample.gradients.iter().enumerate() {
                    matrix[i * count + j] += weight * (flow[0] * b[0] + flow[1] * b[1]);
                }
            }
        }
        matrix
    }

    /// ∫ (∂_x φ_i ∂_y φ_j − ∂_y φ_i ∂_x φ_j) c on a triangle, by rows: what the Hall angle adds where the conductance
    /// changes from place to place.
    pub(crate) fn turned(
        &self,
        corners: [Point; 3],
        arcs: [Option<Arc>; 3],
        conductance: &dyn Fn(Point) -> f64,
    ) -> Vec<f64> {
        let nodes: Vec<Point> = self.lattice.iter().map(|node| self.place(*node, corners, &arcs)).collect();
        let count = nodes.len();
        let mut matrix = vec![0.0; count * count];
        for sample in &self.quadrature {
            let mut point = [0.0; 2];
            for (node, value) in nodes.iter().zip(&sample.values) {
                (0..2).for_each(|axis| point[axis] += value * node[axis]);
            }
            // The cross product of gradients times the area element does not depend on the map.
            let weight = sample.weight * conductance(point);
            for (i, a) in sample.gradients.iter().enumerate() {
                for (j, b) in sample.gradients.iter().enumerate() {
                    matrix[i * count + j] += weight * (a[0] * b[1] - a[1] * b[0]);
                }
            }
        }
        matrix
    }

    /// Where a node lies. A side that is an arc takes the inside along: at barycentric λ_a, λ_b by λ_a λ_b times the
    /// smooth bulge at its projection on the side, which vanishes on the other sides.
    fn place(&self, node: [usize; 3], corners: [Point; 3], arcs: &[Option<Arc>; 3]) -> Point {
        let lambda = node.map(|n| n as f64 / self.order as f64);
        let mut point = [0, 1].map(|axis| (0..3).map(|k| lambda[k] * corners[k][axis]).sum::<f64>());
        for (side, arc) in arcs.iter().enumerate() {
            let (a, b) = (lambda[side], lambda[(side + 1) % 3]);
            if let (Some(arc), true) = (arc, a * b > 0.0) {
                let bulge = arc.bulge((1.0 + b - a) / 2.0);
                (0..2).for_each(|axis| point[axis] += a * b * bulge[axis]);
            }
        }
        point
    }
}

/// J⁻¹ C J⁻ᵀ as ξξ, ξη, ηη, and det J.
fn metric(j: [[f64; 2]; 2], [cxx, cxy, cyy]: Tensor) -> (Tensor, f64) {
    let area = j[0][0] * j[1][1] - j[0][1] * j[1][0];
    // Rows of the inverse.
    let (p, q) = ([j[1][1] / area, -j[0][1] / area], [-j[1][0] / area, j[0][0] / area]);
    let form =
        |a: [f64; 2], b: [f64; 2]| cxx * a[0] * b[0] + cxy * (a[0] * b[1] + a[1] * b[0]) + cyy * a[1] * b[1];
    ([form(p, p), form(p, q), form(q, q)], area)
}

fn lattice(p: usize) -> Vec<[usize; 3]> {
    let mut nodes = vec![[p, 0, 0], [0, p, 0], [0, 0, p]];
    nodes.extend((1..p).map(|m| [p - m, m, 0]));
    nodes.extend((1..p).map(|m| [0, p - m, m]));
    nodes.extend((1..p).map(|m| [m, 0, p - m]));
    nodes.extend((1..p).flat_map(|i| (1..p - i).map(move |j| [i, j, p - i - j])));
    nodes
}

/// Silvester's product for a node: value, and derivatives by its three barycentric coordinates.
fn silvester(order: usize, node: [usize; 3], lambda: [f64; 3]) -> (f64, [f64; 3]) {
    let p = order as f64;
    let factor = |m: usize, x: f64| {
        (0..m).fold((1.0, 0.0), |(value, slope), a| {
            let (f, df) = ((p * x - a as f64) / (a + 1) as f64, p / (a + 1) as f64);
            (value * f, slope * f + value * df)
        })
    };
    let [u, v, w] = [0, 1, 2].map(|k| factor(node[k], lambda[k]));
    (u.0 * v.0 * w.0, [u.1 * v.0 * w.0, u.0 * v.1 * w.0, u.0 * v.0 * w.1])
}

/// Polynomials at the points of a rule of Gauss on the triangle, its square collapsed onto a corner.
fn samples(lattice: &[[usize; 3]], order: usize, points: usize) -> Vec<Sample> {
    let rule = gauss(points);
    let mut samples = Vec::with_capacity(points * points);
    for &(x, wx) in &rule {
        for &(y, wy) in &rule {
            let (xi, eta) = (x, y * (1.0 - x));
            let at = |node: &[usize; 3]| silvester(order, *node, [1.0 - xi - eta, xi, eta]);
            let all: Vec<_> = lattice.iter().map(at).collect();
            samples.push(Sample {
                weight: wx * wy * (1.0 - x),
                values: all.iter().map(|(value, _)| *value).collect(),
                gradients: all.iter().map(|(_, d)| [d[1] - d[0], d[2] - d[0]]).collect(),
            });
        }
    }
    samples
}

/// ∫ φ_i φ_j′ along a side with nodes from 0 to `order`, antisymmetric part, by rows.
fn turn(order: usize) -> Vec<f64> {
    let count = order + 1;
    let mut matrix = vec![0.0; count * count];
    for (x, weight) in gauss(order + 1) {
        let at = |m: usize| {
            let (value, d) = silvester(order, [order - m, m, 0], [1.0 - x, x, 0.0]);
            (value, d[1] - d[0])
        };
        let all: Vec<_> = (0..count).map(at).collect();
        for (i, a) in all.iter().enumerate() {
            for (j, b) in all.iter().enumerate() {
                matrix[i * count + j] += weight * (a.0 * b.1 - a.1 * b.0) / 2.0;
            }
        }
    }
    matrix
}

/// Nodes and weights of Gauss and Legendre on [0, 1], by Newton's method (Abramowitz & Stegun, 25.4.30).
fn gauss(points: usize) -> Vec<(f64, f64)> {
    let n = points as f64;
    let legendre = |x: f64| {
        let (mut before, mut here) = (1.0, x);
        for k in 2..=points {
            let k = k as f64;
            (before, here) = (here, ((2.0 * k - 1.0) * x * here - (k - 1.0) * before) / k);
        }
        (here, n * (x * here - before) / (x * x - 1.0))
    };
    let node = |k: usize| {
        let mut x = (std::f64::consts::PI * (k as f64 + 0.75) / (n + 0.5)).cos();
        for _ in 0..8 {
            let (value, slope) = legendre(x);
            x -= value / slope;
        }
        let (_, slope) = legendre(x);
        ((1.0 + x) / 2.0, 1.0 / ((1.0 - x * x) * slope * slope))
    };
    (0..points).map(node).collect()
}
