//! How instruments and contacts are joined: which crosspoint of the matrix is what, and the cables. Knows no instrument.

use super::each_once;
use crate::fault::{Faults, Located, Place};
use crate::sample::Sample;
use crate::table::{Bounds, Table};
use std::borrow::Borrow;
use std::fmt;

/// One crosspoint of a matrix, written `row!column`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Crosspoint {
    /// Row, from 1.
    pub row: u16,
    /// Column, from 1.
    pub column: u16,
}

impl fmt::Display for Crosspoint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}!{}", self.row, self.column)
    }
}

/// Rows of the matrix to which the instruments' terminals are wired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rows {
    /// High terminal of the source.
    pub source_high: u16,
    /// Return lead, through the ammeter.
    pub return_low: u16,
    /// High terminal of the voltmeter.
    pub sense_high: u16,
    /// Low terminal of the voltmeter.
    pub sense_low: u16,
}

impl Rows {
    /// The four rows in the order of a configuration's contacts.
    pub fn in_order(self) -> [u16; 4] {
        [self.source_high, self.return_low, self.sense_high, self.sense_low]
    }
}

/// Unity-gain buffers that one crosspoint puts into both sense lines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Buffers {
    /// The crosspoint that switches them in.
    pub crosspoint: Crosspoint,
    /// Resistance from each input to ground, in ohms.
    pub input_resistance_ohm: f64,
    /// Largest current out of an input, in amperes.
    pub bias_current_a: f64,
}

/// A cable between matrix and instrument or matrix and contact; one is like the other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cable {
    /// Capacitance of the inner conductor against ground, guard not driven, in farads.
    pub capacitance_f: f64,
    /// Insulation of the inner conductor against ground, guard not driven, in ohms.
    pub insulation_ohm: f64,
    /// What is left of the capacitance when the guard is driven, in farads.
    pub guarded_capacitance_f: f64,
    /// What the insulation becomes when the guard is driven, in ohms.
    pub guarded_insulation_ohm: f64,
}

/// Which column of the matrix each contact of a sample is on.
#[derive(Clone, Debug, PartialEq)]
pub struct ColumnMap {
    /// Name of the sample's document; `None` where the bench wires one sample, whatever its name.
    pub sample: Option<Located<String>>,
    /// Column of contact 1, 2, 3, …
    pub columns: Vec<u16>,
    /// Where the columns are written.
    pub place: Place,
}

/// How instruments and contacts are joined.
#[derive(Clone, Debug)]
pub struct Wiring {
    /// Rows of the instruments.
    pub rows: Rows,
    /// The map of each sample: one without a name, or each with its own. No column is in two of them.
    pub maps: Vec<ColumnMap>,
    /// Buffers, where the bench has them.
    pub buffers: Option<Buffers>,
    /// Whether the cables have a guard that the current source drives.
    pub guard: bool,
    /// The cables.
    pub cable: Cable,
}

impl Wiring {
    /// Every wired column, in the order of the maps.
    pub fn columns(&self) -> impl Iterator<Item = u16> + '_ {
        self.maps.iter().flat_map(|map| &map.columns).copied()
    }

    /// Columns of contact 1, 2, 3, … of the sample whose document has a name; `None` where it is not wired.
    pub fn columns_of(&self, sample: &str) -> Option<&[u16]> {
        let map = self.maps.iter().find(|map| map.sample.as_ref().is_none_or(|name| name.value == sample));
        map.map(|map| map.columns.as_slice())
    }

    /// Columns of each of several samples that are on the bench together, in their order. What is wrong stands at a
    /// sample's name: it is not wired, another one is on its columns, or another one is called alike.
    pub fn columns_of_each<S: Borrow<Sample>>(&self, samples: &[S]) -> Result<Vec<Vec<u16>>, Faults> {
        let samples: Vec<&Sample> = samples.iter().map(Borrow::borrow).collect();
        let mut faults = Vec::new();
        let mut found = Vec::with_capacity(samples.len());
        for (k, sample) in samples.iter().enumerate() {
            let name = &sample.name;
            if let Some(other) = samples[..k].iter().find(|other| other.name.value == name.value) {
                let Place { document, line, .. } = &other.name.place;
                let problem = format!("\"{}\" is also the name in {document}:{line}", name.value);
                faults.push(name.fault(problem, "give each sample its own"));
            } else if k > 0 && self.maps.iter().any(|map| map.sample.is_none()) {
                let problem =
                    format!("the bench wires one sample, and that is \"{}\"", samples[0].name.value);
                faults.push(name.fault(problem, "write a [[wiring.sample]] for each in the bench document"));
            } else if let Some(columns) = self.columns_of(&name.value) {
                found.push(columns.to_vec());
            } else {
                let problem = format!("the bench wires no sample of the name \"{}\"", name.value);
                faults.push(name.fault(problem, self.named()));
            }
        }
        if faults.is_empty() { Ok(found) } else { Err(Faults(faults)) }
    }

    fn named(&self) -> String {
        let names = self.maps.iter().filter_map(|map| map.sample.as_ref());
        let names: Vec<String> = names.map(|name| format!("\"{}\"", name.value)).collect();
        format!("it wires {}: write one of them, or a [[wiring.sample]] with this name", names.join(", "))
    }
}

