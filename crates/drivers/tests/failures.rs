//! What is told when an instrument or its link fails: the kind, both halves of the exchange, and that the next
//! operation finds its way back.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_drivers::{AmmeterDriver, SourceDriver, VoltmeterDriver};
use quadrille_instruments::{
    CurrentSource, ErrorKind, Instrument, MeterValue, Place, SwitchMatrix, Voltmeter,
};
use quadrille_link::{Spoil, Spoiled};
use quadrille_quantity::{Ampere, Volt};
use std::time::Duration;
use support::{
    COMPLIANCE, ERRORS, LEVEL, OPENING, Peer, Reply, TIMEOUT, fails, garbled, late, line, matrix, session,
    shipped, source_of, spoiled,
};

#[tokio::test(start_paused = true)]
async fn no_answer_is_silence() {
    let peer = Peer::new(&[]);
    let begun = tokio::time::Instant::now();
    let result = source_of(&peer).in_compliance().await;
    fails(result, ErrorKind::Silent, &["the instrument: could not ask", COMPLIANCE, "no answer in 2 s"]);
    let waited = begun.elapsed();
    assert!(waited >= TIMEOUT && waited < TIMEOUT + Duration::from_millis(50), "{waited:?}");
}

#[tokio::test(start_paused = true)]
async fn a_reading_may_take_its_aperture_beyond_the_timeout() {
    // 100 cycles of 50 Hz are 2 s.
    let peer = Peer::new(&[
        (":SENSe:VOLTage:DC:RANGe:UPPer?", "1"),
        (":SENSe:VOLTage:DC:NPLCycles?", "100"),
        (":READ?", "0.5"),
    ]);
    // Each setting takes three answers; the reading's comes after 3.9 s.
    let script = std::iter::repeat_n(Spoil::Pass, OPENING + 6).chain([late(3.9)]);
    let link = Spoiled::new(peer.link(), script);
    let mut voltmeter = VoltmeterDriver::new(session(Box::new(link), shipped("voltmeter")));
    voltmeter.set_range(Volt(1.0)).await.unwrap();
    voltmeter.set_aperture(100.0).await.unwrap();
    assert_eq!(voltmeter.read().await.unwrap().value, MeterValue::Value(0.5));
}

#[tokio::test(start_paused = true)]
async fn an_answer_of_another_form_is_garbage_with_both_halves_quoted() {
    for (answer, quoted) in [
        ("abc", "abc"),
        ("", "\"\""),
        ("1,5", "1,5"),
        ("1.5", "1.5"),
        ("-1", "-1"),
        ("65536", "65536"),
        ("inf", "inf"),
        ("NaN", "NaN"),
        ("9.91E37", "9.91E37"),
        (COMPLIANCE, COMPLIANCE),
    ] {
        let peer = Peer::new(&[(COMPLIANCE, answer)]);
        fails(source_of(&peer).in_compliance().await, ErrorKind::Garbage, &[quoted]);
    }
    let peer = Peer::new(&[(COMPLIANCE, "abc")]);
    fails(source_of(&peer).in_compliance().await, ErrorKind::Garbage, &[COMPLIANCE, "abc"]);
    let peer = Peer::new(&[(":OUTPut:STATe?", "perhaps")]);
    fails(source_of(&peer).set_output(false).await, ErrorKind::Garbage, &[":OUTPut:STATe?", "perhaps"]);
    let peer = Peer::new(&[("*OPC?", "0")]);
    fails(source_of(&peer).set_output(false).await, ErrorKind::Garbage, &["complete", "\"0\""]);
    let peer = Peer::new(&[(":ROUTe:CLOSe:STATe?", "1,2")]);
    let mut matrix = matrix(peer.session(shipped("switch-matrix")));
    fails(matrix.open_all().await, ErrorKind::Garbage, &["which crosspoints are closed", "1,2"]);
    let peer = Peer::new(&[(COMPLIANCE, "0"), (ERRORS, "all is well")]);
    fails(source_of(&peer).in_compliance().await, ErrorKind::Garbage, &[ERRORS, "all is well"]);
}

