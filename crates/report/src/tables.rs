//! Tables for a spreadsheet or a data frame: comma-separated, a header line, SI units in the column names.

use quadrille_experiment::{NEEDED_COLUMNS, OPTIONAL_COLUMNS, Reading};
use quadrille_quantity::Kelvin;
use quadrille_reduction::{CarrierType, Quantity, Reduced};

const RESULT_COLUMNS: [&str; 5] = ["temperature_k", "quantity", "unit", "value", "standard_uncertainty"];

/// Readings in the order given, one a line.
///
/// Numbers are the shortest that read back to the same bits, so that the table reduces to the same results as the
/// readings. `current_u_a` and `voltage_u_v` are the meters' own parts, `*_gain_u` the relative common ones, `*_noise_u_*`
/// what is independent between readings, `*_settling_u_*` what may be left of the transient.
/// Readings that are not sound are there too, as their `condition` says.
pub fn readings_csv<'r>(readings: impl IntoIterator<Item = (&'r Reading, &'r str)>) -> String {
    let rows = readings.into_iter().map(|(reading, sample)| reading_row(reading, sample));
    table(&[NEEDED_COLUMNS.as_slice(), &OPTIONAL_COLUMNS].concat(), rows)
}

/// Results in the order given, one quantity a line; the carrier type is a line of its own with 1 for holes and -1 for
/// electrons.
pub fn results_csv(results: &[(Kelvin, Reduced)]) -> String {
    table(
        &RESULT_COLUMNS,
        results.iter().flat_map(|(temperature, reduced)| result_rows(*temperature, reduced)),
    )
}

fn reading_row(reading: &Reading, sample: &str) -> Vec<String> {
    let contacts = reading.configuration.contacts().map(|contact| contact.to_string());
    let mut row = [reading.time.0, reading.temperature.0, reading.field.0].map(number).to_vec();
    row.extend(contacts);
    row.extend(
        [
            reading.current.value.0,
            reading.voltage.value.0,
            reading.current.own_u.0,
            reading.voltage.own_u.0,
            reading.current.gain_u,
            reading.voltage.gain_u,
            reading.current.noise_u.0,
            reading.voltage.noise_u.0,
            reading.current.settling_u.0,
            reading.voltage.settling_u.0,
        ]
        .map(number),
    );
    row.extend([reading.condition.word().to_owned(), sample.to_owned()]);
    row
}

fn result_rows(temperature: Kelvin, reduced: &Reduced) -> Vec<Vec<String>> {
    let measured =
        Quantity::ALL.into_iter().filter_map(|quantity| Some((quantity, quantity.of(&reduced.results)?)));
    let mut rows: Vec<Vec<String>> = measured
        .map(|(quantity, estimate)| {
            vec![
                number(temperature.0),
                quantity.name().into(),
                quantity.unit().into(),
                number(estimate.value),
                number(estimate.standard_uncertainty),
            ]
        })
        .collect();
    if let Some(carriers) = reduced.results.carrier_type {
        let sign = match carriers {
            CarrierType::N => -1.0,
            CarrierType::P => 1.0,
        };
        rows.push(vec![number(temperature.0), "carrier sign".into(), "1".into(), number(sign), number(0.0)]);
    }
    rows
}

/// The shortest text that reads back to the same bits; with an exponent where plain digits would be long.
pub(crate) fn number(value: f64) -> String {
    let plain = format!("{value}");
    let scientific = format!("{value:e}");
    if scientific.len() < plain.len() { scientific } else { plain }
}

pub(crate) fn table(columns: &[&str], rows: impl Iterator<Item = Vec<String>>) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    // Writing into memory fails only on rows of unequal length, which the types above exclude.
    let written = writer
        .write_record(columns)
        .and_then(|()| rows.into_iter().try_for_each(|row| writer.write_record(row)));
    debug_assert!(written.is_ok(), "{written:?}");
    let bytes = writer.into_inner().unwrap_or_default();
    String::from_utf8(bytes).unwrap_or_default()
}
