//! Circuits of resistors and capacitors between named nodes, some of which are the contacts of a sample.

use crate::{
    Dynamics, Mesh, NetworkError, TerminalMatrix, star_mesh::StarMesh, transfer::transfer, wide::Wide,
};
use quadrille_experiment::Configuration;
use quadrille_quantity::{Farad, Ohm};
use std::collections::HashMap;

/// Name of the node that is ground. It exists in a circuit only where a component ends at it.
pub const GROUND: &str = "ground";

/// A node of one circuit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NodeId(usize);

impl NodeId {
    /// Its place among the circuit's nodes, from 0, in order of first mention.
    pub fn index(self) -> usize {
        self.0
    }
}

/// A resistor of a circuit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Resistor {
    /// Its ends.
    pub ends: (NodeId, NodeId),
    /// Its resistance, above zero and finite.
    pub resistance: Ohm,
}

/// A capacitor of a circuit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Capacitor {
    /// Its ends.
    pub ends: (NodeId, NodeId),
    /// Its capacitance, above zero and finite.
    pub capacitance: Farad,
}

/// A checked circuit: every value above zero and finite, every contact a node of its own, at least two of them.
#[derive(Clone, Debug, PartialEq)]
pub struct Circuit {
    names: Vec<String>,
    resistors: Vec<Resistor>,
    capacitors: Vec<Capacitor>,
    contacts: Vec<NodeId>,
}

/// Collects the components of a [`Circuit`]; everything is checked when it is built.
#[derive(Clone, Debug, Default)]
pub struct CircuitBuilder {
    resistors: Vec<(String, String, f64)>,
    capacitors: Vec<(String, String, f64)>,
    contacts: Vec<String>,
}

impl CircuitBuilder {
    /// A resistor between two nodes, either of which may be [`GROUND`]. Resistors in parallel add.
    pub fn resistor(&mut self, from: &str, to: &str, resistance: Ohm) -> &mut Self {
        self.resistors.push((from.to_owned(), to.to_owned(), resistance.0));
        self
    }

    /// A capacitor between two nodes, either of which may be [`GROUND`].
    pub fn capacitor(&mut self, from: &str, to: &str, capacitance: Farad) -> &mut Self {
        self.capacitors.push((from.to_owned(), to.to_owned(), capacitance.0));
        self
    }

    /// The nodes at which the sample is contacted, from contact 1; adds to those already given.
    pub fn contacts<S: AsRef<str>>(&mut self, nodes: impl IntoIterator<Item = S>) -> &mut Self {
        self.contacts.extend(nodes.into_iter().map(|node| node.as_ref().to_owned()));
        self
    }

    /// The circuit, or the first thing wrong with it.
    pub fn build(&self) -> Result<Circuit, NetworkError> {
        let mut nodes = Nodes::default();
        let mut resistors = Vec::new();
        for (from, to, ohm) in &self.resistors {
            check_component("resistor", from, to, *ohm, "ohm")?;
            resistors.push(Resistor { ends: (nodes.intern(from), nodes.intern(to)), resistance: Ohm(*ohm) });
        }
        let mut capacitors = Vec::new();
        for (from, to, farad) in &self.capacitors {
            check_component("capacitor", from, to, *farad, "farad")?;
            let ends = (nodes.intern(from), nodes.intern(to));
            capacitors.push(Capacitor { ends, capacitance: Farad(*farad) });
        }
        let mut contacts = Vec::new();
        for name in &self.contacts {
            let unknown = || NetworkError::UnknownContact { node: name.clone() };
            let node = *nodes.by_name.get(name).ok_or_else(unknown)?;
            if contacts.contains(&node) {
                return Err(NetworkError::RepeatedContact { node: name.clone() });
            }
            contacts.push(node);
        }
        if contacts.len() < 2 {
            return Err(NetworkError::TooFewContacts { count: contacts.len() });
        }
        Ok(Circuit { names: nodes.names, resistors, capacitors, contacts })
    }
}

impl Circuit {
    /// An empty circuit to add to.
    pub fn builder() -> CircuitBuilder {
        CircuitBuilder::default()
    }

    /// The node of a name.
    pub fn node(&self, name: &str) -> Option<NodeId> {
        self.names.iter().position(|n| n == name).map(NodeId)
    }

    /// The name of a node.
    pub fn name(&self, node: NodeId) -> &str {
        &self.names[node.0]
    }

