//! What a recipe measures: which configurations, in which fields.

use super::absent_or;
use crate::fault::Located;
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
}

pub(super) fn resistivity(table: &Table<'_>) -> Option<Resistivity> {
    Some(Resistivity { configurations: configurations(table, "standard", &STANDARD)? })
}

pub(super) fn hall(table: &Table<'_>) -> Option<Hall> {
    let fields = table.numbers("fields_t", Bounds::new(-50.0, 50.0, "T"));
    let remedy = "write both signs of the field, as in fields_t = [0.5, -0.5]";
    let fields = table.require("fields_t", remedy, fields);
    let relative = table.number("field_relative_u", Bounds::new(0.0, 0.5, ""));
    let configurations = configurations(table, "diagonals", &DIAGONALS);
    let fields = fields?;
    let values: Vec<f64> = fields.value.iter().map(|field| field.value).collect();
    for (k, field) in values.iter().enumerate() {
        let partner =
            values.iter().any(|other| other * field < 0.0 && (other.abs() / field.abs() - 1.0).abs() <= 0.05);
        if !partner {
            let problem = format!("{field} T has no field of the other sign and the same size");
            table.push(fields.value[k].fault(problem, remedy));
            return None;
        }
    }
    if values.is_empty() {
        table.push(fields.fault("no field to measure at", remedy));
        return None;
    }
    Some(Hall {
        fields_t: fields.value,
        field_relative_u: absent_or(table, "field_relative_u", relative)?.map_or(0.0, |u| u.value),
        configurations: configurations?,
    })
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
