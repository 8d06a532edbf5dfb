//! Tables of readings taken anywhere: a CSV file with a header line.

use crate::fault::{Fault, Faults, Place};
use quadrille_experiment::{
    Condition, Configuration, MeterReading, NEEDED_COLUMNS, OPTIONAL_COLUMNS, Reading,
};
use quadrille_quantity::{Ampere, Kelvin, Second, Tesla, Volt};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Reads a table of readings, in any order of columns.
///
/// Needed: `time_s`, `temperature_k`, `field_t`, `source_in`, `source_out`, `sense_high`, `sense_low` (contacts as
/// integers from 1), `current_a` (positive into `source_in`), `voltage_v` (high − low). Optional: `current_u_a`,
/// `voltage_u_v` (standard uncertainty of one reading apart from noise and gain), `current_gain_u`,
/// `voltage_gain_u` (relative standard uncertainty of the meter's gain, common to the table), `current_noise_u_a`,
/// `voltage_noise_u_v` (by noise, independent between readings), `current_settling_u_a`, `voltage_settling_u_v` (by what may
/// be left of the transient, common to a round), `condition`, `sample` (the name of the sample's document: a table of a night
/// may have several).
/// Lines that begin with `#` are comments. Every fault is told with line and column.
pub fn readings(name: &str, text: &str) -> Result<Vec<TableRow>, Faults> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut table = Table { document: name.into(), text, faults: Vec::new(), columns: BTreeMap::new() };
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    match reader.headers() {
        Ok(headers) => {
            let headers = headers.clone();
            table.header(&headers);
        }
        Err(error) => {
            table.fault(1, 1, "", error.to_string(), "write a header line, then a line a reading".into())
        }
    }
    let mut readings = Vec::new();
    if table.faults.is_empty() {
        for record in reader.records() {
            match record {
                Ok(record) => readings.extend(table.row(&record)),
                Err(error) => {
                    let line = error.position().map_or(1, csv::Position::line) as usize;
                    table.fault(line, 1, "", error.to_string(), "write the file as UTF-8 with commas".into());
                    break;
                }
            }
        }
        if readings.is_empty() && table.faults.is_empty() {
            table.fault(1, 1, "", "there are no readings".into(), "write a line for each reading".into());
        }
    }
    if table.faults.is_empty() { Ok(readings) } else { Err(Faults(table.faults)) }
}

/// One line of a table.
#[derive(Clone, Debug)]
pub struct TableRow {
    /// Name of the sample, where the table has a column for it and says one.
    pub sample: Option<String>,
    /// The reading.
    pub reading: Reading,
}

struct Table<'t> {
    document: Arc<str>,
    text: &'t str,
    faults: Vec<Fault>,
    columns: BTreeMap<String, usize>,
}

