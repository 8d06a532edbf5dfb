//! Reads a circuit as JSON on standard input and prints its node voltages at given times: the door through which
//! outside programs check transients. Checks no more than it must.
//!
//! `{"resistors": [["a", "b", ohm], …], "capacitors": [["a", "0", farad], …], "currents": {"a": ampere, …},
//! "initial": {"a": volt, …}, "times_s": […]}`; ground is "0"; what is not named is zero. Prints
//! `{"times_s": […], "voltages": {"a": […], …}, "means": {"a": […], …}, "steady": {"a": …} or null,
//! "slowest_s": …}`, a mean being that from the start to the time.

use quadrille_network::{Circuit, GROUND};
use quadrille_quantity::{Farad, Ohm, Second};
use serde_json::{Value, json};
use std::io::{Read, Write};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text)?;
    let input: Value = serde_json::from_str(&text)?;
    let circuit = circuit(&input)?;
    let dynamics = circuit.dynamics()?;
    let names: Vec<&str> = circuit.dynamic_nodes().map(|node| circuit.name(node)).collect();
    let by_name = |key: &str| -> Vec<f64> {
        names.iter().map(|name| input[key][name].as_f64().unwrap_or_default()).collect()
    };
    let (currents, initial) = (by_name("currents"), by_name("initial"));
    let times: Vec<f64> = list(&input["times_s"]).iter().filter_map(Value::as_f64).collect();
    let responses: Vec<_> = times.iter().map(|&t| dynamics.advance(&initial, &currents, Second(t))).collect();
    let series = |value: &dyn Fn(usize, usize) -> f64| -> Value {
        let of_node = |k: usize| -> Vec<f64> { (0..times.len()).map(|i| value(i, k)).collect() };
        names.iter().enumerate().map(|(k, name)| ((*name).to_owned(), json!(of_node(k)))).collect()
    };
    let steady = dynamics.steady_state(&currents).ok().map(|levels| -> Value {
        names.iter().zip(levels).map(|(name, level)| ((*name).to_owned(), json!(level))).collect()
    });
    let output = json!({
        "times_s": times,
        "voltages": series(&|i, k| responses[i].voltages[k]),
        "means": series(&|i, k| responses[i].integrals[k] / times[i]),
        "steady": steady,
        "slowest_s": dynamics.slowest().0,
    });
    writeln!(std::io::stdout(), "{output}")?;
    Ok(())
}

fn circuit(input: &Value) -> Result<Circuit, Box<dyn std::error::Error>> {
    let mut builder = Circuit::builder();
    let name = |end: &Value| match end.as_str() {
        Some("0") => Ok(GROUND.to_owned()),
        Some(name) => Ok(name.to_owned()),
        None => Err(format!("{end} is no node")),
    };
    for component in list(&input["resistors"]) {
        let ohm = component[2].as_f64().ok_or("a resistor without a value")?;
        builder.resistor(&name(&component[0])?, &name(&component[1])?, Ohm(ohm));
    }
    for component in list(&input["capacitors"]) {
        let farad = component[2].as_f64().ok_or("a capacitor without a value")?;
        builder.capacitor(&name(&component[0])?, &name(&component[1])?, Farad(farad));
    }
    // Contacts are of no interest here, but a circuit has at least two: those of its first resistor.
    let first = list(&input["resistors"]).first().ok_or("no resistors")?;
    builder.contacts([name(&first[0])?, name(&first[1])?]);
    Ok(builder.build()?)
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}
