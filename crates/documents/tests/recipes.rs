//! What the keys of a recipe mean, and what wrong ones are answered with.
#![allow(clippy::unwrap_used)]

use quadrille_documents::{
    Contacts, FieldOrder, Located, Recipe, Settling, TemperatureOrder, Unacceptable, Unreached, recipe,
};

/// A recipe with these lines, and nothing that can be left out.
fn text(temperatures: &str, more: &str) -> String {
    format!("kind = \"recipe\"\nname = \"r\"\n{temperatures}\n{more}\n")
}

#[track_caller]
fn read(temperatures: &str, more: &str) -> Recipe {
    match recipe("r.toml", &text(temperatures, more)) {
        Ok(recipe) => recipe,
        Err(faults) => panic!("{faults}"),
    }
}

const BARE: &str = "[resistivity]";

/// What the faults of a recipe say: each of `expected` in turn, and no more of them.
#[track_caller]
fn wrong(temperatures: &str, more: &str, expected: &[&str]) {
    let faults = recipe("r.toml", &text(temperatures, more)).expect_err("the recipe is wrong");
    assert_eq!(faults.0.len(), expected.len(), "{faults}");
    for (fault, expected) in faults.0.iter().zip(expected) {
        assert!(fault.to_string().contains(expected), "{expected:?} is not said in:\n{fault}");
    }
}

fn values(numbers: &[Located<f64>]) -> Vec<f64> {
    numbers.iter().map(|number| number.value).collect()
}

#[track_caller]
fn temperatures(line: &str, expected: &[f64]) {
    assert_eq!(values(&read(line, BARE).temperatures_k), expected, "{line}");
}

#[test]
fn a_range_goes_by_steps_or_points_in_either_direction() {
    temperatures("temperatures_k = { from = 300, to = 280, step = 5 }", &[300.0, 295.0, 290.0, 285.0, 280.0]);
    temperatures("temperatures_k = { from = 4.2, to = 4.5, step = 0.1 }", &[4.2, 4.3, 4.4, 4.5]);
    temperatures("temperatures_k = { from = 10, to = 40, points = 4 }", &[10.0, 20.0, 30.0, 40.0]);
    temperatures("temperatures_k = { from = 10, to = 40, points = 2, spacing = \"linear\" }", &[10.0, 40.0]);
}

#[test]
fn a_reciprocal_range_is_even_in_one_over_the_temperature() {
    let line = "temperatures_k = { from = 300, to = 80, points = 45, spacing = \"reciprocal\" }";
    let kelvins = values(&read(line, BARE).temperatures_k);
    assert_eq!((kelvins.len(), kelvins[0], kelvins[44]), (45, 300.0, 80.0));
    let even = (1.0 / 80.0 - 1.0 / 300.0) / 44.0;
    for pair in kelvins.windows(2) {
        // Six digits of a temperature are 5e-6 of it at most, and a step is more than a hundredth.
        assert!(((1.0 / pair[1] - 1.0 / pair[0]) / even - 1.0).abs() < 1e-3, "{pair:?}");
    }
}

#[test]
fn ranges_and_numbers_stand_in_one_list_and_share_their_ends() {
    temperatures(
        "temperatures_k = [{ from = 300, to = 200, step = 50 }, { from = 200, to = 180, step = 10 }, 77.5]",
        &[300.0, 250.0, 200.0, 190.0, 180.0, 77.5],
    );
}

#[test]
fn each_point_of_a_range_remembers_where_it_was_written() {
    let recipe = read("temperatures_k = { from = 300, to = 280, step = 10 }", BARE);
    let columns: Vec<_> =
        recipe.temperatures_k.iter().map(|kelvin| (kelvin.place.line, kelvin.place.column)).collect();
    assert_eq!(columns, [(3, 27), (3, 18), (3, 37)]);
}

