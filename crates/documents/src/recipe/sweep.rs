//! The temperatures of a recipe, in order.

use crate::fault::Located;
use crate::table::{Bounds, Table};

const TEMPERATURE: Bounds = Bounds::new(0.01, 2000.0, "K");

pub(super) fn temperatures(root: &Table<'_>) -> Option<Vec<Located<f64>>> {
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
