//! Sheets that are refused: which part is named, and what is said.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod sheets;

use quadrille_network::{EdgeContact, Fineness, InnerContact, Outline, Part, Sheet, SheetError};
use sheets::{contacts, irregular, unlike};

#[track_caller]
fn refused<T>(result: Result<T, SheetError>, part: Part, words: &str) {
    let error = result.err().unwrap();
    assert_eq!(error.part(), Some(part), "{error}");
    assert!(error.to_string().contains(words), "{error}");
}

const SQUARE: [[f64; 2]; 4] = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];

#[test]
fn outlines_that_are_none_are_refused_with_their_part() {
    refused(Outline::disc(0.0), Part::Outline, "above zero");
    refused(Outline::square(f64::NAN), Part::Outline, "side");
    refused(Outline::rectangle(1.0, -2.0), Part::Outline, "height is -2 m");
    refused(Outline::polygon(&SQUARE[..2]), Part::Outline, "2 vertices");
    refused(Outline::polygon(&[SQUARE[0], SQUARE[1], SQUARE[1], SQUARE[2]]), Part::Vertex(2), "same point");
    refused(Outline::polygon(&[SQUARE[0], SQUARE[1], SQUARE[2], SQUARE[0]]), Part::Vertex(0), "same point");
    let clockwise: Vec<[f64; 2]> = SQUARE.iter().rev().copied().collect();
    refused(Outline::polygon(&clockwise), Part::Outline, "clockwise");
    refused(
        Outline::polygon(&[SQUARE[0], SQUARE[2], SQUARE[1], SQUARE[3]]),
        Part::Vertex(2),
        "crosses or touches",
    );
    let spike = [SQUARE[0], SQUARE[1], SQUARE[2], [1.0, 0.5], SQUARE[3]];
    refused(Outline::polygon(&spike), Part::Vertex(2), "crosses or touches");
    let touching = [[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [1.0, 0.0], [0.0, 1.0]];
    refused(Outline::polygon(&touching), Part::Vertex(2), "crosses or touches");
    refused(Outline::polygon(&[[0.0, 0.0], [1.0, f64::INFINITY], [0.0, 1.0]]), Part::Vertex(1), "finite");
}

#[test]
fn holes_that_are_none_are_refused_with_their_number() {
    let square = || Outline::square(1.0).unwrap();
    let shifted = |by: f64, size: f64| SQUARE.map(|[x, y]| [by + size * x, by + size * y]);
    refused(square().with_hole(&shifted(2.0, 0.1)), Part::Hole(0), "outside");
    refused(square().with_hole(&shifted(0.9, 0.5)), Part::Hole(0), "crosses the edge");
    refused(square().with_hole(&shifted(0.0, 0.5)), Part::Hole(0), "touches");
    let one = square().with_hole(&shifted(0.2, 0.3)).unwrap();
    refused(one.clone().with_hole(&shifted(0.4, 0.3)), Part::Hole(1), "hole 1");
    refused(one.clone().with_hole(&shifted(0.3, 0.1)), Part::Hole(1), "in the other");
    refused(one.clone().with_round_hole([0.7, 0.7], 0.0), Part::Hole(1), "diameter");
    refused(one.with_hole(&SQUARE[..2]), Part::Hole(1), "2 vertices");
}

#[test]
fn contacts_that_are_none_are_refused_with_their_number() {
    let sheet = |contacts: &[EdgeContact]| Sheet::new(Outline::square(1.0).unwrap(), contacts);
    let at = |at_m, length_m| EdgeContact { at_m, length_m };
    refused(sheet(&[at(0.5, 0.2), at(0.6, 0.2)]), Part::Contact(1), "overlaps contact 1");
    refused(sheet(&[at(0.5, 0.2), at(0.7, 0.2)]), Part::Contact(1), "touches contact 1");
    // Across the start.
    refused(sheet(&[at(3.9, 0.4), at(2.0, 0.1), at(0.1, 0.1)]), Part::Contact(2), "overlaps contact 1");
    refused(sheet(&[at(0.5, 0.2), at(4.2, 0.2)]), Part::Contact(1), "the edge goes from 0 m to 4 m");
    refused(sheet(&[at(-0.1, 0.2), at(2.0, 0.2)]), Part::Contact(0), "-0.1 m");
    refused(sheet(&[at(1.0, 0.2), at(2.0, 0.0)]), Part::Contact(1), "length is 0 m");
    refused(sheet(&[at(1.0, 4.5), at(2.0, 0.1)]), Part::Contact(0), "4 m long");
    refused(sheet(&[at(1.0, f64::NAN)]), Part::Contact(0), "NaN");
    refused(sheet(&[at(1.0, 0.1)]).unwrap().solve(1e-6), Part::Request, "1 contacts");
    let inner = InnerContact::round([1.5, 0.5], 0.2);
    refused(
        sheet(&contacts(&[0.5, 1.5], 0.1)).unwrap().with_inner_contact(&inner),
        Part::InnerContact(0),
        "outside",
    );
}

#[test]
fn materials_and_accuracies_that_are_none_are_refused() {
    let sheet = || Sheet::new(irregular(), &unlike()).unwrap();
    refused(sheet().with_anisotropy([1.0, 2.0, 1.0]), Part::Request, "above zero");
    refused(
        sheet().with_conductance(|x, _| x - 0.5).solve(1e-3),
        Part::Request,
        "above zero and finite everywhere",
    );
    refused(sheet().solve(0.0), Part::Request, "accuracy of 0");
    let fineness = Fineness { order: 9, growth: 0.8, innermost: 1e-6, largest: 0.3, arc: 0.3 };
    refused(sheet().solve_on(fineness), Part::Request, "order 9");
    let solved = sheet().solve(1e-3).unwrap();
    assert!(solved.terminals(quadrille_quantity::Ohm(0.0), 0.1).is_err());
    assert!(solved.terminals(quadrille_quantity::Ohm(1.0), f64::NAN).is_err());
}

#[test]
fn a_mesh_that_does_not_fit_is_refused_before_it_is_made() {
    let fineness = Fineness { order: 4, growth: 1e-4, innermost: 1e-6, largest: 1e-4, arc: 0.3 };
    let error = Sheet::new(irregular(), &unlike()).unwrap().solve_on(fineness).err().unwrap();
    let SheetError::TooFine { unknowns, bytes, limit } = error else { panic!("{error}") };
    assert!(unknowns > 1_000_000 && bytes > limit);
}

#[test]
fn an_accuracy_beyond_rounding_is_said_not_to_be_reached() {
    let sheet = Sheet::new(Outline::square(1.0).unwrap(), &contacts(&[0.3, 1.4, 2.5], 0.3)).unwrap();
    let error = sheet.solve(1e-12).err().unwrap();
    assert!(matches!(error, SheetError::NotReached { reached, .. } if reached > 1e-12), "{error}");
}