#[test]
fn faults_of_a_range_name_what_would_be_right() {
    let range = |inner: &str| format!("temperatures_k = {{ {inner} }}");
    wrong(
        &range("from = 300, to = 80, step = 7"),
        BARE,
        &[
            "r.toml:3:48: temperatures_k.step: steps of 7 from 300 do not end at 80; write to = 83, or points = 32 in its place",
        ],
    );
    wrong(&range("from = 300, to = 290, step = 11"), BARE, &["write a step of at most 10"]);
    wrong(
        &range("from = 300, to = 290"),
        BARE,
        &["r.toml:3:18: temperatures_k: a range needs a step or a number"],
    );
    wrong(&range("from = 300, to = 290, step = 5, points = 3"), BARE, &["not both"]);
    wrong(&range("from = 300, to = 290, step = -5"), BARE, &["temperatures_k.step: -5 is out of bounds"]);
    wrong(&range("from = 300, to = 300, step = 5"), BARE, &["the range ends where it begins"]);
    wrong(&range("from = 300, step = 5"), BARE, &["`to` is missing in [temperatures_k]"]);
    wrong(&range("from = 300, to = 0, step = 5"), BARE, &["temperatures_k.to: 0 is out of bounds"]);
    wrong(&range("from = 300, to = 290, points = 1"), BARE, &["write a whole number from 2 to 10000"]);
    wrong(&range("from = 300, to = 290, step = 5, spacing = \"reciprocal\""), BARE, &["has no step"]);
    wrong(
        &range("from = 300, to = 290, points = 5, spacing = \"log\""),
        BARE,
        &["\"linear\" or \"reciprocal\""],
    );
    wrong(&range("from = 300, to = 290, setp = 5"), BARE, &["needs a step", "did you mean `step`?"]);
    wrong(&range("from = 300, to = 1, step = 0.01"), BARE, &["29900 are too many steps"]);
    wrong("temperatures_k = 300", BARE, &["expected a list or a table, found 300"]);
    wrong("temperatures_k = []", BARE, &["no temperature to measure at"]);
    wrong(
        "temperatures_k = [300, { from = 290, to = 100, step = 0 }, \"cold\"]",
        BARE,
        &["temperatures_k[1].step: 0 is out of bounds", "temperatures_k[2]: expected a number in K"],
    );
}

#[track_caller]
fn fields(lines: &str, expected: &[f64]) {
    let recipe = read("temperature_k = 300", &format!("[hall]\n{lines}"));
    assert_eq!(values(&recipe.hall.unwrap().fields_t), expected, "{lines}");
}

#[test]
fn fields_are_ranges_too_and_get_their_other_sign() {
    fields(
        "fields_t = { from = 0.3, to = 0.1, step = 0.1 }\nboth_signs = true",
        &[0.3, -0.3, 0.2, -0.2, 0.1, -0.1],
    );
    fields("fields_t = { from = -0.6, to = 0.6, points = 4 }", &[-0.6, -0.2, 0.2, 0.6]);
    fields("fields_t = [0.5]\nboth_signs = true", &[0.5, -0.5]);
    fields("fields_t = [0.5, -0.51]\nboth_signs = false", &[0.5, -0.51]);
    // Even in one over the field, as oscillations are.
    fields(
        "fields_t = { from = 4, to = 8, points = 3, spacing = \"reciprocal\" }\nboth_signs = true",
        &[4.0, -4.0, 5.33333, -5.33333, 8.0, -8.0],
    );
}

#[test]
fn faults_of_fields_name_what_would_be_right() {
    let hall = |lines: &str| format!("[hall]\n{lines}");
    let kelvin = "temperature_k = 300";
    wrong(
        kelvin,
        &hall("fields_t = { from = -1, to = 1, step = 0.5 }"),
        &["there is no Hall voltage at 0 T; leave 0 out"],
    );
    wrong(
        kelvin,
        &hall("fields_t = { from = 0.1, to = 1, step = 0.1 }"),
        &[
            "0.1 T has no field of the other sign and the same size; write both signs of the field, as in fields_t = \
         [0.5, -0.5], or both_signs = true",
        ],
    );
    wrong(kelvin, &hall("fields_t = [0.5, -0.5]\nboth_signs = true"), &["both_signs = true takes it anyway"]);
    wrong(
        kelvin,
        &hall("fields_t = { from = -1, to = 1, points = 4, spacing = \"reciprocal\" }"),
        &["cannot hold 0; write two ends of one sign"],
    );
    wrong(kelvin, &hall("both_signs = true"), &["`fields_t` is missing in [hall]"]);
}

