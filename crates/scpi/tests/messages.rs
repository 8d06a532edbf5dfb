//! Program messages as IEEE 488.2, 7 and SCPI-1999 volume 1, 6 describe them (from memory), taken apart.

use proptest::prelude::*;
use quadrille_scpi::device::{Header, Parameter, Unit, parse_message};

/// Headers with their question marks, in order.
#[track_caller]
fn headers(message: &str, expected: &[&str]) {
    let written: Vec<String> = parse_message(message.as_bytes())
        .map(|unit| unit.unwrap_or_else(|error| panic!("{message:?}: {error}")))
        .map(|unit| format!("{}{}", unit.header, if unit.is_query { "?" } else { "" }))
        .collect();
    assert_eq!(written, expected, "{message:?}");
}

fn only(message: &[u8]) -> Unit {
    let units: Vec<_> = parse_message(message).collect();
    assert_eq!(units.len(), 1, "{message:?}");
    units[0].clone().unwrap_or_else(|error| panic!("{message:?}: {error}"))
}

#[track_caller]
fn data(text: &str, expected: &[Parameter]) {
    assert_eq!(only(format!("X {text}").as_bytes()).parameters, expected, "{text:?}");
}

/// The first error, after units that are right.
#[track_caller]
fn refuse(message: &[u8], units_before: usize, code: i32) {
    let units: Vec<_> = parse_message(message).collect();
    let (last, before) = units.split_last().expect("a unit or an error");
    let shown = message.escape_ascii();
    assert_eq!(last.as_ref().map_err(|error| error.code), Err(code), "{shown}");
    assert_eq!((before.len(), before.iter().all(Result::is_ok)), (units_before, true), "{shown}");
}

fn number(value: f64) -> Parameter {
    Parameter::Number { value, suffix: None }
}

fn with_suffix(value: f64, suffix: &str) -> Parameter {
    Parameter::Number { value, suffix: Some(suffix.to_owned()) }
}

#[test]
fn a_header_goes_on_from_the_one_before() {
    headers(":A:B 1;C 2", &[":A:B", ":A:C"]);
    headers("A:B 1;C:D 2;E 3", &[":A:B", ":A:C:D", ":A:C:E"]);
    headers("A:B:C?;D?", &[":A:B:C?", ":A:B:D?"]);
    headers("VOLT 1;CURR 2", &[":VOLT", ":CURR"]);
}

#[test]
fn a_leading_colon_begins_at_the_root() {
    headers("A:B 1;:C 2;D 3", &[":A:B", ":C", ":D"]);
    headers("SENS:VOLT:RANG 10;:SENS:VOLT:NPLC 1", &[":SENS:VOLT:RANG", ":SENS:VOLT:NPLC"]);
}

#[test]
fn a_common_command_does_not_move_the_path() {
    headers("A:B 1;*OPC?;C 2", &[":A:B", "*OPC?", ":A:C"]);
    headers("*CLS;*ESE 1;A:B?;*WAI;C?", &["*CLS", "*ESE", ":A:B?", "*WAI", ":A:C?"]);
}

#[test]
fn white_space_and_carriage_returns_are_tolerated() {
    headers("*IDN?\r", &["*IDN?"]);
    headers(" \t:A:B\t 1 ; C 2 \r", &[":A:B", ":A:C"]);
    headers("A\u{0}1\u{b};\u{1f}B", &[":A", ":B"]);
    headers("", &[]);
    headers("\r", &[]);
}

#[test]
fn mnemonics_are_upper_case_with_their_suffix_apart() {
    let Header::Path(path) = only(b"outp2:Stat?").header else { panic!("a path") };
    assert_eq!((path[0].name.as_str(), path[0].suffix), ("OUTP", Some(2)));
    assert_eq!((path[1].name.as_str(), path[1].suffix), ("STAT", None));
}

#[test]
fn decimal_numbers_have_many_spellings() {
    data("1", &[number(1.0)]);
    data("-.5", &[number(-0.5)]);
    data("+1.", &[number(1.0)]);
    data("1E+3", &[number(1000.0)]);
    data("1.5 e -3", &[number(1.5e-3)]);
    data("1E400", &[number(f64::INFINITY)]);
    data("1 , 2,3", &[number(1.0), number(2.0), number(3.0)]);
}