pub(super) fn read(table: &Table<'_>) -> Option<Wiring> {
    let rows = rows(table);
    let maps = maps(table);
    let guard = table.flag("guard").is_some_and(|guard| guard.value);
    let buffers = table.table("buffers").map(|t| buffers(&t));
    let cable = table
        .require("cable", "write [wiring.cable]: what one cable has against ground", table.table("cable"))
        .and_then(|t| cable(&t));
    let (rows, maps) = (rows?, maps?);
    let buffers = match buffers {
        Some(buffers) => Some(apart(table, buffers?, rows, &maps)?),
        None => None,
    };
    Some(Wiring { rows, maps, buffers, guard, cable: cable? })
}

fn rows(table: &Table<'_>) -> Option<Rows> {
    let table =
        table.require("rows", "write [wiring.rows]: which row is which terminal", table.table("rows"))?;
    let keys = ["source_high", "return_low", "sense_high", "sense_low"];
    let found: Vec<Option<Located<i64>>> = keys
        .iter()
        .map(|key| table.require(key, "write the number of the row", table.whole(key, 1, 9999)))
        .collect();
    for (k, row) in found.iter().enumerate() {
        let earlier = found[..k]
            .iter()
            .position(|other| matches!((other, row), (Some(other), Some(row)) if other.value == row.value));
        if let (Some(row), Some(earlier)) = (row, earlier) {
            let shorts = if (earlier, k) == (0, 1) {
                ": this would short the source"
            } else {
                ": this would tie two terminals together"
            };
            let problem = format!("row {} is already {}{shorts}", row.value, keys[earlier]);
            table.push(row.fault(problem, "give each terminal its own row"));
            return None;
        }
    }
    let rows: Option<Vec<u16>> = found.into_iter().map(|row| row.map(|row| row.value as u16)).collect();
    let [source_high, return_low, sense_high, sense_low] = rows?.try_into().ok()?;
    Some(Rows { source_high, return_low, sense_high, sense_low })
}

/// The map of the one sample, or those of [[wiring.sample]].
fn maps(table: &Table<'_>) -> Option<Vec<ColumnMap>> {
    let tables = table.tables("sample");
    if tables.is_empty() {
        let columns = columns(table)?;
        return Some(vec![map(None, &columns)]);
    }
    let mut right = true;
    if let Some(columns) = table.wholes("columns", 1, 9999) {
        // As the map of any other sample it would be that of every sample whose name is misspelt.
        let problem = "the columns of one sample beside [[wiring.sample]], which names each";
        table.push(columns.fault(problem, "write them in a [[wiring.sample]] with the name of their sample"));
        right = false;
    }
    let read: Vec<_> = tables
        .iter()
        .map(|t| (t.require("name", "write the name of the sample's document", t.name("name")), columns(t)))
        .collect();
    let names = read.iter().filter_map(|(name, _)| name.as_ref());
    right &= each_once(table, names.map(|name| (name, name.value.clone())), |name, line| {
        (format!("\"{}\" is also the sample on line {line}", name.value), "name each sample once")
    });
    let lists = read.iter().filter_map(|(_, columns)| columns.as_ref());
    let each = lists.flat_map(|list| &list.value).map(|column| (column, column.value));
    right &= each_once(table, each, |column, line| {
        let problem = format!("column {} is also a contact of the sample on line {line}", column.value);
        (problem, "give each contact of each sample its own column")
    });
    let maps: Option<Vec<_>> =
        read.into_iter().map(|(name, columns)| Some(map(Some(name?), &columns?))).collect();
    maps.filter(|_| right)
}

