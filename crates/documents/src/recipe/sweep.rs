//! Temperatures and fields as a person writes them: one by one, as ranges, or both.

use crate::fault::Located;
use crate::table::{Bounds, Entry, Table};

const TEMPERATURE: Bounds = Bounds::new(0.01, 2000.0, "K");

/// Most points of one range: a week of points of a minute each.
const MOST_POINTS: i64 = 10_000;

/// How far the length of a range may be from a whole number of steps, in steps: what decimals cost, and no more.
const WHOLE: f64 = 1e-6;

/// How the points of a range are spread.
#[derive(Clone, Copy, PartialEq)]
enum Spacing {
    Linear,
    /// Even in one over the value.
    Reciprocal,
}

/// `temperature_k` or `temperatures_k`, one at least.
pub(super) fn temperatures(root: &Table<'_>) -> Option<Vec<Located<f64>>> {
    let one = root.number("temperature_k", TEMPERATURE);
    let many = root.has("temperatures_k");
    if root.has("temperature_k") && many {
        let problem = "temperature_k and temperatures_k are both written";
        root.push(root.located(()).fault(problem, "write one of them"));
        return None;
    }
    if !many {
        let remedy = "write the temperature of the sample in kelvins";
        return root.require("temperature_k", remedy, one).map(|one| vec![one]);
    }
    let remedy = "write temperatures_k = [300, 250, 200], or { from = 300, to = 80, step = 5 }";
    let list = sweep(root, "temperatures_k", TEMPERATURE, remedy)?;
    if list.value.is_empty() {
        root.push(list.fault("no temperature to measure at", remedy));
    }
    (!list.value.is_empty()).then_some(list.value)
}

/// Numbers and ranges of a key in the order in which they are written. A range that begins where what stands before it
/// ended goes on from there: the point they share is taken once.
pub(super) fn sweep(
    table: &Table<'_>,
    key: &'static str,
    bounds: Bounds,
    remedy: &str,
) -> Option<Located<Vec<Located<f64>>>> {
    let entries = table.entries(key, bounds, remedy)?;
    let mut points: Vec<Located<f64>> = Vec::new();
    let mut right = true;
    let place = entries.place;
    for entry in entries.value {
        match entry {
            Entry::Number(number) => points.push(number),
            Entry::Wrong => right = false,
            Entry::Table(table) => match range(&table, bounds) {
                Some(range) => {
                    let shared = points.last().is_some_and(|last| last.value == range[0].value);
                    points.extend(range.into_iter().skip(usize::from(shared)));
                }
                None => right = false,
            },
        }
    }
    right.then_some(Located { value: points, place })
}

fn range(table: &Table<'_>, bounds: Bounds) -> Option<Vec<Located<f64>>> {
    let remedy = "write { from = 300, to = 80, step = 5 }, with the numbers that are wanted";
    let from = table.require("from", remedy, table.number("from", bounds));
    let to = table.require("to", remedy, table.number("to", bounds));
    let step = table.number("step", Bounds::new(1e-6, bounds.most, bounds.unit));
    let points = table.whole("points", 2, MOST_POINTS);
    let spacing = match table.word("spacing", &["linear", "reciprocal"]) {
        Some(word) if word.value == "reciprocal" => Some(Spacing::Reciprocal),
        Some(_) => Some(Spacing::Linear),
        None => (!table.has("spacing")).then_some(Spacing::Linear),
    };
    let remedy = "write step = 5, or points = 45";
    let how = table.located(());
    match (table.has("step"), table.has("points")) {
        (true, true) => table.push(how.fault("a range has a step or a number of points, not both", remedy)),
        (false, false) => table.push(how.fault("a range needs a step or a number of points", remedy)),
        (true, false) if spacing == Some(Spacing::Reciprocal) => {
            let problem = "a range that is even in one over the value has no step";
            table.push(how.fault(problem, "write points = 45 in its place"));
            return None;
        }
        _ => {}
    }
    let (from, to, spacing) = (from?, to?, spacing?);
    if from.value == to.value {
        table.push(to.fault("the range ends where it begins", "write another end, or the number alone"));
        return None;
    }
    if spacing == Spacing::Reciprocal && from.value * to.value <= 0.0 {
        let problem = "a range that is even in one over the value cannot hold 0";
        table.push(to.fault(problem, "write two ends of one sign, or spacing = \"linear\""));
        return None;
    }
    let steps = match (step, points) {
        (Some(step), None) if !table.has("points") => whole_steps(table, &from, &to, &step)?,
        (None, Some(points)) if !table.has("step") => points.value as usize - 1,
        _ => return None,
    };
    let inner = (1..steps).map(|k| table.located(between(from.value, to.value, k, steps, spacing)));
    let inner: Vec<_> = inner.collect();
    Some(std::iter::once(from).chain(inner).chain([to]).collect())
}

/// How many steps lead from one end to the other; a fault where the last would not end there.
fn whole_steps(
    table: &Table<'_>,
    from: &Located<f64>,
    to: &Located<f64>,
    step: &Located<f64>,
) -> Option<usize> {
    let steps = (to.value - from.value).abs() / step.value;
    let whole = steps.round().max(1.0);
    if whole >= MOST_POINTS as f64 {
        let problem = format!("{} are too many steps", whole);
        table.push(step.fault(problem, format!("write a step with which they are fewer than {MOST_POINTS}")));
        return None;
    }
    if (steps - whole).abs() > WHOLE {
        let length = (to.value - from.value).abs();
        let problem = format!("steps of {} from {} do not end at {}", step.value, from.value, to.value);
        let last = from.value + (to.value - from.value).signum() * steps.floor() * step.value;
        let remedy = match steps < 1.0 {
            true => format!("write a step of at most {length}"),
            false => format!("write to = {}, or points = {} in its place", rounded(last, 12), whole + 1.0),
        };
        table.push(step.fault(problem, remedy));
        return None;
    }
    Some(whole as usize)
}

/// Point `k` of a range; without the digits that only the arithmetic makes.
fn between(from: f64, to: f64, k: usize, steps: usize, spacing: Spacing) -> f64 {
    let part = k as f64 / steps as f64;
    match spacing {
        Spacing::Linear => rounded(from + (to - from) * part, 12),
        Spacing::Reciprocal => rounded(1.0 / (1.0 / from + (1.0 / to - 1.0 / from) * part), 6),
    }
}

/// To so many significant digits.
fn rounded(value: f64, digits: usize) -> f64 {
    format!("{value:.*e}", digits - 1).parse().unwrap_or(value)
}
