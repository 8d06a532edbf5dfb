//! What right documents give, and what wrong ones are answered with.
#![allow(clippy::unwrap_used)]

use quadrille_documents::{
    Conduction, Document, Faults, Model, Role, SensorModel, Settling, Shape, document, readings,
};

/// Resource strings are judged elsewhere.
fn anything(_: &str) -> Result<(), String> {
    Ok(())
}

fn config(path: &str) -> String {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/");
    std::fs::read_to_string(format!("{root}{path}")).unwrap()
}

#[test]
fn every_document_of_the_demonstration_is_right() {
    for path in [
        "demo/bench.toml",
        "demo/standard-low.toml",
        "demo/standard-high.toml",
        "demo/film.toml",
        "demo/film-recipe.toml",
        "demo/night-bench.toml",
        "demo/night-film.toml",
        "demo/night-recipe.toml",
        "demo/two-films-bench.toml",
        "demo/left-film.toml",
        "demo/long-night-bench.toml",
        "demo/freezing-film.toml",
        "demo/long-night-recipe.toml",
        "demo/right-film.toml",
        "dialects/current-source.toml",
        "dialects/voltmeter.toml",
        "dialects/ammeter.toml",
        "dialects/switch-matrix.toml",
        "dialects/temperature-controller.toml",
        "dialects/field-source.toml",
    ] {
        if let Err(faults) = document(path, &config(path), anything) {
            panic!("{faults}");
        }
    }
}

#[test]
fn the_fixed_forms_of_a_sample_are_read() {
    let standard = "kind = \"sample\"\nname = \"standard A\"\ncontacts = [\"a\", \"b\", \"c\", \"d\"]\n[model]\n\
        type = \"network\"\nresistors = [[\"a\", \"b\", 12e3], [\"b\", \"c\", 15e3], [\"c\", \"x\", 9e3], \
        [\"x\", \"d\", 9e3], [\"d\", \"a\", 22e3]]\n";
    let Document::Sample(sample) = document("s.toml", standard, anything).unwrap() else { panic!() };
    let Some(Model::Network(network)) = sample.model else { panic!() };
    assert_eq!(network.resistors.len(), 5);
    assert_eq!(network.resistors[2].value, ("c".into(), "x".into(), 9e3));
    let film = "kind = \"sample\"\nname = \"film B\"\nthickness_m = 480e-9\nthickness_u_m = 6e-9\n";
    let Document::Sample(sample) = document("f.toml", film, anything).unwrap() else { panic!() };
    assert_eq!(sample.thickness_m.unwrap().value, 480e-9);
    assert_eq!(sample.thickness_m.unwrap().standard_uncertainty, 6e-9);
}

/// A document made from a right one by replacing a text, which must stand in it; and what the faults then say.
#[track_caller]
fn check(path: &str, right: &str, wrong: &str, expected: &[&str]) {
    let text = config(path);
    assert!(text.contains(right), "{path} has no {right:?}");
    let faults = document(path, &text.replacen(right, wrong, 1), anything)
        .expect_err("the document is wrong")
        .to_string();
    for part in expected {
        assert!(faults.contains(part), "{part:?} is not said in:\n{faults}");
    }
}

#[test]
fn a_wrong_type_is_told_with_line_column_and_what_would_be_right() {
    check(
        "demo/film-recipe.toml",
        "current_a = 1e-4",
        "current_a = \"1e-4\"",
        &[
            "demo/film-recipe.toml:5:13: current_a: expected a number in A, found the text \"1e-4\"; write a number",
        ],
    );
}

#[test]
fn a_misspelt_key_is_told_with_the_nearest_one() {
    check(
        "demo/film-recipe.toml",
        "aperture_plc",
        "apperture_plc",
        &["unknown key `apperture_plc`", "`aperture_plc`?"],
    );
    check(
        "demo/bench.toml",
        "[wiring.rows]",
        "[wiring.row]",
        &["`rows` is missing in [wiring]", "did you mean `rows`?"],
    );
}

