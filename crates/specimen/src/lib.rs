//! A sample's model as something that conducts: its terminals at a temperature and in a field. The one place that joins
//! the documents' outline, material and network to their physics; knows no bench, no plan and no reading.

mod sheet;
mod substance;

use quadrille_documents::{Faults, FilmModel, Model, NetworkModel, Sample};
use quadrille_network::{Circuit, Film, NetworkError, TerminalMatrix};
use quadrille_quantity::{Kelvin, Ohm, Tesla};
use sheet::SheetSpecimen;

/// Temperature at which a model is asked that nobody gave one: a room's.
pub const ROOM: Kelvin = Kelvin(295.0);

/// Why a specimen has no terminals at some temperature and field.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SpecimenError {
    /// The circuit, film or sheet.
    #[error(transparent)]
    Network(#[from] NetworkError),
    /// The material.
    #[error(transparent)]
    Material(#[from] quadrille_material::MaterialError),
}

/// A model that can be asked for its resistances.
#[derive(Clone, Debug)]
pub struct Specimen {
    conductor: Conductor,
}

#[derive(Clone, Debug)]
enum Conductor {
    Network { circuit: Circuit, tolerance: f64 },
    Film(Film),
    Sheet(Box<SheetSpecimen>),
}

impl Specimen {
    /// The specimen of a sample; `None` where it has no model. A model that has no answer (parts that nothing joins,
    /// contacts that overlap) is a fault of the document, at the line where a person can mend it. A sheet is solved
    /// here, once in a process for each outline.
    pub fn new(sample: &Sample) -> Result<Option<Self>, Faults> {
        let Some(model) = &sample.model else { return Ok(None) };
        let conductor = match model {
            Model::Network(model) => network(model).map_err(|error| fault(sample, &error))?,
            Model::Film(model) => film(model).map_err(|error| fault(sample, &error))?,
            Model::Sheet(model) => Conductor::Sheet(Box::new(SheetSpecimen::new(model)?)),
        };
        let specimen = Self { conductor };
        specimen.largest_two_terminal(ROOM).map_err(|error| fault(sample, &error))?;
        Ok(Some(specimen))
    }

    /// What the contacts see at a temperature and in a field; contact resistances included.
    pub fn terminals(&self, temperature: Kelvin, field: Tesla) -> Result<TerminalMatrix, SpecimenError> {
        match &self.conductor {
            Conductor::Network { circuit, .. } => Ok(circuit.terminals()),
            Conductor::Film(film) => Ok(film.terminal_matrix(field)?),
            Conductor::Sheet(sheet) => sheet.terminals(temperature, field),
        }
    }

    /// Largest error of the resistances, by the solver's own bound, relative to the geometric mean of the two-terminal
    /// resistances of current and sense pair; zero where they are exact.
    pub fn bound(&self, temperature: Kelvin, field: Tesla) -> Result<f64, SpecimenError> {
        match &self.conductor {
            Conductor::Network { .. } | Conductor::Film(_) => Ok(0.0),
            Conductor::Sheet(sheet) => sheet.bound(temperature, field),
        }
    }

    /// The circuit and the relative tolerance of its resistors, where it is one.
    pub fn circuit(&self) -> Option<(&Circuit, f64)> {
        match &self.conductor {
            Conductor::Network { circuit, tolerance } => Some((circuit, *tolerance)),
            Conductor::Film(_) | Conductor::Sheet(_) => None,
        }
    }

    /// Whether anything of it depends on the temperature.
    pub fn depends_on_temperature(&self) -> bool {
        matches!(&self.conductor, Conductor::Sheet(sheet) if sheet.depends_on_temperature())
    }

    /// The largest resistance between two contacts at zero field, which bounds every voltage and time constant.
    pub fn largest_two_terminal(&self, temperature: Kelvin) -> Result<Ohm, SpecimenError> {
        let all = self.terminals(temperature, Tesla(0.0))?.all_two_terminal()?;
        Ok(all.into_iter().fold(Ohm(0.0), |largest, (_, _, ohm)| largest.max(ohm)))
    }
}

fn fault(sample: &Sample, error: &impl std::fmt::Display) -> Faults {
    let remedy = "mend the model so that its contacts are joined by resistors";
    let fault = match &sample.model {
        Some(Model::Network(NetworkModel { resistors, .. })) if !resistors.is_empty() => {
            let mut fault = resistors[0].fault(error.to_string(), remedy);
            fault.place.key = "model.resistors".to_owned();
            fault
        }
        Some(Model::Sheet(sheet)) => sheet
            .outline
            .shape
            .fault(error.to_string(), "mend [model] so that it conducts at the temperatures it is asked for"),
        _ => sample.name.fault(error.to_string(), remedy),
    };
    fault.into()
}

fn network(model: &NetworkModel) -> Result<Conductor, NetworkError> {
    let mut builder = Circuit::builder();
    for resistor in &model.resistors {
        let (a, b, ohm) = &resistor.value;
        builder.resistor(a, b, Ohm(*ohm));
    }
    builder.contacts(model.contacts.iter().map(|node| &node.value));
    let circuit = builder.build()?;
    // A part that nothing joins to the contacts is a node's name mistyped.
    circuit.connected()?;
    Ok(Conductor::Network { circuit, tolerance: model.tolerance })
}

fn film(model: &FilmModel) -> Result<Conductor, NetworkError> {
    let contacts = model.contact_ohm.map(Ohm);
    Film::new(Ohm(model.r12_43_ohm), Ohm(model.r23_14_ohm), model.hall_ohm_per_t, contacts)
        .map(Conductor::Film)
}
