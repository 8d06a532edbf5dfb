//! Piecewise polynomials on the triangles of a sheet: numbering of their nodes, stiffness of each element, and the edge
//! integral that the Hall angle multiplies. Knows no contact's voltage.

use super::{
    element::Element,
    grading::{Map, inverse_of, mapped},
    layout::Label,
    piece::{Piece, Point},
    triangles::{EdgeSegment, Triangles},
};
use std::collections::HashMap;

/// Conductance at a point in metres over that of the sheet.
pub(crate) type Profile = dyn Fn(f64, f64) -> f64 + Send + Sync;

/// Nodes of a part of the edge, in the direction that has the sheet on its left.
pub(crate) struct EdgeNodes {
    pub(crate) nodes: Vec<usize>,
    pub(crate) label: Label,
}

/// The finite-element space and its bilinear forms.
pub(crate) struct Space<'a> {
    pub(crate) element: Element,
    /// Nodes of each triangle, in the order of the element.
    nodes_of: Vec<usize>,
    pub(crate) count: usize,
    pub(crate) edge: Vec<EdgeNodes>,
    triangles: &'a Triangles,
    /// Of each triangle that has a side on an arc: the coordinates of its nodes.
    curved: HashMap<usize, Vec<Point>>,
    profile: Option<&'a Profile>,
    back: Map,
}

/// Which conductance weighs the stiffness.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Weight {
    Conductance,
    Resistance,
    One,
}

impl<'a> Space<'a> {
    pub(crate) fn new(
        triangles: &'a Triangles,
        order: usize,
        map: &Map,
        profile: Option<&'a Profile>,
    ) -> Self {
        let element = Element::new(order);
        let mut numbers = Numbers { order, next: triangles.vertices.len(), of_edge: HashMap::new() };
        let mut nodes_of = Vec::with_capacity(triangles.corners.len() * element.count());
        for &corners in &triangles.corners {
            numbers.element(corners, &mut nodes_of);
        }
        let edge = triangles.edge.iter().map(|segment| numbers.along(segment)).collect();
        let back = inverse_of(map);
        let mut space = Self {
            element,
            nodes_of,
            count: numbers.next,
            edge,
            triangles,
            curved: HashMap::new(),
            profile,
            back,
        };
        space.curved = space.bend(map);
        space
    }

    pub(crate) fn elements(&self) -> usize {
        self.triangles.corners.len()
    }

    pub(crate) fn nodes_of(&self, element: usize) -> &[usize] {
        let count = self.element.count();
        &self.nodes_of[element * count..(element + 1) * count]
    }

    pub(crate) fn is_uniform(&self) -> bool {
        self.profile.is_none()
    }

    /// ∫ w ∇φ_i · ∇φ_j of an element, by rows.
    pub(crate) fn stiffness(&self, element: usize, weight: Weight, into: &mut [f64]) {
        let corners = self.triangles.corners[element].map(|v| self.triangles.vertices[v]);
        let weight = if self.profile.is_none() { Weight::One } else { weight };
        match (self.curved.get(&element), weight) {
            (None, Weight::One) => self.element.straight(corners, into),
            (curved, _) => {
                let places = curved.cloned().unwrap_or_else(|| self.straight_places(corners));
                self.integrate(&places, weight, into, |a, b| a[0] * b[0] + a[1] * b[1]);
            }
        }
    }

    /// ∫ w (∂_x φ_i ∂_y φ_j − ∂_y φ_i ∂_x φ_j) of an element, by rows.
    pub(crate) fn hall(&self, element: usize, weight: Weight, into: &mut [f64]) {
        let corners = self.triangles.corners[element].map(|v| self.triangles.vertices[v]);
        let places = self.curved.get(&element).cloned().unwrap_or_else(|| self.straight_places(corners));
        self.integrate(&places, weight, into, |a, b| a[0] * b[1] - a[1] * b[0]);
    }

    fn straight_places(&self, corners: [Point; 3]) -> Vec<Point> {
        (0..self.element.count()).map(|node| affine(corners, self.element.place(node))).collect()
    }

