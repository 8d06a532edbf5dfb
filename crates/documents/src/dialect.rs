//! How one kind of instrument is spoken to, and the facts of its data sheet.
//!
//! A laboratory brings up an instrument from its manual by writing this document: a template for each action of the
//! role, the form of each reply, and the facts that plan, budget and simulation need.

use crate::action::{Action, Reply};
use crate::bench::{
    Crosspoint,
    Role::{self, Ammeter, CurrentSource, FieldSource, SwitchMatrix, TemperatureController, Voltmeter},
};
use crate::fault::{Located, Place};
use crate::table::{Bounds, Table};
use crate::template::{Placeholder, Template};
use serde::Serialize;
use std::collections::BTreeMap;

pub(crate) const KIND: &str = "dialect";

/// One range of an instrument with its accuracy.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RangeFacts {
    /// Largest value of the range, in the unit of the role: amperes or volts.
    pub full_scale: f64,
    /// Accuracy as a part of the reading: half-width of a rectangular distribution.
    pub of_reading: f64,
    /// Accuracy as a part of full scale: half-width of a rectangular distribution.
    pub of_range: f64,
    /// White noise, in V/√Hz or A/√Hz.
    pub noise_per_rthz: f64,
    /// Where 1/f noise is as dense as the white, in hertz; 0 where there is none worth naming.
    pub noise_corner_hz: f64,
}

impl RangeFacts {
    /// Relative standard uncertainty of the gain (JCGM 100:2008, 4.3.7).
    pub fn gain_u(&self) -> f64 {
        self.of_reading / 3f64.sqrt()
    }

    /// Standard uncertainty of the part of range (JCGM 100:2008, 4.3.7).
    pub fn own_u(&self) -> f64 {
        self.of_range * self.full_scale / 3f64.sqrt()
    }
}

/// What the data sheet says; which of them are there depends on the role.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// Ranges from the smallest to the largest; of a switch matrix, none.
    pub ranges: Vec<RangeFacts>,
    /// Time after a command until the instrument itself has followed it, in seconds.
    pub operate_s: f64,
    /// Source: resistance in parallel with its output, in ohms.
    pub output_resistance_ohm: f64,
    /// Voltmeter: resistance between its terminals, in ohms.
    pub input_resistance_ohm: f64,
    /// Voltmeter: largest current out of its terminals, in amperes.
    pub bias_current_a: f64,
    /// Ammeter: resistance between its terminals, in ohms.
    pub burden_ohm: f64,
    /// Matrix: resistance of a closed crosspoint, in ohms.
    pub closed_resistance_ohm: f64,
    /// Matrix: resistance of an open crosspoint, in ohms.
    pub open_resistance_ohm: f64,
    /// Matrix: thermoelectric voltage of a closed crosspoint, standard deviation over crosspoints, in volts.
    pub thermoelectric_v: f64,
    /// Thermometer or field probe: accuracy as a part of the reading, half-width of a rectangular distribution.
    pub of_reading: f64,
    /// Thermometer or field probe: rest of its accuracy, in kelvins or teslas, half-width of a rectangular distribution.
    pub accuracy: f64,
    /// Temperature controller and field source: step to which a target is rounded, in the unit in which it is set.
    pub target_step: f64,
    /// Temperature controller and field source: step to which a ramp is rounded, in the unit in which it is set.
    pub ramp_step: f64,
}

/// A bit that says what is wrong with an instrument.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FaultBit {
    /// Its number.
    pub bit: u8,
    /// What it means, in words.
    pub meaning: String,
}

impl Facts {
    /// The smallest range that holds a value, or `None` where none does.
    pub fn range_for(&self, value: f64) -> Option<&RangeFacts> {
        self.ranges.iter().find(|range| range.full_scale >= value.abs() * (1.0 - 1e-9))
    }
}

