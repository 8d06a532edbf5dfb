//! Command templates with typed placeholders. Knows which values a command may carry, not how they are written.
//!
//! A placeholder stands for a number or a list of crosspoints, never for a text that somebody typed: so no value can
//! carry a separator, a quote or a line end into a command.

/// What may stand in a template's braces.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Placeholder {
    /// `{level_a}`: a current in amperes.
    Level,
    /// `{range_a}`: full scale of a range in amperes.
    RangeAmpere,
    /// `{range_v}`: full scale of a range in volts.
    RangeVolt,
    /// `{limit_v}`: a voltage limit in volts.
    Limit,
    /// `{aperture_plc}`: averaging time in power-line cycles.
    AperturePlc,
    /// `{aperture_s}`: averaging time in seconds.
    ApertureSecond,
    /// `{crosspoints}`: a list of crosspoints.
    Crosspoints,
    /// `{row}`: the row of one crosspoint.
    Row,
    /// `{column}`: the column of one crosspoint.
    Column,
    /// `{target_k}`: a temperature in kelvins.
    TargetKelvin,
    /// `{ramp_k_per_min}`: a ramp in kelvins per minute.
    RampKelvinPerMinute,
    /// `{ramp_k_per_s}`: a ramp in kelvins per second.
    RampKelvinPerSecond,
    /// `{field_t}`: a magnetic field in teslas.
    Field,
    /// `{magnet_current_a}`: the magnet's current for a field, in amperes.
    MagnetCurrent,
    /// `{ramp_t_per_s}`: a ramp of the field in teslas per second.
    RampTeslaPerSecond,
    /// `{ramp_t_per_min}`: a ramp of the field in teslas per minute.
    RampTeslaPerMinute,
    /// `{ramp_a_per_s}`: a ramp of the magnet's current in amperes per second.
    RampAmperePerSecond,
    /// `{ramp_a_per_min}`: a ramp of the magnet's current in amperes per minute.
    RampAmperePerMinute,
}

impl Placeholder {
    const ALL: [Self; 18] = [
        Self::Level,
        Self::RangeAmpere,
        Self::RangeVolt,
        Self::Limit,
        Self::AperturePlc,
        Self::ApertureSecond,
        Self::Crosspoints,
        Self::Row,
        Self::Column,
        Self::TargetKelvin,
        Self::RampKelvinPerMinute,
        Self::RampKelvinPerSecond,
        Self::Field,
        Self::MagnetCurrent,
        Self::RampTeslaPerSecond,
        Self::RampTeslaPerMinute,
        Self::RampAmperePerSecond,
        Self::RampAmperePerMinute,
    ];

    /// The name between the braces.
    pub fn name(self) -> &'static str {
        match self {
            Self::Level => "level_a",
            Self::RangeAmpere => "range_a",
            Self::RangeVolt => "range_v",
            Self::Limit => "limit_v",
            Self::AperturePlc => "aperture_plc",
            Self::ApertureSecond => "aperture_s",
            Self::Crosspoints => "crosspoints",
            Self::Row => "row",
            Self::Column => "column",
            Self::TargetKelvin => "target_k",
            Self::RampKelvinPerMinute => "ramp_k_per_min",
            Self::RampKelvinPerSecond => "ramp_k_per_s",
            Self::Field => "field_t",
            Self::MagnetCurrent => "magnet_current_a",
            Self::RampTeslaPerSecond => "ramp_t_per_s",
            Self::RampTeslaPerMinute => "ramp_t_per_min",
            Self::RampAmperePerSecond => "ramp_a_per_s",
            Self::RampAmperePerMinute => "ramp_a_per_min",
        }
    }
}

/// A piece of a template.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Part {
    /// Sent as it stands.
    Text(String),
    /// Sent as the value of that kind.
    Value(Placeholder),
}

/// A command or query with typed placeholders; printable ASCII on one line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Template {
    parts: Vec<Part>,
}

impl Template {
    /// The pieces in order.
    pub fn parts(&self) -> &[Part] {
        &self.parts
    }

    /// Reads a template in which only the `allowed` placeholders may stand. The error says what is wrong and what
    /// would be right.
    pub fn parse(text: &str, allowed: &[Placeholder]) -> Result<Self, (String, String)> {
        if text.trim().is_empty() {
            return Err((
                "the template is empty".into(),
                "write the command from the instrument's manual".into(),
            ));
        }
        if let Some(odd) = text.chars().find(|c| !(' '..='~').contains(c)) {
            let problem = format!("{odd:?} cannot stand in a command: it could end or split it");
            return Err((problem, "write printable ASCII on one line; the line end is added".into()));
        }
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some(open) = rest.find(['{', '}']) {
            let (before, from) = rest.split_at(open);
            if !before.is_empty() {
                parts.push(Part::Text(before.to_owned()));
            }
            let closed = from.strip_prefix('{').and_then(|inside| inside.split_once('}'));
            let Some((name, after)) = closed else {
                return Err(("a brace is open or closed alone".into(), placeholders(allowed)));
            };
            parts.push(Part::Value(known(name, allowed)?));
            rest = after;
        }
        if !rest.is_empty() {
            parts.push(Part::Text(rest.to_owned()));
        }
        Ok(Self { parts })
    }

    /// Whether a placeholder stands in it.
    pub fn carries(&self, placeholder: Placeholder) -> bool {
        self.parts.contains(&Part::Value(placeholder))
    }

    /// Whether its fixed text has a character.
    pub fn has(&self, characters: &[char]) -> bool {
        self.parts.iter().any(|part| matches!(part, Part::Text(text) if text.contains(characters)))
    }
}

fn known(name: &str, allowed: &[Placeholder]) -> Result<Placeholder, (String, String)> {
    let found = Placeholder::ALL.into_iter().find(|placeholder| placeholder.name() == name);
    match found {
        Some(found) if allowed.contains(&found) => Ok(found),
        Some(_) => Err((format!("{{{name}}} has no value here"), placeholders(allowed))),
        None => Err((
            format!("{{{name}}} is not a typed value: it could carry a separator, a quote or a line end"),
            placeholders(allowed),
        )),
    }
}

fn placeholders(allowed: &[Placeholder]) -> String {
    if allowed.is_empty() {
        return "write it without braces: it carries no value".into();
    }
    let names: Vec<String> =
        allowed.iter().map(|placeholder| format!("{{{}}}", placeholder.name())).collect();
    format!("a value is written {}", names.join(" or "))
}
