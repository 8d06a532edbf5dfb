//! A sample's model put to the forward problem.

use quadrille_documents::{Fault, Faults, FilmModel, Model, NetworkModel, Sample};
use quadrille_network::{Circuit, Film, NetworkError, TerminalMatrix};
use quadrille_quantity::{Ohm, Tesla};

/// A model that can be asked for its resistances.
#[derive(Clone, Debug)]
pub enum Forward {
    /// A circuit, with the relative tolerance of its resistors.
    Network {
        /// The circuit.
        circuit: Circuit,
        /// Half-width of what each resistor may be off by, relative.
        tolerance: f64,
    },
    /// A film.
    Film(Film),
}

impl Forward {
    /// What the contacts see at a field.
    pub fn terminals(&self, field: Tesla) -> Result<TerminalMatrix, NetworkError> {
        match self {
            Self::Network { circuit, .. } => Ok(circuit.terminals()),
            Self::Film(film) => film.terminal_matrix(field),
        }
    }

    /// The largest resistance between two contacts at zero field, which bounds every voltage and time constant.
    pub fn largest_two_terminal(&self) -> Result<Ohm, NetworkError> {
        let all = self.terminals(Tesla(0.0))?.all_two_terminal()?;
        Ok(all.into_iter().fold(Ohm(0.0), |largest, (_, _, ohm)| largest.max(ohm)))
    }
}

/// The forward problem of a sample; `None` where it has no model. A model that has no answer (parts that nothing
/// joins, for one) is a fault of the document, with the nodes named.
pub fn forward(sample: &Sample) -> Result<Option<Forward>, Faults> {
    let Some(model) = &sample.model else { return Ok(None) };
    let forward = match model {
        Model::Network(model) => network(model),
        Model::Film(model) => film(model),
    };
    let checked = forward.and_then(|forward| forward.largest_two_terminal().map(|_| forward));
    checked.map(Some).map_err(|error| Faults(vec![fault(sample, &error)]))
}

fn fault(sample: &Sample, error: &NetworkError) -> Fault {
    let remedy = "mend the model so that its contacts are joined by resistors";
    match &sample.model {
        Some(Model::Network(NetworkModel { resistors, .. })) if !resistors.is_empty() => {
            let mut fault = resistors[0].fault(error.to_string(), remedy);
            fault.place.key = "model.resistors".to_owned();
            fault
        }
        _ => sample.name.fault(error.to_string(), remedy),
    }
}

fn network(model: &NetworkModel) -> Result<Forward, NetworkError> {
    let mut builder = Circuit::builder();
    for resistor in &model.resistors {
        let (a, b, ohm) = &resistor.value;
        builder.resistor(a, b, Ohm(*ohm));
    }
    builder.contacts(model.contacts.iter().map(|node| &node.value));
    let circuit = builder.build()?;
    // A part that nothing joins to the contacts is a node's name mistyped.
    circuit.connected()?;
    Ok(Forward::Network { circuit, tolerance: model.tolerance })
}

fn film(model: &FilmModel) -> Result<Forward, NetworkError> {
    let contacts = model.contact_ohm.map(Ohm);
    Film::new(Ohm(model.r12_43_ohm), Ohm(model.r23_14_ohm), model.hall_ohm_per_t, contacts).map(Forward::Film)
}