/// How one kind of instrument is spoken to.
#[derive(Clone, Debug)]
pub struct Dialect {
    /// Name of the kind.
    pub name: String,
    /// What it can be on a bench.
    pub role: Role,
    /// Commands that bring it to a known state, sent before anything else.
    pub initialise: Vec<Template>,
    /// Number of the bit that `in_compliance` asks for.
    pub compliance_bit: u8,
    /// Number of the bit that `ramping` asks for.
    pub ramping_bit: u8,
    /// Whether that bit is 0 while it ramps.
    pub ramping_is_zero: bool,
    /// The bits of the answer to `fault` that are faults; where there are none, any answer but zero is one.
    pub fault_bits: Vec<FaultBit>,
    /// How a crosspoint is written in a list.
    pub crosspoint: Template,
    /// Facts of the data sheet.
    pub facts: Facts,
    templates: BTreeMap<Action, Located<Template>>,
}

impl Dialect {
    /// The template of an action; `None` where this kind of instrument cannot do it.
    pub fn template(&self, action: Action) -> Option<&Template> {
        self.templates.get(&action).map(|template| &template.value)
    }

    /// Every action with its template.
    pub fn templates(&self) -> impl Iterator<Item = (Action, &Template)> {
        self.templates.iter().map(|(&action, template)| (action, &template.value))
    }

    /// Where the template of an action is written.
    pub fn place(&self, action: Action) -> Option<&Place> {
        self.templates.get(&action).map(|template| &template.place)
    }

    /// Whether this kind of instrument can do or tell something.
    pub fn can(&self, action: Action) -> bool {
        self.templates.contains_key(&action)
    }

    /// One crosspoint as this dialect writes it.
    pub fn crosspoint_text(&self, crosspoint: Crosspoint) -> String {
        use crate::template::Part;
        let write = |part: &Part| match part {
            Part::Text(text) => text.clone(),
            Part::Value(Placeholder::Row) => crosspoint.row.to_string(),
            Part::Value(_) => crosspoint.column.to_string(),
        };
        self.crosspoint.parts().iter().map(write).collect()
    }
}

pub(crate) fn read(root: &Table<'_>) -> Option<Dialect> {
    let name = root.require("name", "name the kind of instrument", root.name("name"));
    let role = root.require("role", "say what it can be, as in role = \"voltmeter\"", Role::read(root));
    let initialise = initialisation(root);
    let crosspoint = crosspoint_form(root);
    let Some(role) = role else {
        // Without the role no key below can be judged.
        for key in ["commands", "queries", "facts"] {
            root.has(key);
        }
        return None;
    };
    let templates = templates(root, role.value);
    let facts_table =
        root.require("facts", "write [facts] with the data of the data sheet", root.table("facts"))?;
    let facts = facts(&facts_table, role.value);
    let bit = |key| facts_table.whole(key, 0, 15).map_or(0, |bit| bit.value as u8);
    let (compliance_bit, ramping_bit) = (bit("compliance_bit"), bit("ramping_bit"));
    let ramping_is_zero = facts_table.flag("ramping_is_zero").is_some_and(|flag| flag.value);
    let fault_bits = fault_bits(&facts_table);
    Some(Dialect {
        name: name?.value,
        role: role.value,
        initialise: initialise?,
        compliance_bit,
        ramping_bit,
        ramping_is_zero,
        fault_bits: fault_bits?,
        crosspoint: crosspoint?,
        facts: facts?,
        templates: templates?,
    })
}

fn initialisation(root: &Table<'_>) -> Option<Vec<Template>> {
    let remedy = "write the commands that bring the instrument to a known state, as in [\"*CLS\", \"*RST\"]";
    let texts = root.require("initialise", remedy, root.texts("initialise", remedy))?;
    let read: Vec<_> = texts.value.iter().map(|text| command(root, text, &[], false)).collect();
    read.into_iter().collect()
}