#[tokio::test(start_paused = true)]
async fn bytes_that_are_no_text_are_garbage_and_are_shown_escaped() {
    let peer = Peer::new(&[(COMPLIANCE, "0")]);
    let mut source = spoiled(&peer, [Spoil::Replace(b"\xff\xfe1\n".to_vec())]);
    fails(source.in_compliance().await, ErrorKind::Garbage, &[COMPLIANCE, "\\xff\\xfe1"]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
}

#[tokio::test(start_paused = true)]
async fn an_answer_without_end_is_silence_and_an_endless_one_is_given_up() {
    let peer = Peer::new(&[(COMPLIANCE, "257")]);
    let mut source = spoiled(&peer, [Spoil::Cut(2)]);
    fails(source.in_compliance().await, ErrorKind::Silent, &[COMPLIANCE]);
    let peer = Peer::new(&[]);
    peer.answer(COMPLIANCE, [Reply::Bytes(vec![b'1'; (1 << 20) + 1])]);
    fails(source_of(&peer).in_compliance().await, ErrorKind::Link, &[COMPLIANCE, "longer than"]);
}

#[tokio::test(start_paused = true)]
async fn the_beginning_of_an_answer_that_was_cut_does_not_continue_in_the_next() {
    let peer = Peer::new(&[]);
    peer.answer(COMPLIANCE, [line("257"), line("0")]);
    let mut source = spoiled(&peer, [Spoil::Cut(2)]);
    fails(source.in_compliance().await, ErrorKind::Silent, &[]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
}

#[tokio::test(start_paused = true)]
async fn two_answers_to_one_question_fail_it_and_the_second_is_not_taken_for_the_next() {
    let peer = Peer::new(&[]);
    peer.answer(COMPLIANCE, [Reply::Bytes(b"1\n1\n".to_vec()), line("0")]);
    let mut source = source_of(&peer);
    fails(source.in_compliance().await, ErrorKind::Garbage, &[COMPLIANCE, "nobody asked for"]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
    let mut source = spoiled(&peer, [Spoil::Precede(b"1\n".to_vec())]);
    fails(source.in_compliance().await, ErrorKind::Garbage, &[COMPLIANCE, "nobody asked for"]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
}

/// An instrument that sends back every line before it answers: the question itself comes first.
#[tokio::test(start_paused = true)]
async fn an_echo_is_no_answer_and_the_answer_after_it_is_nobodys() {
    let peer = Peer::new(&[]);
    peer.answer(COMPLIANCE, [Reply::Bytes(format!("{COMPLIANCE}\n1\n").into_bytes()), line("0")]);
    let mut source = source_of(&peer);
    fails(source.in_compliance().await, ErrorKind::Garbage, &[COMPLIANCE]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
    // The answer is slow: it is still on its way when the operation has failed and the next one begins.
    let echo = format!("{COMPLIANCE}\n").into_bytes();
    let slow = Reply::Chatter(echo, Duration::from_millis(100), b"1\n".to_vec());
    peer.answer(COMPLIANCE, [slow, line("0")]);
    let mut source = source_of(&peer);
    fails(source.in_compliance().await, ErrorKind::Garbage, &[COMPLIANCE]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
}

#[tokio::test(start_paused = true)]
async fn what_comes_unasked_between_two_operations_is_thrown_away() {
    let peer = Peer::new(&[]);
    peer.answer(COMPLIANCE, [line("1"), line("0")]);
    let chatter = Reply::Chatter(b"0,\"No error\"\n".to_vec(), Duration::from_millis(100), b"1\n".to_vec());
    peer.answer(ERRORS, [line("0,\"No error\""), chatter, line("0,\"No error\"")]);
    let mut source = source_of(&peer);
    assert_eq!(source.in_compliance().await.unwrap(), Some(true));
    tokio::time::sleep(Duration::from_millis(200)).await;
    peer.received();
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
    assert_eq!(peer.received()[..2], ["*ESE 3;*ESE?", "*ESE 4;*ESE?"]);
}

#[tokio::test(start_paused = true)]
async fn what_comes_unasked_within_an_operation_fails_it() {
    let peer = Peer::new(&[]);
    let half = Duration::from_millis(500);
    let chatter = Reply::Chatter(b"1\n".to_vec(), half, b"0,\"No error\"\n".to_vec());
    peer.answer(COMPLIANCE, [chatter, line("0")]);
    // The answer is held back until the chatter is there too.
    let mut source = spoiled(&peer, [late(1.0)]);
    fails(source.in_compliance().await, ErrorKind::Garbage, &["No error", "nobody asked for"]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
}

#[tokio::test(start_paused = true)]
async fn a_link_that_the_instrument_closed_is_a_failure_of_the_link_and_is_opened_again() {
    let peer = Peer::new(&[(":OUTPut:STATe?", "0")]);
    peer.answer(COMPLIANCE, [Reply::Close(Vec::new()), line("1")]);
    let mut source = source_of(&peer);
    fails(source.in_compliance().await, ErrorKind::Link, &[COMPLIANCE, "closed the link"]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(true));
    assert_eq!(source.set_output(false).await.map_err(|error| error.to_string()), Ok(()));
}

#[tokio::test(start_paused = true)]
async fn a_link_closed_between_operations_fails_the_next_one_for_the_settings_may_be_gone() {
    let peer = Peer::new(&[(COMPLIANCE, "0")]);
    let none = "0,\"No error\"";
    peer.answer(ERRORS, [line(none), Reply::Close(format!("{none}\n").into_bytes()), line(none)]);
    let mut source = source_of(&peer);
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
    fails(source.in_compliance().await, ErrorKind::Link, &["closed the link"]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
}

#[tokio::test(start_paused = true)]
async fn what_the_instrument_reports_is_told_in_full() {
    let peer = Peer::new(&[(LEVEL, "0")]);
    let (none, range, lost) = ("0,\"No error\"", "-222,\"Data out of range\"", "-350,\"Queue overflow\"");
    // The opening finds nothing.
    peer.answer(ERRORS, [none, range, lost, none].map(line));
    let mut source = source_of(&peer);
    let result = source.set_level(Ampere(0.09)).await;
    fails(result, ErrorKind::Rejected, &["could not set 90 mA", range, lost]);
    // The queue was emptied: the next operation is not blamed for it.
    source.set_level(Ampere(0.0)).await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn a_queue_that_overflowed_alone_fails_the_operation() {
    let peer = Peer::new(&[(COMPLIANCE, "0")]);
    peer.answer(ERRORS, ["0,\"No error\"", "-350,\"Queue overflow\"", "0,\"No error\""].map(line));
    fails(source_of(&peer).in_compliance().await, ErrorKind::Rejected, &["-350,\"Queue overflow\""]);
}

#[tokio::test(start_paused = true)]
async fn errors_from_before_the_session_are_nobodys_fault() {
    let peer = Peer::new(&[(":OUTPut:STATe?", "0")]);
    peer.answer(ERRORS, ["-113,\"Undefined header\"", "-350,\"Queue overflow\"", "0,\"No error\""].map(line));
    source_of(&peer).set_output(false).await.unwrap();
}

/// IEEE 488.2, 6.3.1.1 (from memory): a new message before the answer to the old one is read is an INTERRUPTED error.
#[tokio::test(start_paused = true)]
async fn an_error_that_a_question_given_up_has_left_is_not_the_next_operations() {
    let peer = Peer::new(&[(":OUTPut:STATe?", "0"), (COMPLIANCE, "0")]);
    let mut source = spoiled(&peer, [Spoil::Lose]);
    fails(source.in_compliance().await, ErrorKind::Silent, &[]);
    peer.answer(ERRORS, ["-410,\"Query INTERRUPTED\"", "0,\"No error\""].map(line));
    source.set_output(false).await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn a_queue_without_end_is_given_up() {
    let peer = Peer::new(&[]);
    peer.answer(ERRORS, [line("-113,\"Undefined header\"")]);
    fails(source_of(&peer).in_compliance().await, ErrorKind::Garbage, &["no end"]);
}

#[tokio::test(start_paused = true)]
async fn what_reads_back_otherwise_is_told_with_both_values() {
    for (level, back, right) in [
        (1e-4, "1.0000005E-4", true),
        (1e-4, "1.00001E-4", false),
        (1e-4, "-1E-4", false),
        (0.0, "1E-9", false),
    ] {
        let peer = Peer::new(&[(LEVEL, back)]);
        let result = source_of(&peer).set_level(Ampere(level)).await;
        if right {
            result.unwrap();
        } else {
            fails(result, ErrorKind::ReadBack, &[&format!("set {level:e}"), "reads back"]);
        }
    }
    let peer = Peer::new(&[(":OUTPut:STATe?", "1"), (":OUTPut:GUARd?", "0")]);
    fails(source_of(&peer).set_output(false).await, ErrorKind::ReadBack, &["set 0, it reads back 1"]);
    fails(source_of(&peer).set_guard(true).await, ErrorKind::ReadBack, &["set 1, it reads back 0"]);
    let peer = Peer::new(&[(":INPut:STATe?", "1")]);
    let mut ammeter = AmmeterDriver::new(peer.session(shipped("ammeter")));
    let shorted = quadrille_instruments::Ammeter::short_input(&mut ammeter, true).await;
    fails(shorted, ErrorKind::ReadBack, &["could not short its input"]);
}

#[tokio::test(start_paused = true)]
async fn relays_that_are_not_as_told_are_named() {
    let check = |closed: &'static str| async move {
        let peer = Peer::new(&[(":ROUTe:CLOSe:STATe?", closed)]);
        let mut matrix = matrix(peer.session(shipped("switch-matrix")));
        matrix.connect(Place(0), "21,43".parse().unwrap(), false).await
    };
    check("(@1!4,2!7,3!9,4!12)").await.unwrap();
    fails(check("(@1!4,2!7,3!9)").await, ErrorKind::ReadBack, &["not closed though told to: [\"4!12\"]"]);
    let beyond = check("(@1!4,2!7,3!9,4!12,1!7)").await;
    fails(beyond, ErrorKind::ReadBack, &["closed though not told to: [\"1!7\"]"]);
    let peer = Peer::new(&[(":ROUTe:CLOSe:STATe?", "(@2!7)")]);
    let mut matrix = matrix(peer.session(shipped("switch-matrix")));
    fails(matrix.open_all().await, ErrorKind::ReadBack, &["open every crosspoint", "2!7"]);
}

#[tokio::test(start_paused = true)]
async fn a_sample_or_contact_without_a_column_is_told_before_anything_is_sent() {
    let peer = Peer::new(&[]);
    let mut matrix = matrix(peer.session(shipped("switch-matrix")));
    for (place, configuration, told) in [
        (2, "12,34", "connect 12,34 of sample 3 of the run: sample 3 of the run is not wired to columns"),
        (0, "15,34", "connect 15,34 of sample 1 of the run: contact 5 of 15,34 is not wired to a column"),
        (1, "16,34", "contact 6 of 16,34 is not wired to a column"),
    ] {
        let result = matrix.connect(Place(place), configuration.parse().unwrap(), false).await;
        fails(result, ErrorKind::Unable, &[told]);
    }
    assert!(peer.received().is_empty());
}

#[tokio::test(start_paused = true)]
async fn another_instrument_at_the_address_is_told_before_it_is_initialised() {
    let peer = Peer::new(&[("*IDN?", "Maker,Other thing,7,1.0")]);
    let mut voltmeter = VoltmeterDriver::new(peer.session(shipped("voltmeter")));
    fails(voltmeter.prepare().await, ErrorKind::Identity, &["Maker,Other thing,7,1.0", "*invented*"]);
    assert!(!peer.received().iter().any(|line| line == "*RST"));
}

#[tokio::test(start_paused = true)]
async fn nothing_more_is_said_to_another_instrument() {
    let peer = Peer::new(&[("*IDN?", "Maker,Other thing,7,1.0"), (":OUTPut:STATe?", "0")]);
    let mut source = SourceDriver::new(peer.session(shipped("current-source")));
    fails(source.prepare().await, ErrorKind::Identity, &["Maker,Other thing,7,1.0"]);
    peer.received();
    fails(
        source.set_output(false).await,
        ErrorKind::Identity,
        &["switch its output off", "nothing more is said"],
    );
    assert!(peer.received().is_empty());
}

// 9.9E37 and 9.91E37 from SCPI-1999 volume 1, 7.2.1 (from memory).
#[tokio::test(start_paused = true)]
async fn overload_and_not_a_number_are_states_of_a_reading() {
    for (answer, expected) in [
        ("9.9E37", MeterValue::Overload(1.0)),
        ("-9.9E+37", MeterValue::Overload(-1.0)),
        ("+9.91000000E+37", MeterValue::NotANumber),
        ("9.8E37", MeterValue::Value(9.8e37)),
    ] {
        let peer = Peer::new(&[(":SENSe:VOLTage:DC:RANGe:UPPer?", "1"), (":READ?", answer)]);
        let mut voltmeter = VoltmeterDriver::new(peer.session(shipped("voltmeter")));
        voltmeter.set_range(Volt(1.0)).await.unwrap();
        assert_eq!(voltmeter.read().await.unwrap().value, expected, "{answer}");
    }
    let peer = Peer::new(&[(LEVEL, "9.91E37")]);
    fails(source_of(&peer).set_level(Ampere(1e-4)).await, ErrorKind::Garbage, &[LEVEL, "9.91E37"]);
}

#[tokio::test(start_paused = true)]
async fn a_meter_whose_range_could_not_be_set_gives_no_reading() {
    let peer = Peer::new(&[(":SENSe:VOLTage:DC:RANGe:UPPer?", "1"), (":READ?", "0.5")]);
    let mut voltmeter = VoltmeterDriver::new(peer.session(shipped("voltmeter")));
    fails(voltmeter.read().await, ErrorKind::Unable, &["range was not set"]);
    voltmeter.set_range(Volt(1.0)).await.unwrap();
    voltmeter.read().await.unwrap();
    fails(voltmeter.set_range(Volt(10.0)).await, ErrorKind::ReadBack, &[]);
    fails(voltmeter.read().await, ErrorKind::Unable, &["range was not set"]);
    fails(voltmeter.set_range(Volt(1e3)).await, ErrorKind::Unable, &["no range that large"]);
}

#[tokio::test(start_paused = true)]
async fn after_any_failure_a_well_instrument_works_again() {
    for spoil in [
        Spoil::Lose,
        late(2.5),
        Spoil::Cut(1),
        garbled("what?"),
        garbled("0"),
        Spoil::Precede(b"0\n".to_vec()),
        Spoil::Replace(b"\xff\n".to_vec()),
        Spoil::Replace(b"#9\n".to_vec()),
        Spoil::Replace(b"#3999tooshort\n".to_vec()),
    ] {
        for exchange in 0..3 {
            let peer = Peer::new(&[(LEVEL, "1E-4")]);
            let script = std::iter::repeat_n(Spoil::Pass, exchange).chain([spoil.clone()]);
            let mut source = spoiled(&peer, script);
            let first = source.set_level(Ampere(1e-4)).await;
            assert!(first.is_err(), "{spoil:?} at exchange {exchange} was not noticed");
            let second = source.set_level(Ampere(1e-4)).await;
            assert!(second.is_ok(), "{spoil:?} at exchange {exchange}: {first:?} {second:?}");
        }
    }
}