#[test]
fn all_faults_are_told_at_once() {
    let text = config("demo/bench.toml")
        .replace("role = \"ammeter\"", "role = \"amperemeter\"")
        .replace("sense_low = 4", "sense_low = 3")
        .replace("columns = [1, 2, 3, 4]", "columns = [1, 2, 2, 4]")
        .replace("current_a = 0.01", "current_a = -1")
        .replace("frequency_hz", "frequency");
    let Faults(faults) = document("bench.toml", &text, anything).unwrap_err();
    assert_eq!(faults.len(), 6, "{}", Faults(faults));
}

#[test]
fn rows_that_short_the_source_are_refused() {
    check(
        "demo/bench.toml",
        "return_low = 2",
        "return_low = 1",
        &["wiring.rows.return_low", "short the source"],
    );
}

#[test]
fn a_column_used_twice_is_told_with_both_contacts() {
    check(
        "demo/bench.toml",
        "[1, 2, 3, 4]",
        "[1, 2, 3, 1]",
        &["wiring.columns[3]: contacts 1 and 4 are both on column 1"],
    );
}

#[test]
fn a_buffer_crosspoint_that_joins_an_instrument_to_a_contact_is_refused() {
    check("demo/bench.toml", "\"5!1\"", "\"3!1\"", &["3!1 joins an instrument to a contact"]);
    check("demo/bench.toml", "\"5!1\"", "\"5-1\"", &["\"5-1\" is not a crosspoint"]);
}

#[test]
fn a_bench_has_one_instrument_of_each_role() {
    check(
        "demo/bench.toml",
        "role = \"ammeter\"",
        "role = \"voltmeter\"",
        &["a second voltmeter", "the bench has no ammeter"],
    );
}

#[test]
fn a_resource_given_twice_is_told() {
    check("demo/bench.toml", "127.0.0.1::5026", "127.0.0.1::5025", &["the same resource is on line"]);
}

#[test]
fn a_fault_of_one_instrument_hides_none_of_the_others() {
    let text = config("demo/bench.toml")
        .replace("role = \"ammeter\"", "role = \"voltmeter\"")
        .replace("name = \"matrix\"", "name = \"source\"")
        .replace("::5025::SOCKET\"\ndialect = \"current-source\"", "::5026::SOCKET\"\ndialect = 3");
    let strict: quadrille_documents::Judge =
        |text| if text.contains("5028") { Err("is far".into()) } else { Ok(()) };
    let faults = document("bench.toml", &text, strict).unwrap_err().to_string();
    for part in [
        "a second voltmeter",
        "has no ammeter",
        "also the name",
        "the same resource",
        "dialect: expected",
        "is far",
    ] {
        assert!(faults.contains(part), "{part:?} is not said in:\n{faults}");
    }
}

#[test]
fn hazardous_voltage_wants_an_acknowledgement() {
    check(
        "demo/bench.toml",
        "voltage_v = 20.0",
        "voltage_v = 200.0",
        &["hazardous", "hazardous_voltage_acknowledged = true"],
    );
    let text = config("demo/bench.toml")
        .replace("voltage_v = 20.0", "voltage_v = 200.0\nhazardous_voltage_acknowledged = true");
    assert!(document("bench.toml", &text, anything).is_ok());
}

#[test]
fn a_placeholder_that_could_carry_a_separator_is_refused() {
    let path = "dialects/current-source.toml";
    check(
        path,
        "{level_a}",
        "{text}",
        &["{text} is not a typed value: it could carry a separator", "{level_a}"],
    );
    check(path, "{level_a}", "{range_v}", &["{range_v} has no value here"]);
    check(path, "{level_a}", "1e-6", &["the value to set does not appear"]);
    check(path, "{level_a}", "{level_a", &["a brace is open or closed alone"]);
    check(path, ":OUTPut:STATe ON", ":OUTPut:STATe ON\\n*RST", &["could end or split it"]);
    check(path, ":OUTPut:STATe ON", ":OUTPut:STATe ON;*IDN?", &["its answer would be taken for another's"]);
    check(path, ":OUTPut:STATe?", ":OUTPut:STATe", &["a query must ask"]);
    check(
        "dialects/switch-matrix.toml",
        "\"{row}!{column}\"",
        "\"{row};{column}\"",
        &["a separator or quote could split"],
    );
    check("dialects/switch-matrix.toml", "\"{row}!{column}\"", "\"{row}\"", &["both {row} and {column}"]);
}

