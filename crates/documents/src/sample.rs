//! The thing measured: its identity, thickness and limits; for a rehearsal or a standard also its model.

use crate::fault::Located;
use crate::table::{Bounds, Table};
use quadrille_quantity::Estimate;
use std::collections::{BTreeMap, BTreeSet};

pub(crate) const KIND: &str = "sample";

/// Tolerance of a standard's resistors where its document states none.
const DEFAULT_TOLERANCE: f64 = 1e-3;

/// What the sample may never be given.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SampleLimits {
    /// Highest current, in amperes.
    pub current_a: f64,
    /// Highest voltage between any two contacts, in volts.
    pub voltage_v: f64,
    /// Highest power, in watts.
    pub power_w: f64,
}

/// A circuit of resistors; the contacts are nodes of it.
#[derive(Clone, Debug, PartialEq)]
pub struct NetworkModel {
    /// Node of contact 1, 2, 3, …
    pub contacts: Vec<Located<String>>,
    /// Resistors: node, node, ohm.
    pub resistors: Vec<Located<(String, String, f64)>>,
    /// Relative tolerance of each resistor: half-width of what its maker or calibration promises.
    pub tolerance: f64,
}

/// A film given by what a van der Pauw measurement of it would find.
#[derive(Clone, Debug, PartialEq)]
pub struct FilmModel {
    /// R₁₂,₄₃ at zero field, in ohms.
    pub r12_43_ohm: f64,
    /// R₂₃,₁₄ at zero field, in ohms.
    pub r23_14_ohm: f64,
    /// Hall resistance over field, in ohms per tesla; positive for p-type.
    pub hall_ohm_per_t: f64,
    /// Contact resistances, in ohms.
    pub contact_ohm: [f64; 4],
}

/// What a rehearsal measures, and what a standard is predicted from.
#[derive(Clone, Debug, PartialEq)]
pub enum Model {
    /// A circuit of resistors.
    Network(NetworkModel),
    /// A four-contact film.
    Film(FilmModel),
}

/// A sample.
#[derive(Clone, Debug)]
pub struct Sample {
    /// Its name.
    pub name: Located<String>,
    /// How many contacts it has.
    pub contacts: usize,
    /// Thickness with standard uncertainty, in metres.
    pub thickness_m: Option<Estimate>,
    /// Limits; where the document has none, the bench's apply alone.
    pub limits: Option<SampleLimits>,
    /// The model, where there is one.
    pub model: Option<Model>,
}

pub(crate) fn read(root: &Table<'_>) -> Option<Sample> {
    let name = root.require("name", "name the sample", root.name("name"));
    root.text("notes");
    let nodes = root.texts(
        "contacts",
        "write the node of contact 1, 2, 3, 4, as in contacts = [\"a\", \"b\", \"c\", \"d\"]",
    );
    let thickness = thickness(root);
    let limits = match root.table("limits") {
        Some(table) => limits(&table).map(Some),
        None if root.has("limits") => None,
        None => Some(None),
    };
    let model = match root.table("model") {
        Some(table) => model(&table, root, nodes.as_ref()).map(Some),
        None if root.has("model") => None,
        None => Some(None),
    };
    if nodes.is_none() && root.has("contacts") {
        return None;
    }
    Some(Sample {
        name: name?,
        contacts: nodes.map_or(4, |nodes| nodes.value.len()),
        thickness_m: thickness?,
        limits: limits?,
        model: model?,
    })
}

fn thickness(root: &Table<'_>) -> Option<Option<Estimate>> {
    let bounds = Bounds::new(1e-11, 1.0, "m");
    let value = root.number("thickness_m", bounds);
    let uncertainty = root.number("thickness_u_m", Bounds::new(0.0, 1.0, "m"));
    let wrong =
        (value.is_none() && root.has("thickness_m")) || (uncertainty.is_none() && root.has("thickness_u_m"));
    match (value, uncertainty) {
        _ if wrong => None,
        (None, Some(uncertainty)) => {
            root.push(uncertainty.fault("an uncertainty of no thickness", "write thickness_m beside it"));
            None
        }
        (Some(value), Some(uncertainty)) if uncertainty.value >= value.value => {
            root.push(
                uncertainty.fault(
                    "as uncertain as the thickness itself",
                    "write the standard uncertainty in metres",
                ),
            );
            None
        }
        (value, uncertainty) => {
            let uncertainty = uncertainty.map_or(0.0, |uncertainty| uncertainty.value);
            Some(value.map(|value| Estimate::new(value.value, uncertainty)))
        }
    }
}

fn limits(table: &Table<'_>) -> Option<SampleLimits> {
    let need = |key, most, unit| {
        let found = table.number(key, Bounds::new(1e-15, most, unit));
        table.require(key, "write the most that this sample may be given", found).map(|limit| limit.value)
    };
    let (current, voltage, power) =
        (need("current_a", 10.0, "A"), need("voltage_v", 2000.0, "V"), need("power_w", 100.0, "W"));
    Some(SampleLimits { current_a: current?, voltage_v: voltage?, power_w: power? })
}