impl Table<'_> {
    fn fault(&mut self, line: usize, column: usize, key: &str, problem: String, remedy: String) {
        let place = Place { document: self.document.clone(), line, column, key: key.to_owned() };
        self.faults.push(Fault { place, problem, remedy });
    }

    /// Line of a record, from 1. The reader counts from where it began to look, before comments and empty lines.
    fn line(&self, record: &csv::StringRecord) -> usize {
        let Some(position) = record.position() else { return 1 };
        let rest = self.text.get(position.byte() as usize..).unwrap_or("");
        let passed = rest.lines().take_while(|line| line.trim().is_empty() || line.starts_with('#')).count();
        position.line() as usize + passed
    }

    fn header(&mut self, headers: &csv::StringRecord) {
        let line = self.line(headers);
        for (k, name) in headers.iter().enumerate() {
            let column = column_of(headers, k);
            if !NEEDED_COLUMNS.contains(&name) && !OPTIONAL_COLUMNS.contains(&name) {
                let remedy = format!("leave it out, or use one of {}", NEEDED_COLUMNS.join(", "));
                self.fault(line, column, name, format!("unknown column `{name}`"), remedy);
            } else if self.columns.insert(name.to_owned(), k).is_some() {
                self.fault(line, column, name, "the column is there twice".into(), "leave one out".into());
            }
        }
        for name in NEEDED_COLUMNS {
            if !self.columns.contains_key(name) {
                let remedy = format!("the header is {}", NEEDED_COLUMNS.join(","));
                self.fault(line, 1, name, format!("column `{name}` is missing"), remedy);
            }
        }
    }

    fn row(&mut self, record: &csv::StringRecord) -> Option<TableRow> {
        let reading = self.reading(record)?;
        let sample = self.field(record, "sample").filter(|name| !name.is_empty()).map(str::to_owned);
        Some(TableRow { sample, reading })
    }

    fn reading(&mut self, record: &csv::StringRecord) -> Option<Reading> {
        let line = self.line(record);
        if record.len() != self.columns.len() {
            let problem = format!("{} fields where the header has {}", record.len(), self.columns.len());
            self.fault(
                line,
                1,
                "",
                problem,
                "write one field a column; a decimal comma splits a field".into(),
            );
            return None;
        }
        let condition = self.condition(record, line);
        // The numbers of a reading that is not sound are what the meters sent; nothing computes with them.
        let any = condition != Some(Condition::Sound);
        let number = |table: &mut Self, name: &str| table.number(record, line, name, any);
        let (time, temperature, field) =
            (number(self, "time_s"), number(self, "temperature_k"), number(self, "field_t"));
        let (current, voltage) = (number(self, "current_a"), number(self, "voltage_v"));
        let (current_u, voltage_u) =
            (self.uncertainty(record, line, "current_u_a"), self.uncertainty(record, line, "voltage_u_v"));
        let (current_gain, voltage_gain) = (
            self.uncertainty(record, line, "current_gain_u"),
            self.uncertainty(record, line, "voltage_gain_u"),
        );
        let (current_noise, voltage_noise) = (
            self.uncertainty(record, line, "current_noise_u_a"),
            self.uncertainty(record, line, "voltage_noise_u_v"),
        );
        let (current_settling, voltage_settling) = (
            self.uncertainty(record, line, "current_settling_u_a"),
            self.uncertainty(record, line, "voltage_settling_u_v"),
        );
        let contacts: Vec<Option<u8>> =
            NEEDED_COLUMNS[3..7].iter().map(|name| self.contact(record, line, name)).collect();
        let contacts: Option<Vec<u8>> = contacts.into_iter().collect();
        let [a, b, c, d] = contacts?.try_into().ok()?;
        let temperature = temperature?;
        if temperature <= 0.0 {
            let column = self.column(record, "temperature_k");
            let problem = format!("{temperature} is not a temperature in kelvins");
            self.fault(line, column, "temperature_k", problem, "write kelvins, above 0".into());
            return None;
        }
        // Two terminals are a contact check's.
        let configuration =
            Configuration::new(a, b, c, d).filter(|c| c.is_four_terminal() || c.is_two_terminal());
        if configuration.is_none() {
            let column = self.column(record, "source_in");
            let problem = format!("contacts {a}, {b}, {c}, {d} use a contact twice");
            let remedy = "write four different contacts, from 1, or one pair twice, as in 1, 2, 1, 2";
            self.fault(line, column, "source_in", problem, remedy.into());
        }
        Some(Reading {
            time: Second(time?),
            temperature: Kelvin(temperature),
            field: Tesla(field?),
            configuration: configuration?,
            current: MeterReading {
                value: Ampere(current?),
                gain_u: current_gain?,
                own_u: Ampere(current_u?),
                noise_u: Ampere(current_noise?),
                settling_u: Ampere(current_settling?),
            },
            voltage: MeterReading {
                value: Volt(voltage?),
                gain_u: voltage_gain?,
                own_u: Volt(voltage_u?),
                noise_u: Volt(voltage_noise?),
                settling_u: Volt(voltage_settling?),
            },
            condition: condition?,
        })
    }

    fn column(&self, record: &csv::StringRecord, name: &str) -> usize {
        self.columns.get(name).map_or(1, |k| column_of(record, *k))
    }

    fn field<'r>(&self, record: &'r csv::StringRecord, name: &str) -> Option<&'r str> {
        record.get(*self.columns.get(name)?)
    }

    fn number(&mut self, record: &csv::StringRecord, line: usize, name: &str, any: bool) -> Option<f64> {
        let text = self.field(record, name)?;
        match text.parse::<f64>() {
            Ok(value) if value.is_finite() && (any || value.abs() < 9.9e37) => Some(value),
            _ => {
                let column = self.column(record, name);
                let problem = format!("\"{text}\" is not a finite number");
                self.fault(
                    line,
                    column,
                    name,
                    problem,
                    "write it with a decimal point, as in -1.25e-3".into(),
                );
                None
            }
        }
    }

    fn uncertainty(&mut self, record: &csv::StringRecord, line: usize, name: &str) -> Option<f64> {
        if self.field(record, name).is_none_or(str::is_empty) {
            return Some(0.0);
        }
        let value = self.number(record, line, name, false)?;
        if value < 0.0 {
            let column = self.column(record, name);
            self.fault(
                line,
                column,
                name,
                format!("{value} is negative"),
                "an uncertainty is 0 or more".into(),
            );
            return None;
        }
        Some(value)
    }

    fn contact(&mut self, record: &csv::StringRecord, line: usize, name: &str) -> Option<u8> {
        let text = self.field(record, name)?;
        let contact = text.parse().ok().filter(|number| (1..=250).contains(number));
        if contact.is_none() {
            let column = self.column(record, name);
            self.fault(
                line,
                column,
                name,
                format!("\"{text}\" is not a contact"),
                "write an integer from 1".into(),
            );
        }
        contact
    }

    fn condition(&mut self, record: &csv::StringRecord, line: usize) -> Option<Condition> {
        let Some(text) = self.field(record, "condition") else { return Some(Condition::Sound) };
        let found = Condition::ALL.into_iter().find(|condition| condition.word() == text);
        if found.is_none() {
            let words = Condition::ALL.map(Condition::word);
            let column = self.column(record, "condition");
            let problem = format!("\"{text}\" is not a condition");
            self.fault(line, column, "condition", problem, format!("write one of {}", words.join(", ")));
        }
        found
    }
}

/// Column, in characters from 1, at which field `k` begins; exact where no field is quoted.
fn column_of(record: &csv::StringRecord, k: usize) -> usize {
    record.iter().take(k).map(|field| field.chars().count() + 1).sum::<usize>() + 1
}
