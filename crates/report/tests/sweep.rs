//! The table over temperature and field, read back by the names of its columns.
#![allow(clippy::unwrap_used)]

use quadrille_experiment::{Condition, MeterReading, Reading};
use quadrille_quantity::{Ampere, Estimate, Kelvin, Second, Tesla, Volt};
use quadrille_reduction::{Options, Specimen, reduce_by_temperature};
use quadrille_report::{Evidence, SweepRow, sweep_csv, sweep_json};

/// A film whose Hall slope falls with the field, and whose sheet resistance rises with it where it is measured there.
fn readings() -> Vec<Reading> {
    let sheet = |b: f64| {
        let rise = 1.0 + 0.05 * b * b;
        [
            ("12,43", 37.0),
            ("21,34", 37.0),
            ("43,12", 37.0),
            ("34,21", 37.0),
            ("23,14", 211.0),
            ("32,41", 211.0),
        ]
        .into_iter()
        .chain([("14,23", 211.0), ("41,32", 211.0)])
        .map(move |(c, ohm)| (c, b, ohm * rise))
    };
    let hall = |b: f64| {
        let ohm = -3.7 * b / (1.0 + 0.1 * b * b);
        let rise = 1.0 + 0.05 * b * b;
        [("13,24", 1.0), ("31,42", 1.0), ("42,13", -1.0), ("24,31", -1.0)]
            .map(move |(c, sign)| (c, b, sign * 174.0 * rise + ohm))
    };
    let plan = sheet(0.0)
        .chain([0.3, -0.3].into_iter().flat_map(hall))
        .chain([0.9, -0.9].into_iter().flat_map(hall))
        .chain([0.9, -0.9].into_iter().flat_map(sheet));
    plan.enumerate()
        .map(|(k, (configuration, field, ohm))| Reading {
            time: Second(k as f64),
            temperature: Kelvin(77.25),
            field: Tesla(field),
            configuration: configuration.parse().unwrap(),
            current: MeterReading { value: Ampere(1e-4), gain_u: 1e-4, ..MeterReading::default() },
            voltage: MeterReading { value: Volt(ohm * 1e-4), own_u: Volt(1e-7), ..MeterReading::default() },
            condition: Condition::Sound,
        })
        .collect()
}

fn rows() -> Vec<SweepRow> {
    let specimen = Specimen { thickness: Some(Estimate::new(480e-9, 6e-9)) };
    let options = Options { temperature_u: 0.05, ..Options::default() };
    let mut one_signed = readings();
    one_signed.retain(|r| r.field.0 > 0.5 && r.configuration.to_string() == "13,24");
    one_signed[0].temperature = Kelvin(120.0);
    let all = [readings(), one_signed].concat();
    let found = reduce_by_temperature(&all, &specimen, &options).unwrap();
    let rows = found.into_iter().flat_map(|at| {
        at.by_field.into_iter().map(move |part| SweepRow {
            sample: "film, \"B\"".into(),
            temperature: at.temperature,
            field: part.field,
            sheet_field: part.sheet_field,
            evidence: Evidence::of(part.readings.iter().map(|reading| (reading, None))),
            reduced: part.reduced.map_err(|missing| missing.to_string()),
        })
    });
    rows.collect()
}

#[test]
fn a_row_stands_for_each_temperature_and_field_and_a_cell_without_a_value_is_empty() {
    let table = sweep_csv(&rows());
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let header = reader.headers().unwrap().clone();
    let records: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let text = |row: usize, name: &str| {
        records[row][header.iter().position(|column| column == name).unwrap()].to_owned()
    };
    let value = |row: usize, name: &str| text(row, name).parse::<f64>().unwrap();
    assert_eq!(records.len(), 4);
    assert_eq!(text(0, "sample"), "film, \"B\"");
    let fields: Vec<[String; 2]> = (0..4).map(|k| [text(k, "field_t"), text(k, "sheet_field_t")]).collect();
    assert_eq!(
        fields,
        [["0", "0"], ["0.3", "0"], ["0.9", "0.9"], ["0.9", ""]].map(|row| row.map(str::to_owned))
    );
    // Without a field there is no Hall result; the slope at each field is its own.
    assert_eq!(text(0, "hall_coefficient_m3_per_c"), "");
    for (row, b) in [(1, 0.3), (2, 0.9)] {
        let expected = -3.7 / (1.0 + 0.1 * b * b) * 480e-9;
        assert!((value(row, "hall_coefficient_m3_per_c") / expected - 1.0).abs() < 1e-9);
        assert_eq!(text(row, "carrier_sign"), "-1");
    }
    let ratio = value(2, "sheet_resistance_ohm") / value(0, "sheet_resistance_ohm");
    assert!((ratio - 1.0405).abs() < 1e-9, "{ratio}");
    for quantity in ["sheet_resistance_ohm", "resistivity_ohm_m", "mobility_m2_per_v_s"] {
        let (u, expanded) = (value(1, &format!("{quantity}_u")), value(1, &format!("{quantity}_expanded")));
        assert!(u > 0.0 && expanded == 2.0 * u);
    }
    assert_eq!((value(1, "temperature_k"), value(1, "temperature_k_u")), (77.25, 0.05));
    assert_eq!(
        (text(1, "readings"), text(1, "unsettled"), text(1, "accepted")),
        ("16".into(), "0".into(), "true".into())
    );
    assert_eq!((text(3, "accepted"), text(3, "sheet_resistance_ohm")), ("false".into(), String::new()));
    assert!(text(3, "remarks").starts_with("readings of 13,24"), "{}", text(3, "remarks"));
}

#[test]
fn the_table_as_json_has_the_same_cells() {
    let (csv, json) = (sweep_csv(&rows()), sweep_json(&rows()));
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let header = reader.headers().unwrap().clone();
    for (record, object) in reader.records().map(Result::unwrap).zip(json.as_array().unwrap()) {
        for (name, text) in header.iter().zip(&record) {
            match &object[name] {
                serde_json::Value::Null => assert_eq!(text, "", "{name}"),
                serde_json::Value::Number(number) => {
                    assert_eq!(text.parse::<f64>().unwrap(), number.as_f64().unwrap(), "{name}");
                }
                serde_json::Value::String(string) => assert_eq!(text, string, "{name}"),
                other => assert_eq!(text, other.to_string(), "{name}"),
            }
        }
    }
}
