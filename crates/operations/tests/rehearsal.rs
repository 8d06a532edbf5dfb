//! The demonstration's recipe rehearsed: what it takes, what it finds, and that it is the same twice.
#![allow(clippy::unwrap_used)]

use quadrille_operations::{Ending, Inputs, Output, Rehearsed, SimulationOptions, rehearse};
use std::path::PathBuf;

fn demo(file: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo")).join(file)
}

fn rehearsed() -> Rehearsed {
    let inputs =
        Inputs::read(&demo("bench.toml"), &demo("film.toml"), Some(&demo("film-recipe.toml"))).unwrap();
    rehearse(&inputs, SimulationOptions::default(), &mut ()).unwrap()
}

#[test]
fn a_rehearsal_finds_what_the_model_holds_within_its_uncertainty() {
    let rehearsed = rehearsed();
    assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{:?}", rehearsed.outcome);
    assert!(rehearsed.outcome.stand_down.is_clean(), "{:?}", rehearsed.outcome.stand_down);
    assert_eq!(rehearsed.outcome.stand_down.output, Output::Verified);
    assert!(rehearsed.complaints.is_empty(), "{:?}", rehearsed.complaints);
    assert_eq!(rehearsed.readings.len(), rehearsed.plan.readings());
    let reduction = rehearsed.reduction.unwrap();
    assert!(reduction.accepted(), "{:?}", reduction.points[0].reduced.checks);
    let results = &reduction.points[0].reduced.results;
    // The film's sheet resistance solves exp(-pi 318/Rs) + exp(-pi 232/Rs) = 1 (van der Pauw 1958); Rs was found with
    // scipy.optimize.brentq. Its Hall resistance is -31.2 ohm/T, so that n = 1/(31.2 e) and mu = 31.2/Rs.
    let sheet = 1_235.767_864_867_198;
    let near = |found: Option<quadrille_quantity::Estimate>, truth: f64| {
        let found = found.unwrap();
        let off = (found.value - truth).abs();
        assert!(off < 3.0 * found.standard_uncertainty, "{found:?} should be {truth}");
        assert!(found.standard_uncertainty < 0.02 * truth.abs(), "{found:?} is not certain enough");
    };
    near(results.sheet_resistance_ohm, sheet);
    near(results.sheet_carrier_density_per_m2, 1.0 / (31.2 * 1.602_176_634e-19));
    near(results.mobility_m2_per_v_s, 31.2 / sheet);
    near(results.hall_coefficient_m3_per_c, -31.2 * 480e-9);
}

#[test]
fn the_same_seed_gives_the_same_numbers() {
    let (first, second) = (rehearsed(), rehearsed());
    assert_eq!(first.readings, second.readings);
    assert_eq!(first.duration, second.duration);
}
