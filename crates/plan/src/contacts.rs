//! The check of the contacts as steps: which pairs, at which currents, and what is asked of them. Knows no instrument, and
//! not how a contact is judged.

use crate::{Purpose, Round};
use quadrille_documents::{Contacts, Fault, Recipe, Unacceptable};
use quadrille_experiment::Configuration;
use quadrille_quantity::{Ampere, Tesla};
use serde::Serialize;

/// How contacts are checked in a run, and what they must be.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ContactCheck {
    /// Sizes of the current in rising order where a person wrote them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub currents: Option<Vec<Ampere>>,
    /// How many sizes up to the current of the sample where nobody did.
    pub points: u32,
    /// Largest departure from a straight line, relative to the span of the voltages.
    pub linearity: f64,
    /// Largest difference of the slopes of both directions, relative to their mean.
    pub asymmetry: f64,
    /// Largest resistance of a contact in ohms; by the sheet resistance where it is absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub largest_ohm: Option<f64>,
    /// Whether a run stands down where a contact is not good enough, or goes on and says so.
    pub stands_down: bool,
}

impl ContactCheck {
    pub(crate) fn of(written: &Contacts) -> Self {
        let currents = written.currents_a.as_ref();
        Self {
            currents: currents.map(|all| all.iter().map(|current| Ampere(current.value)).collect()),
            points: written.points,
            linearity: written.linearity,
            asymmetry: written.asymmetry,
            largest_ohm: written.largest_ohm,
            stands_down: written.unacceptable == Unacceptable::StandDown,
        }
    }

    /// Sizes of the current in rising order for a sample that is measured with `current`, which none exceeds: what limits
    /// allow was decided for that one. Where fewer than two of those that a person wrote are left, they are parts of it.
    pub fn sizes(&self, current: Ampere) -> Vec<Ampere> {
        let written: Vec<Ampere> =
            self.currents.iter().flatten().copied().filter(|size| *size <= current).collect();
        if written.len() >= 2 {
            return written;
        }
        let points = f64::from(self.points.max(2));
        (1..=self.points.max(2)).map(|k| current * f64::from(k) / points).collect()
    }

    /// How many readings the check of one leg takes.
    pub(crate) fn readings(&self, leg: &Configuration) -> usize {
        let sizes = self.currents.as_ref().map_or(self.points as usize, Vec::len).max(2);
        if leg.is_four_terminal() { 2 } else { 2 * sizes }
    }
}

/// The four-terminal resistances between neighbours first, as they say what the film is; then every pair.
fn legs(contacts: u8) -> Vec<Configuration> {
    let next = |contact: u8| contact % contacts + 1;
    let gaps = (1..=contacts).flat_map(|p| (p + 2..=contacts).map(move |q| (p, q)));
    // Gaps that share a contact say nothing of the film alone.
    let film =
        gaps.filter(|(p, q)| next(*q) != *p).filter_map(|(p, q)| Configuration::new(p, next(p), next(q), q));
    let pairs =
        (1..=contacts).flat_map(|a| (a + 1..=contacts).filter_map(move |b| Configuration::new(a, b, a, b)));
    film.chain(pairs).collect()
}

/// The rounds with those of the contact check before them: each sample at the first temperature, without field.
pub(crate) fn before(rounds: Vec<Round>, contacts: &[usize]) -> Vec<Round> {
    let Some(first) = rounds.first().map(|round| round.temperature) else { return rounds };
    let checks = contacts.iter().enumerate().map(|(sample, &count)| Round {
        number: 0,
        sample,
        purpose: Purpose::Contacts,
        field: Tesla(0.0),
        temperature: first,
        legs: legs(u8::try_from(count).unwrap_or(u8::MAX)),
    });
    let numbered = |(k, round): (usize, Round)| Round { number: k as u32 + 1, ..round };
    checks.collect::<Vec<_>>().into_iter().chain(rounds).enumerate().map(numbered).collect()
}

/// A current of the check that is more than the sample is measured with: limits were judged for that one.
pub(crate) fn beyond(recipe: &Recipe) -> Option<Fault> {
    let current = recipe.current_a.as_ref()?.value;
    let written = recipe.contacts.as_ref()?.currents_a.as_ref()?;
    let beyond = written.iter().find(|size| size.value > current)?;
    let problem =
        format!("{} is more than the recipe's current of {}", Ampere(beyond.value), Ampere(current));
    Some(beyond.fault(problem, format!("write at most {current:e}, or a larger current_a")))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(contacts: u8) -> Vec<String> {
        legs(contacts).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn every_pair_follows_what_says_the_film() {
        assert_eq!(texts(4), ["12,43", "23,14", "12,12", "13,13", "14,14", "23,23", "24,24", "34,34"]);
        assert_eq!(texts(5)[..5], ["12,43", "12,54", "23,54", "23,15", "34,15"]);
        assert_eq!(texts(5).len(), 5 + 10);
    }

    #[test]
    fn sizes_go_up_to_the_current_and_never_beyond() {
        let check = ContactCheck::of(&Contacts::default());
        let sizes: Vec<f64> = check.sizes(Ampere(2e-5)).iter().map(|size| size.0).collect();
        for (size, expected) in sizes.iter().zip([0.5e-5, 1e-5, 1.5e-5, 2e-5]) {
            assert!((size / expected - 1.0).abs() < 1e-15, "{sizes:?}");
        }
        assert_eq!((sizes.len(), sizes[3]), (4, 2e-5));
        let written =
            ContactCheck { currents: Some(vec![Ampere(1e-7), Ampere(1e-6), Ampere(1e-5)]), ..check };
        assert_eq!(written.sizes(Ampere(2e-6)), [Ampere(1e-7), Ampere(1e-6)]);
        assert_eq!(written.sizes(Ampere(5e-7)).len(), 4);
    }
}
