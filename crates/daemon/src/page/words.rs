//! Words and numbers as people read them: what a state is called, how long something lasts, a value with its uncertainty. Knows
//! no page.

use crate::moment::Moment;
use crate::view::{BenchState, OutputState, Point, RoundState, Value};
use maud::{Markup, Render, html};
use quadrille_quantity::{prefixed, with_uncertainty};

/// Between a number and its unit: narrow, and not broken.
const THIN: &str = "\u{202f}";

/// A true minus, and a thin space before the unit.
fn typeset(number: &str) -> String {
    number.replacen('-', "\u{2212}", 1).replace(' ', THIN)
}

/// A value with its uncertainty in brackets, as `1.2345(12) mV`.
pub(crate) fn value(value: Value, unit: &str) -> String {
    typeset(&with_uncertainty(value.value, value.u, unit))
}

/// A value with its uncertainty in a unit of which `factor` make one of SI.
pub(crate) fn scaled(found: Value, factor: f64, unit: &str) -> String {
    value(Value { value: found.value * factor, u: found.u * factor }, unit)
}

/// A value without an uncertainty, with an SI prefix where its unit takes one.
pub(crate) fn bare(value: f64, unit: &str) -> String {
    typeset(&with_uncertainty(value, 0.0, unit))
}

/// A current to three digits: what is set, not what is measured.
pub(crate) fn current(ampere: f64) -> String {
    let power = if ampere == 0.0 { 0.0 } else { 10f64.powf(2.0 - ampere.abs().log10().floor()) };
    let rounded = if power == 0.0 { 0.0 } else { (ampere.abs() * power).round() / power };
    typeset(&prefixed(rounded, "A"))
}

/// A temperature to a tenth of a kelvin.
pub(crate) fn kelvin(temperature: f64) -> String {
    format!("{temperature:.1}{THIN}K")
}

/// A field with its sign, to a millitesla.
pub(crate) fn tesla(field: f64) -> String {
    let digits = format!("{:.3}", field.abs());
    let digits = digits.trim_end_matches('0').trim_end_matches('.');
    match digits {
        "0" => format!("0{THIN}T"),
        digits if field < 0.0 => format!("\u{2212}{digits}{THIN}T"),
        digits => format!("+{digits}{THIN}T"),
    }
}

/// How long something lasts, to what matters of it.
pub(crate) fn lasting(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    let (hours, minutes) = (whole / 3600, (whole % 3600) / 60);
    match whole {
        0..=99 => format!("{whole}{THIN}s"),
        100..=3599 => format!("{}{THIN}min", (seconds / 60.0).round()),
        _ if minutes == 0 => format!("{hours}{THIN}h"),
        _ => format!("{hours}{THIN}h {minutes}{THIN}min"),
    }
}

/// A ratio in per cent, or in parts per million where that is more readable.
pub(crate) fn share(ratio: f64) -> String {
    let (number, unit) =
        if ratio == 0.0 || ratio.abs() >= 1e-3 { (ratio * 100.0, "%") } else { (ratio * 1e6, "ppm") };
    let digits = match number.abs() {
        large if large >= 10.0 || number == 0.0 => format!("{number:.0}"),
        middle if middle >= 1.0 => format!("{number:.1}"),
        _ => format!("{number:.2}"),
    };
    typeset(&format!("{digits} {unit}"))
}

/// How finely a moment is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fine {
    Minute,
    Second,
    Date,
}

impl Fine {
    fn word(self) -> &'static str {
        match self {
            Self::Minute => "minute",
            Self::Second => "second",
            Self::Date => "date",
        }
    }

    /// In UTC.
    pub(crate) fn utc(self, moment: Moment) -> String {
        let text = moment.to_string();
        match self {
            Self::Minute => text[11..16].to_owned(),
            Self::Second => text[11..19].to_owned(),
            Self::Date => format!("{} {}", &text[..10], &text[11..16]),
        }
    }
}

/// A moment, in UTC; a browser that may writes it in its own time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Clock(pub(crate) Moment, pub(crate) Fine);

impl Render for Clock {
    fn render(&self) -> Markup {
        html! { time datetime=(self.0) data-show=(self.1.word()) { (self.1.utc(self.0)) } }
    }
}

/// A text as a sentence: a capital at its beginning, a full stop at its end.
pub(crate) fn sentence(text: &str) -> String {
    let mut letters = text.trim().chars();
    let mut said: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    said.push_str(letters.as_str());
    if !said.is_empty() && !said.ends_with(['.', '?', '!']) {
        said.push('.');
    }
    said
}

/// What a bench does, in two or three words.
pub(crate) fn bench_state(state: BenchState) -> &'static str {
    match state {
        BenchState::StandingDown => "standing down",
        BenchState::Ready => "ready",
        BenchState::Working => "at work",
        BenchState::Asking => "waits for a person",
        BenchState::Paused => "paused",
        BenchState::Blocked => "blocked",
    }
}

/// What is known of the output.
pub(crate) fn output_state(state: OutputState) -> &'static str {
    match state {
        OutputState::VerifiedOff => "verified off",
        OutputState::ToldOff => "told off",
        OutputState::NotKnown => "not known",
        OutputState::On => "on",
    }
}

/// How a round went.
pub(crate) fn round_state(state: RoundState) -> &'static str {
    match state {
        RoundState::Planned => "planned",
        RoundState::Taking => "being taken",
        RoundState::Kept => "kept",
        RoundState::Marked => "kept, and marked",
        RoundState::LeftOut => "left out",
        RoundState::BrokenOff => "broken off",
    }
}

/// What the checks of a result say.
pub(crate) fn checks(point: &Point) -> String {
    let failed: Vec<String> = point
        .checks
        .iter()
        .filter(|check| !check.passed)
        .map(|check| format!("{} {}, limit {}", check.name, share(check.measured), share(check.limit)))
        .collect();
    match (point.checks.len(), failed.len()) {
        (0, _) => "not checked".to_owned(),
        (1, 0) => "passed".to_owned(),
        (all, 0) => format!("all {all} passed"),
        _ => format!("not passed: {}", failed.join("; ")),
    }
}

/// The role of an instrument.
pub(crate) fn role(word: &str) -> String {
    word.replace('-', " ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_has_a_thin_space_and_a_true_minus() {
        let found = Value { value: -1.2345e-3, u: 1.2e-6 };
        assert_eq!(value(found, "V"), "\u{2212}1.2345(12)\u{202f}mV");
        assert_eq!(scaled(Value { value: 0.11, u: 0.002 }, 1e4, "cm²/(V·s)"), "1100(20)\u{202f}cm²/(V·s)");
        assert_eq!(current(-12.0e-6), "12\u{202f}µA");
        assert_eq!(current(1.2345e-7), "123\u{202f}nA");
        assert_eq!(tesla(-0.6), "\u{2212}0.6\u{202f}T");
        assert_eq!(tesla(0.0), "0\u{202f}T");
    }

    #[test]
    fn durations_say_what_matters_of_them() {
        let said = [12.4, 99.0, 130.0, 3600.0, 26_000.0].map(lasting);
        assert_eq!(said.map(|text| text.replace(THIN, " ")), ["12 s", "99 s", "2 min", "1 h", "7 h 13 min"]);
    }

    #[test]
    fn a_sentence_begins_large_and_ends_with_a_stop() {
        assert_eq!(
            sentence("stood down: the voltmeter did not answer"),
            "Stood down: the voltmeter did not answer."
        );
        assert_eq!(sentence("Why?"), "Why?");
        assert_eq!(sentence(""), "");
    }
}