#[test]
fn ranges_are_written_from_the_smallest_to_the_largest() {
    check(
        "dialects/voltmeter.toml",
        "full_scale_v = 1.0",
        "full_scale_v = 0.1",
        &["does not follow the range before it"],
    );
}

#[test]
fn faults_of_a_network_name_nodes_and_contacts() {
    let path = "demo/standard-low.toml";
    check(path, "\"d\"]\n", "\"e\"]\n", &["contact 4 is node \"e\", which no resistor joins", "a, b, c, d"]);
    check(path, "contacts = [\"a\", \"b\"", "contacts = [\"a\", \"a\"", &["node \"a\" is already contact 1"]);
    check(path, "[\"a\", \"b\", 10e3]", "[\"a\", \"a\", 10e3]", &["model.resistors[0]", "does nothing"]);
    check(path, "10e3", "-10e3", &["model.resistors[0][2]: -10e3 is out of bounds"]);
    check(path, "10e3", "\"10k\"", &["expected a number in ohm, found the text \"10k\""]);
    check(
        path,
        "type = \"network\"",
        "type = \"sponge\"",
        &["\"sponge\" is not known here", "\"network\", \"film\" or \"sheet\""],
    );
}

#[test]
fn faults_of_a_recipe_name_the_pattern() {
    let path = "demo/film-recipe.toml";
    check(path, "\"+--+\"", "\"++\"", &["\"++\" is not a pattern of reversal"]);
    check(path, "\"standard\"", "[\"12,34\", \"12,23\"]", &["\"12,23\" uses a contact twice"]);
    check(path, "\"standard\"", "[\"12;34\"]", &["is not a configuration"]);
    check(path, "[0.5, -0.5]", "[0.5, 0.4]", &["no field of the other sign"]);
    check(
        path,
        "time_constants = 14",
        "time_constants = 14\ntime_s = 1",
        &["exactly one of time_s, time_constants and by_evidence"],
    );
    check(path, "guard = \"by-resistance\"", "guard = \"maybe\"", &["\"on\", \"off\" or \"by-resistance\""]);
}

#[test]
fn a_pinned_settling_time_is_read() {
    let text = config("demo/film-recipe.toml").replace("time_constants = 14", "time_s = 0.25");
    let Document::Recipe(recipe) = document("r.toml", &text, anything).unwrap() else { panic!() };
    assert_eq!(recipe.settling.value, Settling::Time(0.25));
}

#[test]
fn broken_toml_is_told_with_its_line() {
    let faults = document("x.toml", "kind = \"sample\"\nname = \n", anything).unwrap_err().to_string();
    assert!(faults.starts_with("x.toml:2:"), "{faults}");
}

const HEADER: &str =
    "time_s,temperature_k,field_t,source_in,source_out,sense_high,sense_low,current_a,voltage_v\n";

#[test]
fn readings_are_read_in_any_order_of_columns() {
    let text = "voltage_v,current_a,time_s,temperature_k,field_t,source_in,source_out,sense_high,sense_low,voltage_u_v\n\
        1e-3,-1e-6,0.5,300,0,2,1,3,4,1e-9\n# a comment\n2e-3,1e-6,1.5,300,-0.5,1,3,2,4,\n";
    let readings = readings("r.csv", text).unwrap();
    assert_eq!(readings.len(), 2);
    assert_eq!(readings[0].reading.configuration.to_string(), "21,34");
    assert_eq!(readings[0].reading.current.value.0, -1e-6);
    assert_eq!(readings[0].reading.voltage.own_u.0, 1e-9);
    assert_eq!(readings[1].reading.field.0, -0.5);
}

