//! Status and mandatory commands, asked as a client asks: strings from IEEE 488.2, 10 and 11 and SCPI-1999 volume 2,
//! 20 and 21, from memory.

use proptest::prelude::*;
use quadrille_scpi::device::{Response, ScpiError, Status, parse_message};

/// A device that has nothing but status.
fn carry_out(status: &mut Status, message: &[u8]) -> String {
    let mut response = Response::new();
    for unit in parse_message(message) {
        let outcome = unit.and_then(|unit| {
            status.common(&unit).unwrap_or_else(|| Err(ScpiError::with(-113, unit.header.to_string())))
        });
        match outcome {
            Ok(Some(answer)) => response.push(answer),
            Ok(None) => {}
            Err(error) => status.report(error),
        }
        status.set_message_available(!response.is_empty());
    }
    status.set_message_available(false);
    String::from_utf8(response.finish().unwrap_or_default()).expect("answers are ASCII")
}

/// A conversation with one device: messages and the whole answers to them.
#[track_caller]
fn check(status: &mut Status, conversation: &[(&str, &str)]) {
    for (message, expected) in conversation {
        assert_eq!(carry_out(status, message.as_bytes()), *expected, "{message}");
    }
}

/// A device whose power-on event has been read.
fn running() -> Status {
    let mut status = Status::new(4);
    status.take_events();
    status
}

#[test]
fn power_on_is_an_event_that_is_read_once() {
    check(&mut Status::new(4), &[("*ESR?", "128\n"), ("*ESR?", "0\n")]);
}

#[test]
fn errors_come_out_in_the_order_in_which_they_went_in() {
    let mut status = running();
    check(
        &mut status,
        &[
            ("SYST:ERR?", "0,\"No error\"\n"),
            ("FOO", ""),
            ("*ESE 300", ""),
            ("SYST:ERR:COUN?", "2\n"),
            ("*ESR?", "48\n"),
            (":SYSTem:ERRor:NEXT?", "-113,\"Undefined header;:FOO\"\n"),
            ("syst:err?;err?", "-222,\"Data out of range;300\";0,\"No error\"\n"),
        ],
    );
}

#[test]
fn a_full_queue_loses_the_newest_and_says_so() {
    let mut status = running();
    for _ in 0..6 {
        status.report(ScpiError::new(-113));
    }
    status.report(ScpiError::new(-222));
    check(
        &mut status,
        &[
            ("SYST:ERR:COUN?", "4\n"),
            ("*ESR?", "56\n"),
            ("SYST:ERR?", "-113,\"Undefined header\"\n"),
            (
                "SYST:ERR:ALL?",
                "-113,\"Undefined header\",-113,\"Undefined header\",-350,\"Queue overflow\"\n",
            ),
            ("SYST:ERR:ALL?", "0,\"No error\"\n"),
        ],
    );
}

#[test]
fn the_status_byte_sums_up_what_is_enabled() {
    let mut status = running();
    check(
        &mut status,
        &[
            ("*STB?", "0\n"),
            ("FOO", ""),
            ("*STB?", "4\n"),
            ("*ESE 32", ""),
            ("*STB?", "36\n"),
            ("*SRE 255", ""),
            ("*SRE?", "191\n"),
            ("*STB?", "100\n"),
            ("*STB?", "100\n"),
            ("*CLS", ""),
            ("*STB?", "0\n"),
            ("*ESE?;*SRE?", "32;191\n"),
        ],
    );
}

#[test]
fn an_answer_that_waits_shows_in_the_status_byte() {
    check(&mut running(), &[("*ESE?;*STB?", "0;16\n"), ("*STB?", "0\n")]);
}

