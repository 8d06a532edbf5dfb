//! Whether contacts are good enough: each pair by its line, each contact by its resistance and by its pairs.

use super::{ContactLine, ContactResistances, Film, contact_resistances, lines};
use crate::Error;
use crate::resistance::resistances;
use crate::results::Check;
use quadrille_experiment::{Contact, Reading};
use quadrille_quantity::{Estimate, Ohm, with_uncertainty};
use serde::Serialize;

/// What contacts must be. Every default is common practice, without a source.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ContactCriteria {
    /// Largest departure of a reading from its straight line, relative to the span of the voltages. 2 %.
    pub linearity: f64,
    /// Largest difference of the slopes of the two directions, relative to their mean. 5 %.
    pub asymmetry: f64,
    /// Largest resistance of a contact, in ohms. Where it is absent: [`Self::LARGEST_SQUARES`] times the sheet resistance.
    pub largest_ohm: Option<f64>,
}

impl ContactCriteria {
    /// Largest resistance of a contact over the sheet resistance where no other limit is set. A point contact on the
    /// edge whose length is a ten-thousandth of the distance to the next has about 3 by its narrowing alone.
    pub const LARGEST_SQUARES: f64 = 10.0;

    /// How many standard deviations a reading may be off a line by noise alone.
    const NOISE: f64 = 3.0;

    /// Curvature that chance makes less often than this is there.
    const BY_CHANCE: f64 = 0.01;
}

impl Default for ContactCriteria {
    fn default() -> Self {
        Self { linearity: 0.02, asymmetry: 0.05, largest_ohm: None }
    }
}

/// What is said of one pair.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PairVerdict {
    /// The two contacts, the lower first.
    pub pair: [Contact; 2],
    /// Its line; `None` where the readings give none.
    pub line: Option<ContactLine>,
    /// Linearity and asymmetry against their limits.
    pub checks: Vec<Check>,
    /// What a person should know, in sentences.
    pub remarks: Vec<String>,
    /// Whether there is a line, no reading was left out of it, and it passed.
    pub passed: bool,
}

impl PairVerdict {
    fn finding(&self) -> String {
        let [a, b] = self.pair;
        let failed = self.checks.iter().filter(|check| !check.passed).map(|check| {
            let (measured, limit) = (100.0 * check.measured, 100.0 * check.limit);
            format!("{} {measured:.2} %, at most {limit:.2} %", check.name)
        });
        let told: Vec<String> = failed.chain(self.remarks.iter().cloned()).collect();
        format!("pair {a}-{b} failed: {}", told.join("; "))
    }
}

/// What is said of one contact.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ContactVerdict {
    /// The contact.
    pub contact: Contact,
    /// Its resistance in ohms, as [`ContactResistances`] says.
    pub resistance: Option<Estimate>,
    /// The most that it may have.
    pub limit: Option<Ohm>,
    /// Whether its resistance is within, and at least one of its pairs passed.
    pub passed: bool,
    /// Why not, in a sentence.
    pub reason: Option<String>,
}

/// The whole contact check of one sample.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ContactReport {
    /// Every pair.
    pub pairs: Vec<PairVerdict>,
    /// Every contact.
    pub contacts: Vec<ContactVerdict>,
    /// How the resistances were found.
    pub resistances: ContactResistances,
    /// What a person should know of the whole, in sentences.
    pub remarks: Vec<String>,
}

impl ContactReport {
    /// Whether every pair and every contact passed.
    pub fn accepted(&self) -> bool {
        self.pairs.iter().all(|pair| pair.passed) && self.contacts.iter().all(|contact| contact.passed)
    }