const RESISTANCE: Bounds = Bounds::new(1e-9, 1e18, "ohm");

fn model(
    table: &Table<'_>,
    root: &Table<'_>,
    nodes: Option<&Located<Vec<Located<String>>>>,
) -> Option<Model> {
    let kind = table.word("type", &["network", "film"]);
    let kind = table.require("type", "say what the model is: type = \"network\" or \"film\"", kind);
    let Some(kind) = kind else {
        for key in ["resistors", "tolerance", "r12_43_ohm", "r23_14_ohm", "hall_ohm_per_t", "contact_ohm"] {
            table.has(key);
        }
        return None;
    };
    match kind.value {
        "network" => network(table, root, nodes).map(Model::Network),
        _ => film(table, nodes).map(Model::Film),
    }
}

fn network(
    table: &Table<'_>,
    root: &Table<'_>,
    nodes: Option<&Located<Vec<Located<String>>>>,
) -> Option<NetworkModel> {
    let remedy = "write each resistor as [\"node\", \"node\", ohm]";
    let resistors = table.require("resistors", remedy, table.links("resistors", RESISTANCE, remedy));
    let tolerance = table.number("tolerance", Bounds::new(0.0, 0.5, ""));
    let nodes = root.require(
        "contacts",
        "name the nodes that are the contacts, as in contacts = [\"a\", \"b\", \"c\", \"d\"]",
        nodes,
    );
    let (resistors, nodes) = (resistors?, nodes?);
    let known: BTreeSet<&str> =
        resistors.value.iter().flat_map(|r| [r.value.0.as_str(), r.value.1.as_str()]).collect();
    let mut right = true;
    for resistor in resistors.value.iter().filter(|r| r.value.0 == r.value.1) {
        let problem = format!("a resistor from \"{0}\" to \"{0}\" does nothing", resistor.value.0);
        table.push(resistor.fault(problem, "join two different nodes, or leave it out"));
        right = false;
    }
    let mut first_use = BTreeMap::new();
    for (k, node) in nodes.value.iter().enumerate() {
        if !known.contains(node.value.as_str()) {
            let list: Vec<&str> = known.iter().copied().take(20).collect();
            let problem = format!("contact {} is node \"{}\", which no resistor joins", k + 1, node.value);
            root.push(node.fault(problem, format!("write one of the nodes {}", list.join(", "))));
            right = false;
        }
        if let Some(earlier) = first_use.insert(node.value.clone(), k + 1) {
            let problem = format!("node \"{}\" is already contact {earlier}", node.value);
            root.push(node.fault(problem, "give each contact its own node"));
            right = false;
        }
    }
    if !(2..=250).contains(&nodes.value.len()) {
        root.push(nodes.fault(format!("{} contacts", nodes.value.len()), "write from 2 to 250 nodes"));
        right = false;
    }
    right.then(|| NetworkModel {
        contacts: nodes.value.clone(),
        resistors: resistors.value,
        tolerance: tolerance.map_or(DEFAULT_TOLERANCE, |tolerance| tolerance.value),
    })
}

fn film(table: &Table<'_>, nodes: Option<&Located<Vec<Located<String>>>>) -> Option<FilmModel> {
    let need = |key, remedy| table.require(key, remedy, table.number(key, RESISTANCE)).map(|ohm| ohm.value);
    let r12_43 = need("r12_43_ohm", "write the van der Pauw resistance R12,43 at zero field");
    let r23_14 = need("r23_14_ohm", "write the van der Pauw resistance R23,14 at zero field");
    let hall =
        table.number("hall_ohm_per_t", Bounds::new(-1e15, 1e15, "ohm/T")).map_or(0.0, |hall| hall.value);
    let contact = table.numbers("contact_ohm", Bounds::new(0.0, 1e15, "ohm"));
    if contact.is_none() && table.has("contact_ohm") {
        return None;
    }
    let contact = match contact {
        None => [0.0; 4],
        Some(list) => {
            let values: Vec<f64> = list.value.iter().map(|ohm| ohm.value).collect();
            let Ok(four) = <[f64; 4]>::try_from(values) else {
                table.push(list.fault(format!("{} contact resistances", list.value.len()), "write four"));
                return None;
            };
            four
        }
    };
    if let Some(nodes) = nodes.filter(|nodes| nodes.value.len() != 4) {
        table.push(
            nodes
                .fault(format!("{} contacts", nodes.value.len()), "a film has four, or leave `contacts` out"),
        );
        return None;
    }
    Some(FilmModel { r12_43_ohm: r12_43?, r23_14_ohm: r23_14?, hall_ohm_per_t: hall, contact_ohm: contact })
}
