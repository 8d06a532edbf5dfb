//! What a sheet is made of, as a document writes it: a kind or a named preset, and its parameters. Whether they are
//! physical together is the material's to say, at the places that are kept here.

use crate::fault::Located;
use crate::table::{Bounds, Table};
use std::collections::BTreeMap;

/// A material by its parameters.
#[derive(Clone, Debug, PartialEq)]
pub struct MaterialModel {
    /// `semiconductor`, `metal` or `hopping`.
    pub kind: Located<&'static str>,
    /// A material whose parameters are published; what is written beside it replaces them.
    pub preset: Option<Located<String>>,
    /// What is written, by key.
    pub parameters: BTreeMap<&'static str, Located<f64>>,
}

impl MaterialModel {
    /// A parameter, where it is written.
    pub fn get(&self, key: &str) -> Option<f64> {
        self.parameters.get(key).map(|parameter| parameter.value)
    }
}

type Key = (&'static str, Bounds);

const DENSITY: Bounds = Bounds::new(0.0, 1e29, "per m3");
const STATES: Bounds = Bounds::new(1e18, 1e29, "per m3");
const ENERGY: Bounds = Bounds::new(0.0, 20.0, "eV");
const MOBILITY: Bounds = Bounds::new(1e-12, 1e4, "m2/Vs");
const EXPONENT: Bounds = Bounds::new(-10.0, 10.0, "");
const FACTOR: Bounds = Bounds::new(0.1, 10.0, "");
const RESISTIVITY: Bounds = Bounds::new(1e-12, 1e18, "ohm m");
const KELVINS: Bounds = Bounds::new(1e-3, 1e12, "K");

const SEMICONDUCTOR: &[Key] = &[
    ("donors_per_m3", DENSITY),
    ("acceptors_per_m3", DENSITY),
    ("donor_ev", ENERGY),
    ("acceptor_ev", ENERGY),
    ("donor_degeneracy", Bounds::new(0.1, 100.0, "")),
    ("acceptor_degeneracy", Bounds::new(0.1, 100.0, "")),
    ("conduction_states_per_m3", STATES),
    ("valence_states_per_m3", STATES),
    ("gap_ev", ENERGY),
    ("electron_mobility_m2_per_v_s", MOBILITY),
    ("electron_exponent", EXPONENT),
    ("electron_impurity_mobility_m2_per_v_s", MOBILITY),
    ("electron_impurity_exponent", EXPONENT),
    ("hole_mobility_m2_per_v_s", MOBILITY),
    ("hole_exponent", EXPONENT),
    ("hole_impurity_mobility_m2_per_v_s", MOBILITY),
    ("hole_impurity_exponent", EXPONENT),
    ("hall_factor", FACTOR),
];

const METAL: &[Key] = &[
    ("resistivity_ohm_m", RESISTIVITY),
    ("reference_k", KELVINS),
    ("temperature_coefficient_per_k", Bounds::new(-1.0, 1.0, "per K")),
    ("residual_resistivity_ohm_m", Bounds::new(0.0, 1.0, "ohm m")),
    ("debye_k", Bounds::new(1.0, 1e4, "K")),
    ("hall_coefficient_m3_per_c", Bounds::new(-1.0, 1.0, "m3/C")),
];

const HOPPING: &[Key] = &[
    ("resistivity_ohm_m", RESISTIVITY),
    ("characteristic_k", KELVINS),
    ("exponent", Bounds::new(0.1, 1.0, "")),
    ("hall_mobility_m2_per_v_s", Bounds::new(-1.0, 1.0, "m2/Vs")),
];

pub(crate) fn read(table: &Table<'_>) -> Option<MaterialModel> {
    let kind = table.word("type", &["semiconductor", "metal", "hopping"]);
    let remedy = "say what it is: type = \"semiconductor\", \"metal\" or \"hopping\"";
    let kind = table.require("type", remedy, kind);
    let preset = table.text("preset");
    let keys = match kind.as_ref().map(|kind| kind.value) {
        Some("semiconductor") => SEMICONDUCTOR,
        Some("metal") => METAL,
        Some(_) => HOPPING,
        None => {
            // Without the type no key can be judged.
            for (key, _) in SEMICONDUCTOR.iter().chain(METAL).chain(HOPPING) {
                table.has(key);
            }
            return None;
        }
    };
    let mut parameters = BTreeMap::new();
    let mut right = !(preset.is_none() && table.has("preset"));
    for &(key, bounds) in keys {
        match table.number(key, bounds) {
            Some(number) => drop(parameters.insert(key, number)),
            None => right &= !table.has(key),
        }
    }
    let material = MaterialModel { kind: kind?, preset, parameters };
    right.then_some(material)
}
