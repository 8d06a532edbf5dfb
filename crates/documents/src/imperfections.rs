//! What makes a bench and a sample hard to measure, as a simulation is told of it. Everything is absent unless written.
//! Knows nothing of circuits.

use crate::fault::Located;
use crate::table::{Bounds, Table};

/// An exponential beside the first one, in every cable.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Absorption {
    /// Capacitance that charges slowly, as a part of the cable's.
    pub part: f64,
    /// Its time constant, in seconds.
    pub time_s: f64,
}

/// What a bench adds to what it measures; `[simulation.disturbances]` of a bench.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Disturbances {
    /// Dielectric absorption of the cables.
    pub absorption: Option<Absorption>,
    /// Slow change of each relay's thermoelectric voltage: standard deviation, in volts.
    pub drift_v: f64,
    /// Time over which it changes, in seconds.
    pub drift_s: f64,
    /// Amplitude of the mains in the sense loop, in volts.
    pub mains_v: f64,
    /// Amplitude of the mains' current through the sample between the sense contacts, in amperes.
    pub mains_a: f64,
    /// How much more than nominal the frequency of the mains is, in hertz.
    pub mains_off_hz: f64,
    /// Time constant with which the source comes to a new level, in seconds.
    pub source_s: f64,
    /// Whether resistors at a temperature make Johnson noise.
    pub johnson: bool,
}

/// A contact that is not ohmic: i = I_s (exp(v / n V_T) − 1) + v / R from the metal into the sample, v the voltage of the
/// metal against the sample beneath it; or both turned round.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Barrier {
    /// Saturation current I_s, in amperes.
    pub saturation_a: f64,
    /// Ideality factor n.
    pub ideality: f64,
    /// Resistance R beside it, in ohms.
    pub leak_ohm: f64,
    /// Whether current flows easily out of the sample rather than into it: metal on p-type rather than on n-type.
    pub is_easy_out: bool,
}

impl Barrier {
    /// +1 where current flows easily into the sample, −1 where out of it.
    pub fn sign(&self) -> f64 {
        if self.is_easy_out { -1.0 } else { 1.0 }
    }
}

/// Rise of the sample's temperature by what is dissipated in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heating {
    /// Kelvins per watt.
    pub kelvin_per_w: f64,
    /// Time constant, in seconds.
    pub time_s: f64,
}

/// Voltages of heat flow in a field, by contact where a list is meant.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Thermomagnetic {
    /// Ettingshausen: temperature difference across the current, seen as a part of the Hall voltage.
    pub ettingshausen: f64,
    /// With which time constant it follows, in seconds.
    pub time_s: f64,
    /// Potential of each contact by the heat that flows anyway and the field (Nernst, Righi-Leduc), in volts per tesla.
    pub heat_flow_v_per_t: Vec<f64>,
    /// The same without field (Seebeck), in volts.
    pub seebeck_v: Vec<f64>,
}

/// A time during which light falls on the sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Light {
    /// What all conductances are multiplied by.
    pub factor: f64,
    /// From when on, in seconds of the bench's time.
    pub from_s: f64,
    /// Until when.
    pub to_s: f64,
}

/// What a sample adds to its model; `[model.imperfections]` of a sample. Lists have one entry for each contact.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Imperfections {
    /// Leaks between neighbouring contacts (1 to 2, 2 to 3, …, last to 1), in ohms; zero for none.
    pub leak_ohm: Vec<f64>,
    /// Leaks from contacts to ground, in ohms; zero for none.
    pub leak_to_ground_ohm: Vec<f64>,
    /// Capacitance between each pair of contacts, in farads.
    pub capacitance_f: f64,
    /// Contacts that are not ohmic.
    pub barriers: Vec<Option<Barrier>>,
    /// Fluctuation of each contact's resistance: standard deviation over a decade of frequency, in ohms. Seen where a
    /// contact carries the current and is sensed.
    pub contact_noise_ohm: Vec<f64>,
    /// Fluctuation of each contact's potential by the current through the sample, whatever contacts that takes: the same,
    /// in ohms. Seen where a contact is sensed.
    pub excess_noise_ohm: Vec<f64>,
    /// Relative change of all resistances with temperature, per kelvin: exp(α (T − 295 K)), beside what the model does.
    pub temperature_coefficient_per_k: f64,
    /// Self-heating.
    pub heating: Option<Heating>,
    /// Thermomagnetic and thermoelectric voltages.
    pub thermomagnetic: Option<Thermomagnetic>,
    /// Light.
    pub light: Option<Light>,
}

const SECONDS: Bounds = Bounds::new(1e-9, 1e7, "s");
const VOLTS: Bounds = Bounds::new(-1e3, 1e3, "V");
const OHMS: Bounds = Bounds::new(0.0, 1e19, "ohm");

