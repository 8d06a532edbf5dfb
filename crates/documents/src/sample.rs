//! The thing measured: its identity, thickness and limits; for a rehearsal or a standard also its model.

use crate::fault::Located;
use crate::imperfections::{self, Imperfections};
use crate::material::{self, MaterialModel};
use crate::outline::{self, Outline};
use crate::table::{Bounds, Table};
use quadrille_quantity::Estimate;
use std::collections::{BTreeMap, BTreeSet};

pub(crate) const KIND: &str = "sample";

/// Tolerance of a standard's resistors where its document states none.
const DEFAULT_TOLERANCE: f64 = 1e-3;

/// Largest relative error of a sheet's resistances where its document states none.
const SHEET_TOLERANCE: f64 = 1e-6;

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

/// How a sheet conducts.
#[derive(Clone, Debug, PartialEq)]
pub enum Conduction {
    /// The same at every temperature and field.
    Plain {
        /// Sheet resistance, in ohms.
        sheet_resistance_ohm: f64,
        /// Hall mobility in m²/Vs: tan of the Hall angle per tesla; positive for p-type.
        hall_mobility_m2_per_v_s: f64,
    },
    /// As a material of this thickness does.
    Material {
        /// The material.
        material: Box<Located<MaterialModel>>,
        /// Thickness, in metres.
        thickness_m: f64,
    },
}

/// A conducting sheet of the sample's outline.
#[derive(Clone, Debug, PartialEq)]
pub struct SheetModel {
    /// Its outline and contacts.
    pub outline: Outline,
    /// How it conducts.
    pub conduction: Conduction,
    /// Resistivity along the axis over that across it; 1 where it is the same in all directions.
    pub anisotropy: f64,
    /// Direction of the axis against x, in degrees.
    pub axis_deg: f64,
    /// Largest relative error of its resistances.
    pub tolerance: f64,
    /// Contact resistances, in ohms, one for each contact.
    pub contact_ohm: Vec<f64>,
}

