//! Relays that do not do what they are told, and a source that says what is not so.

use crate::night::{READINGS, inputs, inputs_with, night};
use quadrille_operations::{Circumstances, ComplaintKind, Output, Reading};

#[test]
fn a_source_that_pretends_its_limit_gives_marked_readings_and_no_result() {
    let night = night(&inputs(), &["source compliance".to_owned()], 0);
    assert_eq!(night.failure(), None);
    assert!(night.rehearsed.outcome.stand_down.is_clean());
    let marked = |(reading, _): &(Reading, Circumstances)| reading.condition.to_string().contains("limit");
    assert!(night.rehearsed.readings.iter().all(marked), "{:?}", night.rehearsed.readings);
    assert!(night.rehearsed.reduction.is_err());
}

#[test]
fn an_output_that_stays_on_is_never_said_to_be_off() {
    for after in 0..READINGS {
        let night = night(&inputs(), &["source stays-on".to_owned()], after);
        assert!(night.has_struck() && night.is_energised, "{}", night.what);
        assert_eq!(night.rehearsed.outcome.stand_down.output, Output::Commanded, "{}", night.what);
        assert!(!night.rehearsed.outcome.stand_down.is_clean());
        // The ammeter contradicts the source before another crosspoint moves: they would open under current.
        assert_eq!(night.complaints(), [ComplaintKind::OutputLeftOn], "{}", night.what);
    }
}

/// Sheet resistance of the demonstration's film in ohms: the root of exp(-pi 318/Rs) + exp(-pi 232/Rs) = 1 (van der
/// Pauw 1958), found with scipy.optimize.brentq.
const SHEET_OHM: f64 = 1_235.767_864_867_198;

#[test]
fn no_relay_that_does_not_do_what_it_is_told_gives_an_accepted_result_that_is_wrong() {
    let inputs = inputs_with("\"standard\"");
    let crosspoints: Vec<String> =
        (1..=4).flat_map(|row| (1..=4).map(move |column| format!("{row}!{column}"))).collect();
    let stuck =
        crosspoints.iter().flat_map(|one| [format!("stuck-open {one}"), format!("stuck-closed {one}")]);
    let exchanged = crosspoints.iter().enumerate().flat_map(|(k, told)| {
        // Of the fifteen others five, in no order.
        [1, 4, 6, 11, 13].map(|step| format!("wrong-relay {told} {}", crosspoints[(k + step) % 16]))
    });
    let (mut accepted, mut refused) = (0, 0);
    let mut wrong = Vec::new();
    for fault in stuck.chain(exchanged) {
        let night = night(&inputs, &[format!("matrix {fault}")], 0);
        assert!(night.has_struck(), "{}", night.what);
        night.is_honest_of_its_output();
        let Some(reduction) = night.rehearsed.reduction.as_ref().ok().filter(|r| r.accepted()) else {
            refused += 1;
            continue;
        };
        accepted += 1;
        let found = reduction.points[0].reduced.results.sheet_resistance_ohm.unwrap();
        if (found.value - SHEET_OHM).abs() > 3.0 * found.standard_uncertainty {
            wrong.push(format!(
                "{fault}: {found:?}, {} readings; {:?}",
                night.rehearsed.readings.len(),
                night.complaints()
            ));
        }
    }
    println!("{accepted} accepted, {refused} refused");
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(refused > 50);
}
