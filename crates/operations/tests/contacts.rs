//! The contact check on the simulated bench: contacts in series are found as they were put in, a barrier is found at its
//! contact, and the recipe decides what becomes of it.
#![allow(clippy::unwrap_used)]

use quadrille_operations::{Ending, Event, Inputs, Rehearsed, SampleContacts, SimulationOptions, rehearse};
use std::path::Path;

fn demo(file: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/demo").join(file);
    std::fs::read_to_string(path).unwrap()
}

const SETTLING: &str = "[settling]\ntime_constants = 14\n";

/// The demonstration, with this in the recipe's check of contacts and that in the sample's imperfections.
fn rehearsed(contacts: &str, imperfections: &str, settling: &str) -> Rehearsed {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let recipe = demo("film-recipe.toml");
    assert!(recipe.contains(SETTLING));
    let recipe = recipe.replace(SETTLING, settling) + &format!("\n[contacts]\n{contacts}\n");
    let sample = if imperfections.is_empty() {
        demo("film.toml")
    } else {
        format!("{}\n{imperfections}\n", demo("film.toml"))
    };
    let (bench, sample) = (write("bench.toml", &demo("bench.toml")), write("sample.toml", &sample));
    let inputs = Inputs::read(&bench, &sample, Some(&write("recipe.toml", &recipe))).unwrap();
    rehearse(&inputs, SimulationOptions::default(), &mut ()).unwrap()
}

fn only(rehearsed: &Rehearsed) -> &SampleContacts {
    let [checked] = rehearsed.contacts.as_slice() else { panic!("{:?}", rehearsed.contacts) };
    checked
}

fn bad(checked: &SampleContacts) -> Vec<u8> {
    let bad = checked.report.contacts.iter().filter(|contact| !contact.passed);
    bad.map(|contact| contact.contact.number()).collect()
}

/// A metal that lets current in easily, and out through 40 kohm: a few hundred millivolts at the demonstration's current.
const BARRIER: &str = "[model.imperfections]\n[[model.imperfections.barrier]]\ncontact = 3\nsaturation_a = 2e-7\nideality = 1.2\nleak_ohm = 4e3";

#[test]
fn contacts_in_series_are_found_beside_what_the_film_narrows_towards_them() {
    for settling in [SETTLING, ""] {
        let rehearsed = rehearsed("", "", settling);
        assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{:?}", rehearsed.outcome);
        assert_eq!(rehearsed.complaints, []);
        let checked = only(&rehearsed);
        assert!(checked.accepted, "{:#?}", checked.report);
        // The film of the demonstration has point contacts, so that two-terminal resistances are of its making; the contacts
        // of the document differ by these, and so must what is found, but for one and the same narrowing.
        let found: Vec<f64> =
            checked.report.contacts.iter().map(|contact| contact.resistance.unwrap().value).collect();
        let narrowing: Vec<f64> =
            found.iter().zip([41.0, 28.0, 55.0, 33.0]).map(|(c, put)| c - put).collect();
        for narrowing_at in &narrowing {
            assert!((narrowing_at - narrowing[0]).abs() < 2.0, "{narrowing:?}");
        }
        let disagreement = checked.report.resistances.disagreement.unwrap();
        assert!(disagreement.value < 4.0 * disagreement.standard_uncertainty + 0.1, "{disagreement:?}");
        // What follows is the measurement as it is without the check.
        let sheet = rehearsed.reduction.unwrap().points[0].reduced.results.sheet_resistance_ohm.unwrap();
        assert!((sheet.value / 1240.0 - 1.0).abs() < 0.02, "{sheet:?}");
    }
}

#[test]
fn a_barrier_is_found_at_its_contact_and_the_run_stands_down_before_it_measures() {
    for settling in [SETTLING, ""] {
        let rehearsed = rehearsed("", BARRIER, settling);
        let checked = only(&rehearsed);
        assert_eq!(bad(checked), [3], "{:#?}", checked.report);
        let Ending::Failed(failure) = &rehearsed.outcome.ending else { panic!("{:?}", rehearsed.outcome) };
        let said = failure.to_string();
        assert!(
            said.starts_with("contacts of film of the demonstration are not good enough: contact 3"),
            "{said}"
        );
        // No reading but those of the check, and none through other contacts than it asks for.
        let check_only = rehearsed.readings.iter().all(|(_, circumstances)| circumstances.round == 1);
        assert!(check_only);
        assert_eq!(rehearsed.complaints, []);
        let told = rehearsed.events.iter().any(|event| {
            matches!(event, Event::ContactsChecked { accepted: false, findings, .. }
                if findings.iter().any(|line| line.contains("contact 3") && line.contains("bad")))
        });
        assert!(told, "{:#?}", rehearsed.events);
    }
}

#[test]
fn with_a_warning_the_run_goes_on_and_says_so() {
    let rehearsed = rehearsed("unacceptable = \"warn\"", BARRIER, SETTLING);
    assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{:?}", rehearsed.outcome);
    assert_eq!(bad(only(&rehearsed)), [3]);
    // Four terminals do not mind the barrier.
    let sheet = rehearsed.reduction.unwrap().points[0].reduced.results.sheet_resistance_ohm.unwrap();
    assert!((sheet.value / 1240.0 - 1.0).abs() < 0.02, "{sheet:?}");
}

#[test]
fn currents_go_up_from_small_in_both_directions_within_what_is_written() {
    let rehearsed = rehearsed("currents_a = [1e-6, 1e-5, 5e-5]", "", SETTLING);
    let pair = rehearsed.readings.iter().filter(|(reading, circumstances)| {
        circumstances.round == 1 && reading.configuration.to_string() == "13,13"
    });
    let driven: Vec<f64> = pair.map(|(_, circumstances)| circumstances.commanded.0).collect();
    assert_eq!(driven, [1e-6, -1e-6, 1e-5, -1e-5, 5e-5, -5e-5]);
    assert_eq!(rehearsed.plan.readings(), rehearsed.readings.len());
    assert!(only(&rehearsed).accepted);
}

#[test]
fn a_resistance_above_the_recipes_limit_is_not_accepted() {
    // Contact 3 has 55 ohm and what the film narrows towards it.
    let all = rehearsed("unacceptable = \"warn\"", "", SETTLING);
    let found: Vec<f64> = only(&all).report.contacts.iter().map(|c| c.resistance.unwrap().value).collect();
    let limit = (found[0] + found[2]) / 2.0;
    let rehearsed = rehearsed(&format!("largest_ohm = {limit}\nunacceptable = \"warn\""), "", SETTLING);
    assert_eq!(bad(only(&rehearsed)), [3], "{found:?}");
}