/// A leak of less would be a contact. Ours.
const LEAST_LEAK_OHM: f64 = 1e-3;

/// A number that may be absent; `None` where it is there and wrong.
fn number(table: &Table<'_>, key: &'static str, bounds: Bounds) -> Option<f64> {
    match table.number(key, bounds) {
        Some(number) => Some(number.value),
        None => (!table.has(key)).then_some(0.0),
    }
}

/// A pair of numbers of which one is nothing without the other.
fn pair(
    table: &Table<'_>,
    (first, first_bounds): (&'static str, Bounds),
    (second, second_bounds): (&'static str, Bounds),
) -> Option<Option<(f64, f64)>> {
    let (a, b) = (table.number(first, first_bounds), table.number(second, second_bounds));
    match (a, b) {
        (Some(a), Some(b)) => Some(Some((a.value, b.value))),
        (None, None) if !table.has(first) && !table.has(second) => Some(None),
        (a, b) => {
            for (key, other, found) in [(first, second, a.is_none()), (second, first, b.is_none())] {
                if found {
                    table.require::<()>(key, &format!("write it beside {other}"), None);
                }
            }
            None
        }
    }
}

/// `[simulation.disturbances]`.
pub(crate) fn disturbances(simulation: Option<&Table<'_>>) -> Option<Disturbances> {
    let Some(table) = simulation.and_then(|simulation| simulation.table("disturbances")) else {
        let wrong = simulation.is_some_and(|simulation| simulation.has("disturbances"));
        return (!wrong).then(Disturbances::default);
    };
    let volts = Bounds::new(0.0, 10.0, "V");
    let absorption = pair(&table, ("absorption", Bounds::new(0.0, 1.0, "")), ("absorption_s", SECONDS));
    let drift = pair(&table, ("drift_v", volts), ("drift_s", SECONDS));
    let mains_v = number(&table, "mains_v", volts);
    let mains_a = number(&table, "mains_a", Bounds::new(0.0, 1.0, "A"));
    let mains_off = number(&table, "mains_off_hz", Bounds::new(-5.0, 5.0, "Hz"));
    let source_s = number(&table, "source_s", Bounds::new(0.0, 1e3, "s"));
    let johnson = table.flag("johnson_noise");
    let wrong = johnson.is_none() && table.has("johnson_noise");
    let absorption = absorption?.map(|(part, time_s)| Absorption { part, time_s });
    let (drift_v, drift_s) = drift?.unwrap_or((0.0, 1.0));
    let disturbances = Disturbances {
        absorption: absorption.filter(|absorption| absorption.part > 0.0),
        drift_v,
        drift_s,
        mains_v: mains_v?,
        mains_a: mains_a?,
        mains_off_hz: mains_off?,
        source_s: source_s?,
        johnson: johnson.is_some_and(|johnson| johnson.value),
    };
    (!wrong).then_some(disturbances)
}

/// `[model.imperfections]` of a sample with so many contacts.
pub(crate) fn imperfections(model: &Table<'_>, contacts: usize) -> Option<Imperfections> {
    let Some(table) = model.table("imperfections") else {
        return (!model.has("imperfections")).then(Imperfections::default);
    };
    let leak = leaks(&table, "leak_ohm", contacts);
    let to_ground = leaks(&table, "leak_to_ground_ohm", contacts);
    let coefficient = number(&table, "temperature_coefficient_per_k", Bounds::new(-0.1, 0.1, "1/K"));
    let capacitance = number(&table, "capacitance_f", Bounds::new(0.0, 1e-3, "F"));
    let noise = list(&table, "contact_noise_ohm", OHMS, contacts);
    let excess = list(&table, "excess_noise_ohm", OHMS, contacts);
    let barriers = barriers(&table, contacts);
    let heating = pair(
        &table,
        ("heating_k_per_w", Bounds::new(0.0, 1e9, "K/W")),
        ("heating_s", Bounds::new(1e-3, 1e7, "s")),
    );
    let thermomagnetic = thermomagnetic(&table, contacts);
    let light = light(&table);
    Some(Imperfections {
        leak_ohm: leak?,
        leak_to_ground_ohm: to_ground?,
        capacitance_f: capacitance?,
        barriers: barriers?,
        contact_noise_ohm: noise?,
        excess_noise_ohm: excess?,
        temperature_coefficient_per_k: coefficient?,
        heating: heating?.map(|(kelvin_per_w, time_s)| Heating { kelvin_per_w, time_s }),
        thermomagnetic: thermomagnetic?,
        light: light?,
    })
}

/// A list with one entry for each contact; empty where it is absent.
fn list(table: &Table<'_>, key: &'static str, bounds: Bounds, contacts: usize) -> Option<Vec<f64>> {
    let Some(list) = table.numbers(key, bounds) else {
        return (!table.has(key)).then(Vec::new);
    };
    of_contacts(table, list, contacts)
}

fn of_contacts(table: &Table<'_>, list: Located<Vec<Located<f64>>>, contacts: usize) -> Option<Vec<f64>> {
    if list.value.len() == contacts {
        return Some(list.value.into_iter().map(|entry| entry.value).collect());
    }
    let problem = format!("{} entries for {contacts} contacts", list.value.len());
    table.push(list.fault(problem, "write one for each contact"));
    None
}

/// Resistances, of which zero stands for none.
fn leaks(table: &Table<'_>, key: &'static str, contacts: usize) -> Option<Vec<f64>> {
    let Some(list) = table.numbers(key, OHMS) else {
        return (!table.has(key)).then(Vec::new);
    };
    let mut right = true;
    for leak in list.value.iter().filter(|leak| leak.value > 0.0 && leak.value < LEAST_LEAK_OHM) {
        right = false;
        let remedy = format!("write {LEAST_LEAK_OHM} ohm or more, or 0 where nothing leaks");
        table.push(leak.fault(format!("{:e} ohm are a short circuit", leak.value), remedy));
    }
    of_contacts(table, list, contacts).filter(|_| right)
}

fn barriers(table: &Table<'_>, contacts: usize) -> Option<Vec<Option<Barrier>>> {
    let mut barriers = vec![None; contacts];
    let mut right = true;
    let mut any = false;
    for entry in table.tables("barrier") {
        any = true;
        let contact = entry.whole("contact", 1, contacts as i64);
        let contact = entry.require("contact", "write the number of the contact, from 1", contact);
        let need =
            |key, bounds, remedy| entry.require(key, remedy, entry.number(key, bounds)).map(|n| n.value);
        let saturation =
            need("saturation_a", Bounds::new(1e-18, 1.0, "A"), "write its saturation current in amperes");
        let ideality = entry.number("ideality", Bounds::new(1.0, 10.0, ""));
        let easy = entry.word("easy", &["in", "out"]);
        right &= ideality.is_some() || !entry.has("ideality");
        right &= easy.is_some() || !entry.has("easy");
        let leak = need("leak_ohm", Bounds::new(1e-3, 1e15, "ohm"), "write the resistance beside it in ohms");
        let (Some(contact), Some(saturation_a), Some(leak_ohm)) = (contact, saturation, leak) else {
            right = false;
            continue;
        };
        let ideality = ideality.map_or(1.0, |ideality: Located<f64>| ideality.value);
        let is_easy_out = easy.is_some_and(|easy| easy.value == "out");
        let place = &mut barriers[contact.value as usize - 1];
        if place.is_some() {
            let problem = format!("contact {} has a barrier already", contact.value);
            entry.push(contact.fault(problem, "write one for a contact"));
            right = false;
        }
        *place = Some(Barrier { saturation_a, ideality, leak_ohm, is_easy_out });
    }
    if !any {
        barriers.clear();
    }
    right.then_some(barriers)
}

fn thermomagnetic(table: &Table<'_>, contacts: usize) -> Option<Option<Thermomagnetic>> {
    let ettingshausen =
        pair(table, ("ettingshausen", Bounds::new(-1.0, 1.0, "")), ("ettingshausen_s", SECONDS));
    let heat_flow = list(table, "heat_flow_v_per_t", VOLTS, contacts);
    let seebeck = list(table, "seebeck_v", VOLTS, contacts);
    let (ettingshausen, time_s) = ettingshausen?.unwrap_or((0.0, 1.0));
    let (heat_flow_v_per_t, seebeck_v) = (heat_flow?, seebeck?);
    let is_there = ettingshausen != 0.0 || !heat_flow_v_per_t.is_empty() || !seebeck_v.is_empty();
    Some(is_there.then_some(Thermomagnetic { ettingshausen, time_s, heat_flow_v_per_t, seebeck_v }))
}

fn light(table: &Table<'_>) -> Option<Option<Light>> {
    let factor = table.number("light_factor", Bounds::new(1e-6, 1e6, ""));
    let times =
        pair(table, ("light_from_s", Bounds::new(0.0, 1e9, "s")), ("light_to_s", Bounds::new(0.0, 1e9, "s")));
    let wrong = factor.is_none() && table.has("light_factor");
    if !table.has("light_factor") && matches!(times, Some(Some(_))) {
        let remedy = "write what all conductances are multiplied by while there is light";
        return table.require::<()>("light_factor", remedy, None).map(|()| None);
    }
    let (from_s, to_s) = times?.unwrap_or((0.0, f64::INFINITY));
    if let Some(factor) = factor.as_ref().filter(|_| to_s <= from_s) {
        table.push(
            factor.fault("the light goes off before it goes on", "write light_to_s after light_from_s"),
        );
        return None;
    }
    (!wrong).then_some(factor.map(|factor| Light { factor: factor.value, from_s, to_s }))
}
