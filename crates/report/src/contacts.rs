//! A contact check as plain text for a terminal.

use crate::summary::{percent, wrapped};
use quadrille_quantity::{Ohm, with_uncertainty};
use quadrille_reduction::contacts::{ContactReport, ContactVerdict, PairVerdict};

/// Every contact and every pair with its verdict, then what a reader should know.
pub fn contacts(report: &ContactReport) -> String {
    let mut text = String::from("Contacts (standard uncertainty in brackets)\n");
    report.contacts.iter().for_each(|contact| text += &contact_line(contact));
    text += "Pairs (resistance; off a straight line; difference of the two directions)\n";
    report.pairs.iter().for_each(|pair| text += &pair_line(pair));
    report.remarks.iter().for_each(|remark| text += &wrapped("- ", remark));
    text
}

fn contact_line(contact: &ContactVerdict) -> String {
    let ohm = contact.resistance.map_or("not told".to_owned(), |found| {
        with_uncertainty(found.value, found.standard_uncertainty, Ohm::UNIT)
    });
    let limit = contact.limit.map_or(String::new(), |limit| format!("at most {limit}"));
    let verdict =
        contact.reason.as_ref().map_or_else(|| "good".to_owned(), |reason| format!("BAD: {reason}"));
    format!("  {:<6} {ohm:>20}  {limit:<18}  {verdict}\n", contact.contact.to_string())
}

fn pair_line(pair: &PairVerdict) -> String {
    let [a, b] = pair.pair;
    let name = format!("{a}-{b}");
    let verdict = if pair.passed { "good" } else { "BAD" };
    let remarks: String = pair.remarks.iter().map(|remark| format!("{:9}{remark}\n", "")).collect();
    let Some(line) = &pair.line else { return format!("  {name:<6} {verdict}\n{remarks}") };
    let ohm = with_uncertainty(line.resistance.value, line.resistance.standard_uncertainty, Ohm::UNIT);
    let directions = line.asymmetry.map_or("not told".to_owned(), |found| percent(found.value));
    format!(
        "  {name:<6} {ohm:>20}  {:>10}  {directions:>10}  {verdict}\n{remarks}",
        percent(line.nonlinearity)
    )
}