fn fault_bits(facts: &Table<'_>) -> Option<Vec<FaultBit>> {
    let read = |table: &Table<'_>| {
        let bit = table.require("bit", "write its number, from 0", table.whole("bit", 0, 15));
        let meaning = table.require("meaning", "say what is wrong when it is set", table.name("meaning"));
        Some(FaultBit { bit: bit?.value as u8, meaning: meaning?.value })
    };
    let bits: Vec<Option<FaultBit>> = facts.tables("fault").iter().map(read).collect();
    bits.into_iter().collect()
}

/// A template checked as a command (without `?`) or as a query (with one).
fn command(
    table: &Table<'_>,
    text: &Located<String>,
    allowed: &[Placeholder],
    is_query: bool,
) -> Option<Template> {
    let template = match Template::parse(&text.value, allowed) {
        Ok(template) => template,
        Err((problem, remedy)) => {
            table.push(text.fault(problem, remedy));
            return None;
        }
    };
    if !allowed.is_empty() && !allowed.iter().any(|placeholder| template.carries(*placeholder)) {
        let names: Vec<String> = allowed.iter().map(|p| format!("{{{}}}", p.name())).collect();
        table.push(
            text.fault("the value to set does not appear", format!("write {} in it", names.join(" or "))),
        );
        return None;
    }
    if template.has(&['?']) != is_query {
        let (problem, remedy) = if is_query {
            ("a query must ask: there is no `?`", "write the query form of the command")
        } else {
            ("a command must not ask: its answer would be taken for another's", "leave out the part with `?`")
        };
        table.push(text.fault(problem, remedy));
        return None;
    }
    Some(template)
}

fn crosspoint_form(root: &Table<'_>) -> Option<Template> {
    let Some(text) = root.text("crosspoint") else {
        return Template::parse("{row}!{column}", &[Placeholder::Row, Placeholder::Column]).ok();
    };
    let remedy = "write it as in \"{row}!{column}\"";
    let separators = [';', ',', '"', '\'', '(', ')', '@', ':', '#', '?'];
    let problem = match Template::parse(&text.value, &[Placeholder::Row, Placeholder::Column]) {
        Err((problem, _)) => problem,
        Ok(form) if form.has(&separators) => "a separator or quote could split the command".to_owned(),
        Ok(form) if !form.carries(Placeholder::Row) || !form.carries(Placeholder::Column) => {
            "both {row} and {column} must appear".to_owned()
        }
        Ok(form) => return Some(form),
    };
    root.push(text.fault(problem, remedy));
    None
}

fn templates(root: &Table<'_>, role: Role) -> Option<BTreeMap<Action, Located<Template>>> {
    let commands =
        root.require("commands", "write [commands] with a template for each", root.table("commands"));
    let queries = root.require("queries", "write [queries] with a template for each", root.table("queries"));
    let (commands, queries) = (commands?, queries?);
    let mut templates = BTreeMap::new();
    let mut all_right = true;
    for &action in Action::ALL.iter().filter(|action| action.roles().contains(&role)) {
        let is_query = action.reply() != Reply::Nothing;
        let table = if is_query { &queries } else { &commands };
        let text = table.text(action.key());
        if text.is_none() && !table.has(action.key()) && !action.is_needed() {
            continue;
        }
        let remedy = format!("write its template: a {role} must have it");
        let text = table.require(action.key(), &remedy, text);
        let read = |text: Located<String>| {
            let value = command(table, &text, action.placeholders(), is_query)?;
            Some(Located { value, place: text.place })
        };
        match text.and_then(read) {
            Some(template) => {
                templates.insert(action, template);
            }
            None => all_right = false,
        }
    }
    all_right.then_some(templates)
}

const RESISTANCE: Bounds = Bounds::new(1e-6, 1e18, "ohm");
const PART: Bounds = Bounds::new(0.0, 0.5, "");

