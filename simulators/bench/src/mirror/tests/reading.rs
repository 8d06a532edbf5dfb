//! Messages read back to actions with values.

use super::{DOCUMENTS, laboratory, laboratory_text, mirror, parsed, shipped};
use crate::mirror::pattern::Pattern;
use crate::mirror::{Mirror, Phrase, split};
use proptest::prelude::*;
use quadrille_documents::{Action, Crosspoint, Dialect, Part, Placeholder, Role, Template};
use std::collections::BTreeMap;

/// A number in one of the forms of IEEE 488.2, 7.7.2.4: whole or with a point, with or without exponent and sign.
fn number() -> impl Strategy<Value = (f64, String)> {
    let value = prop_oneof![
        (-1e6..1e6_f64),
        (-14..14_i32, -10.0..10.0_f64).prop_map(|(power, mantissa)| mantissa * 10f64.powi(power)),
        (-300..300_i32).prop_map(f64::from),
    ];
    (value, 0..4_usize).prop_map(|(value, form)| {
        let text = match form {
            0 => format!("{value}"),
            1 => format!("{value:E}"),
            2 => format!("{value:+e}"),
            _ => format!("{value:?}"),
        };
        (text.parse().unwrap(), text)
    })
}

fn crosspoints() -> impl Strategy<Value = Vec<Crosspoint>> {
    let one = (1..5_u16, 11..15_u16).prop_map(|(row, column)| Crosspoint { row, column });
    prop::collection::vec(one, 1..6)
}

/// The message that a template gives, as the documents' own description has it.
fn message(dialect: &Dialect, template: &Template, number: &str, crosspoints: &[Crosspoint]) -> String {
    let write = |part: &Part| match part {
        Part::Text(text) => text.clone(),
        Part::Value(Placeholder::Crosspoints) => {
            let list: Vec<String> = crosspoints.iter().map(|&c| dialect.crosspoint_text(c)).collect();
            list.join(",")
        }
        Part::Value(_) => number.to_owned(),
    };
    template.parts().iter().map(write).collect()
}