/// What a rehearsal measures, and what a standard is predicted from.
#[derive(Clone, Debug, PartialEq)]
pub enum Model {
    /// A circuit of resistors.
    Network(NetworkModel),
    /// A four-contact film.
    Film(FilmModel),
    /// A conducting sheet.
    Sheet(Box<SheetModel>),
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
    /// Outline and contacts, where they are written.
    pub outline: Option<Outline>,
    /// What a simulation adds to the model.
    pub imperfections: Imperfections,
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
    let outline = match root.table("outline") {
        Some(table) => outline::read(&table).map(Some),
        None if root.has("outline") => None,
        None => Some(None),
    };
    let on_edge = outline.as_ref().and_then(|outline| Some(outline.as_ref()?.contacts.len()));
    let contacts = nodes.as_ref().map(|nodes| nodes.value.len()).or(on_edge).unwrap_or(4);
    let body = Body { root, nodes: nodes.as_ref(), thickness, outline: outline.as_ref() };
    let model = match root.table("model") {
        Some(table) => {
            let imperfections = imperfections::imperfections(&table, contacts);
            model(&table, &body).zip(imperfections).map(Some)
        }
        None if root.has("model") => None,
        None => Some(None),
    };
    if nodes.is_none() && root.has("contacts") {
        return None;
    }
    let (model, imperfections) = model?.unzip();
    Some(Sample {
        name: name?,
        contacts,
        thickness_m: thickness?,
        limits: limits?,
        model,
        outline: outline?,
        imperfections: imperfections.unwrap_or_default(),
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

/// What of the document a model refers to; `None` inside where it is there and wrong.
struct Body<'r, 't> {
    root: &'r Table<'t>,
    nodes: Option<&'r Located<Vec<Located<String>>>>,
    thickness: Option<Option<Estimate>>,
    outline: Option<&'r Option<Outline>>,
}

fn model(table: &Table<'_>, body: &Body<'_, '_>) -> Option<Model> {
    let kind = table.word("type", &["network", "film", "sheet"]);
    let remedy = "say what the model is: type = \"network\", \"film\" or \"sheet\"";
    let kind = table.require("type", remedy, kind);
    let Some(kind) = kind else {
        for key in ["resistors", "tolerance", "r12_43_ohm", "r23_14_ohm", "hall_ohm_per_t", "contact_ohm"] {
            table.has(key);
        }
        for key in ["sheet_resistance_ohm", "hall_mobility_m2_per_v_s", "material", "anisotropy", "axis_deg"]
        {
            table.has(key);
        }
        return None;
    };
    match kind.value {
        "network" => network(table, body.root, body.nodes).map(Model::Network),
        "film" => film(table, body.nodes).map(Model::Film),
        _ => sheet(table, body).map(Box::new).map(Model::Sheet),
    }
}

fn sheet(table: &Table<'_>, body: &Body<'_, '_>) -> Option<SheetModel> {
    let conduction = conduction(table, body);
    let anisotropy = table.number("anisotropy", Bounds::new(1e-4, 1e4, ""));
    let axis = table.number("axis_deg", Bounds::new(-360.0, 360.0, ""));
    let tolerance = table.number("tolerance", Bounds::new(1e-8, 1e-2, ""));
    let contact = table.numbers("contact_ohm", Bounds::new(0.0, 1e15, "ohm"));
    let wrong = ["anisotropy", "axis_deg", "tolerance", "contact_ohm"].map(|key| table.has(key));
    let read = [anisotropy.is_some(), axis.is_some(), tolerance.is_some(), contact.is_some()];
    if let Some(nodes) = body.nodes {
        body.root.push(nodes.fault(
            "a sheet has its contacts on its outline",
            "leave `contacts` out: [[outline.contact]] says where they are",
        ));
        return None;
    }
    let remedy = "write [outline] with the shape of the sheet and an [[outline.contact]] for each contact";
    let outline = match body.outline? {
        Some(outline) => outline.clone(),
        None => {
            table.push(table.located(()).fault("a sheet without an outline", remedy));
            return None;
        }
    };
    let count = outline.contacts.len();
    let contact_ohm = match &contact {
        None => vec![0.0; count],
        Some(list) if list.value.len() == count => list.value.iter().map(|ohm| ohm.value).collect(),
        Some(list) => {
            let problem = format!("{} contact resistances for {count} contacts", list.value.len());
            table.push(list.fault(problem, "write one for each contact"));
            return None;
        }
    };
    let or = |number: Option<Located<f64>>, default| number.map_or(default, |number| number.value);
    let model = SheetModel {
        outline,
        conduction: conduction?,
        anisotropy: or(anisotropy, 1.0),
        axis_deg: or(axis, 0.0),
        tolerance: or(tolerance, SHEET_TOLERANCE),
        contact_ohm,
    };
    (wrong == read).then_some(model)
}

fn conduction(table: &Table<'_>, body: &Body<'_, '_>) -> Option<Conduction> {
    let remedy = "write sheet_resistance_ohm, or [model.material]";
    let ohm = table.number("sheet_resistance_ohm", RESISTANCE);
    let mobility = table.number("hall_mobility_m2_per_v_s", Bounds::new(-1e4, 1e4, "m2/Vs"));
    let Some(material) = table.table("material") else {
        let ohm = table.require("sheet_resistance_ohm", remedy, ohm);
        let wrong = mobility.is_none() && table.has("hall_mobility_m2_per_v_s");
        let sheet_resistance_ohm = ohm?.value;
        let hall_mobility_m2_per_v_s = mobility.map_or(0.0, |mobility| mobility.value);
        return (!wrong).then_some(Conduction::Plain { sheet_resistance_ohm, hall_mobility_m2_per_v_s });
    };
    for plain in [&ohm, &mobility].into_iter().flatten() {
        table.push(plain.fault("the material already says it", "write this or [model.material], not both"));
    }
    let place = material.located(());
    let read = material::read(&material);
    if body.thickness == Some(None) {
        let remedy = "write thickness_m: a material has a resistivity, a sheet of it a thickness";
        table.push(place.fault("a material without a thickness of the sample", remedy));
    }
    let thickness_m = body.thickness??.value;
    let right = ohm.is_none() && mobility.is_none();
    let material = Box::new(Located { value: read?, place: place.place });
    right.then_some(Conduction::Material { material, thickness_m })
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