#[test]
fn a_magnet_turned_by_hand_has_a_time_limit() {
    let recipe =
        read("temperature_k = 300", "[hall]\nfields_t = [0.5, -0.5]\nhand = { longest_wait_s = 900 }");
    let hand = recipe.hall.unwrap().hand.unwrap();
    assert_eq!((hand.longest_wait_s, hand.place.line), (900.0, 6));
    assert!(read("temperature_k = 300", "[hall]\nfields_t = [1, -1]").hall.unwrap().hand.is_none());
    wrong(
        "temperature_k = 300",
        "[hall]\nfields_t = [0.5, -0.5]\nhand = {}",
        &["`longest_wait_s` is missing in [hall.hand]; write how long the run waits for the person"],
    );
    wrong("temperature_k = 300", "[hall]\nfields_t = [0.5, -0.5]\nhand = true", &["expected a table"]);
}

#[test]
fn a_bare_recipe_leaves_current_and_limit_open_and_settles_by_evidence() {
    let recipe = read("temperature_k = 300", BARE);
    assert_eq!((recipe.current_a, recipe.voltage_limit_v, recipe.wanted_relative_u), (None, None, None));
    let Settling::Evidence { bias_relative, longest_wait_s, strict } = recipe.settling.value else {
        panic!()
    };
    assert!((bias_relative - 1e-3 / 3.0).abs() < 1e-18);
    assert_eq!((longest_wait_s, strict), (600.0, false));
    let stability = recipe.stability;
    assert_eq!((stability.soak_s, stability.overshoot_k), (0.0, None));
    assert_eq!(stability.unreached, Unreached::StandDown);
}

#[test]
fn what_is_left_to_settle_is_a_third_of_what_is_wanted_unless_written() {
    let bias = |more: &str| {
        let recipe = read("temperature_k = 300\nwanted_relative_u = 0.006", more);
        assert_eq!(recipe.wanted_relative_u.unwrap().value, 0.006);
        recipe.settling.value
    };
    let evidence =
        |bias_relative, longest_wait_s, strict| Settling::Evidence { bias_relative, longest_wait_s, strict };
    assert_eq!(bias(BARE), evidence(0.002, 600.0, false));
    let written = "[resistivity]\n[settling]\nby_evidence = true\nbias_relative = 1e-4\nlongest_wait_s = 30\nstrict = true";
    assert_eq!(bias(written), evidence(1e-4, 30.0, true));
    assert_eq!(bias("[resistivity]\n[settling]\ntime_constants = 9"), Settling::TimeConstants(9.0));
}

#[test]
fn faults_of_what_is_wanted_and_how_it_settles_name_what_would_be_right() {
    let settling = |lines: &str| format!("[resistivity]\n[settling]\n{lines}");
    let kelvin = "temperature_k = 300";
    wrong("temperature_k = 300\nwanted_relative_u = 0.6", BARE, &["wanted_relative_u: 0.6 is out of bounds"]);
    wrong("temperature_k = 300\nwanted_relative_u = 0", BARE, &["wanted_relative_u: 0 is out of bounds"]);
    let one = "exactly one of time_s, time_constants and by_evidence is needed; write time_s = 0.2, time_constants = 12 \
               or by_evidence = true";
    wrong(kelvin, &settling(""), &[one]);
    wrong(kelvin, &settling("strict = true"), &[one]);
    wrong(kelvin, &settling("by_evidence = true\ntime_s = 1"), &[one]);
    wrong(
        kelvin,
        &settling("by_evidence = false"),
        &["settling.by_evidence: without evidence there is nothing"],
    );
    wrong(kelvin, &settling("time_s = 1\nstrict = true"), &["a fixed wait heeds no strict"]);
    wrong(kelvin, &settling("by_evidence = true\nbias_relative = 0.5"), &["0.5 is out of bounds"]);
    wrong(kelvin, &settling("by_evidence = 1"), &["expected true or false"]);
}

#[test]
fn stability_says_how_to_approach_and_what_to_do_where_it_fails() {
    let of =
        |lines: &str| read("temperature_k = 300", &format!("[resistivity]\n[stability]\n{lines}")).stability;
    let stability = of("soak_s = 300\novershoot_k = 0.5\nunreached = \"skip\"");
    assert_eq!((stability.soak_s, stability.overshoot_k.unwrap().value), (300.0, 0.5));
    assert_eq!(stability.unreached, Unreached::Skip);
    assert_eq!(of("unreached = \"park\"").unreached, Unreached::Park { longest_s: 14_400.0 });
    assert_eq!(of("unreached = \"park\"\npark_s = 60").unreached, Unreached::Park { longest_s: 60.0 });
    assert_eq!(of("unreached = \"stand-down\"").unreached, Unreached::StandDown);
}

