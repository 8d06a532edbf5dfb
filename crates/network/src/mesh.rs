//! Nodes by number with conductances and capacitances among them and to ground: what a transient is computed from.

use crate::TerminalMatrix;

/// Conductances and capacitances of `count` nodes, numbered from 0, among themselves and to ground. Values add.
///
/// It is filled by a caller that has already checked its values: wrong ones panic here.
#[derive(Clone, Debug, PartialEq)]
pub struct Mesh {
    count: usize,
    /// g_kj in siemens by rows, ground being the last row and column.
    conductances: Vec<f64>,
    /// Farads, alike; symmetric.
    capacitances: Vec<f64>,
}

impl Mesh {
    /// `count` nodes with nothing between them.
    pub fn new(count: usize) -> Self {
        let size = (count + 1) * (count + 1);
        Self { count, conductances: vec![0.0; size], capacitances: vec![0.0; size] }
    }

    /// How many nodes there are, ground not counted.
    pub fn count(&self) -> usize {
        self.count
    }

    /// A conductance between two nodes, zero or above.
    pub fn add_conductance(&mut self, a: usize, b: usize, siemens: f64) -> &mut Self {
        assert!(a < self.count && b < self.count, "nodes {a} and {b} of {}", self.count);
        self.add_reciprocal(a, b, siemens)
    }

    /// A conductance to ground, zero or above.
    pub fn add_conductance_to_ground(&mut self, node: usize, siemens: f64) -> &mut Self {
        assert!(node < self.count, "node {node} of {}", self.count);
        self.add_reciprocal(node, self.count, siemens)
    }

    /// A whole sample, its contact 1 at the first of `nodes`, and so on; as many nodes as it has contacts. What of
    /// it leads to ground leads to the ground of the mesh.
    pub fn add_sample(&mut self, sample: &TerminalMatrix, nodes: &[usize]) -> &mut Self {
        assert_eq!(sample.count(), nodes.len(), "nodes for a sample");
        assert!(nodes.iter().all(|&k| k < self.count), "nodes {nodes:?} of {}", self.count);
        let places = || nodes.iter().copied().chain([self.count]).enumerate();
        let side = self.count + 1;
        for (k, at_k) in places() {
            for (j, at_j) in places().filter(|&(_, at_j)| at_j != at_k) {
                self.conductances[at_k * side + at_j] += sample.at(k, j);
            }
        }
        self
    }

    /// A capacitance between two nodes, zero or above.
    pub fn add_capacitance(&mut self, a: usize, b: usize, farad: f64) -> &mut Self {
        assert!(a < self.count && b < self.count, "nodes {a} and {b} of {}", self.count);
        self.add_capacitor(a, b, farad)
    }

    /// A capacitance to ground, zero or above.
    pub fn add_capacitance_to_ground(&mut self, node: usize, farad: f64) -> &mut Self {
        assert!(node < self.count, "node {node} of {}", self.count);
        self.add_capacitor(node, self.count, farad)
    }

    /// g_kj in siemens, `count` standing for ground.
    pub(crate) fn conductance(&self, k: usize, j: usize) -> f64 {
        self.conductances[k * (self.count + 1) + j]
    }

    /// Farads between k and j, `count` standing for ground.
    pub(crate) fn capacitance(&self, k: usize, j: usize) -> f64 {
        self.capacitances[k * (self.count + 1) + j]
    }

    fn add_reciprocal(&mut self, a: usize, b: usize, siemens: f64) -> &mut Self {
        assert!(siemens.is_finite() && siemens >= 0.0, "conductance of {siemens} S");
        assert_ne!(a, b, "conductance from a node to itself");
        let side = self.count + 1;
        self.conductances[a * side + b] += siemens;
        self.conductances[b * side + a] += siemens;
        self
    }

    fn add_capacitor(&mut self, a: usize, b: usize, farad: f64) -> &mut Self {
        assert!(farad.is_finite() && farad >= 0.0, "capacitance of {farad} F");
        assert_ne!(a, b, "capacitance from a node to itself");
        let side = self.count + 1;
        self.capacitances[a * side + b] += farad;
        self.capacitances[b * side + a] += farad;
        self
    }
}