#[test]
fn a_table_may_say_whose_each_reading_is() {
    let text = format!(
        "{}{}",
        HEADER.replace("voltage_v", "voltage_v,sample"),
        "0,300,0,1,2,3,4,1e-3,1,left film\n0,300,0,1,2,3,4,1e-3,1,\n"
    );
    let samples: Vec<Option<String>> =
        readings("r.csv", &text).unwrap().into_iter().map(|row| row.sample).collect();
    assert_eq!(samples, [Some("left film".to_owned()), None]);
}

#[test]
fn one_pair_that_drives_and_senses_is_a_reading_and_three_contacts_are_none() {
    let readings_of = |row: &str| readings("r.csv", &format!("{HEADER}{row}\n"));
    let two = readings_of("0,300,0,1,3,3,1,1e-6,-1e-3").unwrap();
    assert_eq!(two[0].reading.configuration.to_string(), "13,31");
    let faults = readings_of("0,300,0,1,3,1,2,1e-6,1e-3").unwrap_err().to_string();
    assert!(faults.contains("contacts 1, 3, 1, 2 use a contact twice"), "{faults}");
    assert!(faults.contains("or one pair twice"), "{faults}");
}

#[test]
fn faults_of_readings_are_told_with_line_and_column() {
    let text = format!(
        "{HEADER}0,300,0,1,2,3,4,1e-3,x\n0,300,0,1,1,3,4,1e-3,1\n0,300,0,1,2,3,4,1e-3\n0,-3,0,1,2,3,4,inf,1\n"
    );
    let faults = readings("r.csv", &text).unwrap_err().to_string();
    for part in [
        "r.csv:2:22: voltage_v: \"x\" is not a finite number",
        "r.csv:3:9: source_in: contacts 1, 1, 3, 4 use a contact twice",
        "r.csv:4:1: 8 fields where the header has 9",
        "r.csv:5:16: current_a: \"inf\" is not a finite number",
    ] {
        assert!(faults.contains(part), "{part:?} is not said in:\n{faults}");
    }
}

#[test]
fn a_missing_or_unknown_column_is_told() {
    let faults = readings("r.csv", "time_s,voltage\n1,2\n").unwrap_err().to_string();
    assert!(faults.contains("r.csv:1:8: voltage: unknown column"), "{faults}");
    assert!(faults.contains("column `current_a` is missing"), "{faults}");
    assert!(readings("r.csv", "").unwrap_err().to_string().contains("column `time_s` is missing"));
    assert!(readings("r.csv", HEADER).unwrap_err().to_string().contains("no readings"));
}

proptest::proptest! {
    #[test]
    fn no_text_makes_the_readers_panic(text in "(?s).{0,300}") {
        let _ = document("x.toml", &text, anything);
        let _ = readings("x.csv", &text);
    }
}

/// A sheet in the fixed form, with what a test puts in place of a part of it.
fn sheet(right: &str, wrong: &str) -> Result<Document, Faults> {
    let text = "kind = \"sample\"\nname = \"sheet C\"\n[outline]\nshape = \"disc\"\ndiameter_m = 0.01\n\
        [[outline.contact]]\nat_m = 0.0\nlength_m = 0.0005\n\
        [[outline.contact]]\nat_m = 0.0071\nlength_m = 0.0007\n\
        [[outline.contact]]\nat_m = 0.0163\nlength_m = 0.0004\n\
        [[outline.contact]]\nat_m = 0.024\nlength_m = 0.0006\n\
        [model]\ntype = \"sheet\"\nsheet_resistance_ohm = 100.0\nhall_mobility_m2_per_v_s = 0.1\n";
    assert!(text.contains(right), "no {right:?} in the sheet");
    document("sheet.toml", &text.replacen(right, wrong, 1), anything)
}

