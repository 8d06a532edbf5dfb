//! What came of proving a bench, and what is wrong with it, as a person reads it. Lines stay under 100 columns.

use crate::text::{outcome, reasons};
use quadrille_operations::{Conclusion, Judgement, Size, Strength, Suspect, Told, Verified};
use quadrille_quantity::Ohm;
use std::fmt::Write;

/// Beside one that is named, what is less likely than this is not worth a line.
const NAMED_BESIDE: f64 = 0.005;

/// Columns of a line.
const WIDTH: usize = 98;

/// What a standard will not show, before it is read.
pub(crate) fn warnings(strength: &Strength) -> Vec<String> {
    strength.warnings.iter().map(|warning| paragraph("", &format!("Of this standard: {warning}."))).collect()
}

/// What it does show, where somebody wants to know how good a bench is proved that passed.
pub(crate) fn strength(strength: &Strength) -> String {
    let mut text = "\nWhat all configurations of this standard show:\n".to_owned();
    for smallest in &strength.limits {
        let from = match smallest.size {
            Size::Ohm(_) => "up to",
            Size::Volt(_) => "below",
            Size::Factor(_) => "from",
        };
        text.push_str(&paragraph("  ", &format!("{}: {from} {}", smallest.sentence, smallest.size)));
    }
    if !strength.not_tested.is_empty() {
        let all = strength.not_tested.join("; ");
        text.push_str(&paragraph("  ", &format!("never: whether {all}")));
    }
    text
}

/// What a proof that passed does not say.
pub(crate) fn not_tested(strength: &Strength) -> String {
    if strength.not_tested.is_empty() {
        return String::new();
    }
    paragraph("", &format!("NOT TESTED by this standard: whether {}.", strength.not_tested.join("; ")))
}

pub(crate) fn verified(verified: &Verified) -> String {
    let runs: Vec<String> = verified.runs.iter().map(ToString::to_string).collect();
    let mut text = match runs.as_slice() {
        [one] => format!("Run {one}\n"),
        many => format!("Runs {}\n", many.join(", ")),
    };
    text.push_str(&reasons(&verified.plan));
    text.push_str(&outcome(&verified.plan, &verified.outcome));
    text.push('\n');
    let _ = writeln!(
        text,
        "  {:<8} {:>16} {:>16} {:>10} {:>10}  verdict",
        "", "predicted", "measured", "off by", "limit"
    );
    for judgement in &verified.judgements {
        text.push_str(&judged(judgement));
    }
    if !verified.read_again.is_empty() {
        let again: Vec<String> = verified.read_again.iter().map(ToString::to_string).collect();
        text.push_str(&paragraph(
            "",
            &format!(
                "Read again, because a reading was far from what all others say: {}. What was read then counts; if \
                 it happens often, look for a loose contact.",
                again.join("  ")
            ),
        ));
    }
    match &verified.diagnosis {
        Some(Ok(told)) => text.push_str(&diagnosis(told)),
        Some(Err(reason)) => {
            text.push_str(&paragraph("", &format!("Of this standard nothing more can be said: {reason}.")));
        }
        None => {}
    }
    text.push_str(&verdict(verified));
    text
}

fn judged(judgement: &Judgement) -> String {
    let Judgement { configuration, predicted, measured, limit, passed, remark } = judgement;
    let part = |ohm: Ohm| format!("{:.3} %", 100.0 * ohm / predicted.abs());
    let off = measured.map_or("-".to_owned(), |measured| part(measured - *predicted));
    let measured = measured.map_or("no value".to_owned(), |measured| measured.to_string());
    let mut line = format!(
        "  {:<8} {:>16} {measured:>16} {off:>10} {:>10}  {}",
        configuration.to_string(),
        predicted.to_string(),
        part(*limit),
        if *passed { "right" } else { "WRONG" }
    );
    if let Some(remark) = remark {
        let _ = write!(line, " ({remark})");
    }
    line.push('\n');
    line
}