    /// A sentence for each contact, for each pair that failed, and for everything a person should know.
    pub fn findings(&self) -> Vec<String> {
        let contacts = self.contacts.iter().map(|contact| {
            let ohm = contact.resistance.map_or("resistance not told".to_owned(), |r| {
                with_uncertainty(r.value, r.standard_uncertainty, Ohm::UNIT)
            });
            let verdict = contact.reason.as_ref().map_or("good".to_owned(), |why| format!("bad: {why}"));
            format!("contact {}: {ohm}, {verdict}", contact.contact)
        });
        let pairs = self.pairs.iter().filter(|pair| !pair.passed).map(PairVerdict::finding);
        contacts.chain(pairs).chain(self.remarks.iter().cloned()).collect()
    }

    /// What is wrong, in one sentence; empty where nothing is.
    pub fn faults(&self) -> String {
        let bad = self
            .contacts
            .iter()
            .filter_map(|contact| Some(format!("contact {}: {}", contact.contact, contact.reason.as_ref()?)));
        let bad: Vec<String> = bad.collect();
        if !bad.is_empty() {
            return bad.join("; ");
        }
        let failed = self.pairs.iter().filter(|pair| !pair.passed).map(PairVerdict::finding);
        failed.collect::<Vec<_>>().join("; ")
    }
}

/// Judges the contacts of a sample by its two-terminal readings, and four-terminal ones where there are any.
///
/// A pair whose line is bent, or differs between its directions, has a bad contact in it; a contact is bad if all of
/// its pairs are, as one good line proves both of its contacts. A contact is also bad by its resistance.
///
/// # Errors
/// No two-terminal readings; a reading that calls itself sound and has a value that is no number.
pub fn check_contacts(
    readings: &[Reading],
    film: Film<'_>,
    criteria: &ContactCriteria,
) -> Result<ContactReport, Error> {
    let found = lines(readings)?;
    if found.is_empty() {
        return Err(Error::NoPairs { count: readings.len() });
    }
    let straight: Vec<ContactLine> = found.iter().filter_map(|pair| pair.line.clone()).collect();
    let four_terminal: Vec<Reading> =
        readings.iter().filter(|reading| reading.configuration.is_four_terminal()).copied().collect();
    let four_terminal = match resistances(&four_terminal) {
        Ok(resistances) => resistances,
        Err(Error::NoReadings | Error::NoneSound { .. }) => Vec::new(),
        Err(error) => return Err(error),
    };
    let resistances = contact_resistances(&straight, &four_terminal, film);
    let pairs: Vec<PairVerdict> =
        found.into_iter().map(|found| pair_verdict(found.pair, found.line, criteria)).collect();
    let contacts = contact_verdicts(&pairs, &resistances, criteria);
    let remarks = remarks(&pairs, &contacts, &resistances);
    Ok(ContactReport { pairs, contacts, resistances, remarks })
}

fn pair_verdict(pair: [Contact; 2], line: Option<ContactLine>, criteria: &ContactCriteria) -> PairVerdict {
    let Some(line) = line else {
        let remark = "no line: none of its readings is a value, or all have one current".to_owned();
        return PairVerdict { pair, line: None, checks: Vec::new(), remarks: vec![remark], passed: false };
    };
    let mut remarks = Vec::new();
    let check = |name: &str, measured: f64, limit: f64| {
        let name = format!("{name} {}-{}", pair[0], pair[1]);
        Check { name, measured, limit, passed: measured <= limit }
    };
    let mut checks = vec![check("linearity", line.nonlinearity, criteria.linearity)];
    match line.asymmetry {
        Some(asymmetry) => {
            checks.push(check("asymmetry", asymmetry.value.abs(), criteria.asymmetry));
            if asymmetry.value.abs() > criteria.asymmetry.max(2.0 * asymmetry.standard_uncertainty) {
                remarks.push(direction(&line, asymmetry.value));
            }
        }
        None => remarks.push(
            "asymmetry not told from an offset: it needs both directions at two sizes of current or more"
                .into(),
        ),
    }
    if line.left_out > 0 {
        let all = line.left_out + line.readings;
        remarks.push(format!("{} of {all} readings are no values: compliance or overload", line.left_out));
    }
    if line.resistance.value <= 0.0 {
        remarks.push("its resistance is not above zero".into());
    }
    let straight = line.curvature.is_none_or(|curve| curve.by_chance > ContactCriteria::BY_CHANCE);
    let noisy = line.noise.is_some_and(|noise| ContactCriteria::NOISE * noise > criteria.linearity);
    let failed = checks.iter().any(|check| !check.passed);
    if failed && straight && noisy {
        remarks.push(
            "its line is hidden in noise, not shown to be bent: drive more current or average longer".into(),
        );
    }
    let passed = checks.iter().all(|check| check.passed) && line.left_out == 0 && line.resistance.value > 0.0;
    PairVerdict { pair, line: Some(line), checks, remarks, passed }
}