fn every_action_is_read_back(dialect: &Dialect, (value, text): &(f64, String), closes: &[Crosspoint]) {
    let mirror = mirror(dialect);
    for (action, template) in dialect.templates() {
        let message = message(dialect, template, text, closes);
        for message in [message.clone(), format!(" {message}\t\r")] {
            let found: Vec<_> =
                mirror.wordings.iter().filter_map(|w| Some((&w.actions, w.read(message.trim())?))).collect();
            let [(actions, values)] = found.as_slice() else {
                panic!("{message:?} is read {} times", found.len())
            };
            assert!(actions.contains(&action), "{message:?} is {actions:?}, not {action:?}");
            for (placeholder, read) in values {
                if *placeholder == Placeholder::Crosspoints {
                    assert_eq!(mirror.crosspoints(read).unwrap(), closes);
                } else {
                    assert_eq!(read.parse::<f64>().unwrap().to_bits(), value.to_bits(), "{message:?}");
                }
            }
            let phrases = mirror.phrases(&message);
            assert!(matches!(phrases.as_slice(), [Ok(Phrase::Deed(_))]), "{message:?} gives {phrases:?}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn what_a_template_can_give_is_read_back_as_its_action_and_value(number in number(), closes in crosspoints()) {
        for (role, _, _) in DOCUMENTS {
            every_action_is_read_back(&laboratory(role), &number, &closes);
            every_action_is_read_back(&shipped(role), &number, &closes);
        }
    }

    #[test]
    fn no_text_makes_it_panic(text in "[-A-Z0-9.;:, ?*'\"()@\\PC]{0,60}") {
        for (role, _, _) in DOCUMENTS {
            let _ = mirror(&laboratory(role)).phrases(&text);
        }
    }
}

/// The native messages of one message, or the error.
fn native(mirror: &Mirror, message: &str) -> Vec<String> {
    let phrase = |phrase| match phrase {
        Ok(Phrase::Deed(deed)) => deed.messages.join(" | "),
        Ok(Phrase::Common(text)) => format!("common {text}"),
        Ok(Phrase::Heard(text)) => format!("heard {text}"),
        Err(error) => format!("{error}"),
    };
    mirror.phrases(message).into_iter().map(phrase).collect()
}

#[track_caller]
fn check(role: Role, message: &str, expected: &[&str]) {
    assert_eq!(native(&mirror(&laboratory(role)), message), expected, "{message}");
}

#[test]
fn a_message_becomes_the_native_one() {
    check(Role::CurrentSource, "I 250E-6 A", &[":SOURce:CURRent 250E-6"]);
    check(Role::CurrentSource, "CLAMP 1,-.5", &[":SOURce:VOLTage:LIMit -.5"]);
    check(Role::CurrentSource, "LAMPS?", &[":STATus:QUEStionable:CONDition?"]);
    check(Role::SwitchMatrix, "JOIN R1C12,R4C11", &[":ROUTe:CLOSe (@1!12,4!11)"]);
    check(Role::SwitchMatrix, "JOIN R1C12,R9C9", &["-222,\"Data out of range;R9C9\""]);
    check(Role::Voltmeter, "K?", &[":READ?"]);
}

#[test]
fn units_of_a_template_go_together_and_common_commands_stand_for_themselves() {
    check(Role::Voltmeter, "VRANGE 10; SELF OFF", &[":SENSe:VOLTage:RANGe 10"]);
    check(Role::Ammeter, "TAKE;VALUE?;ERR?", &[":READ?", ":SYSTem:ERRor?"]);
    check(Role::Voltmeter, "*WAI;DONE?", &["*WAI | *OPC?"]);
    check(Role::Voltmeter, "*ESE 5;*ESE?", &["common *ESE 5", "common *ESE?"]);
    check(Role::CurrentSource, "REMOTE;BEEP OFF", &["heard REMOTE", "heard BEEP OFF"]);
}

#[test]
fn what_the_document_does_not_have_is_an_undefined_header_and_ends_the_message() {
    let undefined = |unit: &str| format!("-113,\"Undefined header;{unit}\"");
    check(Role::CurrentSource, ":SOURce:CURRent 1", &[&undefined(":SOURce:CURRent 1")]);
    check(Role::CurrentSource, "i 1 A", &[&undefined("i 1 A")]);
    check(Role::CurrentSource, "I  1 A", &[&undefined("I  1 A")]);
    check(Role::CurrentSource, "I 1 MA", &[&undefined("I 1 MA")]);
    check(Role::CurrentSource, "I MAX A", &[&undefined("I MAX A")]);
    check(Role::Voltmeter, "VRANGE 10", &[&undefined("VRANGE 10")]);
    check(Role::Voltmeter, "K?;K1?;K?", &[":READ?", &undefined("K1?")]);
    check(Role::Voltmeter, "K?;", &[":READ?", &undefined("")]);
    check(Role::Voltmeter, " \r", &[]);
}

#[test]
fn values_are_brought_to_the_native_unit() {
    // 50 Hz; 0.03 T/A. 20 A are 0.6 T; 6 A/min are 0.18 T/min, and 0.003 T/s.
    check(Role::Voltmeter, "AVERAGE 0.002 S", &[":SENSe:VOLTage:NPLCycles 1.0E-01"]);
    check(Role::TemperatureController, "SLEW 0.05", &[":SOURce:TEMPerature:RAMP 3.0E+00"]);
    check(Role::FieldSource, "PROGRAM 20", &[":SOURce:FIELd 6.0E-01"]);
    check(Role::FieldSource, "RATE 6", &[":SOURce:FIELd:RAMP 3.0E-03"]);
}

#[test]
fn a_value_that_stands_twice_in_a_template_is_one_value() {
    let text = laboratory_text(Role::CurrentSource).replace("I {level_a} A", "I {level_a};HOLD {level_a}");
    let mirror = mirror(&parsed(&text));
    assert_eq!(native(&mirror, "I 2E-3;HOLD 2E-3"), [":SOURce:CURRent 2E-3"]);
    assert_eq!(native(&mirror, "I 2E-3;HOLD 3E-3"), ["-113,\"Undefined header;I 2E-3\""]);
}

#[test]
fn an_aperture_that_is_given_in_both_units_is_set_and_read_back_in_seconds() {
    let text = laboratory_text(Role::Voltmeter)
        .replace("AVERAGE {aperture_s} S", "AVERAGE {aperture_plc},{aperture_s}");
    let mirror = mirror(&parsed(&text));
    assert_eq!(native(&mirror, "AVERAGE 2,0.04"), [":SENSe:VOLTage:NPLCycles 2.0E+00"]);
    let phrases = mirror.phrases("AVERAGE?");
    let [Ok(Phrase::Deed(deed))] = phrases.as_slice() else { panic!("{phrases:?}") };
    assert_eq!(deed.answered(&mirror.dialect, &["2.0E+00".to_owned()]).unwrap().unwrap(), "4.0E-02");
}

#[test]
fn answers_are_brought_to_the_form_of_the_document() {
    let check = |role, message: &str, native: &[&str], expected: &str| {
        let mirror = mirror(&laboratory(role));
        let phrases = mirror.phrases(message);
        let [Ok(Phrase::Deed(deed))] = phrases.as_slice() else { panic!("{phrases:?}") };
        let native: Vec<String> = native.iter().map(|&text| text.to_owned()).collect();
        assert_eq!(deed.answered(&mirror.dialect, &native).unwrap().as_deref(), Some(expected));
    };
    check(Role::Voltmeter, "AVERAGE?", &["1.0E-01"], "2.0E-03");
    check(Role::FieldSource, "PROGRAM?", &["6.0E-01"], "2.0E+01");
    check(Role::CurrentSource, "LAMPS?", &["1"], "32");
    check(Role::CurrentSource, "LAMPS?", &["2"], "0");
    check(Role::SwitchMatrix, "JOINED?", &["(@4!11,1!12)"], "(@R4C11,R1C12)");
    check(Role::SwitchMatrix, "JOINED?", &["(@)"], "(@)");
    // Faults are bits 1 and 2 there, and bit 6 is 0 on the way; natively bit 3 of the operation register is 1 on the
    // way, and bits 4 and 9 of the questionable one, asked second, are faults.
    check(Role::TemperatureController, "FLAGS?", &["0", "0"], "64");
    check(Role::TemperatureController, "FLAGS?", &["8", "0"], "0");
    check(Role::TemperatureController, "FLAGS?", &["0", "528"], "70");
    check(Role::FieldSource, "FLAGS?", &["8", "512"], "4");
}

/// What a template can give, decided by trying: written apart from the automaton on purpose.
fn gives(parts: &[Part], message: &str) -> bool {
    match parts {
        [] => message.is_empty(),
        [Part::Text(text), rest @ ..] => message.strip_prefix(text.as_str()).is_some_and(|m| gives(rest, m)),
        [Part::Value(_), rest @ ..] => {
            (1..=message.len()).any(|end| is_number(&message[..end]) && gives(rest, &message[end..]))
        }
    }
}

fn is_number(text: &str) -> bool {
    // What Rust reads and IEEE 488.2 does not are words; what both read is the same.
    text.parse::<f64>().is_ok() && text.contains(|c: char| c.is_ascii_digit())
}

#[test]
fn two_templates_collide_exactly_where_some_message_is_both() {
    let values = [Placeholder::Level];
    let texts = [
        "A",
        "A1",
        "{level_a}",
        "A{level_a}",
        "{level_a}A",
        "{level_a}E1",
        "1.{level_a}",
        "-{level_a}",
        "{level_a}.",
        "{level_a}-{level_a}",
        "A {level_a}",
        "{level_a}1",
        ".E1",
        "1E{level_a}",
        "{level_a}A{level_a}",
    ];
    let templates = texts.map(|text| Template::parse(text, &values).unwrap());
    let plain = Template::parse("{row}!{column}", &[Placeholder::Row, Placeholder::Column]).unwrap();
    let patterns: Vec<Pattern> = templates.iter().map(|template| Pattern::new(template, &plain)).collect();
    let mut messages = vec![String::new()];
    for k in 0.. {
        let Some(message) = messages.get(k).cloned() else { break };
        if message.len() < 5 {
            messages.extend("A1.-E ".chars().map(|c| format!("{message}{c}")));
        }
    }
    let mut given: BTreeMap<usize, Vec<bool>> = BTreeMap::new();
    for (k, (template, pattern)) in templates.iter().zip(&patterns).enumerate() {
        let parts = template.parts().len();
        let of_template = messages.iter().map(|message| {
            let found = pattern.read(message, parts).is_some();
            assert_eq!(found, gives(template.parts(), message), "{} {message:?}", texts[k]);
            found
        });
        given.insert(k, of_template.collect());
    }
    let mut collisions = 0;
    for a in 0..texts.len() {
        for b in 0..a {
            // No pair here needs more than five characters.
            let both = given[&a].iter().zip(&given[&b]).any(|(a, b)| *a && *b);
            let common = patterns[a].common(&patterns[b]);
            assert_eq!(common.is_some(), both, "{} and {}: {common:?}", texts[a], texts[b]);
            if let Some(common) = common {
                assert!(
                    gives(templates[a].parts(), &common) && gives(templates[b].parts(), &common),
                    "{common}"
                );
                collisions += 1;
            }
        }
    }
    assert!(collisions > 10, "only {collisions}");
}

#[test]
fn a_text_is_taken_apart_outside_quotes_and_brackets() {
    let check = |text: &str, expected: &[&str]| assert_eq!(split(text).collect::<Vec<_>>(), expected);
    check("A;B 1 ; C", &["A", "B 1", "C"]);
    check("A \"x;y\";B (1;2);C 'it''s;'", &["A \"x;y\"", "B (1;2)", "C 'it''s;'"]);
}

#[test]
fn every_action_of_every_role_is_somewhere_in_a_laboratorys_words() {
    for (role, _, _) in DOCUMENTS {
        let (own, shipped) = (laboratory(role), shipped(role));
        let missing: Vec<Action> =
            shipped.templates().map(|(action, _)| action).filter(|&action| !own.can(action)).collect();
        let expected: &[Action] = if role == Role::FieldSource { &[Action::StartRamp] } else { &[] };
        assert_eq!(missing, expected);
    }
}