fn diagnosis(told: &Told) -> String {
    let mut text = format!("\nWhat {} readings of this standard say of the bench:\n", told.readings);
    let conclusion = match told.conclusion {
        Conclusion::Passes => "nothing is wrong that they can see. What they cannot see is not excluded.",
        Conclusion::Accuses => "the first of these explains them, and no other does:",
        Conclusion::Undecided => "one of the first two of these, and they cannot tell which:",
        Conclusion::NoneOfThese => {
            "NONE OF THESE: no single fault that is known here gives such readings. Nearest come:"
        }
    };
    text.push_str(&paragraph("  ", conclusion));
    let is_named = told.conclusion == Conclusion::Accuses;
    let unlikely = |suspect: &&Suspect| is_named && suspect.probability < NAMED_BESIDE;
    for suspect in told.ranked.iter().filter(|suspect| !unlikely(suspect)) {
        text.push_str(&one(suspect, told.conclusion == Conclusion::NoneOfThese));
    }
    text.push_str(&paragraph("  ", &format!("Do next: {}.", told.next)));
    if !told.not_tested.is_empty() {
        let all = told.not_tested.join("; ");
        text.push_str(&paragraph("  ", &format!("NOT TESTED by this standard: whether {all}.")));
    }
    text
}

fn one(suspect: &Suspect, is_none: bool) -> String {
    let odds = if is_none { String::new() } else { format!("{}: ", odds(suspect.probability)) };
    let size = suspect.size.as_ref().map_or(String::new(), |size| format!(" ({size})"));
    paragraph("    ", &format!("{odds}{}{size}", suspect.sentence))
}

/// A probability as a person weighs it.
fn odds(probability: f64) -> String {
    if probability > 0.999 {
        "more than 999 in 1000".into()
    } else if probability > 0.99 {
        format!("{:.0} in 1000", 1000.0 * probability)
    } else if probability >= 0.005 {
        format!("{:.0} in 100", 100.0 * probability)
    } else {
        "less than 1 in 100".into()
    }
}

/// Words in lines, each with a margin before it, and two columns more from the second on.
fn paragraph(margin: &str, words: &str) -> String {
    let mut text = String::new();
    let mut line = margin.to_owned();
    let mut is_empty = true;
    for word in words.split(' ') {
        if !is_empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            text.push_str(&line);
            text.push('\n');
            line = format!("{margin}  ");
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line.push_str(word);
        is_empty = false;
    }
    text.push_str(&line);
    text.push('\n');
    text
}

fn verdict(verified: &Verified) -> String {
    if verified.passed() {
        return "The bench reads this standard right in all eight configurations.\n".to_owned();
    }
    let wrong: Vec<String> =
        verified.judgements.iter().filter(|j| !j.passed).map(|j| j.configuration.to_string()).collect();
    if !wrong.is_empty() {
        return format!("NOT proved: {} of 8 disagree: {}.\n", wrong.len(), wrong.join("  "));
    }
    match &verified.diagnosis {
        Some(Ok(_)) => "NOT proved: all eight agree, the other configurations do not.\n".to_owned(),
        _ => "NOT proved: the run did not finish.\n".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_paragraph_keeps_its_margin_and_its_width() {
        let words = vec!["resistor"; 40].join(" ");
        let text = paragraph("  ", &words);
        assert!(text.lines().all(
            |line| line.chars().count() <= WIDTH && line.starts_with("  r") || line.starts_with("    r")
        ));
        assert_eq!(text.split_whitespace().count(), 40);
    }

    #[test]
    fn odds_are_never_certain() {
        let said = [1.0, 0.9993, 0.995, 0.64, 0.001, 0.0].map(odds);
        assert_eq!(
            said,
            [
                "more than 999 in 1000",
                "more than 999 in 1000",
                "995 in 1000",
                "64 in 100",
                "less than 1 in 100",
                "less than 1 in 100"
            ]
        );
    }
}
