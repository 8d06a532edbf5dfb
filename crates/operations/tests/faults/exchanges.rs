//! What strikes an instrument or the link to it: once in a known phase, for good, and at every exchange in turn.

use crate::night::{INSTRUMENTS, READINGS, inputs, night, sound};
use quadrille_instruments::ErrorKind;
use quadrille_operations::{ComplaintKind, Output};

/// What strikes a single exchange, and the kind of failure that it is while readings are taken.
const ONCE: [(&str, ErrorKind); 14] = [
    ("silent", ErrorKind::Silent),
    ("late 5", ErrorKind::Silent),
    ("cut 1", ErrorKind::Silent),
    ("garbled", ErrorKind::Garbage),
    ("wrong-type", ErrorKind::Garbage),
    ("twice 0", ErrorKind::Garbage),
    ("echo", ErrorKind::Garbage),
    ("reset", ErrorKind::Link),
    ("closed", ErrorKind::Link),
    ("black-hole once", ErrorKind::Silent),
    ("reboot 1", ErrorKind::Link),
    ("ignored", ErrorKind::ReadBack),
    ("overflow", ErrorKind::Rejected),
    ("hang once", ErrorKind::Silent),
];

/// What the bench may complain of though the program does what it can. An echo says that the matrix is done before it
/// is: its relays still move while the stand-down looks at the current. An ammeter that fails in the stand-down itself
/// cannot be shorted any more, and a source that does cannot be switched off.
fn allowed(instrument: &str, fault: &str, is_clean: bool) -> Vec<ComplaintKind> {
    match (instrument, fault, is_clean) {
        ("matrix", "echo", _) | ("ammeter", _, false) => vec![ComplaintKind::AmmeterOpen],
        ("source", _, false) => vec![ComplaintKind::OutputLeftOn],
        _ => vec![],
    }
}

#[test]
fn a_fault_of_one_exchange_fails_the_run_with_its_kind_and_the_bench_comes_to_rest() {
    let inputs = inputs();
    let sound = sound(&inputs);
    for instrument in INSTRUMENTS {
        for (fault, kind) in ONCE {
            let night = night(&inputs, &[format!("{instrument} {fault}")], 1);
            assert!(night.has_struck(), "{}", night.what);
            assert_eq!(night.failure(), Some((kind, instrument)), "{}", night.what);
            assert!(night.rehearsed.outcome.energised);
            assert!(night.rehearsed.outcome.stand_down.is_clean(), "{}", night.what);
            assert!(!night.is_energised, "{}", night.what);
            night.has_no_other_complaint_than(&allowed(instrument, fault, true));
            night.tells_the_truth(&sound);
        }
    }
}

#[test]
fn an_answer_within_the_timeout_and_an_instrument_that_comes_back_in_time_change_no_reading() {
    let inputs = inputs();
    let sound = sound(&inputs);
    for instrument in INSTRUMENTS {
        for fault in ["late 1.5", "hang for 1.5", "held", "refused"] {
            let night = night(&inputs, &[format!("{instrument} {fault}")], 1);
            assert_eq!(night.failure(), None, "{}", night.what);
            assert!(night.rehearsed.outcome.stand_down.is_clean(), "{}", night.what);
            assert_eq!(night.rehearsed.readings.len(), READINGS, "{}", night.what);
            night.tells_the_truth(&sound);
        }
    }
}

/// For what lasts: how the output is known, whether the stand-down is clean, and what the bench may complain of.
fn lasting(instrument: &str) -> (Output, bool, Vec<ComplaintKind>) {
    match instrument {
        // Nothing can switch it off: everything is left as it is, and a person is told.
        "source" => (Output::Unknown, false, vec![ComplaintKind::OutputLeftOn]),
        "voltmeter" => (Output::Verified, true, vec![]),
        // Its source says that it is off, and nothing else can be had: the crosspoints open.
        "ammeter" => (Output::Commanded, false, vec![ComplaintKind::AmmeterOpen]),
        _ => (Output::Verified, false, vec![]),
    }
}

