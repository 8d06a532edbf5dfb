//! A sample on the bench: what conducts between its contacts, which leads they are at the end of, and what it may be
//! given. Knows no switch and no other sample.

use super::Condition;
use crate::SimulationError;
use crate::spread::Spread;
use crate::wiring::Layout;
use quadrille_documents::{Barrier, Bench, Imperfections, Model, Sample, SampleLimits};
use quadrille_network::{NetworkError, TerminalMatrix};
use quadrille_quantity::Tesla;
use quadrille_specimen::{ROOM, Specimen, SpecimenError};
use std::ops::{Range, RangeFrom};

/// What a sample may be given.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    pub(crate) voltage: f64,
    pub(crate) current: f64,
    pub(crate) power: f64,
}

/// A sample and the leads to its contacts.
pub(crate) struct Held {
    /// As its document says.
    sample: Sample,
    /// As it is.
    specimen: Specimen,
    /// The leads to its contacts: their places among all, as the bench document lists their columns.
    pub(crate) leads: Range<usize>,
    /// Nodes of the metal of its contacts.
    pub(crate) outside: Vec<usize>,
    /// Nodes of its own side of them: the same where it has no barriers.
    pub(crate) inside: Vec<usize>,
    pub(crate) imperfections: Imperfections,
    pub(crate) limits: Limits,
}

impl Held {
    /// A sample whose leads begin at one, with how many are wired for it.
    fn new(bench: &Bench, sample: &Sample, first: usize, wired: usize) -> Result<Self, SimulationError> {
        let (name, contacts) = (sample.name.value.clone(), sample.contacts);
        if contacts > wired {
            return Err(SimulationError::Unwired { sample: name, contacts, wired });
        }
        let Some(specimen) = Specimen::new(sample)? else {
            return Err(SimulationError::NoModel { sample: name });
        };
        Ok(Self {
            specimen,
            leads: first..first + contacts,
            outside: Vec::new(),
            inside: Vec::new(),
            imperfections: sample.imperfections.clone(),
            limits: limits(bench, sample.limits.as_ref()),
            sample: sample.clone(),
        })
    }

    pub(super) fn name(&self) -> &str {
        &self.sample.name.value
    }

    pub(crate) fn contacts(&self) -> usize {
        self.leads.len()
    }

    /// The contact, from 0, at the end of a lead.
    pub(super) fn contact(&self, lead: usize) -> Option<usize> {
        self.leads.contains(&lead).then(|| lead - self.leads.start)
    }

    /// How many resistors its network has; `None` where it is none.
    pub(super) fn resistors(&self) -> Option<usize> {
        match &self.sample.model {
            Some(Model::Network(model)) => Some(model.resistors.len()),
            _ => None,
        }
    }

    /// It with its resistors as they are, the first of which has a number.
    pub(super) fn actual(
        &self,
        layout: &Layout,
        spread: Option<(Spread, u64)>,
        first: usize,
    ) -> Result<Specimen, SimulationError> {
        let mut actual = self.sample.clone();
        if let Some(Model::Network(model)) = &mut actual.model {
            for (number, resistor) in (first..).zip(&mut model.resistors) {
                let drawn = spread.map(|(spread, seed)| spread.resistor(seed, number, model.tolerance));
                resistor.value.2 *= drawn.unwrap_or(1.0) * layout.factor(number);
            }
        }
        Ok(Specimen::new(&actual)?.unwrap_or_else(|| self.specimen.clone()))
    }

    /// Takes over what it is and where its leads end; nodes behind barriers are taken from those that are free.
    pub(super) fn lay(&mut self, specimen: Specimen, outside: Vec<usize>, free: &mut RangeFrom<usize>) {
        self.specimen = specimen;
        self.inside = match self.imperfections.barriers.len() {
            0 => outside.clone(),
            count => free.take(count).collect(),
        };
        self.outside = outside;
    }

    /// Whether anything of it depends on its temperature.
    pub(crate) fn feels_temperature(&self) -> bool {
        self.specimen.depends_on_temperature()
            || self.imperfections.temperature_coefficient_per_k != 0.0
            || !self.imperfections.barriers.is_empty()
    }

    /// What conducts between the contacts, in the light and at the temperature that there are.
    pub(super) fn terminals(
        &self,
        condition: Condition,
        field: Tesla,
    ) -> Result<TerminalMatrix, SpecimenError> {
        let temperature = condition.temperature();
        let kelvin = temperature.0;
        for (quantity, value, is_right, range) in [
            ("temperature in kelvins", kelvin, kelvin.is_finite() && kelvin > 0.0, "above zero"),
            ("field in teslas", field.0, field.0.is_finite(), "finite"),
        ] {
            if !is_right {
                return Err(NetworkError::OutOfRange { quantity, value, range }.into());
            }
        }
        let sample = self.specimen.terminals(temperature, field)?;
        let light = self.imperfections.light.filter(|_| condition.lit).map_or(1.0, |light| light.factor);
        let warmer = kelvin - ROOM.0;
        let factor = light * (-self.imperfections.temperature_coefficient_per_k * warmer).exp();
        Ok(if factor == 1.0 { sample } else { sample.times(factor) })
    }
}

/// A contact of a sample that has barriers: behind its metal there is a node of the sample's own.
pub(crate) struct Junction {
    /// The sample, by its place among them.
    pub(crate) sample: usize,
    /// The contact, from 0.
    pub(crate) contact: usize,
    /// `None` where this one is ohmic.
    pub(crate) barrier: Option<Barrier>,
}

/// Each sample at the end of the leads from the columns that the bench document gives its name.
pub(super) fn hold(
    bench: &Bench,
    samples: &[&Sample],
    columns: &[u16],
) -> Result<Vec<Held>, SimulationError> {
    let maps = bench.wiring.columns_of_each(samples).map_err(SimulationError::Unnamed)?;
    let hold = |(sample, map): (&&Sample, Vec<u16>)| {
        // A map is part of the list of all columns, and no column is in two of them.
        let first = columns.iter().position(|column| map.first() == Some(column)).unwrap_or(0);
        Held::new(bench, sample, first, map.len())
    };
    samples.iter().zip(maps).map(hold).collect()
}

/// The junctions of several samples.
pub(super) fn junctions(samples: &[Held]) -> Vec<Junction> {
    let mut junctions = Vec::new();
    for (sample, held) in samples.iter().enumerate() {
        for (contact, barrier) in held.imperfections.barriers.iter().enumerate() {
            junctions.push(Junction { sample, contact, barrier: *barrier });
        }
    }
    junctions
}

/// The stricter of what the bench and the sample allow.
fn limits(bench: &Bench, sample: Option<&SampleLimits>) -> Limits {
    let of_sample = |get: fn(&SampleLimits) -> f64| sample.map_or(f64::INFINITY, get);
    Limits {
        voltage: bench.limits.voltage_v.min(of_sample(|limits| limits.voltage_v)),
        current: bench.limits.current_a.min(of_sample(|limits| limits.current_a)),
        power: bench.limits.power_w.min(of_sample(|limits| limits.power_w)),
    }
}