/// Which way the current flows more easily.
fn direction(line: &ContactLine, asymmetry: f64) -> String {
    let [a, b] = line.pair;
    let (from, to) = if asymmetry > 0.0 { (b, a) } else { (a, b) };
    format!("current flows more easily from {from} to {to} than back")
}

fn contact_verdicts(
    pairs: &[PairVerdict],
    resistances: &ContactResistances,
    criteria: &ContactCriteria,
) -> Vec<ContactVerdict> {
    let by_sheet = || Some(resistances.sheet?.value * ContactCriteria::LARGEST_SQUARES);
    let limit = criteria.largest_ohm.or_else(by_sheet).map(Ohm);
    let mut contacts: Vec<Contact> = pairs.iter().flat_map(|pair| pair.pair).collect();
    contacts.sort_unstable();
    contacts.dedup();
    let verdict = |contact: Contact| {
        let resistance =
            resistances.contacts.iter().find(|(other, _)| *other == contact).and_then(|(_, found)| *found);
        let own = || pairs.iter().filter(|pair| pair.pair.contains(&contact));
        let too_large = resistance.zip(limit).is_some_and(|(found, limit)| found.value > limit.0);
        let reason = if own().all(|pair| pair.line.is_none()) {
            Some("no pair with it gives a line: it may be open".to_owned())
        } else if own().all(|pair| !pair.passed) {
            Some("every pair with it fails".to_owned())
        } else if too_large {
            Some("its resistance is above the limit".to_owned())
        } else {
            None
        };
        ContactVerdict { contact, resistance, limit, passed: reason.is_none(), reason }
    };
    contacts.into_iter().map(verdict).collect()
}

fn remarks(
    pairs: &[PairVerdict],
    contacts: &[ContactVerdict],
    resistances: &ContactResistances,
) -> Vec<String> {
    let mut remarks = Vec::new();
    let failed = |pair: &&PairVerdict| !pair.passed;
    let bad = |contact: &Contact| contacts.iter().any(|other| other.contact == *contact && !other.passed);
    if contacts.len() > 1 && pairs.iter().all(|pair| !pair.passed) {
        remarks.push("every pair fails: which contacts are good cannot be told".to_owned());
    }
    for pair in pairs.iter().filter(failed).filter(|pair| !pair.pair.iter().any(bad)) {
        let [a, b] = pair.pair;
        remarks.push(format!("the pair {a}-{b} fails, and other pairs prove both of its contacts"));
    }
    let unclear: Vec<String> = contacts
        .iter()
        .filter(|contact| contact.resistance.is_some_and(|r| r.value < -2.0 * r.standard_uncertainty))
        .map(|contact| contact.contact.to_string())
        .collect();
    if !unclear.is_empty() {
        remarks.push(format!(
            "the resistance of contact {} is below zero by more than its uncertainty: the contacts are not in order \
             around the edge, or the film is not what it was taken for",
            unclear.join(", ")
        ));
    }
    if contacts.iter().all(|contact| contact.limit.is_none()) {
        remarks
            .push("no limit for the resistances: neither one in ohms nor a sheet resistance is known".into());
    }
    remarks.extend(resistances.assumed.iter().cloned());
    remarks
}
