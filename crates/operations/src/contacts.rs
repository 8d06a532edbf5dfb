//! The contact check of a run, or of a table of readings from elsewhere, judged again from what was read.

use crate::{Error, Inputs, load};
use quadrille_experiment::{Circumstances, Reading};
use quadrille_plan::{Plan, Purpose};
use quadrille_reduction::contacts::{ContactCriteria, ContactReport, Film, check_contacts};
use serde::Serialize;
use std::collections::BTreeSet;
use std::path::Path;

/// What is said of one sample's contacts.
#[derive(Clone, Debug, Serialize)]
pub struct SampleContacts {
    /// Name of the sample.
    pub sample: String,
    /// Whether all are good enough.
    pub accepted: bool,
    /// Pairs, contacts, and what was assumed.
    #[serde(flatten)]
    pub report: ContactReport,
}

impl SampleContacts {
    fn new(sample: &str, report: ContactReport) -> Self {
        Self { sample: sample.to_owned(), accepted: report.accepted(), report }
    }
}

/// The contacts by a table of readings taken anywhere, with the usual limits; nothing where no reading drives and senses at
/// the same two contacts.
pub fn contacts(sample: &Path, readings: &Path) -> Result<Option<SampleContacts>, Error> {
    let (sample, readings) = load::sample_and_readings(sample, readings)?;
    match check_contacts(&readings, Film::Edge, &ContactCriteria::default()) {
        Ok(report) => Ok(Some(SampleContacts::new(&sample.name.value, report))),
        Err(quadrille_reduction::Error::NoPairs { .. }) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// Numbers of the rounds that checked contacts.
pub(crate) fn rounds(plan: &Plan) -> BTreeSet<u32> {
    let rounds = plan.rounds.iter().filter(|round| round.purpose == Purpose::Contacts);
    rounds.map(|round| round.number).collect()
}

/// The contacts of each sample of a run of which there are readings; a check that was broken off is judged as far as it came.
pub(crate) fn of_run(
    taken: &[(Reading, Circumstances)],
    inputs: &Inputs,
    plan: &Plan,
) -> Vec<SampleContacts> {
    let Some(check) = &plan.contacts else { return Vec::new() };
    let criteria = ContactCriteria {
        linearity: check.linearity,
        asymmetry: check.asymmetry,
        largest_ohm: check.largest_ohm,
    };
    let rounds = rounds(plan);
    let of_sample = |name: &str| -> Vec<Reading> {
        let own = taken.iter().filter(|(_, c)| c.sample == name && rounds.contains(&c.round));
        own.map(|(reading, _)| *reading).collect()
    };
    let judged = inputs.samples.iter().filter_map(|sample| {
        let name = &sample.name.value;
        let report = check_contacts(&of_sample(name), Film::Edge, &criteria).ok()?;
        Some(SampleContacts::new(name, report))
    });
    judged.collect()
}
