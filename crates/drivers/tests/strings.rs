//! What each operation of each role says to its instrument, line by line. The lines are written by hand from
//! SCPI-1999 and IEEE 488.2 (from memory) and the comments of the shipped dialects, never taken from a driver; the
//! other end is a table, not the simulated bench.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_documents::dialect;
use quadrille_drivers::{AmmeterDriver, Session, SourceDriver, VoltmeterDriver};
use quadrille_experiment::Configuration;
use quadrille_instruments::{
    Ammeter, CurrentSource, Instrument, MeterValue, Place, Result, SwitchMatrix, Voltmeter,
};
use quadrille_quantity::{Ampere, Volt};
use support::{Peer, matrix, shipped};

const COMPLETE: &str = "*OPC?";
const ERRORS: &str = ":SYSTem:ERRor?";

/// What a session says before its first question: somebody else's answers may still be on their way. Two fences of
/// IEEE 488.2, the register as it was at power-on, and the errors of those who were here before.
const OPENING: [&str; 4] = ["*ESE 1;*ESE?", "*ESE 2;*ESE?", "*ESE 0", ERRORS];

/// The lines beyond the opening ones, which must come first.
#[track_caller]
fn said(peer: &Peer) -> Vec<String> {
    let received = peer.received();
    assert_eq!(received[..OPENING.len().min(received.len())], OPENING);
    received[OPENING.len()..].to_vec()
}

fn configuration(text: &str) -> Configuration {
    text.parse().unwrap()
}

/// Carries out an operation of a role on a fresh session with a table of answers, and holds its lines against those
/// expected.
macro_rules! check {
    ($driver:expr, $dialect:expr, $table:expr, |$instrument:ident| $operation:expr, $expected:expr) => {{
        let peer = Peer::new(&$table);
        let mut $instrument = $driver(peer.session($dialect));
        let result: Result<_> = $operation.await;
        assert_eq!(said(&peer), $expected, "{result:?}");
        result.unwrap()
    }};
}

fn source(session: Session) -> SourceDriver {
    SourceDriver::new(session)
}

#[tokio::test(start_paused = true)]
async fn a_level_is_set_completed_read_back_and_held_against_the_errors() {
    let dialect = || shipped("current-source");
    check!(
        source,
        dialect(),
        [(":SOURce:CURRent?", "+1.00000000E-04")],
        |it| it.set_level(Ampere(1e-4)),
        [":SOURce:CURRent 1E-4", COMPLETE, ":SOURce:CURRent?", ERRORS]
    );
    check!(
        source,
        dialect(),
        [(":SOURce:CURRent?", "-2.5e-3")],
        |it| it.set_level(Ampere(-0.0025)),
        [":SOURce:CURRent -2.5E-3", COMPLETE, ":SOURce:CURRent?", ERRORS]
    );
    check!(
        source,
        dialect(),
        [(":SOURce:CURRent?", "0")],
        |it| it.set_level(Ampere(0.0)),
        [":SOURce:CURRent 0", COMPLETE, ":SOURce:CURRent?", ERRORS]
    );
}

#[tokio::test(start_paused = true)]
async fn the_output_is_switched_and_asked_whether_it_is() {
    check!(
        source,
        shipped("current-source"),
        [(":OUTPut:STATe?", "1")],
        |it| it.set_output(true),
        [":OUTPut:STATe ON", COMPLETE, ":OUTPut:STATe?", ERRORS]
    );
    check!(
        source,
        shipped("current-source"),
        [(":OUTPut:STATe?", "0")],
        |it| it.set_output(false),
        [":OUTPut:STATe OFF", COMPLETE, ":OUTPut:STATe?", ERRORS]
    );
}

#[tokio::test(start_paused = true)]
async fn the_guard_is_switched_and_asked_whether_it_is() {
    check!(
        source,
        shipped("current-source"),
        [(":OUTPut:GUARd?", "1")],
        |it| it.set_guard(true),
        [":OUTPut:GUARd ON", COMPLETE, ":OUTPut:GUARd?", ERRORS]
    );
    check!(
        source,
        shipped("current-source"),
        [(":OUTPut:GUARd?", "0")],
        |it| it.set_guard(false),
        [":OUTPut:GUARd OFF", COMPLETE, ":OUTPut:GUARd?", ERRORS]
    );
}

