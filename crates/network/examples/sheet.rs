//! Reads a sheet as JSON on standard input and prints its terminals: the door through which outside programs check sheets.
//! Checks no more than it must.
//!
//! `{"outline": {"polygon": [[x, y], …]} or {"disc": diameter}, "holes": [[[x, y], …], …], "contacts": [[at, length], …],
//! "inner": [[[x, y], …], …], "anisotropy": [xx, xy, yy], "gradient": [gx, gy], "relative": r, "fineness": [order, growth,
//! innermost, largest, arc], "tan_hall": [t, …]}`, metres; all but outline, contacts and tan_hall may be left out. The
//! conductance is exp(gx x + gy y) where a gradient is given. Prints `{"unknowns": n, "admittances": [rows of Y for each t], "bounds": […]}`,
//! Y in units of 1/R_s. With the argument `equations` it prints what would be solved instead.

use quadrille_experiment::Contact;
use quadrille_network::{EdgeContact, Fineness, InnerContact, Outline, Sheet, SolvedSheet};
use quadrille_quantity::Ohm;
use serde_json::{Value, json};
use std::io::{Read, Write};

type Failure = Box<dyn std::error::Error>;

fn main() -> Result<(), Failure> {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text)?;
    let input: Value = serde_json::from_str(&text)?;
    let sheet = sheet(&input)?;
    let answer = if std::env::args().nth(1).as_deref() == Some("equations") {
        let equations = sheet.equations(fineness(&input)?)?;
        json!({ "free": equations.free(), "terminals": equations.terminals(), "stiffness": equations.stiffness(),
            "hall": equations.hall() })
    } else {
        let solved = match input.get("fineness") {
            Some(_) => sheet.solve_on(fineness(&input)?)?,
            None => sheet.solve(input["relative"].as_f64().unwrap_or(1e-6))?,
        };
        let tangents: Vec<f64> = serde_json::from_value(input["tan_hall"].clone())?;
        let rows = tangents.iter().map(|&t| admittances(&solved, t)).collect::<Result<Vec<_>, _>>()?;
        let bounds: Vec<f64> = tangents.iter().map(|&t| solved.bound(t)).collect();
        json!({ "unknowns": solved.unknowns(), "admittances": rows, "bounds": bounds })
    };
    writeln!(std::io::stdout(), "{answer}")?;
    Ok(())
}

fn sheet(input: &Value) -> Result<Sheet, Failure> {
    let list = |name: &str| input.get(name).cloned().unwrap_or(json!([]));
    let mut outline = match input["outline"]["disc"].as_f64() {
        Some(diameter) => Outline::disc(diameter)?,
        None => {
            Outline::polygon(&serde_json::from_value::<Vec<[f64; 2]>>(input["outline"]["polygon"].clone())?)?
        }
    };
    for hole in serde_json::from_value::<Vec<Vec<[f64; 2]>>>(list("holes"))? {
        outline = outline.with_hole(&hole)?;
    }
    let contacts: Vec<EdgeContact> = serde_json::from_value::<Vec<[f64; 2]>>(list("contacts"))?
        .into_iter()
        .map(|[at_m, length_m]| EdgeContact { at_m, length_m })
        .collect();
    let mut sheet = Sheet::new(outline, &contacts)?;
    for contact in serde_json::from_value::<Vec<Vec<[f64; 2]>>>(list("inner"))? {
        sheet = sheet.with_inner_contact(&InnerContact::polygon(&contact))?;
    }
    if let Some(tensor) = input.get("anisotropy") {
        sheet = sheet.with_anisotropy(serde_json::from_value(tensor.clone())?)?;
    }
    if let Some(gradient) = input.get("gradient") {
        let [gx, gy]: [f64; 2] = serde_json::from_value(gradient.clone())?;
        sheet = sheet.with_conductance(move |x, y| (gx * x + gy * y).exp());
    }
    Ok(sheet)
}

fn fineness(input: &Value) -> Result<Fineness, Failure> {
    let [order, growth, innermost, largest, arc]: [f64; 5] =
        serde_json::from_value(input["fineness"].clone())?;
    Ok(Fineness { order: order as usize, growth, innermost, largest, arc })
}

fn admittances(solved: &SolvedSheet, tan_hall: f64) -> Result<Vec<Vec<f64>>, Failure> {
    let terminals = solved.terminals(Ohm(1.0), tan_hall)?;
    let contacts = || Contact::first(terminals.count());
    Ok(contacts().map(|k| contacts().map(|j| terminals.admittance(k, j)).collect()).collect())
}