#[test]
fn a_sheet_is_read_with_its_outline_and_conduction() {
    let Document::Sample(sample) = sheet("", "").unwrap() else { panic!() };
    assert_eq!(sample.contacts, 4);
    let Some(Model::Sheet(sheet)) = sample.model else { panic!() };
    assert_eq!(sheet.outline.contacts[1].value.at_m, 0.0071);
    assert_eq!(sheet.outline.contacts[1].place.line, 9);
    assert_eq!(sheet.outline.shape.value, Shape::Disc { diameter_m: 0.01 });
    let plain = Conduction::Plain { sheet_resistance_ohm: 100.0, hall_mobility_m2_per_v_s: 0.1 };
    assert_eq!(sheet.conduction, plain);
}

#[test]
fn a_material_wants_the_thickness_of_its_sheet() {
    let plain = "sheet_resistance_ohm = 100.0\nhall_mobility_m2_per_v_s = 0.1\n";
    let material = "[model.material]\ntype = \"semiconductor\"\ndonors_per_m3 = 1e22\ndonor_ev = 0.045\n";
    let faults = sheet(plain, material).expect_err("no thickness").to_string();
    assert!(faults.contains("model.material: a material without a thickness"), "{faults}");
}

#[test]
fn faults_of_a_sheet_name_what_would_be_right() {
    for (right, wrong, told) in [
        ("shape = \"disc\"", "shape = \"blob\"", "4:9: outline.shape: \"blob\" is not known here"),
        ("diameter_m = 0.01\n", "", "`diameter_m` is missing in [outline]; write it in metres"),
        ("at_m = 0.0071", "at_m = -1.0", "outline.contact[1].at_m: -1.0 is out of bounds"),
        ("type = \"sheet\"", "type = \"sheet\"\ncontact_ohm = [1.0]", "1 contact resistances for 4 contacts"),
        ("name =", "contacts = [\"a\", \"b\"]\nname =", "a sheet has its contacts on its outline"),
        ("sheet_resistance_ohm = 100.0\n", "", "write sheet_resistance_ohm, or [model.material]"),
        ("length_m = 0.0004", "length = 0.0004", "did you mean `length_m`?"),
    ] {
        let faults = sheet(right, wrong).expect_err(wrong).to_string();
        assert!(faults.contains(told), "{told:?} is not said in:\n{faults}");
    }
}

/// The demonstration's bench with a cryostat and a magnet.
fn surrounded(more: &str) -> String {
    format!(
        r#"{}
[simulation.cryostat]
bath_k = 4.2
[[instrument]]
name = "thermometer"
role = "temperature-controller"
resource = "TCPIP::127.0.0.1::5029::SOCKET"
dialect = "temperature-controller"
[[instrument]]
name = "magnet supply"
role = "field-source"
resource = "TCPIP::127.0.0.1::5030::SOCKET"
dialect = "field-source"
{more}"#,
        config("demo/bench.toml")
    )
}

const LIMITS: &str = "[cryostat]\nlowest_k = 5.0\nhighest_k = 320.0\nmost_ramp_k_per_min = 6.0\n\
    [magnet]\nfield_t_per_a = 0.03\nmost_field_t = 1.2\nmost_ramp_t_per_s = 0.02\n";

#[test]
fn a_bench_may_have_a_cryostat_and_a_magnet_with_their_limits() {
    let Document::Bench(bench) = document("b.toml", &surrounded(LIMITS), anything).unwrap() else { panic!() };
    assert!(bench.instrument(Role::TemperatureController).is_some());
    assert_eq!(bench.cryostat.unwrap().highest_k, 320.0);
    let magnet = bench.magnet.unwrap();
    assert_eq!((magnet.most_field_t, magnet.current_a(0.6)), (1.2, 20.0));
    // What is not written of the simulation is as in the defaults.
    assert_eq!((bench.plants.cryostat.bath_k, bench.plants.cryostat.heater_w), (4.2, 50.0));
    assert_eq!(bench.plants.cryostat.sensor, SensorModel::Platinum);
    let Document::Bench(plain) = document("b.toml", &config("demo/bench.toml"), anything).unwrap() else {
        panic!()
    };
    assert_eq!((plain.cryostat, plain.magnet), (None, None));
}

