//! What a recipe may not ask: each fault at the line and column where a person can mend it.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_documents::{Faults, Recipe, Sample, recipe};
use quadrille_plan::{EquippedBench, Plan};
use support::{demo_sample, equipped, equipped_with, plain_bench};

/// Lines are counted by the tests.
const RECIPE: &str = r#"kind = "recipe"
name = "limits"
current_a = 1e-4
voltage_limit_v = 2.0
aperture_plc = 1
reversal = "+-"
temperature_k = 295.0
guard = "by-resistance"
buffers = "by-resistance"
[settling]
time_s = 0.1
[resistivity]
configurations = ["21,34", "32,41"]
"#;

fn asked(changes: &[(&str, &str)]) -> Recipe {
    recipe("limits.toml", &support::changed(RECIPE, changes)).unwrap()
}

#[track_caller]
fn refused(equipped: &EquippedBench, sample: &Sample, changes: &[(&str, &str)], expected: &[&str]) {
    let faults = Plan::new(equipped, sample, &asked(changes)).expect_err("the recipe asks too much");
    let told: Vec<String> = faults.0.iter().map(ToString::to_string).collect();
    assert_eq!(told, expected);
}

fn film() -> Sample {
    demo_sample("film.toml")
}

/// Without limits and model of its own.
fn bare() -> Sample {
    quadrille_documents::sample("bare.toml", "kind = \"sample\"\nname = \"bare\"\n").unwrap()
}

#[test]
fn a_recipe_within_its_limits_is_planned() {
    Plan::new(&equipped(), &film(), &asked(&[])).unwrap();
    Plan::new(&equipped(), &bare(), &asked(&[])).unwrap();
}

// The demonstration's sample takes 1 mA, its bench 10 mA.
#[test]
fn a_current_above_the_lower_of_two_limits_is_told_whose_it_is() {
    let of_sample =
        "limits.toml:3:13: current_a: 1.001 mA is above the sample's limit of 1 mA; write at most 1e-3";
    refused(&equipped(), &film(), &[("1e-4", "1.001e-3"), ("2.0", "0.1")], &[of_sample]);
    let of_bench =
        "limits.toml:3:13: current_a: 10.1 mA is above the bench's limit of 10 mA; write at most 1e-2";
    refused(&equipped(), &bare(), &[("1e-4", "10.1e-3"), ("2.0", "0.1")], &[of_bench]);
    Plan::new(&equipped(), &film(), &asked(&[("1e-4", "1e-3")])).unwrap();
}

// The sample takes 10 V, the bench 20 V.
#[test]
fn a_voltage_limit_above_the_lower_of_two_limits_is_told_whose_it_is() {
    let of_sample =
        "limits.toml:4:19: voltage_limit_v: 10.5 V is above the sample's limit of 10 V; write at most 1e1";
    refused(&equipped(), &film(), &[("2.0", "10.5")], &[of_sample]);
    let of_bench =
        "limits.toml:4:19: voltage_limit_v: 20.5 V is above the bench's limit of 20 V; write at most 2e1";
    refused(&equipped(), &bare(), &[("2.0", "20.5")], &[of_bench]);
}

// The sample takes 2 mW: 1 mA times 2.5 V is more, though each alone is allowed; the bench takes 5 mW.
#[test]
fn current_and_voltage_that_are_allowed_alone_may_be_too_much_power_together() {
    let of_sample = "limits.toml:4:19: voltage_limit_v: 2.5 V times 1 mA is 2.5 mW, above the sample's limit of 2 mW; \
        write at most 2e0 V, or a smaller current";
    refused(&equipped(), &film(), &[("1e-4", "1e-3"), ("2.0", "2.5")], &[of_sample]);
    let of_bench = "limits.toml:4:19: voltage_limit_v: 10 V times 1 mA is 10 mW, above the bench's limit of 5 mW; \
        write at most 5e0 V, or a smaller current";
    refused(&equipped(), &bare(), &[("1e-4", "1e-3"), ("2.0", "10")], &[of_bench]);
}

