//! What can be wrong with a circuit, a film or a question put to them.

use quadrille_experiment::Contact;

/// Why a circuit, film or mesh is refused, or a question about it has no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NetworkError {
    /// A contact names a node at which no component ends.
    #[error("contact \"{node}\" is no node of the circuit: no component ends at it")]
    UnknownContact {
        /// The name as given.
        node: String,
    },
    /// Two contacts are the same node.
    #[error("node \"{node}\" is listed as a contact twice")]
    RepeatedContact {
        /// Its name.
        node: String,
    },
    /// Nothing can be measured between fewer than two contacts.
    #[error("{count} contacts given, at least 2 are needed")]
    TooFewContacts {
        /// How many there are.
        count: usize,
    },
    /// A component with both ends at one node.
    #[error("{component} from node \"{node}\" to itself")]
    SelfLoop {
        /// "resistor" or "capacitor".
        component: &'static str,
        /// The node.
        node: String,
    },
    /// A component whose value is not above zero and finite.
    #[error("{component} between \"{from}\" and \"{to}\" is {value} {unit}, must be above zero and finite")]
    BadComponent {
        /// "resistor" or "capacitor".
        component: &'static str,
        /// One end.
        from: String,
        /// The other end.
        to: String,
        /// The value given.
        value: f64,
        /// Its unit, in words.
        unit: &'static str,
    },
    /// What was asked about lies in parts that no conductance connects.
    #[error("not connected by any conductance: {}", islands_in_words(.islands))]
    Floating {
        /// The nodes of each part concerned, by name.
        islands: Vec<Vec<String>>,
    },
    /// A configuration names a contact that the sample does not have.
    #[error("there is no contact {contact}: the contacts are 1 to {count}")]
    NoSuchContact {
        /// The contact asked for.
        contact: Contact,
        /// How many there are.
        count: usize,
    },
    /// A quantity out of its range.
    #[error("{quantity} is {value}, must be {range}")]
    OutOfRange {
        /// What it is, with its unit.
        quantity: &'static str,
        /// The value given.
        value: f64,
        /// What it may be.
        range: &'static str,
    },
    /// A list has the wrong number of entries.
    #[error("{quantity} has {given} entries, must have {wanted}")]
    WrongLength {
        /// What the list holds.
        quantity: &'static str,
        /// Entries given.
        given: usize,
        /// Entries wanted.
        wanted: usize,
    },
    /// More current enters ground than the conductances to ground can carry: no passive element does that.
    #[error("column {column} of the conductances does not return to ground what its row takes from it")]
    Unbalanced {
        /// The terminal, from 0.
        column: usize,
    },
    /// Nodes whose voltage could jump, because no capacitance ties them to ground.
    #[error("no path of capacitance to ground from nodes {nodes:?}")]
    NoCapacitance {
        /// Nodes, by index.
        nodes: Vec<usize>,
    },
    /// Nodes that keep their charge for ever, so that nothing settles.
    #[error("no path of conductance to ground from nodes {nodes:?}")]
    NoPathToGround {
        /// Nodes, by index.
        nodes: Vec<usize>,
    },
    /// No contacts on the edge of one uniform sheet were found to have given conductances.
    #[error(
        "no contacts on the edge of a uniform sheet fit these conductances: the best found are off by {residual:.1e}"
    )]
    NoSuchSheet {
        /// Largest relative deviation of a conductance where the search stopped.
        residual: f64,
    },
}

fn islands_in_words(islands: &[Vec<String>]) -> String {
    let words: Vec<String> = islands.iter().map(|nodes| format!("{{{}}}", nodes.join(", "))).collect();
    words.join(" and ")
}
