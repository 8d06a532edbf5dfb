//! The known network: its resistors, what they may be off by, and which of them readings cannot tell apart.

use crate::DiagnosisError;
use quadrille_network::{Circuit, GROUND};
use quadrille_quantity::Ohm;

/// A resistor of a standard, between two of its nodes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandardResistor {
    /// Its ends; contacts are nodes 0 to 3.
    pub ends: (usize, usize),
    /// Its declared resistance, in ohms.
    pub ohm: f64,
}

/// Resistors in series or parallel with nothing between that can be reached: seen from the contacts they are one.
#[derive(Clone, Debug, PartialEq)]
pub struct Edge {
    /// Places of its resistors in the list of the standard.
    pub resistors: Vec<usize>,
    /// Its ends; contacts are nodes 0 to 3.
    pub ends: (usize, usize),
}

/// A network of resistors with declared values and four contacts; nodes 0 to 3 are contacts 1 to 4, others inside.
#[derive(Clone, Debug, PartialEq)]
pub struct Standard {
    resistors: Vec<StandardResistor>,
    nodes: usize,
    tolerance: f64,
    edges: Vec<Edge>,
}

impl Standard {
    /// Four resistors in a ring, from contact 1 to 2, 2 to 3, 3 to 4 and 4 to 1; `tolerance` is the half-width, relative.
    pub fn ring(ohms: [Ohm; 4], tolerance: f64) -> Result<Self, DiagnosisError> {
        let resistors: Vec<_> = (0..4).map(|k| (k, (k + 1) % 4, ohms[k])).collect();
        Self::new(&resistors, tolerance)
    }

    /// Resistors between nodes, of which 0 to 3 are the contacts; `tolerance` is the half-width, relative.
    pub fn new(resistors: &[(usize, usize, Ohm)], tolerance: f64) -> Result<Self, DiagnosisError> {
        if !(tolerance.is_finite() && tolerance > 0.0) {
            return Err(DiagnosisError::OutOfRange {
                quantity: "tolerance of the resistors",
                value: tolerance,
            });
        }
        let mut nodes = 4;
        let mut list = Vec::new();
        for &(a, b, ohm) in resistors {
            if !(ohm.0.is_finite() && ohm.0 > 0.0 && a != b) {
                return Err(DiagnosisError::OutOfRange { quantity: "a resistor in ohms", value: ohm.0 });
            }
            nodes = nodes.max(a + 1).max(b + 1);
            list.push(StandardResistor { ends: (a, b), ohm: ohm.0 });
        }
        let apart = unreached(&list, nodes);
        if let Some(node) = apart {
            return Err(DiagnosisError::Apart(node));
        }
        let edges = edges(&list, nodes);
        Ok(Self { resistors: list, nodes, tolerance, edges })
    }

    /// The resistors of a circuit, its four contacts first; `tolerance` is the half-width, relative.
    pub fn from_circuit(circuit: &Circuit, tolerance: f64) -> Result<Self, DiagnosisError> {
        if circuit.contacts().len() != 4 {
            return Err(DiagnosisError::Contacts(circuit.contacts().len()));
        }
        if circuit.node(GROUND).is_some() {
            return Err(DiagnosisError::Grounded);
        }
        let inside = circuit.nodes().filter(|node| !circuit.contacts().contains(node));
        let order: Vec<_> = circuit.contacts().iter().copied().chain(inside).collect();
        let place = |node| order.iter().position(|&other| other == node).unwrap_or_default();
        let resistors: Vec<_> = circuit
            .resistors()
            .iter()
            .map(|resistor| (place(resistor.ends.0), place(resistor.ends.1), resistor.resistance))
            .collect();
        Self::new(&resistors, tolerance)
    }

    /// The resistors in the order given.
    pub fn resistors(&self) -> &[StandardResistor] {
        &self.resistors
    }

