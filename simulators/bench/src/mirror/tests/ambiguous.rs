//! Documents in which a message could mean two things.

use super::{bench, laboratory_text, parsed, refused};
use crate::mirror::Mirror;
use quadrille_documents::Role;

/// A laboratory's document, changed in one place, is refused with one fault that has all of these words.
#[track_caller]
fn check(role: Role, (from, to): (&str, &str), words: &[&str]) {
    let text = laboratory_text(role);
    assert!(text.contains(from), "{from}");
    let faults = refused(&text.replace(from, to));
    let [fault] = faults.as_slice() else { panic!("{faults:#?}") };
    for word in words {
        assert!(fault.contains(word), "{fault} lacks {word}");
    }
}

#[test]
fn templates_that_differ_in_nothing_but_the_name_of_the_value_are_refused_at_their_lines() {
    check(
        Role::CurrentSource,
        ("\"IRANGE {range_a}\"", "\"I {range_a} A\""),
        &[
            "own.toml:9:20: commands.set_source_range: ",
            "set_source_range \"I {range_a} A\" cannot be told from set_level \"I {level_a} A\" on line 8",
            "\"I 1 A\" is both",
        ],
    );
}

#[test]
fn a_fixed_text_that_another_template_can_give_is_refused() {
    check(
        Role::CurrentSource,
        ("output_on = \"DRIVE 1\"", "output_on = \"CLAMP 1,0\""),
        &["output_on \"CLAMP 1,0\" cannot be told from set_voltage_limit \"CLAMP 1,{limit_v}\" on line 10"],
    );
}

#[test]
fn questions_that_are_one_text_and_no_register_are_refused() {
    check(
        Role::CurrentSource,
        ("guard = \"SHIELD?\"", "guard = \" DRIVE?\""),
        &["guard \" DRIVE?\" cannot be told from output \"DRIVE?\"", "\"DRIVE?\" is both"],
    );
}

#[test]
fn questions_for_one_bit_of_one_register_are_refused() {
    check(
        Role::TemperatureController,
        ("ramping_bit = 6", "ramping_bit = 2"),
        &["fault \"FLAGS?\" cannot be told from ramping \"FLAGS?\""],
    );
}

#[test]
fn values_that_run_into_one_another_are_refused() {
    check(
        Role::CurrentSource,
        ("\"I {level_a} A\"", "\"I {level_a}{level_a}\""),
        &["the values of set_level \"I {level_a}{level_a}\" run into one another", "\"I 111\""],
    );
}

#[test]
fn crosspoints_that_are_written_alike_are_refused_where_the_bench_has_them() {
    let dialect = parsed(&laboratory_text(Role::SwitchMatrix).replace("R{row}C{column}", "{row}{column}"));
    // Rows 1 to 4 with columns 11 to 14, and 5 with 1: no two are alike.
    assert!(Mirror::new(&dialect, &bench()).is_ok());
    let mut other = bench();
    other.wiring.rows.sense_low = 11;
    other.wiring.maps[0].columns = vec![1, 11, 12, 13];
    let Err(faults) = Mirror::new(&dialect, &other) else { panic!("it was turned round") };
    let [fault] = faults.0.as_slice() else { panic!("{faults}") };
    assert_eq!(fault.problem, "crosspoints 1!11 and 11!1 are both written \"111\"");
    assert_eq!(fault.place.key, "commands.close");
}

#[test]
fn a_text_that_fences_need_is_refused() {
    check(
        Role::Ammeter,
        ("input = \"TERMINALS?\"", "input = \"*ESE?\""),
        &["input \"*ESE?\" is a common command of IEEE 488.2 that every controller needs"],
    );
}

#[test]
fn every_collision_of_a_document_is_told() {
    let text = laboratory_text(Role::CurrentSource)
        .replace("IRANGE {range_a}", "I {range_a} A")
        .replace("guard_off = \"SHIELD FREE\"", "guard_off = \"SHIELD DRIVEN\"");
    assert_eq!(refused(&text).len(), 2);
}
