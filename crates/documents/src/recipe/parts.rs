//! What a recipe measures: which configurations, in which fields.

use super::sweep::sweep;
use super::{absent_or, optional};
use crate::fault::{Located, Place};
use crate::table::{Bounds, Table};
use quadrille_experiment::{Configuration, DIAGONALS, STANDARD};

/// The part of a recipe that finds the sheet resistance, at zero field.
#[derive(Clone, Debug, PartialEq)]
pub struct Resistivity {
    /// Configurations in the order in which they are taken.
    pub configurations: Vec<Located<Configuration>>,
}

/// The part of a recipe that finds the Hall resistance.
#[derive(Clone, Debug, PartialEq)]
pub struct Hall {
    /// Fields in the order in which they are taken, in teslas.
    pub fields_t: Vec<Located<f64>>,
    /// Relative standard uncertainty of a field.
    pub field_relative_u: f64,
    /// Configurations taken at each field.
    pub configurations: Vec<Located<Configuration>>,
    /// A permanent magnet that a person turns; absent where a supply or the sample's model sets the field.
    pub hand: Option<Hand>,
}

/// A person who sets the field and confirms it.
#[derive(Clone, Debug, PartialEq)]
pub struct Hand {
    /// How long the run waits for the person, in seconds.
    pub longest_wait_s: f64,
    /// Where that was written.
    pub place: Place,
}

pub(super) fn resistivity(table: &Table<'_>) -> Option<Resistivity> {
    Some(Resistivity { configurations: configurations(table, "standard", &STANDARD)? })
}

const FIELD: Bounds = Bounds::new(-50.0, 50.0, "T");

pub(super) fn hall(table: &Table<'_>) -> Option<Hall> {
    let fields = fields(table);
    let relative = table.number("field_relative_u", Bounds::new(0.0, 0.5, ""));
    let configurations = configurations(table, "diagonals", &DIAGONALS);
    let hand = optional(table, "hand", hand);
    Some(Hall {
        fields_t: fields?,
        field_relative_u: absent_or(table, "field_relative_u", relative)?.map_or(0.0, |u| u.value),
        configurations: configurations?,
        hand: hand?,
    })
}

fn hand(table: &Table<'_>) -> Option<Hand> {
    let longest = table.number("longest_wait_s", Bounds::new(1.0, 604_800.0, "s"));
    let remedy = "write how long the run waits for the person, as in hand = { longest_wait_s = 900 }";
    let longest = table.require("longest_wait_s", remedy, longest)?;
    Some(Hand { longest_wait_s: longest.value, place: longest.place })
}

/// Fields with both signs: written so, or each written once and its other sign taken after it.
fn fields(table: &Table<'_>) -> Option<Vec<Located<f64>>> {
    let remedy = "write both signs of the field, as in fields_t = [0.5, -0.5], or both_signs = true";
    let both = absent_or(table, "both_signs", table.flag("both_signs"));
    let fields = table.require("fields_t", remedy, sweep(table, "fields_t", FIELD, remedy))?;
    if fields.value.is_empty() {
        table.push(fields.fault("no field to measure at", remedy));
        return None;
    }
    if let Some(zero) = fields.value.iter().find(|field| field.value == 0.0) {
        let remedy =
            "leave 0 out; a range that goes through it has an even number of points that leave it out";
        table.push(zero.fault("there is no Hall voltage at 0 T", remedy));
        return None;
    }
    let fields = fields.value;
    if both?.is_some_and(|both| both.value) {
        mirrored(table, fields)
    } else {
        partnered(table, fields, remedy)
    }
}

fn mirrored(table: &Table<'_>, fields: Vec<Located<f64>>) -> Option<Vec<Located<f64>>> {
    if let Some(negative) = fields.iter().find(|field| field.value < 0.0) {
        let problem = format!("{} T is written, and both_signs = true takes it anyway", negative.value);
        table.push(negative.fault(problem, "write the positive fields, or leave both_signs out"));
        return None;
    }
    let both = |field: Located<f64>| [field.clone(), field.map(|tesla| -tesla)];
    Some(fields.into_iter().flat_map(both).collect())
}

fn partnered(table: &Table<'_>, fields: Vec<Located<f64>>, remedy: &str) -> Option<Vec<Located<f64>>> {
    for field in &fields {
        let partner =
            |other: f64| other * field.value < 0.0 && (other.abs() / field.value.abs() - 1.0).abs() <= 0.05;
        if !fields.iter().any(|other| partner(other.value)) {
            let problem = format!("{} T has no field of the other sign and the same size", field.value);
            table.push(field.fault(problem, remedy));
            return None;
        }
    }
    Some(fields)
}

fn configurations(
    table: &Table<'_>,
    word: &'static str,
    pattern: &[Configuration],
) -> Option<Vec<Located<Configuration>>> {
    let remedy = format!("write \"{word}\", or a list such as [\"{}\", \"{}\"]", pattern[0], pattern[1]);
    let named = |place: Located<()>| {
        let all = pattern.iter().map(|configuration| place.clone().map(|()| *configuration));
        Some(all.collect())
    };
    if !table.has("configurations") {
        return named(table.located(()));
    }
    if table.holds_text("configurations") {
        let text = table.word("configurations", &[word])?;
        return named(text.map(|_| ()));
    }
    let texts = table.texts("configurations", &remedy)?;
    let mut configurations: Vec<Located<Configuration>> = Vec::new();
    let mut right = true;
    for text in &texts.value {
        match text.value.parse::<Configuration>() {
            Ok(configuration) if configuration.is_four_terminal() => {
                configurations.push(text.clone().map(|_| configuration));
            }
            Ok(_) => {
                let problem = format!("\"{}\" uses a contact twice", text.value);
                table.push(text.fault(problem, "write four different contacts, as in \"12,43\""));
                right = false;
            }
            Err(error) => {
                table.push(text.fault(error.to_string(), remedy.clone()));
                right = false;
            }
        }
    }
    if texts.value.is_empty() {
        table.push(texts.fault("no configuration to measure", remedy));
        right = false;
    }
    right.then_some(configurations)
}