#[track_caller]
fn check_surroundings(right: &str, wrong: &str, expected: &[&str]) {
    let text = surrounded(LIMITS);
    assert!(text.contains(right), "{right:?} is not there");
    let faults =
        document("b.toml", &text.replacen(right, wrong, 1), anything).expect_err("wrong").to_string();
    for part in expected {
        assert!(faults.contains(part), "{part:?} is not said in:\n{faults}");
    }
}

#[test]
fn limits_of_cryostat_and_magnet_stand_with_their_instruments_and_are_possible() {
    check_surroundings(LIMITS, "", &["`cryostat` is missing", "`magnet` is missing"]);
    check_surroundings("highest_k = 320.0", "highest_k = 4.0", &["4 K is not above the lowest, 5 K"]);
    check_surroundings("most_field_t = 1.2", "most_field_t = 0.0", &["magnet.most_field_t", "out of bounds"]);
    check_surroundings("most_ramp_t_per_s", "most_ramp_t_pr_s", &["did you mean `most_ramp_t_per_s`?"]);
    check_surroundings(
        "field-source\"\nresource",
        "temperature-controller\"\nresource",
        &["a second temperature-controller"],
    );
    let plain = format!("{}{LIMITS}", config("demo/bench.toml"));
    let faults = document("b.toml", &plain, anything).expect_err("nothing controls them").to_string();
    assert!(
        faults.contains("[cryostat] stands here, and the bench has no temperature-controller"),
        "{faults}"
    );
    assert!(faults.contains("[magnet] stands here, and the bench has no field-source"), "{faults}");
}

#[test]
fn a_thermometer_of_a_table_has_one_that_can_be_turned_round() {
    let table =
        "bath_k = 4.2\nsensor = \"table\"\nsensor_k = [4.0, 20.0, 300.0]\nsensor_ohm = [9e3, 2e3, 60.0]";
    let text = surrounded(LIMITS).replacen("bath_k = 4.2", table, 1);
    let Document::Bench(bench) = document("b.toml", &text, anything).unwrap() else { panic!() };
    let expected = SensorModel::Table(vec![(4.0, 9e3), (20.0, 2e3), (300.0, 60.0)]);
    assert_eq!(bench.plants.cryostat.sensor, expected);
    for (wrong, said) in [
        (table.replace("2e3", "10e3"), "all rising or all falling"),
        (table.replace(", 60.0", ""), "3 ohms"),
        (table.replace("20.0", "2.0"), "two kelvins or more, rising"),
        (table.replace("\"table\"", "\"platinum\""), "the thermometer is of platinum"),
        (table.replace("sensor_ohm", "sensor_ohms"), "did you mean `sensor_ohm`?"),
    ] {
        check_surroundings("bath_k = 4.2", &wrong, &[said]);
    }
}

#[test]
fn the_dialects_of_cryostat_and_magnet_carry_their_own_values_and_no_others() {
    let path = "dialects/temperature-controller.toml";
    check(path, "{target_k}", "{level_a}", &["{level_a} has no value here", "{target_k}"]);
    check(path, "{ramp_k_per_min}", "1", &["the value to set does not appear", "{ramp_k_per_s}"]);
    check(path, "heater_off", "heater_of", &["did you mean `heater_off`?"]);
    check(path, "accuracy_k = 0.05\n", "", &["`accuracy_k` is missing"]);
    check(path, "bit = 4", "bit = 16", &["16 is out of bounds"]);
    let path = "dialects/field-source.toml";
    check(path, "{field_t}", "{target_k}", &["{magnet_current_a}"]);
    check(path, "hold = \":SOURce:FIELd:HOLD\"\n", "", &["`hold` is missing"]);
    let amperes =
        config(path).replace("{field_t}", "{magnet_current_a}").replace("{ramp_t_per_s}", "{ramp_a_per_min}");
    assert!(document("amperes.toml", &amperes, anything).is_ok());
}