    /// All nodes in order of first mention, ground among them where it is used.
    pub fn nodes(&self) -> impl Iterator<Item = NodeId> {
        (0..self.names.len()).map(NodeId)
    }

    /// The resistors in the order given.
    pub fn resistors(&self) -> &[Resistor] {
        &self.resistors
    }

    /// The capacitors in the order given.
    pub fn capacitors(&self) -> &[Capacitor] {
        &self.capacitors
    }

    /// The nodes that are contacts, from contact 1.
    pub fn contacts(&self) -> &[NodeId] {
        &self.contacts
    }

    /// Refused where any node, contact or not, ground too where it is used, has no path of resistors to the first
    /// contact; capacitors do not join. The error names the nodes of every island.
    pub fn connected(&self) -> Result<(), NetworkError> {
        self.check_connected(&self.star_mesh(), &self.nodes().collect::<Vec<_>>())
    }

    /// The same circuit with other resistances, in the order of [`resistors`](Self::resistors).
    pub fn with_resistances(&self, resistances: &[Ohm]) -> Result<Self, NetworkError> {
        crate::terminals::check_length("resistances", resistances.len(), self.resistors.len())?;
        let mut circuit = self.clone();
        for (resistor, &resistance) in circuit.resistors.iter_mut().zip(resistances) {
            let (from, to) = (self.name(resistor.ends.0), self.name(resistor.ends.1));
            check_component("resistor", from, to, resistance.0, "ohm")?;
            resistor.resistance = resistance;
        }
        Ok(circuit)
    }

    /// The circuit at rest as its contacts see it, every other node eliminated. Contacts need not be connected: a
    /// question about contacts of different islands is answered by an error that names the nodes of each.
    pub fn terminals(&self) -> TerminalMatrix {
        let mut mesh = self.star_mesh();
        let ground = self.ground_index();
        let island = mesh.islands();
        let mut islands = vec![Vec::new(); island.len()];
        for (name, &i) in self.names.iter().zip(&island) {
            islands[i].push(name.clone());
        }
        let contacts = self.contacts.iter().map(|c| c.0);
        // Ground as a contact carries its currents itself, and no other path leads to ground.
        let beyond = if self.contacts.contains(&NodeId(ground)) { self.names.len() } else { ground };
        let kept: Vec<usize> = contacts.clone().chain([beyond]).collect();
        mesh.reduce_to(&kept);
        TerminalMatrix::from_mesh(&mesh, &kept, contacts.map(|k| island[k]).collect(), islands)
    }

    /// Voltage of node `sense.0` against `sense.1` per current into node `source.0` and out of `source.1`.
    pub fn transfer_resistance(
        &self,
        source: (NodeId, NodeId),
        sense: (NodeId, NodeId),
    ) -> Result<Ohm, NetworkError> {
        let mesh = self.star_mesh();
        let nodes = [source.0, source.1, sense.0, sense.1];
        self.check_connected(&mesh, &nodes)?;
        Ok(Ohm(transfer_between(&mesh, nodes)))
    }

    /// How a resistance changes with each resistor: dR/d ln r_k, in the order of [`resistors`](Self::resistors).
    ///
    /// (voltage across r_k for 1 A through the source pair) × (the same for the sense pair) / r_k, which is exact
    /// for reciprocal circuits (Tellegen; Director & Rohrer, IEEE Trans. Circuit Theory 16, 318, 1969, from memory).
    /// They sum to R, because R is homogeneous of degree one in the r_k.
    pub fn log_sensitivities(&self, configuration: Configuration) -> Result<Vec<Ohm>, NetworkError> {
        let count = self.contacts.len();
        if let Some(&contact) = configuration.contacts().iter().find(|c| c.index() >= count) {
            return Err(NetworkError::NoSuchContact { contact, count });
        }
        let nodes = configuration.contacts().map(|c| self.contacts[c.index()]);
        let mesh = self.star_mesh();
        self.check_connected(&mesh, &nodes)?;
        let island = mesh.islands();
        let sensitivity = |resistor: &Resistor| {
            let (from, to) = resistor.ends;
            if island[from.0] != island[nodes[0].0] {
                return Ohm(0.0);
            }
            let mut reduced = mesh.clone();
            let mut kept: Vec<usize> = nodes.iter().chain([&from, &to]).map(|n| n.0).collect();
            kept.sort_unstable();
            kept.dedup();
            reduced.reduce_to(&kept);
            let [a, b, c, d] = nodes;
            let driven = transfer_between(&reduced, [a, b, from, to]);
            let adjoint = transfer_between(&reduced, [c, d, from, to]);
            Ohm(driven * adjoint / resistor.resistance.0)
        };
        Ok(self.resistors.iter().map(sensitivity).collect())
    }