    /// How many nodes there are, the four contacts among them.
    pub fn nodes(&self) -> usize {
        self.nodes
    }

    /// What a resistor may be off by: half-width, relative.
    pub fn tolerance(&self) -> f64 {
        self.tolerance
    }

    /// What readings see as single resistors.
    pub fn edges(&self) -> &[Edge] {
        &self.edges
    }

    /// The edge that a resistor belongs to.
    pub(crate) fn edge_of(&self, resistor: usize) -> usize {
        self.edges.iter().position(|edge| edge.resistors.contains(&resistor)).unwrap_or_default()
    }

    /// The edge between two contacts, where one joins them.
    pub(crate) fn edge_between(&self, a: usize, b: usize) -> Option<usize> {
        self.edges.iter().position(|edge| edge.ends == (a, b) || edge.ends == (b, a))
    }

    /// Sum of all resistances: no two contacts have more between them.
    pub(crate) fn scale_ohm(&self) -> f64 {
        self.resistors.iter().map(|resistor| resistor.ohm).sum()
    }
}

fn unreached(resistors: &[StandardResistor], nodes: usize) -> Option<usize> {
    let mut reached = vec![false; nodes];
    reached[0] = true;
    for _ in 0..nodes {
        for resistor in resistors {
            let (a, b) = resistor.ends;
            let either = reached[a] || reached[b];
            (reached[a], reached[b]) = (either, either);
        }
    }
    reached.iter().position(|&reached| !reached)
}

/// Joins what is parallel, and what is in series at a node inside, until nothing more can be joined.
fn edges(resistors: &[StandardResistor], nodes: usize) -> Vec<Edge> {
    let one = |(k, resistor): (usize, &StandardResistor)| Edge { resistors: vec![k], ends: resistor.ends };
    let mut edges: Vec<Edge> = resistors.iter().enumerate().map(one).collect();
    while let Some((first, second, ends)) = joinable(&edges, nodes) {
        let other = edges.remove(second);
        edges[first].resistors.extend(other.resistors);
        edges[first].ends = ends;
    }
    edges
}

fn joinable(edges: &[Edge], nodes: usize) -> Option<(usize, usize, (usize, usize))> {
    for (k, one) in edges.iter().enumerate() {
        for (j, other) in edges.iter().enumerate().skip(k + 1) {
            if one.ends == other.ends || one.ends == (other.ends.1, other.ends.0) {
                return Some((k, j, one.ends));
            }
        }
    }
    let far = |edge: &Edge, node: usize| if edge.ends.0 == node { edge.ends.1 } else { edge.ends.0 };
    (4..nodes).find_map(|node| {
        let touching: Vec<usize> =
            (0..edges.len()).filter(|&k| edges[k].ends.0 == node || edges[k].ends.1 == node).collect();
        let &[k, j] = touching.as_slice() else { return None };
        Some((k, j, (far(&edges[k], node), far(&edges[j], node))))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn resistors_in_series_inside_an_edge_are_one_edge_and_a_diagonal_is_its_own() {
        let ohm = |x| Ohm(x);
        let five = Standard::new(
            &[(0, 1, ohm(1.0)), (1, 4, ohm(2.0)), (4, 2, ohm(3.0)), (2, 3, ohm(4.0)), (3, 0, ohm(5.0))],
            0.01,
        );
        let five = five.unwrap();
        assert_eq!(five.edges().len(), 4);
        assert_eq!(five.edge_of(1), five.edge_of(2));
        assert_eq!(five.edge_between(1, 2), Some(five.edge_of(2)));
        assert_eq!(five.edge_between(0, 2), None);
    }

    #[test]
    fn a_standard_in_two_pieces_is_refused() {
        let apart = Standard::new(&[(0, 1, Ohm(1.0)), (2, 3, Ohm(2.0))], 0.01);
        assert_eq!(apart.unwrap_err(), DiagnosisError::Apart(2));
    }
}