#[test]
fn a_current_beyond_every_range_of_source_or_ammeter_is_told() {
    let bench = [("current_a = 0.01", "current_a = 1.0"), ("power_w = 0.005", "power_w = 5.0")];
    let source = "limits.toml:3:13: current_a: 150 mA is above the largest range of the source, 100 mA; write at most 1e-1";
    let ammeter = "limits.toml:3:13: current_a: 150 mA is above the largest range of the ammeter, 100 mA; write at most 1e-1";
    refused(&equipped_with(&bench, &[]), &bare(), &[("1e-4", "0.15"), ("2.0", "0.1")], &[source, ammeter]);
}

// The largest range of the demonstration's voltmeter is 100 V.
#[test]
fn a_voltage_beyond_every_range_of_the_voltmeter_is_told_before_any_current_flows() {
    let bench = equipped_with(
        &[("voltage_v = 20.0", "hazardous_voltage_acknowledged = true\nvoltage_v = 200.0")],
        &[],
    );
    let pinned = ("voltage_limit_v = 2.0\n", "voltage_limit_v = 2.0\nvoltage_range_v = 101.0\n");
    let range = "limits.toml:5:19: voltage_range_v: the voltmeter has no such range; write at most 1e2";
    refused(&bench, &bare(), &[pinned], &[range]);
    let current = ("1e-4", "1e-6");
    let look = "limits.toml:4:19: voltage_limit_v: 101 V is above the largest range of the voltmeter, 100 V; \
        write at most 1e2, or pin voltage_range_v";
    refused(&bench, &bare(), &[current, ("2.0", "101.0")], &[look]);
    let both = ("voltage_limit_v = 2.0\n", "voltage_limit_v = 101.0\nvoltage_range_v = 10.0\n");
    Plan::new(&bench, &bare(), &asked(&[current, both])).unwrap();
}

#[test]
fn a_contact_beyond_the_wiring_or_the_sample_is_told_at_its_configuration() {
    let expected = "limits.toml:13:19: resistivity.configurations[0]: 21,35 uses contact 5, but only 4 are there; \
        write contacts from 1 to 4";
    refused(&equipped(), &film(), &[("21,34", "21,35")], &[expected]);
    // Six columns do not give a film of four contacts a fifth.
    let six = equipped_with(&[("columns = [1, 2, 3, 4]", "columns = [1, 2, 3, 4, 5, 6]")], &[]);
    refused(&six, &film(), &[("21,34", "21,35")], &[expected]);
    let places = "13:19 13:28";
    let faults = Plan::new(&six, &film(), &asked(&[("21,34", "21,36"), ("32,41", "52,41")])).unwrap_err();
    let found: Vec<_> = faults.0.iter().map(|f| format!("{}:{}", f.place.line, f.place.column)).collect();
    assert_eq!(found.join(" "), places);
}

#[test]
fn a_guard_or_buffers_that_are_not_there_cannot_be_asked_for() {
    let guard = "limits.toml:8:9: guard: this bench has no guard to drive; write guard = \"off\", or wiring.guard = \
        true and guard commands in the source's dialect";
    let buffers = "limits.toml:9:11: buffers: this bench has no buffers; write buffers = \"off\", or [wiring.buffers] \
        in the bench document";
    let on = [
        ("guard = \"by-resistance\"", "guard = \"on\""),
        ("buffers = \"by-resistance\"", "buffers = \"on\""),
    ];
    refused(&plain_bench(), &film(), &on, &[guard, buffers]);
    // Wired, but the source has no words for it.
    let wordless = [("guard_on = \":OUTPut:GUARd ON\"\n", ""), ("guard_off = \":OUTPut:GUARd OFF\"\n", "")];
    refused(&equipped_with(&[], &wordless), &film(), &on[..1], &[guard]);
    Plan::new(&equipped(), &film(), &asked(&on)).unwrap();
}

#[test]
fn all_that_is_wrong_is_told_at_once() {
    let changes = [
        ("1e-4", "0.02"),
        ("2.0", "30"),
        ("21,34", "21,37"),
        ("guard = \"by-resistance\"", "guard = \"on\""),
    ];
    let faults = Plan::new(&plain_bench(), &film(), &asked(&changes)).unwrap_err();
    let lines: Vec<usize> = faults.0.iter().map(|fault| fault.place.line).collect();
    assert_eq!(lines, [3, 4, 4, 8, 13]);
}