fn map(sample: Option<Located<String>>, columns: &Located<Vec<Located<i64>>>) -> ColumnMap {
    let numbers = columns.value.iter().map(|column| column.value as u16).collect();
    ColumnMap { sample, columns: numbers, place: columns.place.clone() }
}

fn columns(table: &Table<'_>) -> Option<Located<Vec<Located<i64>>>> {
    let remedy = "write the column of contact 1, 2, 3, 4, as in columns = [1, 2, 3, 4]";
    let columns = table.require("columns", remedy, table.wholes("columns", 1, 9999))?;
    let mut right = true;
    for (k, column) in columns.value.iter().enumerate() {
        if let Some(earlier) = columns.value[..k].iter().position(|other| other.value == column.value) {
            let problem =
                format!("contacts {} and {} are both on column {}", earlier + 1, k + 1, column.value);
            table.push(column.fault(problem, "give each contact its own column"));
            right = false;
        }
    }
    if columns.value.len() < 4 {
        table.push(columns.fault(format!("only {} contacts are wired", columns.value.len()), remedy));
        right = false;
    }
    right.then_some(columns)
}

fn buffers(table: &Table<'_>) -> Option<Located<Buffers>> {
    let crosspoint =
        table.require("crosspoint", "write it as in crosspoint = \"5!1\"", table.text("crosspoint"));
    let input = table.require(
        "input_resistance_ohm",
        "write the resistance of one input to ground",
        table.number("input_resistance_ohm", Bounds::new(1e3, 1e18, "ohm")),
    );
    let bias = table.number("bias_current_a", Bounds::new(0.0, 1e-3, "A")).map_or(0.0, |bias| bias.value);
    let crosspoint = crosspoint?;
    let read = crosspoint.value.split_once('!').and_then(|(row, column)| {
        let number =
            |text: &str| text.trim().parse::<u16>().ok().filter(|number| (1..=9999).contains(number));
        Some(Crosspoint { row: number(row)?, column: number(column)? })
    });
    if read.is_none() {
        let problem = format!("\"{}\" is not a crosspoint", crosspoint.value);
        table.push(crosspoint.fault(problem, "write row and column from 1, as in \"5!1\""));
    }
    let (read, input) = (read?, input?);
    Some(crosspoint.map(|_| Buffers {
        crosspoint: read,
        input_resistance_ohm: input.value,
        bias_current_a: bias,
    }))
}

/// The buffers' crosspoint must not be one that joins an instrument to a contact.
fn apart(table: &Table<'_>, buffers: Located<Buffers>, rows: Rows, maps: &[ColumnMap]) -> Option<Buffers> {
    let Crosspoint { row, column } = buffers.value.crosspoint;
    let joins = maps.iter().any(|map| map.columns.contains(&column));
    if rows.in_order().contains(&row) && joins {
        let problem =
            format!("{row}!{column} joins an instrument to a contact: it would not switch the buffers in");
        table.push(
            buffers.fault(problem, "write the crosspoint that the buffers' relay is wired to, as in \"5!1\""),
        );
        return None;
    }
    Some(buffers.value)
}

fn cable(table: &Table<'_>) -> Option<Cable> {
    let need = |key, bounds: Bounds| {
        table.require(key, "write what one cable has; 100e-12 F and 1e11 ohm a metre are usual (common practice, no source)", table.number(key, bounds)).map(|x| x.value)
    };
    let capacitance = need("capacitance_f", Bounds::new(1e-15, 1e-3, "F"));
    let insulation = need("insulation_ohm", Bounds::new(1e3, 1e19, "ohm"));
    let guarded_capacitance =
        table.number("guarded_capacitance_f", Bounds::new(1e-15, 1e-3, "F")).map(|x| x.value);
    let guarded_insulation =
        table.number("guarded_insulation_ohm", Bounds::new(1e3, 1e19, "ohm")).map(|x| x.value);
    let (capacitance_f, insulation_ohm) = (capacitance?, insulation?);
    Some(Cable {
        capacitance_f,
        insulation_ohm,
        guarded_capacitance_f: guarded_capacitance.unwrap_or(capacitance_f),
        guarded_insulation_ohm: guarded_insulation.unwrap_or(insulation_ohm),
    })
}
