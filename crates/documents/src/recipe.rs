//! What to measure, and how carefully.

use crate::fault::Located;
use crate::table::{Bounds, Table};
use quadrille_experiment::{Configuration, DIAGONALS, Polarity, STANDARD};

pub(crate) const KIND: &str = "recipe";

/// Whether something is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Switch {
    /// On.
    On,
    /// Off.
    Off,
    /// As the resistance asks for.
    #[default]
    ByResistance,
}

impl Switch {
    /// As documents write them.
    pub const WORDS: [&'static str; 3] = ["on", "off", "by-resistance"];

    /// Reads a word; `None` where it is none of [`Self::WORDS`].
    pub fn from_word(word: &str) -> Option<Self> {
        Some(match word {
            "on" => Self::On,
            "off" => Self::Off,
            "by-resistance" => Self::ByResistance,
            _ => return None,
        })
    }
}

/// How long to wait after a change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Settling {
    /// So many seconds.
    Time(f64),
    /// So many time constants of the leads with the sample.
    TimeConstants(f64),
}

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

/// Limits of the checks; each relative. Defaults are the standards'.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Acceptance {
    /// Directed resistances of one current pair.
    pub reversal: f64,
    /// Exchange of current and sense pairs.
    pub reciprocity: f64,
    /// The two resistivities of the two halves of the configurations.
    pub pair_agreement: f64,
    /// The two Hall coefficients of the two diagonals.
    pub hall_pair_agreement: f64,
    /// Current asked of the source against current returned.
    pub returned_current: f64,
}

impl Default for Acceptance {
    /// Reversal and reciprocity 3 % (NIST's public description of the Hall measurement: investigate above 5 %,
    /// preferably 3 %; from memory), pairs 10 % (ASTM F76, from memory), returned current 1 % (common practice, no
    /// source).
    fn default() -> Self {
        Self {
            reversal: 0.03,
            reciprocity: 0.03,
            pair_agreement: 0.10,
            hall_pair_agreement: 0.10,
            returned_current: 0.01,
        }
    }
}

/// When a temperature counts as reached.
#[derive(Clone, Debug, PartialEq)]
pub struct Stability {
    /// How far the sensor may be from the target, in kelvins.
    pub within_k: f64,
    /// For how long without a break, in seconds.
    pub for_s: f64,
    /// Longest wait for it, in seconds.
    pub longest_wait_s: f64,
    /// Ramp to the next temperature, in kelvins a minute; the cryostat's own limit where it is absent.
    pub ramp_k_per_min: Option<Located<f64>>,
}

impl Default for Stability {
    /// A tenth of a kelvin for a minute, within an hour (common practice, no source).
    fn default() -> Self {
        Self { within_k: 0.1, for_s: 60.0, longest_wait_s: 3600.0, ramp_k_per_min: None }
    }
}

/// A recipe.
#[derive(Clone, Debug)]
pub struct Recipe {
    /// Its name.
    pub name: Located<String>,
    /// Current, in amperes.
    pub current_a: Located<f64>,
    /// Voltage limit of the source, in volts.
    pub voltage_limit_v: Located<f64>,
    /// Full scale of the voltmeter's range, in volts; found by a first look where it is absent.
    pub voltage_range_v: Option<Located<f64>>,
    /// Averaging time of a reading, in power-line cycles.
    pub aperture_plc: f64,
    /// Order of the polarities in one leg.
    pub reversal: Vec<Polarity>,
    /// How often the pattern is taken.
    pub repeats: u32,
    /// How long to wait after each change.
    pub settling: Settling,
    /// The guard.
    pub guard: Located<Switch>,
    /// The buffers.
    pub buffers: Located<Switch>,
    /// Temperatures in order, in kelvins; one at least. A single one may be what the person at the bench states.
    pub temperatures_k: Vec<Located<f64>>,
    /// When a temperature counts as reached.
    pub stability: Stability,
    /// What to measure at zero field.
    pub resistivity: Option<Resistivity>,
    /// What to measure in a field.
    pub hall: Option<Hall>,
    /// Limits of the checks.
    pub acceptance: Acceptance,
}

