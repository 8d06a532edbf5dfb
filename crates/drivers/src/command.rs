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
    /// A ramp of the temperature.
    TemperatureRamp { kelvin_per_minute: f64 },
    /// A field, and the magnet's current for it.
    Field { tesla: f64, ampere: f64 },
    /// A ramp of the field, and of the magnet's current for it.
    FieldRamp { tesla_per_second: f64, ampere_per_second: f64 },
    /// Crosspoints.
    Crosspoints(&'v [Crosspoint]),
    /// The template carries none.
    None,
}

impl Value<'_> {
    /// The number that a placeholder stands for, in its own unit; `None` where this value is not of its kind.
    fn number(&self, placeholder: Placeholder) -> Option<f64> {
        Some(match (placeholder, self) {
            (Placeholder::AperturePlc, Self::Aperture { power_line_cycles, .. }) => *power_line_cycles,
            (Placeholder::ApertureSecond, Self::Aperture { seconds, .. }) => *seconds,
            (Placeholder::RampKelvinPerMinute, Self::TemperatureRamp { kelvin_per_minute }) => {
                *kelvin_per_minute
            }
            (Placeholder::RampKelvinPerSecond, Self::TemperatureRamp { kelvin_per_minute }) => {
                kelvin_per_minute / 60.0
            }
            (Placeholder::Field, Self::Field { tesla, .. }) => *tesla,
            (Placeholder::MagnetCurrent, Self::Field { ampere, .. }) => *ampere,
            (Placeholder::RampTeslaPerSecond, Self::FieldRamp { tesla_per_second, .. }) => *tesla_per_second,
            (Placeholder::RampTeslaPerMinute, Self::FieldRamp { tesla_per_second, .. }) => {
                tesla_per_second * 60.0
            }
            (Placeholder::RampAmperePerSecond, Self::FieldRamp { ampere_per_second, .. }) => {
                *ampere_per_second
            }
            (Placeholder::RampAmperePerMinute, Self::FieldRamp { ampere_per_second, .. }) => {
                ampere_per_second * 60.0
            }
            (
                Placeholder::Level
                | Placeholder::RangeAmpere
                | Placeholder::RangeVolt
                | Placeholder::Limit
                | Placeholder::TargetKelvin,
                Self::Number(x),
            ) => *x,
            _ => return None,
        })
    }

    /// The number that a template carries of it: what is to be read back.
    pub(crate) fn carried(&self, template: &Template) -> Option<f64> {
        template.parts().iter().find_map(|part| match part {
            Part::Value(placeholder) => self.number(*placeholder),
            Part::Text(_) => None,
        })
    }
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
    if let (Placeholder::Crosspoints, Value::Crosspoints(crosspoints)) = (placeholder, value) {
        let list: Vec<String> = crosspoints.iter().map(|c| dialect.crosspoint_text(*c)).collect();
        return Ok(list.join(","));
    }
    let number =
        value.number(placeholder).ok_or_else(|| format!("no value for {{{}}}", placeholder.name()))?;
    format_number(number).map_err(|error| format!("{} is not finite", error.0))
}
