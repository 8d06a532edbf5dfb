//! The instruments of a bench, how they are wired to samples, and what the bench may never exceed.

mod wiring;

pub use wiring::{Buffers, Cable, ColumnMap, Crosspoint, Rows, Wiring};

use crate::fault::Located;
use crate::imperfections::{self, Disturbances};
use crate::plant::{self, Cryostat, Magnet, Plants};
use crate::table::{Bounds, Table};
use std::collections::BTreeMap;
use std::fmt;

pub(crate) const KIND: &str = "bench";

/// Above this a bench document must acknowledge hazardous voltage. 60 V dc: limit for hazardous live parts in normal
/// dry conditions, IEC 61010-1, from memory; the standard in force and local rules decide.
const HAZARDOUS_V: f64 = 60.0;

/// What an instrument does on a bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    /// Drives the current.
    CurrentSource,
    /// Measures the voltage between the sense contacts.
    Voltmeter,
    /// Measures the current in the return lead.
    Ammeter,
    /// Routes the other three to the contacts.
    SwitchMatrix,
    /// Holds the temperature of the cryostat.
    TemperatureController,
    /// Drives the magnet, and says what field there is.
    FieldSource,
}

impl Role {
    /// All of them: a bench has at most one of each.
    pub const ALL: [Self; 6] = [
        Self::CurrentSource,
        Self::Voltmeter,
        Self::Ammeter,
        Self::SwitchMatrix,
        Self::TemperatureController,
        Self::FieldSource,
    ];

    /// Those that no bench can do without.
    pub const NEEDED: [Self; 4] = [Self::CurrentSource, Self::Voltmeter, Self::Ammeter, Self::SwitchMatrix];

    /// As documents write it.
    pub fn word(self) -> &'static str {
        match self {
            Self::CurrentSource => "current-source",
            Self::Voltmeter => "voltmeter",
            Self::Ammeter => "ammeter",
            Self::SwitchMatrix => "switch-matrix",
            Self::TemperatureController => "temperature-controller",
            Self::FieldSource => "field-source",
        }
    }

    pub(crate) fn read(table: &Table<'_>) -> Option<Located<Self>> {
        let word = table.word("role", &Self::ALL.map(Self::word))?;
        let role = Self::ALL.into_iter().find(|role| role.word() == word.value)?;
        Some(word.map(|_| role))
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// One instrument of the rack.
#[derive(Clone, Debug)]
pub struct Instrument {
    /// The laboratory's name for it.
    pub name: String,
    /// What it does.
    pub role: Role,
    /// VISA resource string, as written; the room that opens links judges it.
    pub resource: Located<String>,
    /// Its dialect: a path that ends in `.toml`, relative to the bench document, or the name of a shipped one.
    pub dialect: Located<String>,
    /// Pattern (`*` stands for anything) that its answer to `*IDN?` must have.
    pub identity: Option<String>,
    /// Longest wait for an answer, in seconds, beyond what the question itself takes.
    pub timeout_s: f64,
    /// Line speed, for a serial line.
    pub baud: u32,
}

/// What this bench may never exceed, whatever a recipe says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BenchLimits {
    /// Highest voltage limit of the source, in volts.
    pub voltage_v: f64,
    /// Highest current, in amperes.
    pub current_a: f64,
    /// Highest power in the sample, in watts.
    pub power_w: f64,
}

/// A bench.
#[derive(Clone, Debug)]
pub struct Bench {
    /// Its name.
    pub name: String,
    /// At most one instrument of each role, one of each that is needed, in the order of the document.
    pub instruments: Vec<Instrument>,
    /// The wiring.
    pub wiring: Wiring,
    /// The limits.
    pub limits: BenchLimits,
    /// Power-line frequency in hertz.
    pub mains_hz: f64,
    /// Limits of the cryostat, where the bench has a temperature controller.
    pub cryostat: Option<Cryostat>,
    /// Limits and constants of the magnet, where the bench has a field source.
    pub magnet: Option<Magnet>,
    /// Seed of everything that a simulation of this bench draws.
    pub seed: u64,
    /// What a simulation makes cryostat and magnet of.
    pub plants: Plants,
    /// What a simulation adds to what is measured.
    pub disturbances: Disturbances,
}