pub(crate) fn read(root: &Table<'_>) -> Option<Recipe> {
    let name = root.require("name", "name the recipe", root.name("name"));
    root.text("notes");
    let current = root.number("current_a", Bounds::new(1e-15, 10.0, "A"));
    let current = root.require("current_a", "write the current in amperes, as in 1e-4", current);
    let limit = root.number("voltage_limit_v", Bounds::new(1e-6, 2000.0, "V"));
    let limit = root.require("voltage_limit_v", "write the voltage limit of the source, as in 2.0", limit);
    let range = root.number("voltage_range_v", Bounds::new(1e-9, 2000.0, "V"));
    let aperture = root.number("aperture_plc", Bounds::new(0.001, 1000.0, "power-line cycles"));
    let reversal = reversal(root);
    let repeats = root.whole("repeats", 1, 10_000);
    let settling = root
        .require("settling", "write [settling] with time_s or time_constants", root.table("settling"))
        .and_then(|table| settling(&table));
    let guard = switch(root, "guard");
    let buffers = switch(root, "buffers");
    let temperatures = temperatures(root);
    let stability = optional(root, "stability", stability);
    let resistivity = optional(root, "resistivity", resistivity);
    let hall = optional(root, "hall", hall);
    let acceptance = optional(root, "acceptance", acceptance);
    let (resistivity, hall) = (resistivity?, hall?);
    if resistivity.is_none() && hall.is_none() {
        let remedy = "write [resistivity], [hall] or both";
        root.push(root.located(()).fault("the recipe measures nothing", remedy));
        return None;
    }
    Some(Recipe {
        name: name?,
        current_a: current?,
        voltage_limit_v: limit?,
        voltage_range_v: absent_or(root, "voltage_range_v", range)?,
        aperture_plc: absent_or(root, "aperture_plc", aperture)?.map_or(1.0, |plc| plc.value),
        reversal: reversal?,
        repeats: absent_or(root, "repeats", repeats)?.map_or(1, |repeats| repeats.value as u32),
        settling: settling?,
        guard: guard?,
        buffers: buffers?,
        temperatures_k: temperatures?,
        stability: stability?.unwrap_or_default(),
        resistivity,
        hall,
        acceptance: acceptance?.unwrap_or_default(),
    })
}

const TEMPERATURE: Bounds = Bounds::new(0.01, 2000.0, "K");

fn temperatures(root: &Table<'_>) -> Option<Vec<Located<f64>>> {
    let one = root.number("temperature_k", TEMPERATURE);
    let list = root.numbers("temperatures_k", TEMPERATURE);
    if root.has("temperature_k") && root.has("temperatures_k") {
        let problem = "temperature_k and temperatures_k are both written";
        root.push(root.located(()).fault(problem, "write one of them"));
        return None;
    }
    if root.has("temperatures_k") {
        let list = list?;
        if list.value.is_empty() {
            root.push(list.fault("no temperature to measure at", "write temperatures_k = [300, 250, 200]"));
        }
        return (!list.value.is_empty()).then_some(list.value);
    }
    root.require("temperature_k", "write the temperature of the sample in kelvins", one).map(|one| vec![one])
}

fn stability(table: &Table<'_>) -> Option<Stability> {
    let usual = Stability::default();
    let number = |key, bounds| absent_or(table, key, table.number(key, bounds));
    let within = number("within_k", Bounds::new(1e-5, 100.0, "K"));
    let time = number("for_s", Bounds::new(0.0, 86_400.0, "s"));
    let longest = number("longest_wait_s", Bounds::new(1.0, 604_800.0, "s"));
    let ramp = number("ramp_k_per_min", Bounds::new(1e-4, 1000.0, "K/min"));
    let or = |found: Option<Located<f64>>, usual| found.map_or(usual, |number| number.value);
    let (for_s, longest_wait_s) = (or(time?, usual.for_s), longest?);
    if let Some(longest) = longest_wait_s.as_ref().filter(|longest| longest.value <= for_s) {
        let remedy = format!("write more than for_s, {for_s} s");
        table.push(longest.fault("the wait ends before the temperature can count as reached", remedy));
        return None;
    }
    Some(Stability {
        within_k: or(within?, usual.within_k),
        for_s,
        longest_wait_s: or(longest_wait_s, usual.longest_wait_s.max(2.0 * for_s)),
        ramp_k_per_min: ramp?,
    })
}