#[test]
fn suffixes_are_kept_apart_from_their_number() {
    data("10 MV", &[with_suffix(10.0, "MV")]);
    data("5kohm", &[with_suffix(5.0, "KOHM")]);
    data("1E3V", &[with_suffix(1000.0, "V")]);
    data("1EXOHM", &[with_suffix(1.0, "EXOHM")]);
    data("2 E", &[with_suffix(2.0, "E")]);
    data("0.5 T/MIN", &[with_suffix(0.5, "T/MIN")]);
}

#[test]
fn other_data_have_the_type_of_their_form() {
    data(
        "#H1f,#q17,#B101",
        &[Parameter::WholeNumber(31), Parameter::WholeNumber(15), Parameter::WholeNumber(5)],
    );
    data("on, Max_1", &[Parameter::Word("ON".into()), Parameter::Word("MAX_1".into())]);
    data("'it''s; \"so\"'", &[Parameter::Text("it's; \"so\"".into())]);
    data("\"a\"\"b\",'c'", &[Parameter::Text("a\"b".into()), Parameter::Text("c".into())]);
    data("(@1!2,3!4)", &[Parameter::Expression("(@1!2,3!4)".into())]);
    data("(a(b)c),1", &[Parameter::Expression("(a(b)c)".into()), number(1.0)]);
}

#[test]
fn block_data_hold_any_byte() {
    let unit = only(b"DATA #15a;\n\"\xff,2");
    assert_eq!(unit.parameters, [Parameter::Block(b"a;\n\"\xff".to_vec()), number(2.0)]);
    assert_eq!(only(b"DATA #0a;b").parameters, [Parameter::Block(b"a;b".to_vec())]);
    assert_eq!(only(b"DATA #10").parameters, [Parameter::Block(Vec::new())]);
}

// Numbers from SCPI-1999 volume 2, 21.8.
#[test]
fn what_is_wrong_is_told_by_number() {
    refuse(b"VOLT! 1", 0, -101);
    refuse(b"VOLT 5\xb5V", 0, -101);
    refuse(b"SOUR[:VOLT] 1", 0, -101);
    refuse(b"A::B", 0, -102);
    refuse(b"1VOLT", 0, -102);
    refuse(b"A:", 0, -102);
    refuse(b"?", 0, -102);
    refuse(b"A 1,,2", 0, -102);
    refuse(b"A 1,", 0, -102);
    refuse(b"A 1;", 1, -102);
    refuse(b"A;;B", 1, -102);
    refuse(b"A,1", 0, -103);
    refuse(b"A 1 2", 0, -103);
    refuse(b"A 'x' 'y'", 0, -103);
    refuse(b"A\"x\"", 0, -111);
    refuse(b"TEMPERATUREMAX 1", 0, -112);
    refuse(b"A99999999999", 0, -114);
    refuse(b"A -", 0, -121);
    refuse(b"A 1.2.3", 0, -121);
    refuse(b"A #HXY", 0, -121);
    refuse(b"A #B12", 0, -121);
    refuse(b"A 1E99999", 0, -123);
    refuse(b"A #HFFFFFFFFFFFFFFFFF", 0, -124);
    refuse(b"A 1ABCDEFGHIJKLM", 0, -134);
    refuse(b"A ABCDEFGHIJKLM", 0, -144);
    refuse(b"A \"x", 0, -151);
    refuse(b"A 'x\xe9'", 0, -151);
    refuse(b"A #15abc", 0, -161);
    refuse(b"A #2x1", 0, -161);
    refuse(b"A (@1", 0, -171);
    refuse(b"A (@1;2)", 0, -171);
}

#[test]
fn what_follows_an_error_is_not_executed() {
    refuse(b"A 1;B,2;C 3", 1, -103);
}

#[test]
fn too_many_digits_are_too_many() {
    refuse(format!("A {}", "1".repeat(256)).as_bytes(), 0, -124);
    data(&format!("0.{}", "0".repeat(254)), &[number(0.0)]);
}

proptest! {
    #[test]
    fn no_bytes_make_the_parser_panic_or_run_away(
        bytes in proptest::collection::vec(
            prop_oneof![
                proptest::sample::select(b"*:;,?# \t\"'()@!+-.eE0123456789ABhq\r\n".to_vec()),
                any::<u8>(),
            ],
            0..80,
        ),
    ) {
        let units: Vec<_> = parse_message(&bytes).collect();
        prop_assert!(units.len() <= bytes.len() + 1);
        prop_assert!(units.iter().rev().skip(1).all(Result::is_ok));
    }
}