    /// The circuit in time: its nodes but ground, in the order of [`dynamic_nodes`](Self::dynamic_nodes).
    pub fn dynamics(&self) -> Result<Dynamics, NetworkError> {
        let mut place = vec![None; self.names.len()];
        for (i, node) in self.dynamic_nodes().enumerate() {
            place[node.0] = Some(i);
        }
        let mut mesh = Mesh::new(self.dynamic_nodes().count());
        for resistor in &self.resistors {
            let siemens = 1.0 / resistor.resistance.0;
            match (place[resistor.ends.0.0], place[resistor.ends.1.0]) {
                (Some(a), Some(b)) => mesh.add_conductance(a, b, siemens),
                (Some(a), None) | (None, Some(a)) => mesh.add_conductance_to_ground(a, siemens),
                (None, None) => &mut mesh,
            };
        }
        for capacitor in &self.capacitors {
            match (place[capacitor.ends.0.0], place[capacitor.ends.1.0]) {
                (Some(a), Some(b)) => mesh.add_capacitance(a, b, capacitor.capacitance.0),
                (Some(a), None) | (None, Some(a)) => {
                    mesh.add_capacitance_to_ground(a, capacitor.capacitance.0)
                }
                (None, None) => &mut mesh,
            };
        }
        Dynamics::new(mesh)
    }

    /// All nodes but ground, in the order in which [`dynamics`](Self::dynamics) numbers them.
    pub fn dynamic_nodes(&self) -> impl Iterator<Item = NodeId> {
        self.nodes().filter(|&node| self.name(node) != GROUND)
    }

    /// The index of ground, or one that no node has.
    fn ground_index(&self) -> usize {
        self.node(GROUND).map_or(self.names.len(), |node| node.0)
    }

    /// With one spare node at the end, for a ground that is not used.
    fn star_mesh(&self) -> StarMesh {
        let mut mesh = StarMesh::new(self.names.len() + 1);
        for Resistor { ends: (a, b), resistance } in &self.resistors {
            mesh.add(a.0, b.0, Wide::reciprocal(resistance.0));
            mesh.add(b.0, a.0, Wide::reciprocal(resistance.0));
        }
        mesh
    }

    fn check_connected(&self, mesh: &StarMesh, nodes: &[NodeId]) -> Result<(), NetworkError> {
        let island = mesh.islands();
        let mut touched: Vec<usize> = nodes.iter().map(|n| island[n.0]).collect();
        touched.sort_unstable();
        touched.dedup();
        if touched.len() < 2 {
            return Ok(());
        }
        let members = |i: &usize| {
            let inside = self.nodes().filter(|n| island[n.0] == *i);
            inside.map(|n| self.name(n).to_owned()).collect()
        };
        Err(NetworkError::Floating { islands: touched.iter().map(members).collect() })
    }
}

/// R_ab,cd of nodes of one island; zero where the two of a pair are one node.
fn transfer_between(mesh: &StarMesh, [a, b, c, d]: [NodeId; 4]) -> f64 {
    if a == b || c == d {
        return 0.0;
    }
    let mut reduced = mesh.clone();
    let mut kept = vec![a.0, b.0, c.0, d.0];
    kept.sort_unstable();
    kept.dedup();
    reduced.reduce_to(&kept);
    transfer(a.0, b.0, c.0, d.0, &|k, j| reduced.get(k, j)).rounded()
}

fn check_component(
    component: &'static str,
    from: &str,
    to: &str,
    value: f64,
    unit: &'static str,
) -> Result<(), NetworkError> {
    if from == to {
        return Err(NetworkError::SelfLoop { component, node: from.to_owned() });
    }
    if !(value.is_finite() && value > 0.0) {
        let (from, to) = (from.to_owned(), to.to_owned());
        return Err(NetworkError::BadComponent { component, from, to, value, unit });
    }
    Ok(())
}

#[derive(Default)]
struct Nodes {
    names: Vec<String>,
    by_name: HashMap<String, NodeId>,
}

impl Nodes {
    fn intern(&mut self, name: &str) -> NodeId {
        let next = NodeId(self.names.len());
        *self.by_name.entry(name.to_owned()).or_insert_with(|| {
            self.names.push(name.to_owned());
            next
        })
    }
}