#[test]
fn an_instrument_that_stays_away_is_told_and_what_can_be_brought_to_rest_is() {
    let inputs = inputs();
    let sound = sound(&inputs);
    for instrument in INSTRUMENTS {
        let (output, is_clean, complaints) = lasting(instrument);
        for faults in [&["silent until cleared"][..], &["black-hole"], &["hang"], &["closed", "held"]] {
            let faults: Vec<String> = faults.iter().map(|fault| format!("{instrument} {fault}")).collect();
            let night = night(&inputs, &faults, 1);
            assert!(night.has_struck(), "{}", night.what);
            let (kind, named) = night.failure().unwrap();
            assert!(matches!(kind, ErrorKind::Silent | ErrorKind::Link), "{}", night.what);
            assert_eq!(named, instrument, "{}", night.what);
            // A silent source was carrying out what it was told.
            let is_deaf = faults.len() > 1 || !faults[0].contains("silent");
            let stand_down = &night.rehearsed.outcome.stand_down;
            assert_eq!((stand_down.output, stand_down.is_clean()), (output, is_clean), "{}", night.what);
            if is_deaf {
                assert_eq!(night.complaints(), complaints, "{}", night.what);
                assert_eq!(night.is_energised, instrument == "source", "{}", night.what);
            }
            night.tells_the_truth(&sound);
        }
    }
}

#[test]
fn another_instrument_at_an_address_is_found_before_anything_is_energised() {
    let inputs = inputs();
    for instrument in INSTRUMENTS {
        let night = night(&inputs, &[format!("{instrument} stranger")], 0);
        assert_eq!(night.failure(), Some((ErrorKind::Identity, instrument)), "{}", night.what);
        assert!(!night.rehearsed.outcome.energised && !night.is_energised, "{}", night.what);
        assert_eq!(night.rehearsed.readings.len(), 0);
        // Nothing is said to a stranger.
        assert_eq!(night.complaints(), [], "{}", night.what);
    }
}

#[test]
fn an_instrument_that_became_another_in_a_run_is_told_nothing_more_once_its_link_was_opened_again() {
    let inputs = inputs();
    let sound = sound(&inputs);
    for instrument in INSTRUMENTS {
        let night = night(&inputs, &[format!("{instrument} stranger")], 1);
        assert!(night.has_struck(), "{}", night.what);
        assert_eq!(night.failure().map(|(_, named)| named), Some(instrument), "{}", night.what);
        night.tells_the_truth(&sound);
        night.is_honest_of_its_output();
        // What was under way when it changed could not be known.
        let told =
            night.complaints().iter().filter(|kind| matches!(kind, ComplaintKind::StrangerTold(_))).count();
        assert!(told <= 1, "{:?}; {}", night.rehearsed.complaints, night.what);
    }
}

/// Everything that can strike one exchange, at each exchange of the run in turn, the stand-down's included.
fn sweep(instrument: &str) {
    let inputs = inputs();
    let sound = sound(&inputs);
    // Answers that come again: at once, before the next answer, with it, after it, in another operation.
    let others =
        ["twice 0.001", "twice 0.012", "twice 0.021", "twice 0.3", "late 1.5", "late 2.5", "stranger"];
    let (mut strikes, mut left_on) = (0, 0);
    for fault in ONCE.iter().map(|(fault, _)| *fault).chain(others) {
        for spared in 0.. {
            let text = format!("{instrument} {} once after {spared}", fault.trim_end_matches(" once"));
            let night = night(&inputs, &[text], 0);
            if !night.has_struck() {
                // Who it is is asked once a run, and of settings there are only some.
                let fewest = if ["stranger", "ignored"].contains(&fault) { 1 } else { 20 };
                assert!(spared >= fewest, "{}: struck {spared} times only", night.what);
                break;
            }
            strikes += 1;
            left_on += u32::from(night.is_energised);
            night.tells_the_truth(&sound);
            night.is_honest_of_its_output();
            let is_clean = night.rehearsed.outcome.stand_down.is_clean();
            night.has_no_other_complaint_than(&allowed(instrument, fault, is_clean));
            let named = night.failure().map(|(_, named)| named);
            assert!(named.is_none_or(|named| named == instrument), "{}", night.what);
        }
    }
    println!("{instrument}: {strikes} exchanges struck; current was left on, and told so, {left_on} times");
}

#[test]
fn no_fault_at_any_exchange_with_the_source_makes_a_wrong_reading() {
    sweep("source");
}

#[test]
fn no_fault_at_any_exchange_with_the_voltmeter_makes_a_wrong_reading() {
    sweep("voltmeter");
}

#[test]
fn no_fault_at_any_exchange_with_the_ammeter_makes_a_wrong_reading() {
    sweep("ammeter");
}

#[test]
fn no_fault_at_any_exchange_with_the_matrix_makes_a_wrong_reading() {
    sweep("matrix");
}
