//! The bound of the error against the error: random outlines, coarse meshes, and references a hundred times better.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod sheets;

use quadrille_network::{EdgeContact, Fineness, InnerContact, Sheet, SolvedSheet};
use quadrille_quantity::Ohm;
use sheets::{Random, error, irregular, unlike};

const TANGENTS: [f64; 4] = [0.0, 0.3, -1.0, 2.5];

fn coarse(order: usize) -> Fineness {
    Fineness { order, growth: 0.9, innermost: 10_f64.powi(-1 - order as i32), largest: 0.3, arc: 0.3 }
}

/// Two orders better.
fn fine(order: usize) -> Fineness {
    Fineness { order: order + 2, growth: 0.8, innermost: 1e-8, largest: 0.25, arc: 0.25 }
}

/// The largest error over its bound.
fn ratio(found: &SolvedSheet, truth: &SolvedSheet) -> f64 {
    let one = |&t: &f64| {
        let at = |sheet: &SolvedSheet| sheet.terminals(Ohm(1.0), t).unwrap();
        assert!(truth.bound(t) < 0.05 * found.bound(t), "the reference is no reference at {t}");
        error(&at(found), &at(truth)) / found.bound(t)
    };
    TANGENTS.iter().map(one).fold(0.0, f64::max)
}

/// Both ways to a Hall angle: the map, and the Krylov space. The largest ratios were 0.04 and 0.15.
#[test]
fn the_error_is_within_its_bound_on_random_outlines() {
    let seed = 20_240_611;
    let mut random = Random(seed);
    for case in 0..50 {
        let outline = random.outline();
        let count = 3 + random.below(3);
        let contacts = random.contacts(count, outline.perimeter_m());
        let sheet = Sheet::new(outline, &contacts).unwrap();
        let order = if case % 5 == 0 { 4 } else { 3 };
        let truth = sheet.solve_on(fine(order)).unwrap();
        let found = sheet.solve_on(coarse(order)).unwrap();
        let mapped = ratio(&found, &truth);
        assert!(mapped < 1.0, "case {case} of seed {seed}: {mapped} times its bound");
        let direct = ratio(&found.without_map(), &truth);
        assert!(direct < 1.0, "case {case} of seed {seed}, without the map: {direct} times its bound");
    }
}

fn check(name: &str, sheet: &Sheet) {
    let truth = sheet.solve_on(fine(3)).unwrap();
    let ratio = ratio(&sheet.solve_on(coarse(3)).unwrap(), &truth);
    assert!(ratio < 1.0, "{name}: {ratio} times its bound");
}

#[test]
fn the_error_is_within_its_bound_with_holes() {
    let hole = [[0.4, 0.2], [0.7, 0.25], [0.5, 0.5]];
    let outline = irregular().with_hole(&hole).unwrap().with_round_hole([1.2, 0.3], 0.2).unwrap();
    check("holes", &Sheet::new(outline, &unlike()).unwrap());
}

#[test]
fn the_error_is_within_its_bound_where_the_conductance_varies() {
    let sheet = Sheet::new(irregular(), &unlike()).unwrap();
    check("varying", &sheet.with_conductance(|x, y| 1.0 + 0.5 * x - 0.3 * y * y));
}

#[test]
fn the_error_is_within_its_bound_with_contacts_inside() {
    let sheet = Sheet::new(irregular(), &unlike()[..2]).unwrap();
    let sheet =
        sheet.with_inner_contact(&InnerContact::polygon(&[[0.4, 0.2], [0.7, 0.25], [0.5, 0.5]])).unwrap();
    check("inner", &sheet.with_inner_contact(&InnerContact::round([1.2, 0.3], 0.2)).unwrap());
}

#[test]
fn the_error_is_within_its_bound_with_two_contacts() {
    let two: [EdgeContact; 2] = [unlike()[0], unlike()[2]];
    check("two", &Sheet::new(irregular(), &two).unwrap());
}

#[test]
fn the_error_is_within_its_bound_where_conductances_differ_in_direction() {
    check(
        "anisotropic",
        &Sheet::new(irregular(), &unlike()).unwrap().with_anisotropy([3.0, 1.1, 0.7]).unwrap(),
    );
}