#[test]
fn faults_of_stability_name_what_would_be_right() {
    let stability = |lines: &str| format!("[resistivity]\n[stability]\n{lines}");
    let kelvin = "temperature_k = 300";
    wrong(kelvin, &stability("unreached = \"wait\""), &["write \"skip\", \"park\" or \"stand-down\""]);
    wrong(kelvin, &stability("park_s = 60"), &["stability.park_s: nobody waits; write unreached = \"park\""]);
    wrong(kelvin, &stability("unreached = \"skip\"\npark_s = 60"), &["nobody waits"]);
    wrong(
        kelvin,
        &stability("soak_s = -1\novershoot_k = 0"),
        &["soak_s: -1 is out", "overshoot_k: 0 is out"],
    );
}

#[test]
fn the_order_is_the_shortest_unless_written_or_gone_there_and_back() {
    let of = |kelvins: &str, more: &str| {
        let order = read(&format!("temperatures_k = {kelvins}"), &format!("[resistivity]\n{more}")).order;
        (order.temperatures, order.fields)
    };
    use FieldOrder::{AsWritten as FieldsAsWritten, FewestReversals};
    use TemperatureOrder::{AsWritten, LeastTravel};
    assert_eq!(of("[300, 100, 200]", ""), (LeastTravel, FewestReversals));
    assert_eq!(of("[300, 100, 300]", ""), (AsWritten, FewestReversals));
    assert_eq!(of("[300, 100, 300]", "[order]\nas = \"least-travel\""), (LeastTravel, FewestReversals));
    let hall = "[hall]\nfields_t = [0.5, -0.5, 0.5]";
    assert_eq!(of("[300, 100]", hall), (LeastTravel, FieldsAsWritten));
    let written = "[order]\nas = \"as-written\"\nfields = \"as-written\"";
    assert_eq!(of("[300, 100]", written), (AsWritten, FieldsAsWritten));
    wrong(
        "temperature_k = 300",
        "[resistivity]\n[order]\nas = \"random\"",
        &["order.as: \"random\" is not known here; write \"least-travel\" or \"as-written\""],
    );
    wrong("temperature_k = 300", "[resistivity]\n[order]\ntemperatures = \"as-written\"", &["unknown key"]);
}

#[test]
fn contacts_are_checked_where_the_recipe_says_so_and_how_it_says() {
    assert_eq!(read("temperature_k = 295", BARE).contacts, None);
    let bare = read("temperature_k = 295", "[contacts]\n[resistivity]").contacts.unwrap();
    assert_eq!(bare, Contacts::default());
    let lines = "[contacts]\ncurrents_a = [1e-7, 3e-7]\nlinearity = 0.01\nasymmetry = 0.02\nlargest_ohm = 500\nunacceptable = \"warn\"\n[resistivity]";
    let all = read("temperature_k = 295", lines).contacts.unwrap();
    assert_eq!(values(all.currents_a.as_ref().unwrap()), [1e-7, 3e-7]);
    assert_eq!((all.linearity, all.asymmetry, all.largest_ohm), (0.01, 0.02, Some(500.0)));
    assert_eq!(all.unacceptable, Unacceptable::Warn);
    let points = read("temperature_k = 295", "[contacts]\npoints = 7\n[resistivity]").contacts.unwrap();
    assert_eq!((points.points, points.unacceptable), (7, Unacceptable::StandDown));
}

#[test]
fn currents_of_a_contact_check_rise_and_are_two_at_least() {
    let contacts = |line: &str| format!("[contacts]\n{line}\n[resistivity]");
    wrong("temperature_k = 295", &contacts("currents_a = [1e-6]"), &["too few currents"]);
    wrong("temperature_k = 295", &contacts("currents_a = []"), &["too few currents"]);
    wrong(
        "temperature_k = 295",
        &contacts("currents_a = [2e-6, 1e-6]"),
        &["0.000001 A is not more than 0.000002 A"],
    );
    wrong("temperature_k = 295", &contacts("currents_a = [1e-6, 2e-6]\npoints = 3"), &["both written"]);
    wrong("temperature_k = 295", &contacts("points = 1"), &["points"]);
    wrong("temperature_k = 295", &contacts("unacceptable = \"go on\""), &["unacceptable"]);
    wrong("temperature_k = 295", &contacts("linearity = 0"), &["linearity"]);
}