    fn integrate(
        &self,
        places: &[Point],
        weight: Weight,
        into: &mut [f64],
        form: impl Fn([f64; 2], [f64; 2]) -> f64,
    ) {
        into.fill(0.0);
        let count = self.element.count();
        let mut gradients = vec![[0.0; 2]; count];
        for rule in &self.element.rule {
            // Columns of the Jacobian: derivatives of the place along the two coordinates of the reference.
            let (mut along, mut across) = ([0.0; 2], [0.0; 2]);
            for (place, gradient) in places.iter().zip(&rule.gradients) {
                for x in 0..2 {
                    along[x] += place[x] * gradient[0];
                    across[x] += place[x] * gradient[1];
                }
            }
            let determinant = along[0] * across[1] - along[1] * across[0];
            for (gradient, reference) in gradients.iter_mut().zip(&rule.gradients) {
                *gradient = [
                    (across[1] * reference[0] - along[1] * reference[1]) / determinant,
                    (along[0] * reference[1] - across[0] * reference[0]) / determinant,
                ];
            }
            let factor = rule.weight * determinant * self.weight(places, &rule.values, weight);
            for i in 0..count {
                for j in 0..count {
                    into[i * count + j] += factor * form(gradients[i], gradients[j]);
                }
            }
        }
    }

    fn weight(&self, places: &[Point], values: &[f64], weight: Weight) -> f64 {
        let (Some(profile), true) = (self.profile, weight != Weight::One) else { return 1.0 };
        let sum = |x: usize| places.iter().zip(values).map(|(place, value)| place[x] * value).sum();
        let [x, y] = mapped(&self.back, [sum(0), sum(1)]);
        if weight == Weight::Resistance { 1.0 / profile(x, y) } else { profile(x, y) }
    }

    /// Coordinates of the nodes of triangles with a side on an arc. The side's deviation from its chord, d(s), is carried
    /// inside as λ_p λ_q d(s) / s(1 − s), s = (1 + λ_q − λ_p)/2, which is smooth and vanishes on the other two sides.
    fn bend(&self, map: &Map) -> HashMap<usize, Vec<Point>> {
        let arcs: HashMap<[usize; 2], &EdgeSegment> = self
            .triangles
            .edge
            .iter()
            .filter(|segment| matches!(segment.stretch.piece, Piece::Arc { .. }))
            .map(|segment| (segment.ends, segment))
            .collect();
        let mut curved: HashMap<usize, Vec<Point>> = HashMap::new();
        for (element, &corners) in self.triangles.corners.iter().enumerate() {
            for (p, q) in [(0, 1), (1, 2), (2, 0)] {
                let Some(segment) = arcs.get(&[corners[p], corners[q]]) else { continue };
                let at = corners.map(|v| self.triangles.vertices[v]);
                let places = curved.entry(element).or_insert_with(|| self.straight_places(at));
                for (node, place) in places.iter_mut().enumerate() {
                    let lambda = self.element.place(node);
                    let blend = lambda[p] * lambda[q];
                    if blend > 0.0 {
                        let s = (1.0 + lambda[q] - lambda[p]) / 2.0;
                        let fraction = segment.from + s * (segment.to - segment.from);
                        let arc = mapped(map, segment.stretch.at(fraction));
                        for x in 0..2 {
                            let chord = at[p][x] + s * (at[q][x] - at[p][x]);
                            place[x] += blend * (arc[x] - chord) / (s * (1.0 - s));
                        }
                    }
                }
            }
        }
        curved
    }
}

fn affine(corners: [Point; 3], lambda: [f64; 3]) -> Point {
    [0, 1].map(|x| (0..3).map(|c| lambda[c] * corners[c][x]).sum())
}

/// Numbers of the nodes: vertices, then those of edges and those inside as the elements come.
struct Numbers {
    order: usize,
    next: usize,
    /// First inner node of an edge, counted from its lower vertex.
    of_edge: HashMap<(usize, usize), usize>,
}

impl Numbers {
    fn element(&mut self, corners: [usize; 3], into: &mut Vec<usize>) {
        into.extend(corners);
        for (p, q) in [(0, 1), (1, 2), (2, 0)] {
            self.inner(corners[p], corners[q], into);
        }
        let inside = (self.order - 1) * self.order.saturating_sub(2) / 2;
        into.extend(self.next..self.next + inside);
        self.next += inside;
    }

    /// The inner nodes of an edge in the direction from one vertex to the other.
    fn inner(&mut self, from: usize, to: usize, into: &mut Vec<usize>) {
        let count = self.order - 1;
        let first = *self.of_edge.entry((from.min(to), from.max(to))).or_insert_with(|| {
            self.next += count;
            self.next - count
        });
        if from < to { into.extend(first..first + count) } else { into.extend((first..first + count).rev()) }
    }

    fn along(&mut self, segment: &EdgeSegment) -> EdgeNodes {
        let [from, to] = segment.ends;
        let mut nodes = vec![from];
        self.inner(from, to, &mut nodes);
        nodes.push(to);
        EdgeNodes { nodes, label: segment.label() }
    }
}
