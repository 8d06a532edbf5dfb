//! What a run chooses from a first look: never beyond what is allowed, no more than is needed, and said where it does not
//! suffice.
#![allow(clippy::unwrap_used)]

mod support;

use quadrille_documents::recipe;
use quadrille_plan::{Choosing, Plan, Seen};
use quadrille_quantity::{Ampere, Kelvin, Ohm, Volt};
use support::{changed, equipped, ring};

const RECIPE: &str = r#"kind = "recipe"
name = "chosen"
wanted_relative_u = 3e-3
temperature_k = 295.0
[resistivity]
configurations = "standard"
"#;

const LIMITS: &str = "[limits]\ncurrent_a = 3e-3\nvoltage_v = 7.0\npower_w = 2e-4\n";

fn choosing(changes: &[(&str, &str)]) -> Choosing {
    let recipe = recipe("chosen.toml", &changed(RECIPE, changes)).unwrap();
    let sample = ring([4.7e3, 6.8e3, 10e3, 15e3], LIMITS);
    Plan::new(&equipped(), &sample, &recipe).unwrap().samples[0].choosing.clone().unwrap()
}

/// A sample whose four-terminal resistance is a third of that between its contacts.
fn seen(ohm: f64) -> Seen {
    Seen { two_terminal: Ohm(3.0 * ohm), four_terminal: Ohm(ohm), temperature: Kelvin(295.0) }
}

#[test]
fn no_step_of_a_look_can_put_more_on_the_sample_than_is_allowed() {
    let ladder = choosing(&[]).ladder();
    assert!(ladder.len() > 6, "{ladder:?}");
    for (current, limit) in &ladder {
        assert!(current.0 <= 3e-3 && limit.0 <= 7.0, "{current} {limit}");
        assert!(current.0 * limit.0 <= 2e-4 * (1.0 + 1e-9), "{current} {limit}");
    }
    assert!(ladder.windows(2).all(|pair| pair[0].0 < pair[1].0), "{ladder:?}");
    assert_eq!(ladder[0].0, Ampere(1e-12));
}

#[test]
fn a_choice_stays_within_the_limits_whatever_was_seen() {
    let choosing = choosing(&[]);
    for decade in -4..12 {
        for step in [1.0, 2.3, 6.1] {
            let seen = seen(step * 10f64.powi(decade));
            let settings = choosing.choose(&seen).settings;
            let what = format!("{:?}: {settings:?}", seen.four_terminal);
            assert!(settings.current.0 <= 3e-3 && settings.voltage_limit.0 <= 7.0, "{what}");
            assert!(settings.current.0 * settings.voltage_limit.0 <= 2e-4 * (1.0 + 1e-9), "{what}");
            // The source must be able to drive it: room over what the sample needs, unless there is no room at all.
            let needed = settings.current.0 * seen.two_terminal.0;
            assert!(settings.voltage_limit.0 >= needed || settings.current.0 <= 1e-12, "{what}");
        }
    }
}

#[test]
fn the_current_is_the_smallest_that_suffices_and_a_tighter_wish_takes_a_larger_one() {
    let loose = choosing(&[]);
    let tight = choosing(&[("3e-3", "5e-4")]);
    let (a, b) = (loose.choose(&seen(2.7e3)), tight.choose(&seen(2.7e3)));
    assert!(a.settings.current < b.settings.current, "{a:?} {b:?}");
    assert!(a.uncertainty <= 3e-3 && b.uncertainty <= 5e-4, "{a:?} {b:?}");
    assert!((a.short_of.is_none(), b.short_of.is_none()) == (true, true), "{a:?} {b:?}");
    // With less than was chosen it would not have sufficed.
    assert!(loose.suffices(a.settings.current, &seen(2.7e3)));
    assert!(!loose.suffices(a.settings.current * 0.4, &seen(2.7e3)));
    assert!(a.because[0].starts_with("current "), "{:?}", a.because);
}

#[test]
fn what_a_person_pinned_is_not_chosen() {
    let pinned = choosing(&[("temperature_k", "voltage_limit_v = 0.7\nguard = \"off\"\ntemperature_k")]);
    let chosen = pinned.choose(&seen(2e9));
    assert_eq!(chosen.settings.voltage_limit, Volt(0.7));
    assert!(!chosen.settings.guard, "{chosen:?}");
    assert!(chosen.settings.current.0 * 6e9 <= 0.7, "{chosen:?}");
}

#[test]
fn a_look_that_falls_short_says_what_can_be_had_and_what_it_would_cost() {
    let chosen = choosing(&[("3e-3", "2e-4")]).choose(&seen(3e-4));
    let told = chosen.short_of.unwrap();
    assert!(told.contains("cannot be had") && told.contains("at best"), "{told}");
    assert!(told.contains("no averaging lessens it") || told.contains("a leg"), "{told}");
}

#[test]
fn a_wish_that_the_meters_forbid_is_refused_at_its_line_before_anything_moves() {
    let wanted = recipe("chosen.toml", &changed(RECIPE, &[("3e-3", "1e-8")])).unwrap();
    let faults = Plan::new(&equipped(), &ring([4.7e3, 6.8e3, 10e3, 15e3], LIMITS), &wanted).unwrap_err();
    let told = faults.0[0].to_string();
    assert!(told.starts_with("chosen.toml:3:21: wanted_relative_u: at 295 K: "), "{told}");
    assert!(told.contains("cannot be had") && told.contains("at best"), "{told}");
}
