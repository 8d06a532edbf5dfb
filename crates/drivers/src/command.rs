//! Messages from templates and typed values: the only way in which a command comes about.

use quadrille_documents::{Crosspoint, Dialect, Part, Placeholder, Template};
use quadrille_scpi::controller::{check_command, format_number};

/// The value of a placeholder.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Value<'v> {
    /// A number, for a template that carries one.
    Number(f64),
    /// Averaging time: in power-line cycles, or in seconds where the template wants those.
    Aperture { power_line_cycles: f64, seconds: f64 },
    /// Crosspoints.
    Crosspoints(&'v [Crosspoint]),
    /// The template carries none.
    None,
}

/// The message that a template gives with a value, checked to be one command line of printable ASCII.
pub(crate) fn message(dialect: &Dialect, template: &Template, value: &Value<'_>) -> Result<String, String> {
    let mut text = String::new();
    for part in template.parts() {
        match part {
            Part::Text(fixed) => text.push_str(fixed),
            Part::Value(placeholder) => text.push_str(&written(dialect, *placeholder, value)?),
        }
    }
    check_command(&text).map_err(|fault| fault.to_string())?;
    Ok(text)
}

fn written(dialect: &Dialect, placeholder: Placeholder, value: &Value<'_>) -> Result<String, String> {
    let number = |number: f64| format_number(number).map_err(|error| format!("{} is not finite", error.0));
    match (placeholder, value) {
        (Placeholder::Crosspoints, Value::Crosspoints(crosspoints)) => {
            let list: Vec<String> = crosspoints.iter().map(|c| dialect.crosspoint_text(*c)).collect();
            Ok(list.join(","))
        }
        (Placeholder::AperturePlc, Value::Aperture { power_line_cycles, .. }) => number(*power_line_cycles),
        (Placeholder::ApertureSecond, Value::Aperture { seconds, .. }) => number(*seconds),
        (
            Placeholder::Level | Placeholder::RangeAmpere | Placeholder::RangeVolt | Placeholder::Limit,
            Value::Number(x),
        ) => number(*x),
        _ => Err(format!("no value for {{{}}}", placeholder.name())),
    }
}