fn facts(table: &Table<'_>, role: Role) -> Option<Facts> {
    let need = |key: &'static str, bounds: Bounds| {
        let found = table.number(key, bounds);
        table
            .require(key, &format!("write it from the data sheet, in {}", bounds.unit), found)
            .map(|x| x.value)
    };
    let operate_s = need("operate_s", Bounds::new(0.0, 60.0, "s"));
    let ranges = match role {
        CurrentSource | Voltmeter | Ammeter => ranges(table, role),
        SwitchMatrix | TemperatureController | FieldSource => Some(Vec::new()),
    };
    let mut facts = Facts::default();
    match role {
        CurrentSource => facts.output_resistance_ohm = need("output_resistance_ohm", RESISTANCE)?,
        Voltmeter => {
            let input = need("input_resistance_ohm", RESISTANCE);
            let bias = need("bias_current_a", Bounds::new(0.0, 1e-3, "A"));
            (facts.input_resistance_ohm, facts.bias_current_a) = (input?, bias?);
        }
        Ammeter => facts.burden_ohm = need("burden_ohm", RESISTANCE)?,
        SwitchMatrix => {
            let closed = need("closed_resistance_ohm", RESISTANCE);
            let open = need("open_resistance_ohm", RESISTANCE);
            let thermoelectric = need("thermoelectric_v", Bounds::new(0.0, 1e-3, "V"));
            (facts.closed_resistance_ohm, facts.open_resistance_ohm) = (closed?, open?);
            facts.thermoelectric_v = thermoelectric?;
        }
        TemperatureController => facts.accuracy = need("accuracy_k", Bounds::new(0.0, 100.0, "K"))?,
        FieldSource => {
            let of_reading = need("of_reading", PART);
            let accuracy = need("accuracy_t", Bounds::new(0.0, 1.0, "T"));
            (facts.of_reading, facts.accuracy) = (of_reading?, accuracy?);
        }
    }
    if matches!(role, TemperatureController | FieldSource) {
        let step = |key| table.number(key, Bounds::new(0.0, 10.0, "")).map_or(0.0, |step| step.value);
        (facts.target_step, facts.ramp_step) = (step("target_step"), step("ramp_step"));
    }
    (facts.operate_s, facts.ranges) = (operate_s?, ranges?);
    Some(facts)
}

fn ranges(table: &Table<'_>, role: Role) -> Option<Vec<RangeFacts>> {
    let (full_scale, noise, unit, most) = match role {
        Voltmeter => ("full_scale_v", "noise_v_per_rthz", "V", 1e4),
        _ => ("full_scale_a", "noise_a_per_rthz", "A", 1e3),
    };
    let tables = table.tables("range");
    table.require("range", "write a [[facts.range]] for each range", (!tables.is_empty()).then_some(()))?;
    let mut ranges: Vec<RangeFacts> = Vec::new();
    let mut all_right = true;
    for table in &tables {
        let need =
            |key, bounds| table.require(key, "write it from the data sheet", table.number(key, bounds));
        let scale = need(full_scale, Bounds::new(1e-15, most, unit));
        let of_reading = need("of_reading", PART);
        let of_range = need("of_range", PART);
        let noise = need(noise, Bounds::new(0.0, 1.0, unit));
        let corner = table.number("noise_corner_hz", Bounds::new(0.0, 1e6, "Hz"));
        let (Some(scale), Some(of_reading), Some(of_range), Some(noise)) =
            (scale, of_reading, of_range, noise)
        else {
            all_right = false;
            continue;
        };
        if ranges.last().is_some_and(|last| last.full_scale >= scale.value) {
            let problem = format!("{:e} {unit} does not follow the range before it", scale.value);
            table.push(scale.fault(problem, "write the ranges from the smallest to the largest, each once"));
            all_right = false;
        }
        ranges.push(RangeFacts {
            full_scale: scale.value,
            of_reading: of_reading.value,
            of_range: of_range.value,
            noise_per_rthz: noise.value,
            noise_corner_hz: corner.map_or(0.0, |corner| corner.value),
        });
    }
    all_right.then_some(ranges)
}
