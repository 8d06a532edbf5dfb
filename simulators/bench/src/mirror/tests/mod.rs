//! Dialects turned round: what is read, what is refused, and that the native device does the same.

mod ambiguous;
mod conversation;
mod reading;

use super::Mirror;
use crate::testing;
use quadrille_documents::{Bench, Dialect, Faults, Magnet, Role};

/// Documents of the six roles: in a laboratory's words without facts, and as they are shipped.
const DOCUMENTS: [(Role, &str, &str); 6] = [
    (
        Role::CurrentSource,
        include_str!("../../../tests/laboratory/current-source.toml"),
        include_str!("../../../../../config/dialects/current-source.toml"),
    ),
    (
        Role::Voltmeter,
        include_str!("../../../tests/laboratory/voltmeter.toml"),
        include_str!("../../../../../config/dialects/voltmeter.toml"),
    ),
    (
        Role::Ammeter,
        include_str!("../../../tests/laboratory/ammeter.toml"),
        include_str!("../../../../../config/dialects/ammeter.toml"),
    ),
    (
        Role::SwitchMatrix,
        include_str!("../../../tests/laboratory/switch-matrix.toml"),
        include_str!("../../../../../config/dialects/switch-matrix.toml"),
    ),
    (
        Role::TemperatureController,
        include_str!("../../../tests/laboratory/temperature-controller.toml"),
        include_str!("../../../../../config/dialects/temperature-controller.toml"),
    ),
    (
        Role::FieldSource,
        include_str!("../../../tests/laboratory/field-source.toml"),
        include_str!("../../../../../config/dialects/field-source.toml"),
    ),
];

fn texts(role: Role) -> (&'static str, &'static str) {
    let (_, laboratory, shipped) = DOCUMENTS.iter().find(|(of, _, _)| *of == role).unwrap();
    (laboratory, shipped)
}

/// A document in a laboratory's words with the facts of the shipped one; its registers are arranged otherwise.
fn laboratory_text(role: Role) -> String {
    let (words, shipped) = texts(role);
    let facts = &shipped[shipped.find("[facts]").unwrap()..];
    let facts = facts.replace("compliance_bit = 0", "compliance_bit = 5");
    let facts = facts.replace("ramping_bit = 3", "ramping_bit = 6\nramping_is_zero = true");
    let facts = facts.replace("bit = 4\n", "bit = 1\n").replace("bit = 9\n", "bit = 2\n");
    format!("{words}\n{facts}")
}

fn laboratory(role: Role) -> Dialect {
    parsed(&laboratory_text(role))
}

fn shipped(role: Role) -> Dialect {
    parsed(texts(role).1)
}

#[track_caller]
fn parsed(text: &str) -> Dialect {
    quadrille_documents::dialect("own.toml", text).unwrap()
}

/// The bench of the tests with a magnet of 0.03 T/A.
fn bench() -> Bench {
    let magnet = Magnet { field_t_per_a: 0.03, most_field_t: 1.2, most_ramp_t_per_s: 0.02 };
    Bench { magnet: Some(magnet), ..testing::bench() }
}

#[track_caller]
fn mirror(dialect: &Dialect) -> Mirror {
    Mirror::new(dialect, &bench()).unwrap()
}

/// What is said of a document that cannot be turned round.
#[track_caller]
fn refused(text: &str) -> Vec<String> {
    match Mirror::new(&parsed(text), &bench()) {
        Ok(_) => panic!("it was turned round"),
        Err(Faults(faults)) => faults.iter().map(ToString::to_string).collect(),
    }
}
