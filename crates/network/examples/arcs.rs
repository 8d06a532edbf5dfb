//! Reads contacts on the edge of a disc as JSON on standard input and prints their admittances: the door through which
//! outside programs check conformal maps. Checks no more than it must.
//!
//! `{"arcs": [[start, end], …], "tan_hall": [t, …]}`, angles in rad. Prints `{"admittances": [rows of Y for each t],
//! "fitted": {"arcs": …, "residual": …, "admittances": …} or null}`, Y in units of 1/R_s; "fitted" is what comes of
//! forgetting the arcs and finding them again from Y at zero field.

use quadrille_network::EdgeArcs;
use serde_json::{Value, json};
use std::io::{Read, Write};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text)?;
    let input: Value = serde_json::from_str(&text)?;
    let arcs: Vec<(f64, f64)> = serde_json::from_value(input["arcs"].clone())?;
    let tangents: Vec<f64> = serde_json::from_value(input["tan_hall"].clone())?;
    let at_all =
        |arcs: &EdgeArcs| tangents.iter().map(|&t| arcs.conductances(t)).collect::<Result<Vec<_>, _>>();
    let arcs = EdgeArcs::new(&arcs)?;
    let fitted = match EdgeArcs::fit(&arcs.conductances(0.0)?) {
        Ok((arcs, residual)) => {
            json!({ "arcs": arcs.arcs(), "residual": residual, "admittances": at_all(&arcs)? })
        }
        Err(_) => Value::Null,
    };
    writeln!(std::io::stdout(), "{}", json!({ "admittances": at_all(&arcs)?, "fitted": fitted }))?;
    Ok(())
}
