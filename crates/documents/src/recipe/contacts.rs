//! How the contacts are checked before anything else is measured, and what they must be.

use super::absent_or;
use crate::fault::Located;
use crate::table::{Bounds, Table};

/// What becomes of a sample whose contacts are not good enough.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Unacceptable {
    /// The run stands down.
    #[default]
    StandDown,
    /// The run goes on, and says so.
    Warn,
}

impl Unacceptable {
    /// As documents write them.
    pub const WORDS: [&'static str; 2] = ["stand-down", "warn"];

    /// Reads a word; `None` where it is none of [`Self::WORDS`].
    pub fn from_word(word: &str) -> Option<Self> {
        Some(match word {
            "stand-down" => Self::StandDown,
            "warn" => Self::Warn,
            _ => return None,
        })
    }
}

/// The part of a recipe that checks the contacts.
#[derive(Clone, Debug, PartialEq)]
pub struct Contacts {
    /// Sizes of the current in rising order, in amperes, each driven in both directions; `points` of them up to the
    /// current of the recipe, or of a first look, where it is absent.
    pub currents_a: Option<Vec<Located<f64>>>,
    /// How many sizes of current where they are not written.
    pub points: u32,
    /// Largest departure from a straight line, relative to the span of the voltages.
    pub linearity: f64,
    /// Largest difference of the two directions, relative.
    pub asymmetry: f64,
    /// Largest resistance of a contact, in ohms; by the sheet resistance where it is absent.
    pub largest_ohm: Option<f64>,
    /// What becomes of a sample that is not accepted.
    pub unacceptable: Unacceptable,
}

impl Default for Contacts {
    /// Four sizes of current, 2 % from the line, 5 % between the directions (each common practice, no source).
    fn default() -> Self {
        Self {
            currents_a: None,
            points: 4,
            linearity: 0.02,
            asymmetry: 0.05,
            largest_ohm: None,
            unacceptable: Unacceptable::default(),
        }
    }
}

const CURRENT: Bounds = Bounds::new(1e-15, 10.0, "A");

pub(super) fn contacts(table: &Table<'_>) -> Option<Contacts> {
    let usual = Contacts::default();
    let number = |key, bounds| absent_or(table, key, table.number(key, bounds));
    let currents = absent_or(table, "currents_a", table.numbers("currents_a", CURRENT));
    let points = absent_or(table, "points", table.whole("points", 2, 100));
    let linearity = number("linearity", Bounds::new(1e-6, 1.0, ""));
    let asymmetry = number("asymmetry", Bounds::new(1e-6, 2.0, ""));
    let largest = number("largest_ohm", Bounds::new(1e-6, 1e15, "Ω"));
    let word = match table.word("unacceptable", &Unacceptable::WORDS) {
        Some(word) => Unacceptable::from_word(word.value),
        None => (!table.has("unacceptable")).then_some(usual.unacceptable),
    };
    let (currents, points) = (currents?, points?);
    if let (Some(currents), Some(points)) = (&currents, &points) {
        let remedy = "write one of them";
        table.push(
            points.fault(format!("points and {} currents are both written", currents.value.len()), remedy),
        );
        return None;
    }
    Some(Contacts {
        currents_a: currents.map_or(Some(None), |currents| rising(table, currents).map(Some))?,
        points: points.map_or(usual.points, |points| points.value as u32),
        linearity: linearity?.map_or(usual.linearity, |limit| limit.value),
        asymmetry: asymmetry?.map_or(usual.asymmetry, |limit| limit.value),
        largest_ohm: largest?.map(|limit| limit.value),
        unacceptable: word?,
    })
}

/// Two sizes at least, each larger than the one before: with one alone, an offset looks like an asymmetry.
fn rising(table: &Table<'_>, currents: Located<Vec<Located<f64>>>) -> Option<Vec<Located<f64>>> {
    let remedy =
        "write two sizes or more, each larger than the one before, as in currents_a = [1e-6, 2e-6, 5e-6]";
    if currents.value.len() < 2 {
        table.push(currents.fault("too few currents for a line in each direction", remedy));
        return None;
    }
    let falling = currents.value.windows(2).find(|two| two[1].value <= two[0].value);
    if let Some([before, here]) = falling {
        let problem = format!("{} A is not more than {} A before it", here.value, before.value);
        table.push(here.fault(problem, remedy));
        return None;
    }
    Some(currents.value)
}