impl Bench {
    /// The instrument of a role. A checked bench has one of each in [`Role::NEEDED`].
    pub fn instrument(&self, role: Role) -> Option<&Instrument> {
        self.instruments.iter().find(|instrument| instrument.role == role)
    }
}

/// Judges a resource string: what is wrong with it, in words. The room of the links knows; this one does not import it.
pub type Judge = fn(&str) -> Result<(), String>;

pub(crate) fn read(root: &Table<'_>, judge: Judge) -> Option<Bench> {
    let name = root.require("name", "name the bench", root.name("name"));
    root.text("notes");
    let instruments = instruments(root, judge);
    let wiring = root
        .require("wiring", "write [wiring]: rows, columns, cable", root.table("wiring"))
        .and_then(|t| wiring::read(&t));
    let limits = root
        .require("limits", "write [limits] with voltage_v, current_a and power_w", root.table("limits"))
        .and_then(|t| limits(&t));
    let mains = root
        .require("mains", "write [mains] with frequency_hz = 50 or 60", root.table("mains"))
        .and_then(|t| {
            t.require(
                "frequency_hz",
                "write 50 or 60",
                t.number("frequency_hz", Bounds::new(16.0, 500.0, "Hz")),
            )
        });
    // Where instruments are wrong, nothing can be said of what they need.
    let has = |role| instruments.as_ref().map(|list: &Vec<Instrument>| list.iter().any(|i| i.role == role));
    let cryostat = plant::cryostat(root, has(Role::TemperatureController));
    let magnet = plant::magnet(root, has(Role::FieldSource));
    let simulation = root.table("simulation");
    let seed = simulation.as_ref().and_then(|t| t.whole("seed", 0, i64::MAX)).map_or(1, |seed| seed.value);
    let plants = plant::plants(simulation.as_ref());
    let disturbances = imperfections::disturbances(simulation.as_ref());
    Some(Bench {
        name: name?.value,
        instruments: instruments?,
        wiring: wiring?,
        limits: limits?,
        mains_hz: mains?.value,
        cryostat: cryostat?,
        magnet: magnet?,
        seed: seed.unsigned_abs(),
        plants: plants?,
        disturbances: disturbances?,
    })
}

/// What could be read of one instrument: a fault in one key does not hide those of the others.
struct Entry {
    name: Option<Located<String>>,
    role: Option<Located<Role>>,
    resource: Option<Located<String>>,
    instrument: Option<Instrument>,
}

fn instruments(root: &Table<'_>, judge: Judge) -> Option<Vec<Instrument>> {
    let tables = root.tables("instrument");
    let read: Vec<Entry> = tables.iter().map(|table| instrument(table, judge)).collect();
    let names = read.iter().filter_map(|entry| entry.name.as_ref());
    let mut right = each_once(root, names.map(|name| (name, name.value.clone())), |name, line| {
        (format!("\"{}\" is also the name on line {line}", name.value), "give each its own")
    });
    let resources = read.iter().filter_map(|entry| entry.resource.as_ref());
    right &= each_once(root, resources.map(|r| (r, r.value.trim().to_ascii_uppercase())), |_, line| {
        (format!("the same resource is on line {line}"), "one link belongs to one instrument: write its own")
    });
    let roles: Vec<&Located<Role>> = read.iter().filter_map(|entry| entry.role.as_ref()).collect();
    right &= each_once(root, roles.iter().map(|role| (*role, role.value)), |role, line| {
        let problem = format!("a second {} (the first is on line {line})", role.value);
        (problem, "a bench has at most one instrument of each role")
    });
    // A role that could not be read may be any of those that are missing.
    if roles.len() == read.len() {
        for role in Role::NEEDED.into_iter().filter(|role| !roles.iter().any(|found| found.value == *role)) {
            let remedy = format!("write an [[instrument]] with role = \"{role}\"");
            root.push(root.located(()).fault(format!("the bench has no {role}"), remedy));
            right = false;
        }
    }
    let instruments: Option<Vec<Instrument>> = read.into_iter().map(|entry| entry.instrument).collect();
    instruments.filter(|_| right)
}