#[test]
fn a_model_that_nothing_joins_is_a_fault_of_the_sample() {
    let text = "kind = \"sample\"\nname = \"torn\"\ncontacts = [\"a\", \"b\", \"c\", \"d\"]\n[model]\ntype = \"network\"\n\
        resistors = [[\"a\", \"b\", 1e3], [\"c\", \"d\", 2e3]]\n";
    // The second has a part apart from all contacts: a node's name mistyped.
    for (text, part) in [
        (text.to_owned(), "{c, d}"),
        (text.replace("2e3]]", "2e3], [\"b\", \"c\", 1], [\"x\", \"y\", 1]]"), "{x, y}"),
    ] {
        let torn = quadrille_documents::sample("torn.toml", &text).unwrap();
        let fault = Plan::new(&equipped(), &torn, &asked(&[])).unwrap_err().0.remove(0);
        assert_eq!((&*fault.place.document, fault.place.key.as_str()), ("torn.toml", "model.resistors"));
        assert_eq!(fault.place.line, 6);
        assert!(fault.problem.contains(part), "{}", fault.problem);
    }
}

const ONE: &str = "temperature_k = 295.0";

#[test]
fn a_way_that_the_ramp_cannot_go_in_the_longest_wait_is_refused_at_its_temperature() {
    let bench = support::with_cryostat();
    let night = |kelvins: &str, stability: &str| {
        [(ONE, format!("temperatures_k = {kelvins}")), ("[settling]", format!("{stability}\n[settling]"))]
    };
    let stability = "[stability]\nfor_s = 100\nlongest_wait_s = 3600\nramp_k_per_min = 1.5";
    // 110 K at 1.5 K/min are 4400 s, less 4 s for the 0.1 K that it may be off; 89 K are 3560 s; the order is that of the least travel, whatever was written.
    for (kelvins, told) in [
        (
            "[100.0, 295.0, 185.0]",
            Some(
                "limits.toml:7:26: temperatures_k[1]: 295 K is 110 K from 185 K, the temperature before it: 4396 s at 1.5 K/min, \
                 and longest_wait_s is 3600; write longest_wait_s = 4496 or more in [stability], a faster ramp_k_per_min, or a \
                 temperature between",
            ),
        ),
        ("[295.0, 206.0, 117.0]", None),
        ("[117.0, 295.0, 206.0]", None),
    ] {
        let changes = night(kelvins, stability);
        let changes: Vec<(&str, &str)> = changes.iter().map(|(old, new)| (*old, new.as_str())).collect();
        match told {
            Some(told) => refused(&bench, &film(), &changes, &[told]),
            None => assert!(Plan::new(&bench, &film(), &asked(&changes)).is_ok(), "{kelvins}"),
        }
    }
    // A range is one place, however many of its steps are too far.
    let changes = night("{ from = 295.0, to = 85.0, points = 2 }", stability);
    let changes: Vec<(&str, &str)> = changes.iter().map(|(old, new)| (*old, new.as_str())).collect();
    let Faults(faults) = Plan::new(&bench, &film(), &asked(&changes)).unwrap_err();
    assert_eq!(faults.len(), 1, "{faults:?}");
}

#[test]
fn temperatures_and_ramps_beyond_the_cryostat_are_refused() {
    let bench = support::with_cryostat();
    let beyond = [(ONE, "temperatures_k = [295.0, 60.0]")];
    let told = "limits.toml:7:26: temperatures_k[1]: 60 K is beyond what the cryostat may be asked for; write kelvins from 80 to 320";
    refused(&bench, &film(), &beyond, &[told]);
    let ramp = [("[settling]", "[stability]\nramp_k_per_min = 12\n[settling]")];
    let told = "limits.toml:11:18: stability.ramp_k_per_min: 12 K/min is faster than the cryostat bears; write at most 10";
    refused(&bench, &film(), &ramp, &[told]);
}
