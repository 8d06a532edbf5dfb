//! Two films on one matrix, measured in one run: each is found as it is.
#![allow(clippy::unwrap_used)]

use quadrille_experiment::Condition;
use quadrille_operations::{
    Ending, Error, Event, Inputs, Point, Simulation, SimulationOptions, rehearse, rehearse_with,
};
use quadrille_quantity::Estimate;
use std::path::PathBuf;

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
        let rehearsed = rehearse(&inputs(samples).unwrap(), SimulationOptions::default(), &mut ()).unwrap();
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
        let rehearsed = rehearse(&inputs(&[file]).unwrap(), SimulationOptions::default(), &mut ()).unwrap();
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
    let rehearsed = rehearse_with(&inputs, SimulationOptions::default(), exchanged, &mut ()).unwrap();
    let unsound =
        rehearsed.readings.iter().filter(|(reading, _)| reading.condition != Condition::Sound).count();
    assert!(unsound > 0, "{:?}", rehearsed.outcome);
    assert!(rehearsed.reduction.is_err() || !rehearsed.reduction.unwrap().accepted());
}

/// The films with this recipe, these leads open, counted in the order of the bench document, which names the left film first.
fn with_open_leads(recipe: &str, leads: &[u8]) -> quadrille_operations::Rehearsed {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recipe.toml");
    std::fs::write(&path, recipe).unwrap();
    let samples = [demo("right-film.toml"), demo("left-film.toml")];
    let inputs = Inputs::read_many(&demo("two-films-bench.toml"), &samples, Some(&path)).unwrap();
    let open = |simulation: &Simulation| {
        for lead in leads {
            simulation.inject(&format!("wiring open {lead}")).unwrap();
        }
    };
    rehearse_with(&inputs, SimulationOptions::default(), open, &mut ()).unwrap()
}

#[test]
fn a_film_at_which_nothing_can_be_measured_does_not_cost_the_other_its_night() {
    let pinned = std::fs::read_to_string(demo("film-recipe.toml")).unwrap();
    let checked = format!("{pinned}\n[contacts]\n");
    let left_to_the_run = "kind = \"recipe\"\nname = \"left to the run\"\ntemperature_k = 295.0\n[resistivity]\n\
                           configurations = \"standard\"\n[hall]\nfields_t = [0.5, -0.5]\nfield_relative_u = 0.001\n\
                           configurations = \"diagonals\"\n";
    for (recipe, why) in [(checked.as_str(), "contacts of right film"), (left_to_the_run, "a first look")] {
        let rehearsed = with_open_leads(recipe, &[6]);
        assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{:?}", rehearsed.outcome);
        assert_eq!(rehearsed.complaints, []);
        let left_out = rehearsed.events.iter().find_map(|event| match event {
            Event::SampleLeftOut { sample, because, rounds } => Some((sample.as_str(), because, rounds)),
            _ => None,
        });
        let (sample, because, rounds) = left_out.unwrap();
        assert_eq!(sample, "right film");
        assert!(because.starts_with(why), "{because}");
        let its = rehearsed.plan.rounds.iter().filter(|round| round.sample == 0).map(|round| round.number);
        assert_eq!(*rounds, its.collect::<Vec<_>>());
        let reduction = rehearsed.reduction.unwrap();
        let [point] = reduction.points.as_slice() else { panic!("{reduction:?}") };
        is(point, LEFT);
        // It is not passed over in silence.
        assert_eq!(reduction.gaps.iter().map(|gap| gap.sample.as_str()).collect::<Vec<_>>(), ["right film"]);
        assert!(!reduction.accepted());
    }
}

#[test]
fn where_nothing_can_be_measured_at_any_film_the_run_fails() {
    let recipe = std::fs::read_to_string(demo("film-recipe.toml")).unwrap() + "\n[contacts]\n";
    let rehearsed = with_open_leads(&recipe, &[2, 7]);
    let Ending::Failed(failure) = &rehearsed.outcome.ending else { panic!("{:?}", rehearsed.outcome) };
    assert!(failure.to_string().starts_with("contacts of left film are not good enough"), "{failure}");
}

#[test]
fn a_film_that_the_bench_does_not_name_is_refused_at_its_name() {
    let inputs = inputs(&["left-film.toml", "film.toml"]).unwrap();
    let Err(Error::Documents(faults)) = rehearse(&inputs, SimulationOptions::default(), &mut ()) else {
        panic!("it was rehearsed");
    };
    let told = faults.to_string();
    let expected = "film.toml:4:8: name: the bench wires no sample of the name \"film of the demonstration\"; it wires \
                    \"left film\", \"right film\"";
    assert!(told.contains(expected), "{told}");
}

#[test]
fn of_a_table_of_both_films_each_reduces_what_is_its_own() {
    let rehearsed = rehearse(
        &inputs(&["left-film.toml", "right-film.toml"]).unwrap(),
        SimulationOptions::default(),
        &mut (),
    )
    .unwrap();
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("both.csv");
    std::fs::write(&table, rehearsed.readings_csv()).unwrap();
    for (film, point) in ["left-film.toml", "right-film.toml"].iter().zip(rehearsed.reduction.unwrap().points)
    {
        let alone = quadrille_operations::reduce(&demo(film), &table).unwrap();
        let of = |point: &Point| point.reduced.results.sheet_resistance_ohm.unwrap().value;
        assert_eq!(alone.points.iter().map(of).collect::<Vec<_>>(), [of(&point)]);
    }
    let Err(Error::Documents(faults)) = quadrille_operations::reduce(&demo("film.toml"), &table) else {
        panic!("it was reduced");
    };
    let told = faults.to_string();
    assert!(
        told.contains("it has some of \"left film\", \"right film\"; take that sample's document"),
        "{told}"
    );
}
