//! Reads a material or the argument of a function as JSON on standard input and prints what comes of it: the door
//! through which outside programs check this crate. Checks no more than it must.
//!
//! `{"type": "semiconductor", "preset": "Si:P" or null, "parameters": {key: number, …}, "at": [[kelvin, tesla], …]}`
//! gives a list of `{"resistivity_ohm_m", "tan_hall", "electrons_per_m3", "holes_per_m3"}`, the last two null where
//! there are none, or `{"parameter", "problem"}`. `{"function": name, "arguments": [[x, …], …]}` gives a list of
//! numbers, null where there is no answer; names are those of the crate.

use quadrille_material::{
    MasettiDopant, Material, MaterialError, arora_electrons, arora_holes, bloch_gruneisen_integral,
    fermi_dirac_half, masetti, platinum,
};
use quadrille_quantity::{Kelvin, Ohm, Tesla};
use serde_json::{Value, json};
use std::io::{Read, Write};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text)?;
    let input: Value = serde_json::from_str(&text)?;
    let output: Vec<Value> = match input["function"].as_str() {
        Some(name) => rows(&input["arguments"]).iter().map(|row| function(name, row).into()).collect(),
        None => match material(&input) {
            Ok(material) => rows(&input["at"]).iter().map(|row| at(&material, row)).collect(),
            Err(error) => vec![complaint(&error)],
        },
    };
    writeln!(std::io::stdout(), "{}", Value::from(output))?;
    Ok(())
}

fn material(input: &Value) -> Result<Material, MaterialError> {
    let kind = input["type"].as_str().unwrap_or_default();
    Material::from_parameters(kind, input["preset"].as_str(), |key| input["parameters"][key].as_f64())
}

fn at(material: &Material, row: &[f64]) -> Value {
    let (temperature, field) = (Kelvin(row[0]), Tesla(row[1]));
    let answer = material.transport(temperature, field).and_then(|transport| {
        let carriers = material.carriers(temperature)?;
        Ok(json!({
            "resistivity_ohm_m": transport.resistivity_ohm_m,
            "tan_hall": transport.tan_hall,
            "electrons_per_m3": carriers.map(|carriers| carriers.electrons_per_m3),
            "holes_per_m3": carriers.map(|carriers| carriers.holes_per_m3),
        }))
    });
    answer.unwrap_or_else(|error| complaint(&error))
}

fn complaint(error: &MaterialError) -> Value {
    json!({ "parameter": error.parameter, "problem": error.problem })
}

fn function(name: &str, x: &[f64]) -> Option<f64> {
    match name {
        "fermi_dirac_half" => Some(fermi_dirac_half(x[0])),
        "bloch_gruneisen_integral" => Some(bloch_gruneisen_integral(x[0])),
        "masetti_arsenic" => Some(masetti(MasettiDopant::Arsenic, x[0])),
        "masetti_phosphorus" => Some(masetti(MasettiDopant::Phosphorus, x[0])),
        "masetti_boron" => Some(masetti(MasettiDopant::Boron, x[0])),
        "arora_electrons" => Some(arora_electrons(x[0], Kelvin(x[1]))),
        "arora_holes" => Some(arora_holes(x[0], Kelvin(x[1]))),
        "platinum_resistance" => platinum::resistance(Ohm(x[0]), Kelvin(x[1])).ok().map(|ohm| ohm.0),
        "platinum_temperature" => platinum::temperature(Ohm(x[0]), Ohm(x[1])).ok().map(|kelvin| kelvin.0),
        _ => None,
    }
}

fn rows(value: &Value) -> Vec<Vec<f64>> {
    let numbers = |row: &Value| row.as_array().into_iter().flatten().filter_map(Value::as_f64).collect();
    value.as_array().into_iter().flatten().map(numbers).collect()
}
