//! What to measure, and how carefully. A table of a recipe has a file of its own.

mod acceptance;
mod contacts;
mod order;
mod parts;
mod settling;
mod stability;
mod sweep;
mod switch;

pub use acceptance::Acceptance;
pub use contacts::{Contacts, Unacceptable};
pub use order::{FieldOrder, Order, TemperatureOrder};
pub use parts::{Hall, Hand, Resistivity};
pub use settling::Settling;
pub use stability::{Stability, Unreached};
pub use switch::Switch;

use crate::fault::{Located, Place};
use crate::table::{Bounds, Table};
use acceptance::acceptance;
use contacts::contacts;
use order::order;
use parts::{hall, resistivity};
use quadrille_experiment::Polarity;
use settling::settling;
use stability::stability;
use sweep::temperatures;
use switch::switch;

pub(crate) const KIND: &str = "recipe";

/// A recipe.
#[derive(Clone, Debug)]
pub struct Recipe {
    /// Its name.
    pub name: Located<String>,
    /// Where it begins.
    pub place: Place,
    /// Relative standard uncertainty that each result should have; as it comes where it is absent.
    pub wanted_relative_u: Option<Located<f64>>,
    /// Current, in amperes; chosen from a first look at the sample where it is absent.
    pub current_a: Option<Located<f64>>,
    /// Voltage limit of the source, in volts; chosen with the current where it is absent.
    pub voltage_limit_v: Option<Located<f64>>,
    /// Full scale of the voltmeter's range, in volts; found by a first look where it is absent.
    pub voltage_range_v: Option<Located<f64>>,
    /// Averaging time of a reading, in power-line cycles; chosen with the current where it is absent, or 1.
    pub aperture_plc: Option<f64>,
    /// Order of the polarities in one leg.
    pub reversal: Vec<Polarity>,
    /// How often the pattern is taken; chosen with the current where it is absent, or once.
    pub repeats: Option<u32>,
    /// How long to wait after each change.
    pub settling: Located<Settling>,
    /// The guard.
    pub guard: Located<Switch>,
    /// The buffers.
    pub buffers: Located<Switch>,
    /// Temperatures as written, in kelvins; one at least. A single one may be what the person at the bench states.
    pub temperatures_k: Vec<Located<f64>>,
    /// In which order temperatures and fields are taken.
    pub order: Order,
    /// When a temperature counts as reached.
    pub stability: Stability,
    /// How to check the contacts before anything else; not at all where it is absent.
    pub contacts: Option<Contacts>,
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
    let wanted = root.number("wanted_relative_u", Bounds::new(1e-9, 0.5, ""));
    let wanted = absent_or(root, "wanted_relative_u", wanted);
    let limit = root.number("voltage_limit_v", Bounds::new(1e-6, 2000.0, "V"));
    let range = root.number("voltage_range_v", Bounds::new(1e-9, 2000.0, "V"));
    let aperture = root.number("aperture_plc", Bounds::new(0.001, 1000.0, "power-line cycles"));
    let reversal = reversal(root);
    let repeats = root.whole("repeats", 1, 10_000);
    let wanted_u = wanted.as_ref().and_then(|wanted| wanted.as_ref()).map(|u| u.value);
    let settling = match root.table("settling") {
        Some(table) => settling(&table, wanted_u),
        None => {
            absent_or(root, "settling", None).map(|_: Option<()>| root.located(Settling::usual(wanted_u)))
        }
    };
    let guard = switch(root, "guard");
    let buffers = switch(root, "buffers");
    let temperatures = temperatures(root);
    let order = optional(root, "order", order);
    let stability = optional(root, "stability", stability);
    let contacts = optional(root, "contacts", contacts);
    let resistivity = optional(root, "resistivity", resistivity);
    let hall = optional(root, "hall", hall);
    let acceptance = optional(root, "acceptance", acceptance);
    let (resistivity, hall) = (resistivity?, hall?);
    if resistivity.is_none() && hall.is_none() {
        let remedy = "write [resistivity], [hall] or both";
        root.push(root.located(()).fault("the recipe measures nothing", remedy));
        return None;
    }
    let temperatures = temperatures?;
    Some(Recipe {
        name: name?,
        place: root.located(()).place,
        wanted_relative_u: wanted?,
        current_a: absent_or(root, "current_a", current)?,
        voltage_limit_v: absent_or(root, "voltage_limit_v", limit)?,
        voltage_range_v: absent_or(root, "voltage_range_v", range)?,
        aperture_plc: absent_or(root, "aperture_plc", aperture)?.map(|plc| plc.value),
        reversal: reversal?,
        repeats: absent_or(root, "repeats", repeats)?.map(|repeats| repeats.value as u32),
        settling: settling?,
        guard: guard?,
        buffers: buffers?,
        order: Order::new(order?.unwrap_or_default(), &temperatures, hall.as_ref()),
        temperatures_k: temperatures,
        stability: stability?.unwrap_or_default(),
        contacts: contacts?,
        resistivity,
        hall,
        acceptance: acceptance?.unwrap_or_default(),
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
