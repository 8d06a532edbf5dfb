//! Results over temperature and field as one wide table: a row for each sample, temperature and field, a column for each
//! quantity, its uncertainty and what it rests on.

use crate::tables::{number, table};
use quadrille_experiment::{Circumstances, Condition, Reading};
use quadrille_quantity::{Kelvin, Tesla};
use quadrille_reduction::{CarrierType, Quantity, Reduced};
use serde_json::{Map, Value, json};

/// Coverage factor of the expanded uncertainties: about 95 % for a normal distribution (JCGM 100:2008, 6.3.3).
const COVERAGE: f64 = 2.0;

/// How the readings of a row came about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Evidence {
    /// How many readings there are.
    pub readings: usize,
    /// How many of them are no values: overload, compliance, not-a-number.
    pub left_out: usize,
    /// How many were watched until they settled, or did not.
    pub watched: usize,
    /// How many of those do not count as settled.
    pub unsettled: usize,
}

impl Evidence {
    /// Of readings, with their circumstances where a record has them.
    pub fn of<'r>(readings: impl Iterator<Item = (&'r Reading, Option<&'r Circumstances>)>) -> Self {
        readings.fold(Self::default(), |mut sum, (reading, circumstances)| {
            let watch = circumstances.and_then(|circumstances| circumstances.watch.as_ref());
            let flagged = watch.is_some_and(|w| w.voltage.flag.is_some() || w.current.flag.is_some());
            sum.readings += 1;
            sum.left_out += usize::from(reading.condition != Condition::Sound);
            sum.watched += usize::from(watch.is_some());
            sum.unsettled += usize::from(flagged);
            sum
        })
    }
}

/// One row.
#[derive(Clone, Debug, PartialEq)]
pub struct SweepRow {
    /// Name of the sample.
    pub sample: String,
    /// Mean temperature of its readings.
    pub temperature: Kelvin,
    /// Magnitude of the field; 0 for none.
    pub field: Tesla,
    /// Magnitude of the field at which the sheet resistance was measured, where it was.
    pub sheet_field: Option<Tesla>,
    /// How the readings came about.
    pub evidence: Evidence,
    /// What they give, or what is missing.
    pub reduced: Result<Reduced, String>,
}

/// The rows as comma-separated values, in the order given; a cell without a value is empty.
pub fn sweep_csv(rows: &[SweepRow]) -> String {
    let columns = columns();
    let names: Vec<&str> = columns.iter().map(String::as_str).collect();
    let text = |value: Value| match value {
        Value::Null => String::new(),
        Value::String(text) => text,
        Value::Number(value) => value.as_f64().map_or_else(|| value.to_string(), number),
        other => other.to_string(),
    };
    table(&names, rows.iter().map(|row| cells(row).into_iter().map(text).collect()))
}

/// The same as an array of objects; what has no value is null.
pub fn sweep_json(rows: &[SweepRow]) -> Value {
    let object = |row: &SweepRow| columns().into_iter().zip(cells(row)).collect::<Map<String, Value>>();
    rows.iter().map(|row| Value::Object(object(row))).collect()
}

/// Names of the columns: of each quantity its key, which ends in its unit, then the same with `_u` (standard uncertainty)
/// and `_expanded` (times `coverage_factor`).
fn columns() -> Vec<String> {
    let mut columns: Vec<String> = ["sample", "temperature_k", "temperature_k_u", "field_t", "sheet_field_t"]
        .map(str::to_owned)
        .to_vec();
    for quantity in Quantity::ALL {
        let key = quantity.key();
        columns.extend([key.to_owned(), format!("{key}_u"), format!("{key}_expanded")]);
    }
    let rest = [
        "coverage_factor",
        "carrier_sign",
        "readings",
        "left_out",
        "watched",
        "unsettled",
        "accepted",
        "failed_checks",
        "remarks",
    ];
    columns.extend(rest.map(str::to_owned));
    columns
}

fn cells(row: &SweepRow) -> Vec<Value> {
    let reduced = row.reduced.as_ref().ok();
    let temperature = reduced.map(|reduced| reduced.temperature);
    let mut cells = vec![
        json!(row.sample),
        json!(temperature.map_or(row.temperature.0, |t| t.value)),
        json!(temperature.map(|t| t.standard_uncertainty)),
        json!(row.field.0),
        json!(row.sheet_field.map(|field| field.0)),
    ];
    for quantity in Quantity::ALL {
        let found = reduced.and_then(|reduced| quantity.of(&reduced.results));
        cells.push(json!(found.map(|estimate| estimate.value)));
        cells.push(json!(found.map(|estimate| estimate.standard_uncertainty)));
        cells.push(json!(found.map(|estimate| COVERAGE * estimate.standard_uncertainty)));
    }
    let sign = reduced.and_then(|reduced| reduced.results.carrier_type).map(|carriers| match carriers {
        CarrierType::N => -1,
        CarrierType::P => 1,
    });
    let failed = reduced.map(|reduced| {
        let failed = reduced.checks.iter().filter(|check| !check.passed);
        failed.map(|check| check.name.as_str()).collect::<Vec<_>>().join("; ")
    });
    let remarks = match &row.reduced {
        Ok(reduced) => reduced.remarks.join("; "),
        Err(missing) => missing.clone(),
    };
    cells.extend([
        json!(COVERAGE),
        json!(sign),
        json!(row.evidence.readings),
        json!(row.evidence.left_out),
        json!(row.evidence.watched),
        json!(row.evidence.unsettled),
        json!(reduced.is_some_and(Reduced::accepted)),
        json!(failed.unwrap_or_default()),
        json!(remarks),
    ]);
    cells
}
