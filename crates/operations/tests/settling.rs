//! Rehearsals in which nothing is pinned: currents, ranges and waits come from what is seen.
#![allow(clippy::unwrap_used)]

use quadrille_operations::{Ending, Event, Inputs, Rehearsed, SimulationOptions, rehearse};
use std::path::Path;

fn demo(file: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/demo").join(file);
    std::fs::read_to_string(path).unwrap()
}

fn rehearsed(bench: &str, sample: &str, recipe: &str) -> Rehearsed {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let (bench, sample) = (write("bench.toml", bench), write("sample.toml", sample));
    let inputs = Inputs::read(&bench, &sample, Some(&write("recipe.toml", recipe))).unwrap();
    rehearse(&inputs, SimulationOptions::default(), &mut ()).unwrap()
}

/// A ring whose resistors are these times a scale.
const RING: [f64; 4] = [4.7, 6.8, 10.0, 15.0];

fn ring(scale: f64) -> String {
    let [ab, bc, cd, da] = RING.map(|ohm| ohm * scale);
    format!(
        "kind = \"sample\"\nname = \"ring\"\ncontacts = [\"a\", \"b\", \"c\", \"d\"]\n\
        [limits]\ncurrent_a = 1e-2\nvoltage_v = 10.0\npower_w = 2e-3\n[model]\ntype = \"network\"\n\
        resistors = [[\"a\", \"b\", {ab:e}], [\"b\", \"c\", {bc:e}], [\"c\", \"d\", {cd:e}], [\"d\", \"a\", {da:e}]]\n"
    )
}

const RECIPE: &str = "kind = \"recipe\"\nname = \"nothing pinned\"\nreversal = \"+--+\"\ntemperature_k = 295.0\n\
    [resistivity]\nconfigurations = [\"21,34\", \"12,43\", \"32,41\", \"23,14\"]\n";

// Of a ring a, b, c, d with the sum S: R21,34 = a·c/S (current through a, voltage across c; both ways around).
#[test]
fn the_same_recipe_measures_from_milliohms_to_tens_of_gigohms() {
    for (scale, wanted) in [(1e-3, 2e-2), (1.0, 3e-3), (1e3, 3e-3), (1e6, 3e-3), (1e8, 3e-3), (1e9, 3e-3)] {
        let recipe =
            RECIPE.replacen("temperature_k", &format!("wanted_relative_u = {wanted:e}\ntemperature_k"), 1);
        let rehearsed = rehearsed(&demo("bench.toml"), &ring(scale), &recipe);
        assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{scale}: {:?}", rehearsed.outcome);
        assert_eq!(rehearsed.complaints.len(), 0, "{scale}: {:?}", rehearsed.complaints);
        let chosen = rehearsed.events.iter().filter(|event| matches!(event, Event::Chosen { .. })).count();
        assert_eq!(chosen, 1, "{scale}");
        let [a, b, c, d] = RING.map(|ohm| ohm * scale);
        let sum = a + b + c + d;
        let mean = |pairs: [&str; 2]| {
            let own = rehearsed
                .readings
                .iter()
                .filter(|(r, _)| pairs.contains(&r.configuration.to_string().as_str()));
            let signed: Vec<(f64, f64)> = own
                .map(|(r, c)| (r.voltage.value.0 * c.polarity.sign(), r.current.value.0 * c.polarity.sign()))
                .collect();
            signed.iter().map(|(v, _)| v).sum::<f64>() / signed.iter().map(|(_, i)| i).sum::<f64>()
        };
        for (pairs, expected) in [(["21,34", "12,43"], a * c / sum), (["32,41", "23,14"], b * d / sum)] {
            let off = (mean(pairs) / expected - 1.0).abs();
            assert!(off < 3.0 * wanted, "{scale} {pairs:?}: off by {off:e}");
        }
        // Nothing waits for ten minutes where a second would do.
        let slowest = rehearsed.readings.iter().map(|(_, c)| c.settled.0 + c.aperture.0).fold(0.0, f64::max);
        assert!(slowest < 30.0, "{scale}: {slowest} s");
    }
}

#[test]
fn a_reading_keeps_what_was_watched_and_why_it_counts_as_settled() {
    let recipe =
        RECIPE.replacen("temperature_k", "current_a = 1e-10\nvoltage_limit_v = 5.0\ntemperature_k", 1);
    let rehearsed = rehearsed(&demo("bench.toml"), &ring(1e9), &recipe);
    let audits = rehearsed.events.iter().filter(|event| matches!(event, Event::Audited { .. })).count();
    assert_eq!(audits, 1);
    for (reading, circumstances) in &rehearsed.readings {
        let watch = circumstances.watch.as_ref().unwrap();
        let (from, to) = watch.voltage.window_s;
        let inside: Vec<f64> = (0..watch.begun_s.len())
            .filter(|&k| {
                watch.begun_s[k] >= from - 1e-9 && watch.begun_s[k] + watch.aperture_s[k] <= to + 1e-9
            })
            .map(|k| watch.voltage_v[k])
            .collect();
        assert!(!inside.is_empty(), "{watch:?}");
        let mean = inside.iter().sum::<f64>() / inside.len() as f64;
        // An extrapolated value differs from the mean by what was subtracted, which is small.
        assert!((mean / reading.voltage.value.0 - 1.0).abs() < 3e-3, "{mean} {reading:?}");
        assert!(reading.voltage.noise_u.0 > 0.0 && watch.voltage.flag.is_none(), "{watch:?}");
    }
}

#[test]
fn hall_legs_wait_and_average_alike_at_both_signs_of_the_field() {
    let recipe = demo("film-recipe.toml").replace("time_constants = 14", "by_evidence = true");
    let rehearsed = rehearsed(&demo("bench.toml"), &demo("film.toml"), &recipe);
    let timed = rehearsed.events.iter().filter(|event| matches!(event, Event::HallTimed { .. })).count();
    assert_eq!(timed, 1);
    let in_field = |sign: f64| -> Vec<(String, i64, usize)> {
        let own = rehearsed.readings.iter().filter(|(reading, _)| reading.field.0 * sign > 0.1);
        let state = own.map(|(reading, c)| {
            let watch = c.watch.as_ref().unwrap();
            // Within two milliseconds, in which commands come and go.
            (reading.configuration.to_string(), (c.settled.0 * 500.0).round() as i64, watch.begun_s.len())
        });
        state.collect()
    };
    let (plus, minus) = (in_field(1.0), in_field(-1.0));
    assert_eq!(plus.len(), 16);
    assert_eq!(plus, minus);
}