#[test]
fn a_register_latches_what_its_filters_let_through_and_reading_clears_it() {
    let mut status = running();
    check(&mut status, &[("STAT:OPER:PTR?;NTR?;ENAB?", "32767;0;0\n")]);
    status.operation.set_condition_bit(1, true);
    check(&mut status, &[("STAT:OPER:COND?", "2\n"), ("STAT:OPER?", "2\n"), ("STAT:OPER:EVEN?", "0\n")]);
    status.operation.set_condition_bit(1, false);
    check(&mut status, &[("STAT:OPER:COND?;EVEN?", "0;0\n")]);
    check(&mut status, &[("STAT:OPER:PTR 0;NTR 2;ENAB #H2", ""), ("*SRE 128", "")]);
    status.operation.set_condition_bit(1, true);
    check(&mut status, &[("STAT:OPER?", "0\n")]);
    status.operation.set_condition_bit(1, false);
    check(&mut status, &[("*STB?", "192\n"), ("STAT:OPER?", "2\n"), ("*STB?", "0\n")]);
}

#[test]
fn questionable_is_a_register_of_its_own() {
    let mut status = running();
    status.questionable.set_condition(1 << 4 | 1 << 15);
    check(
        &mut status,
        &[
            ("STAT:QUES:ENAB 65535;ENAB?", "32767\n"),
            ("STAT:QUES:COND?;:STAT:OPER:COND?", "16;0\n"),
            ("*STB?", "8\n"),
            ("*CLS;*STB?", "0\n"),
            ("STAT:QUES:COND?;ENAB?", "16;32767\n"),
            ("STAT:PRES;QUES:ENAB?", "0\n"),
        ],
    );
}

#[test]
fn operation_complete_waits_for_the_operation() {
    let mut status = running();
    check(&mut status, &[("*OPC", ""), ("*ESR?", "1\n"), ("*OPC?", "1\n")]);
    status.set_operation_pending(true);
    check(&mut status, &[("*OPC", ""), ("*ESR?", "0\n")]);
    let waits = |text: &str| {
        let unit = parse_message(text.as_bytes()).next().unwrap().unwrap();
        status.must_wait(&unit)
    };
    assert_eq!([waits("*OPC?"), waits("*WAI"), waits("*OPC"), waits("*ESR?")], [true, true, false, false]);
    status.set_operation_pending(false);
    check(&mut status, &[("*ESR?", "1\n"), ("*ESR?", "0\n")]);
}

#[test]
fn clearing_forgets_a_pending_completion() {
    for forget in [Status::clear, Status::device_clear] {
        let mut status = running();
        status.set_operation_pending(true);
        check(&mut status, &[("*OPC", "")]);
        forget(&mut status);
        status.set_operation_pending(false);
        check(&mut status, &[("*ESR?", "0\n")]);
    }
}

#[test]
fn the_other_mandatory_commands_answer() {
    check(
        &mut running(),
        &[("*TST?", "0\n"), ("*WAI;*OPC?", "1\n"), ("SYST:VERS?", "1999.0\n"), ("*ESE 32;*ESE?", "32\n")],
    );
}

#[test]
fn parameters_too_many_and_too_few_are_told() {
    let mut status = running();
    check(
        &mut status,
        &[
            ("*CLS 1", ""),
            ("*ESE", ""),
            ("SYST:ERR? 1", ""),
            ("STAT:OPER:ENAB 1,2", ""),
            (
                "SYST:ERR:ALL?",
                "-108,\"Parameter not allowed\",-109,\"Missing parameter\",-108,\"Parameter not allowed\",-108,\"Parameter not allowed\"\n",
            ),
        ],
    );
}

#[test]
fn what_is_not_of_status_is_left_to_the_device() {
    let mut status = running();
    for message in ["*IDN?", "*RST", "*TRG", "*CLS?", "VOLT 1", "SYST:ERR", "STAT:OPER 1"] {
        let unit = parse_message(message.as_bytes()).next().unwrap().unwrap();
        assert_eq!(status.common(&unit), None, "{message}");
    }
}

proptest! {
    #[test]
    fn no_message_makes_it_panic(message in "(\\*ESE|\\*SRE|STAT:OPER:ENAB|SYST:ERR)\\??[ #H0-9.,E+-]{0,12}") {
        carry_out(&mut running(), message.as_bytes());
    }
}