/// `Some(None)` where the key is absent, `None` where it is there and wrong.
fn absent_or<T>(table: &Table<'_>, key: &'static str, found: Option<T>) -> Option<Option<T>> {
    match found {
        Some(found) => Some(Some(found)),
        None => (!table.has(key)).then_some(None),
    }
}

fn optional<T>(root: &Table<'_>, key: &'static str, read: fn(&Table<'_>) -> Option<T>) -> Option<Option<T>> {
    match root.table(key) {
        Some(table) => read(&table).map(Some),
        None => absent_or(root, key, None),
    }
}

fn switch(root: &Table<'_>, key: &'static str) -> Option<Located<Switch>> {
    match root.word(key, &Switch::WORDS) {
        Some(word) => Switch::from_word(word.value).map(|switch| word.map(|_| switch)),
        None => (!root.has(key)).then(|| root.located(Switch::default())),
    }
}

fn reversal(root: &Table<'_>) -> Option<Vec<Polarity>> {
    let remedy = "write a pattern of + and - with both in it, as in reversal = \"+--+\"";
    let Some(text) = root.text("reversal") else {
        return (!root.has("reversal")).then(|| vec![Polarity::Plus, Polarity::Minus]);
    };
    let read = |c| match c {
        '+' => Some(Polarity::Plus),
        '-' | '−' => Some(Polarity::Minus),
        _ => None,
    };
    let pattern: Option<Vec<Polarity>> = text.value.chars().map(read).collect();
    let both = |pattern: &Vec<Polarity>| {
        pattern.contains(&Polarity::Plus) && pattern.contains(&Polarity::Minus) && pattern.len() <= 64
    };
    let pattern = pattern.filter(both);
    if pattern.is_none() {
        root.push(text.fault(format!("\"{}\" is not a pattern of reversal", text.value), remedy));
    }
    pattern
}

fn settling(table: &Table<'_>) -> Option<Settling> {
    let time = table.number("time_s", Bounds::new(0.0, 86_400.0, "s"));
    let constants = table.number("time_constants", Bounds::new(0.0, 1000.0, ""));
    match (time, constants) {
        (Some(time), None) if !table.has("time_constants") => Some(Settling::Time(time.value)),
        (None, Some(constants)) if !table.has("time_s") => Some(Settling::TimeConstants(constants.value)),
        _ => {
            if table.has("time_s") == table.has("time_constants") {
                let remedy = "write time_s = 0.2, or time_constants = 12";
                table.push(
                    table.located(()).fault("exactly one of time_s and time_constants is needed", remedy),
                );
            }
            None
        }
    }
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

fn resistivity(table: &Table<'_>) -> Option<Resistivity> {
    Some(Resistivity { configurations: configurations(table, "standard", &STANDARD)? })
}

fn hall(table: &Table<'_>) -> Option<Hall> {
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

fn acceptance(table: &Table<'_>) -> Option<Acceptance> {
    let standard = Acceptance::default();
    let limit = |key, otherwise: f64| {
        let found = table.number(key, Bounds::new(1e-9, 10.0, ""));
        absent_or(table, key, found).map(|found| found.map_or(otherwise, |limit| limit.value))
    };
    let reversal = limit("reversal", standard.reversal);
    let reciprocity = limit("reciprocity", standard.reciprocity);
    let pair_agreement = limit("pair_agreement", standard.pair_agreement);
    let hall_pair_agreement = limit("hall_pair_agreement", standard.hall_pair_agreement);
    let returned_current = limit("returned_current", standard.returned_current);
    Some(Acceptance {
        reversal: reversal?,
        reciprocity: reciprocity?,
        pair_agreement: pair_agreement?,
        hall_pair_agreement: hall_pair_agreement?,
        returned_current: returned_current?,
    })
}