// 300 uA is held by the range of 1 mA.
#[tokio::test(start_paused = true)]
async fn the_source_is_set_to_the_smallest_range_that_holds_the_current_then_to_its_limit() {
    check!(
        source,
        shipped("current-source"),
        [(":SOURce:CURRent:RANGe?", "1.0E-3"), (":SOURce:VOLTage:LIMit?", "2.500")],
        |it| it.set_range_and_limit(Ampere(3e-4), Volt(2.5)),
        [
            ":SOURce:CURRent:RANGe 1E-3",
            COMPLETE,
            ":SOURce:CURRent:RANGe?",
            ERRORS,
            ":SOURce:VOLTage:LIMit 2.5",
            COMPLETE,
            ":SOURce:VOLTage:LIMit?",
            ERRORS
        ]
    );
}

// Bit 0 of the questionable condition register: voltage (SCPI-1999 volume 1, 20.2, from memory).
#[tokio::test(start_paused = true)]
async fn compliance_is_one_bit_of_a_register() {
    for (register, expected) in [("0", false), ("1", true), ("513", true), ("+512", false)] {
        let at_limit = check!(
            source,
            shipped("current-source"),
            [(":STATus:QUEStionable:CONDition?", register)],
            |it| it.in_compliance(),
            [":STATus:QUEStionable:CONDition?", ERRORS]
        );
        assert_eq!(at_limit, Some(expected), "{register}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_source_that_is_the_right_one_is_off_before_it_is_initialised() {
    let identity = check!(
        source,
        shipped("current-source"),
        [(":OUTPut:STATe?", "0"), ("*IDN?", "Maker,Invented source,7,1.0")],
        |it| it.prepare(),
        [
            "*IDN?",
            ":OUTPut:STATe OFF",
            COMPLETE,
            ":OUTPut:STATe?",
            ERRORS,
            ERRORS,
            "*CLS",
            "*RST",
            COMPLETE,
            ERRORS
        ]
    );
    assert_eq!(identity, "Maker,Invented source,7,1.0");
}

#[tokio::test(start_paused = true)]
async fn meters_and_matrix_are_asked_who_they_are_and_initialised() {
    let expected = ["*IDN?", ERRORS, "*CLS", "*RST", COMPLETE, ERRORS];
    let identity = ("*IDN?", "Maker,invented,7,1.0");
    check!(VoltmeterDriver::new, shipped("voltmeter"), [identity], |it| it.prepare(), expected);
    check!(AmmeterDriver::new, shipped("ammeter"), [identity], |it| it.prepare(), expected);
    check!(matrix, shipped("switch-matrix"), [identity], |it| it.prepare(), expected);
}

#[tokio::test(start_paused = true)]
async fn a_voltmeter_is_given_range_and_aperture_and_then_asked() {
    let peer = Peer::new(&[
        (":SENSe:VOLTage:DC:RANGe:UPPer?", "1.000000E+00"),
        (":SENSe:VOLTage:DC:NPLCycles?", "5"),
        (":READ?", "-1.23456789E-01"),
    ]);
    let mut voltmeter = VoltmeterDriver::new(peer.session(shipped("voltmeter")));
    assert_eq!(voltmeter.set_range(Volt(-0.25)).await.unwrap(), Volt(1.0));
    let range = ":SENSe:VOLTage:DC:RANGe:UPPer 1";
    assert_eq!(said(&peer), [range, COMPLETE, ":SENSe:VOLTage:DC:RANGe:UPPer?", ERRORS]);
    voltmeter.set_aperture(5.0).await.unwrap();
    let aperture = ":SENSe:VOLTage:DC:NPLCycles 5";
    assert_eq!(peer.received(), [aperture, COMPLETE, ":SENSe:VOLTage:DC:NPLCycles?", ERRORS]);
    let answer = voltmeter.read().await.unwrap();
    assert_eq!(peer.received(), [":READ?", ERRORS]);
    assert_eq!((answer.value, answer.text.as_str()), (MeterValue::Value(-0.123456789), "-1.23456789E-01"));
    // Of the dialect's range of 1 V: 2e-5 of reading, 4e-6 of range, both half-widths of rectangular distributions.
    assert_eq!(answer.range, 1.0);
    assert!((answer.gain_u - 1.154_700_5e-5).abs() < 1e-11, "{}", answer.gain_u);
    assert!((answer.own_u - 2.309_401_1e-6).abs() < 1e-12, "{}", answer.own_u);
}

#[tokio::test(start_paused = true)]
async fn an_ammeter_is_given_range_and_aperture_and_then_asked() {
    let peer = Peer::new(&[
        (":SENSe:CURRent:DC:RANGe:UPPer?", "1E-9"),
        (":SENSe:CURRent:DC:NPLCycles?", "0.2"),
        (":READ?", "+9.9987E-11"),
    ]);
    let mut ammeter = AmmeterDriver::new(peer.session(shipped("ammeter")));
    assert_eq!(ammeter.set_range(Ampere(1e-10)).await.unwrap(), Ampere(1e-9));
    let range = ":SENSe:CURRent:DC:RANGe:UPPer 1E-9";
    assert_eq!(said(&peer), [range, COMPLETE, ":SENSe:CURRent:DC:RANGe:UPPer?", ERRORS]);
    ammeter.set_aperture(0.2).await.unwrap();
    let aperture = ":SENSe:CURRent:DC:NPLCycles 0.2";
    assert_eq!(peer.received(), [aperture, COMPLETE, ":SENSe:CURRent:DC:NPLCycles?", ERRORS]);
    assert_eq!(ammeter.read().await.unwrap().value, MeterValue::Value(9.9987e-11));
    assert_eq!(peer.received(), [":READ?", ERRORS]);
}

#[tokio::test(start_paused = true)]
async fn an_ammeters_input_is_shorted_by_switching_it_off() {
    check!(
        AmmeterDriver::new,
        shipped("ammeter"),
        [(":INPut:STATe?", "0")],
        |it| it.short_input(true),
        [":INPut:STATe OFF", COMPLETE, ":INPut:STATe?", ERRORS]
    );
    check!(
        AmmeterDriver::new,
        shipped("ammeter"),
        [(":INPut:STATe?", "1")],
        |it| it.short_input(false),
        [":INPut:STATe ON", COMPLETE, ":INPut:STATe?", ERRORS]
    );
}

#[tokio::test(start_paused = true)]
async fn every_crosspoint_is_opened_and_asked_for() {
    check!(
        matrix,
        shipped("switch-matrix"),
        [(":ROUTe:CLOSe:STATe?", "(@)")],
        |it| it.open_all(),
        [":ROUTe:OPEN:ALL", COMPLETE, ":ROUTe:CLOSe:STATe?", ERRORS]
    );
}

// Rows: source high 1, return low 2, sense high 3, sense low 4; contacts 1 to 4 are on columns 7, 4, 12, 9. The
// crosspoint of two dimensions is row!column (SCPI-1999 volume 1, 8.3.2, from memory).
#[tokio::test(start_paused = true)]
async fn a_configuration_closes_the_row_of_each_terminal_at_the_column_of_its_contact() {
    check!(
        matrix,
        shipped("switch-matrix"),
        [(":ROUTe:CLOSe:STATe?", "(@4!12,3!9,2!7,1!4)")],
        |it| it.connect(Place(0), configuration("21,43"), false),
        [":ROUTe:CLOSe (@1!4,2!7,3!9,4!12)", COMPLETE, ":ROUTe:CLOSe:STATe?", ERRORS]
    );
    check!(
        matrix,
        shipped("switch-matrix"),
        [(":ROUTe:CLOSe:STATe?", "(@1!9,2!4,3!7,4!12,5!2)")],
        |it| it.connect(Place(0), configuration("42,13"), true),
        [":ROUTe:CLOSe (@1!9,2!4,3!7,4!12,5!2)", COMPLETE, ":ROUTe:CLOSe:STATe?", ERRORS]
    );
}

#[tokio::test(start_paused = true)]
async fn another_sample_of_the_run_is_on_columns_of_its_own() {
    check!(
        matrix,
        shipped("switch-matrix"),
        [(":ROUTe:CLOSe:STATe?", "(@1!8,2!5,3!1,4!3)")],
        |it| it.connect(Place(1), configuration("25,31"), false),
        [":ROUTe:CLOSe (@1!8,2!5,3!1,4!3)", COMPLETE, ":ROUTe:CLOSe:STATe?", ERRORS]
    );
}

#[tokio::test(start_paused = true)]
async fn a_contact_that_carries_current_and_is_sensed_has_two_crosspoints() {
    check!(
        matrix,
        shipped("switch-matrix"),
        [(":ROUTe:CLOSe:STATe?", "(@1!4,3!4,2!12,4!12)")],
        |it| it.connect(Place(0), configuration("23,23"), false),
        [":ROUTe:CLOSe (@1!4,2!12,3!4,4!12)", COMPLETE, ":ROUTe:CLOSe:STATe?", ERRORS]
    );
}

/// A laboratory's own source: other words, no guard, compliance in bit 3, no reset.
const OWN_SOURCE: &str = r#"
kind = "dialect"
name = "workshop source"
role = "current-source"
initialise = ["REMOTE", "CLEAR STATUS"]
[commands]
set_level = "ISET {level_a} A"
set_source_range = "IRANGE {range_a}"
set_voltage_limit = "VMAX {limit_v}"
output_on = "RUN"
output_off = "HALT"
[queries]
identity = "ID?"
next_error = "ERR?"
complete = "READY?"
level = "ISET?"
source_range = "IRANGE?"
voltage_limit = "VMAX?"
in_compliance = "STATUS?"
output = "RUNNING?"
[facts]
operate_s = 0.5
output_resistance_ohm = 1e12
compliance_bit = 3
[[facts.range]]
full_scale_a = 2e-3
of_reading = 1e-3
of_range = 1e-3
noise_a_per_rthz = 0
"#;

/// Strips the opening lines of a dialect that asks `ERR?` for its errors.
#[track_caller]
fn own_said(peer: &Peer) -> Vec<String> {
    let received = peer.received();
    assert_eq!(received[..4], ["*ESE 1;*ESE?", "*ESE 2;*ESE?", "*ESE 0", "ERR?"]);
    received[4..].to_vec()
}

fn own_peer(table: &[(&str, &str)]) -> Peer {
    let mut answers = vec![("ERR?", "0,\"none\""), ("READY?", "1")];
    answers.extend(table);
    Peer::new(&answers)
}

#[tokio::test(start_paused = true)]
async fn a_laboratorys_own_source_is_spoken_to_in_its_own_words() {
    let dialect = dialect("own.toml", OWN_SOURCE).unwrap();
    let peer = own_peer(&[
        ("ID?", "workshop, invented, 1, 0"),
        ("ISET?", "5E-4"),
        ("IRANGE?", "0.002"),
        ("VMAX?", "10"),
        ("STATUS?", "8"),
        ("RUNNING?", "0"),
    ]);
    let mut source = SourceDriver::new(peer.session(dialect));
    source.prepare().await.unwrap();
    let prepared =
        ["ID?", "HALT", "READY?", "RUNNING?", "ERR?", "ERR?", "REMOTE", "CLEAR STATUS", "READY?", "ERR?"];
    assert_eq!(own_said(&peer), prepared);
    source.set_level(Ampere(5e-4)).await.unwrap();
    assert_eq!(peer.received(), ["ISET 5E-4 A", "READY?", "ISET?", "ERR?"]);
    source.set_range_and_limit(Ampere(2e-3), Volt(10.0)).await.unwrap();
    let lines = "IRANGE 2E-3|READY?|IRANGE?|ERR?|VMAX 10|READY?|VMAX?|ERR?";
    assert_eq!(peer.received(), lines.split('|').collect::<Vec<_>>());
    assert_eq!(source.in_compliance().await.unwrap(), Some(true));
    assert_eq!(peer.received(), ["STATUS?", "ERR?"]);
    source.set_output(false).await.unwrap();
    assert_eq!(peer.received(), ["HALT", "READY?", "RUNNING?", "ERR?"]);
    peer.answer("RUNNING?", [support::line("1")]);
    source.set_output(true).await.unwrap();
    assert_eq!(peer.received(), ["RUN", "READY?", "RUNNING?", "ERR?"]);
}

#[tokio::test(start_paused = true)]
async fn a_source_without_a_guard_leaves_it_undriven_without_a_word_and_cannot_drive_it() {
    let peer = own_peer(&[]);
    let mut source = SourceDriver::new(peer.session(dialect("own.toml", OWN_SOURCE).unwrap()));
    source.set_guard(false).await.unwrap();
    assert_eq!(source.set_guard(true).await.unwrap_err().kind, quadrille_instruments::ErrorKind::Unable);
    assert_eq!(peer.received(), [""; 0]);
}

/// A laboratory's own voltmeter, which averages over seconds.
const OWN_VOLTMETER: &str = r#"
kind = "dialect"
name = "workshop voltmeter"
role = "voltmeter"
initialise = ["REMOTE"]
[commands]
set_voltage_range = "R {range_v}"
set_aperture = "T {aperture_s} S"
[queries]
identity = "ID?"
next_error = "ERR?"
complete = "READY?"
voltage_range = "R?"
aperture = "T?"
read = "V?"
[facts]
operate_s = 0.5
input_resistance_ohm = 1e9
bias_current_a = 0
[[facts.range]]
full_scale_v = 3.0
of_reading = 1e-3
of_range = 1e-3
noise_v_per_rthz = 0
"#;

// Five cycles of 50 Hz are 0.1 s.
#[tokio::test(start_paused = true)]
async fn an_aperture_is_given_in_seconds_to_a_meter_that_wants_those() {
    let peer = own_peer(&[("T?", "0.1"), ("R?", "3"), ("V?", "2.5")]);
    let mut voltmeter = VoltmeterDriver::new(peer.session(dialect("own.toml", OWN_VOLTMETER).unwrap()));
    voltmeter.set_aperture(5.0).await.unwrap();
    assert_eq!(own_said(&peer), ["T 0.1 S", "READY?", "T?", "ERR?"]);
    voltmeter.set_range(Volt(3.0)).await.unwrap();
    voltmeter.read().await.unwrap();
    assert_eq!(peer.received(), ["R 3", "READY?", "R?", "ERR?", "V?", "ERR?"]);
}

/// A laboratory's own matrix, whose crosspoints have letters.
const OWN_MATRIX: &str = r#"
kind = "dialect"
name = "workshop matrix"
role = "switch-matrix"
initialise = ["REMOTE"]
crosspoint = "r{row}c{column}"
[commands]
close = "JOIN {crosspoints}"
open_all = "PART ALL"
[queries]
identity = "ID?"
next_error = "ERR?"
complete = "READY?"
closed = "JOINED?"
[facts]
operate_s = 0.5
closed_resistance_ohm = 1
open_resistance_ohm = 1e12
thermoelectric_v = 0
"#;

#[tokio::test(start_paused = true)]
async fn crosspoints_are_written_and_read_as_the_dialect_says() {
    let peer = own_peer(&[("JOINED?", "(@r1c4, r2c7, r3c9, r4c12)")]);
    let mut matrix = matrix(peer.session(dialect("own.toml", OWN_MATRIX).unwrap()));
    matrix.connect(Place(0), configuration("21,43"), false).await.unwrap();
    assert_eq!(own_said(&peer), ["JOIN r1c4,r2c7,r3c9,r4c12", "READY?", "JOINED?", "ERR?"]);
    peer.answer("JOINED?", [support::line("(@)")]);
    matrix.open_all().await.unwrap();
    assert_eq!(peer.received(), ["PART ALL", "READY?", "JOINED?", "ERR?"]);
}
