//! The order in which a recipe's temperatures and fields are taken.

use super::Hall;
use crate::fault::Located;
use crate::table::Table;

/// The order of the temperatures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TemperatureOrder {
    /// So that the cryostat goes the shortest way.
    LeastTravel,
    /// As they are written: where a sample remembers which way it came.
    AsWritten,
}

/// The order of the fields at each temperature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FieldOrder {
    /// So that the field changes its sign as seldom as both signs at each temperature allow.
    FewestReversals,
    /// As they are written.
    AsWritten,
}

/// The order in which temperatures and fields are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Order {
    /// Of the temperatures.
    pub temperatures: TemperatureOrder,
    /// Of the fields at each temperature.
    pub fields: FieldOrder,
}

/// What `[order]` says; `None` where it says nothing of one.
#[derive(Clone, Copy, Default)]
pub(super) struct Written {
    temperatures: Option<TemperatureOrder>,
    fields: Option<FieldOrder>,
}

impl Order {
    /// Where nothing is written the shortest way; but what is written twice is a way there and back, which somebody
    /// meant.
    pub(super) fn new(written: Written, temperatures_k: &[Located<f64>], hall: Option<&Hall>) -> Self {
        let temperatures = match is_there_and_back(temperatures_k) {
            true => TemperatureOrder::AsWritten,
            false => TemperatureOrder::LeastTravel,
        };
        let fields = match hall.is_some_and(|hall| is_there_and_back(&hall.fields_t)) {
            true => FieldOrder::AsWritten,
            false => FieldOrder::FewestReversals,
        };
        Self {
            temperatures: written.temperatures.unwrap_or(temperatures),
            fields: written.fields.unwrap_or(fields),
        }
    }
}

fn is_there_and_back(numbers: &[Located<f64>]) -> bool {
    let again = |(k, number): (usize, &Located<f64>)| {
        numbers[..k].iter().any(|earlier| earlier.value == number.value)
    };
    numbers.iter().enumerate().any(again)
}

pub(super) fn order(table: &Table<'_>) -> Option<Written> {
    let temperatures = table.word("as", &["least-travel", "as-written"]);
    let fields = table.word("fields", &["fewest-reversals", "as-written"]);
    let temperatures = super::absent_or(table, "as", temperatures);
    let fields = super::absent_or(table, "fields", fields);
    let temperatures = temperatures?.map(|word| match word.value {
        "as-written" => TemperatureOrder::AsWritten,
        _ => TemperatureOrder::LeastTravel,
    });
    let fields = fields?.map(|word| match word.value {
        "as-written" => FieldOrder::AsWritten,
        _ => FieldOrder::FewestReversals,
    });
    Some(Written { temperatures, fields })
}