/// Faults for each value whose key stands before; whether there was none.
fn each_once<'v, T: 'v, K: Ord>(
    root: &Table<'_>,
    values: impl Iterator<Item = (&'v Located<T>, K)>,
    told: impl Fn(&Located<T>, usize) -> (String, &'static str),
) -> bool {
    let mut lines = BTreeMap::new();
    let mut right = true;
    for (value, key) in values {
        if let Some(line) = lines.insert(key, value.place.line) {
            let (problem, remedy) = told(value, line);
            root.push(value.fault(problem, remedy));
            right = false;
        }
    }
    right
}

fn instrument(table: &Table<'_>, judge: Judge) -> Entry {
    let name = table.require("name", "name the instrument", table.name("name"));
    let role = table.require("role", "say what it does, as in role = \"voltmeter\"", Role::read(table));
    let resource = table.require(
        "resource",
        "write its VISA resource string, as in \"TCPIP::192.0.2.7::5025::SOCKET\"",
        table.text("resource"),
    );
    let judged = resource.as_ref().map_or(Ok(()), |resource| judge(&resource.value));
    if let (Some(resource), Err(problem)) = (&resource, &judged) {
        let remedy = "write it as in \"TCPIP::192.0.2.7::5025::SOCKET\" or \"ASRL/dev/ttyUSB0::INSTR\"";
        table.push(resource.fault(problem.clone(), remedy));
    }
    let dialect = table.require(
        "dialect",
        "name a shipped dialect, as in \"voltmeter\", or write the path of a dialect document from this file",
        table.text("dialect"),
    );
    let identity = table.text("identity");
    let timeout =
        table.number("timeout_s", Bounds::new(0.01, 600.0, "s")).map_or(2.0, |timeout| timeout.value);
    let baud = table.whole("baud", 50, 4_000_000).map_or(9600, |baud| baud.value as u32);
    let instrument = || {
        Some(Instrument {
            name: name.as_ref()?.value.clone(),
            role: role.as_ref()?.value,
            resource: resource.clone().filter(|_| judged.is_ok())?,
            dialect: dialect?,
            identity: identity.map(|identity| identity.value),
            timeout_s: timeout,
            baud,
        })
    };
    let instrument = instrument();
    Entry { name, role, resource, instrument }
}

fn limits(table: &Table<'_>) -> Option<BenchLimits> {
    let need = |key, most, unit| {
        let found = table.number(key, Bounds::new(1e-15, most, unit));
        table.require(key, "write the most that this bench may ever apply", found)
    };
    let voltage = need("voltage_v", 2000.0, "V");
    let current = need("current_a", 10.0, "A");
    let power = need("power_w", 100.0, "W");
    let acknowledged = table.flag("hazardous_voltage_acknowledged").is_some_and(|flag| flag.value);
    let (voltage, current, power) = (voltage?, current?, power?);
    if voltage.value > HAZARDOUS_V && !acknowledged {
        let problem =
            format!("{} V is above {HAZARDOUS_V} V dc, where parts may be hazardous live", voltage.value);
        table.push(voltage.fault(
            problem,
            "lower it, or write hazardous_voltage_acknowledged = true when the bench is enclosed and interlocked by the rules of your site",
        ));
        return None;
    }
    Some(BenchLimits { voltage_v: voltage.value, current_a: current.value, power_w: power.value })
}
