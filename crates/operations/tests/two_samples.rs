//! Two films on one matrix, measured in one run: each is found as it is.
#![allow(clippy::unwrap_used)]

use quadrille_experiment::Condition;
use quadrille_operations::{
    Begun, Circumstances, Ending, Error, Event, Inputs, Observer, Point, Reading, Simulation,
    SimulationOptions, rehearse, rehearse_with,
};
use quadrille_quantity::Estimate;
use std::path::PathBuf;

struct Nobody;

impl Observer for Nobody {
    fn begun(&mut self, _: &Begun<'_>) {}
    fn reading(&mut self, _: i64, _: &Reading, _: &Circumstances) {}
    fn event(&mut self, _: i64, _: &Event) {}
}

fn demo(file: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/demo")).join(file)
}

fn inputs(samples: &[&str]) -> Result<Inputs, Error> {
    let samples: Vec<PathBuf> = samples.iter().map(|sample| demo(sample)).collect();
    Inputs::read_many(&demo("two-films-bench.toml"), &samples, Some(&demo("film-recipe.toml")))
}

/// Sheet resistance in ohms, Hall resistance per tesla, thickness of config/demo's films as this test believes them: Rs
/// solves exp(-pi R12,43/Rs) + exp(-pi R23,14/Rs) = 1 (van der Pauw 1958), found by bisection.
const LEFT: (&str, f64, f64, f64) = ("left film", 1_457.639_788_180_070_8, -23.7, 350e-9);
const RIGHT: (&str, f64, f64, f64) = ("right film", 8_159.987_633_235_716, 148.0, 90e-9);

#[track_caller]
fn is(point: &Point, (name, sheet, hall, thickness): (&str, f64, f64, f64)) {
    assert_eq!(point.sample, name);
    let near = |found: Option<Estimate>, truth: f64| {
        let found = found.unwrap();
        assert!(
            (found.value - truth).abs() < 3.0 * found.standard_uncertainty,
            "{found:?} should be {truth}"
        );
        assert!(found.standard_uncertainty < 0.03 * truth.abs(), "{found:?} is not certain enough");
    };
    let results = &point.reduced.results;
    near(results.sheet_resistance_ohm, sheet);
    near(results.mobility_m2_per_v_s, hall.abs() / sheet);
    near(results.hall_coefficient_m3_per_c, hall * thickness);
}

#[test]
fn each_film_is_found_as_it_is_whichever_is_named_first() {
    let check = |samples: &[&str], expected: [(&str, f64, f64, f64); 2]| {
        let rehearsed =
            rehearse(&inputs(samples).unwrap(), SimulationOptions::default(), &mut Nobody).unwrap();
        assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{:?}", rehearsed.outcome);
        assert!(rehearsed.complaints.is_empty(), "{:?}", rehearsed.complaints);
        assert_eq!(rehearsed.readings.len(), rehearsed.plan.readings());
        let reduction = rehearsed.reduction.unwrap();
        assert!(reduction.accepted(), "{reduction:?}");
        assert_eq!(reduction.points.len(), 2);
        reduction.points.iter().zip(expected).for_each(|(point, expected)| is(point, expected));
    };
    check(&["left-film.toml", "right-film.toml"], [LEFT, RIGHT]);
    check(&["right-film.toml", "left-film.toml"], [RIGHT, LEFT]);
}

#[test]
fn either_film_is_measured_alone_on_its_own_columns() {
    for (file, expected) in [("left-film.toml", LEFT), ("right-film.toml", RIGHT)] {
        let rehearsed =
            rehearse(&inputs(&[file]).unwrap(), SimulationOptions::default(), &mut Nobody).unwrap();
        assert!(rehearsed.complaints.is_empty(), "{:?}", rehearsed.complaints);
        let reduction = rehearsed.reduction.unwrap();
        let [point] = reduction.points.as_slice() else { panic!("{reduction:?}") };
        is(point, expected);
    }
}

#[test]
fn leads_exchanged_between_the_films_show() {
    // Leads are counted on from one film to the next: the second of the left film and the first of the right one.
    let exchanged = |simulation: &Simulation| {
        simulation.inject("wiring exchanged 2 5").unwrap();
    };
    let inputs = inputs(&["left-film.toml", "right-film.toml"]).unwrap();
    let rehearsed = rehearse_with(&inputs, SimulationOptions::default(), exchanged, &mut Nobody).unwrap();
    let unsound =
        rehearsed.readings.iter().filter(|(reading, _)| reading.condition != Condition::Sound).count();
    assert!(unsound > 0, "{:?}", rehearsed.outcome);
    assert!(rehearsed.reduction.is_err() || !rehearsed.reduction.unwrap().accepted());
}

#[test]
fn a_film_that_the_bench_does_not_name_is_refused_at_its_name() {
    let inputs = inputs(&["left-film.toml", "film.toml"]).unwrap();
    let Err(Error::Documents(faults)) = rehearse(&inputs, SimulationOptions::default(), &mut Nobody) else {
        panic!("it was rehearsed");
    };
    let told = faults.to_string();
    let expected = "film.toml:4:8: name: the bench wires no sample of the name \"film of the demonstration\"; it wires \
                    \"left film\", \"right film\"";
    assert!(told.contains(expected), "{told}");
}
