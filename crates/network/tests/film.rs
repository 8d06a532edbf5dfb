//! A film in a field against the rules of any four-contact film with point-like contacts on its edge.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use proptest::prelude::*;
use quadrille_experiment::{Configuration, Contact};
use quadrille_network::{Film, TerminalMatrix};
use quadrille_quantity::{Ohm, Tesla};

fn ohms(terminals: &TerminalMatrix, text: &str) -> f64 {
    terminals.four_terminal(text.parse().unwrap()).unwrap().0
}

fn close(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{found} instead of {expected}");
}

const CONTACTS: [Ohm; 4] = [Ohm(31.0), Ohm(0.0), Ohm(170.0), Ohm(4.5)];

#[test]
fn the_worked_data_set_of_an_n_type_film_comes_back() {
    // n = 1e16 /cm³, μ = 1200 cm²/Vs, t = 0.05 cm, 1 mA, ±0.5 T, R_A/R_B = 1.5, thermal EMFs e12 = −20, e23 = 12, e34 =
    // 20, e41 = −12 µV: computed outside the project from R_H = −1/(ne) and van der Pauw's equation, to the digits
    // shown; bracketing of ASTM F76 (from memory).
    let film = Film::new(Ohm(2.79334383607), Ohm(1.86222922405), -0.6241509074461 / 0.5, CONTACTS).unwrap();
    let potentials = [0.0, 20e-6, 8e-6, -12e-6];
    let cases = [
        (0.0, "21,34", 2813.343836),
        (0.0, "12,43", 2773.343836),
        (0.0, "32,41", 1850.229224),
        (0.0, "23,14", 1874.229224),
        (0.0, "43,12", 2773.343836),
        (0.0, "34,21", 2813.343836),
        (0.0, "14,23", 1874.229224),
        (0.0, "41,32", 1850.229224),
        (0.5, "13,24", -1523.265519),
        (0.5, "31,42", -1587.265519),
        (0.5, "42,13", 298.963705),
        (0.5, "24,31", 314.963705),
        (-0.5, "13,24", -274.963705),
        (-0.5, "31,42", -338.963705),
        (-0.5, "42,13", 1547.265519),
        (-0.5, "24,31", 1563.265519),
    ];
    for (field, text, microvolt) in cases {
        let asked: Configuration = text.parse().unwrap();
        let emf = potentials[asked.sense_high.index()] - potentials[asked.sense_low.index()];
        let volt = 1e-3 * ohms(&film.terminal_matrix(Tesla(field)).unwrap(), text) + emf;
        close(volt * 1e6, microvolt, 1e-6);
    }
}

#[test]
fn holes_driven_from_1_to_3_charge_contact_2() {
    let film = Film::new(Ohm(100.0), Ohm(100.0), 7.0, [Ohm(1.0); 4]).unwrap();
    assert!(ohms(&film.terminal_matrix(Tesla(1.0)).unwrap(), "13,24") > 0.0);
}

#[test]
fn contacts_of_equal_resistance_on_a_square_obey_its_fourfold_symmetry() {
    // R13,13 = R12,12 + R12,43 for any plate with fourfold symmetry in any field (computed outside the project from
    // conformal maps of discs with four contacts).
    let film = Film::new(Ohm(22.0), Ohm(22.0), -7.0, [Ohm(55.0); 4]).unwrap();
    for field in [0.0, 0.3, -2.0, 9.0] {
        let terminals = film.terminal_matrix(Tesla(field)).unwrap();
        close(ohms(&terminals, "13,13"), ohms(&terminals, "12,12") + ohms(&terminals, "12,43"), 1e-12);
    }
}

#[test]
fn what_is_no_film_is_refused_by_quantity() {
    let check = |a: f64, b: f64, hall: f64, contact: f64, expected: &str| {
        let error =
            Film::new(Ohm(a), Ohm(b), hall, [Ohm(1.0), Ohm(1.0), Ohm(contact), Ohm(1.0)]).unwrap_err();
        assert_eq!(error.to_string(), expected);
    };
    check(0.0, 1.0, 1.0, 1.0, "R12,43 in ohms is 0, must be above zero and finite");
    check(1.0, -1.0, 1.0, 1.0, "R23,14 in ohms is -1, must be above zero and finite");
    check(1.0, f64::INFINITY, 1.0, 1.0, "R23,14 in ohms is inf, must be above zero and finite");
    check(1.0, 1.0, f64::NAN, 1.0, "Hall resistance in ohms per tesla is NaN, must be finite");
    check(1.0, 1.0, 1.0, -0.1, "contact resistance in ohms is -0.1, must be zero or above and finite");
    let film = Film::new(Ohm(1.0), Ohm(1.0), 1.0, CONTACTS).unwrap();
    let error = film.terminal_matrix(Tesla(f64::NAN)).unwrap_err();
    assert_eq!(error.to_string(), "field in teslas is NaN, must be finite");
}

/// R12,43, R23,14, R_H B and the contact resistances: three decades of asymmetry, Hall angles to beyond one, contacts
/// from none to a thousand times the film.
fn films() -> impl Strategy<Value = (f64, f64, f64, [f64; 4])> {
    let decades = |from: f64, to: f64| (from..to).prop_map(|x| 10.0_f64.powf(x));
    let contact = prop_oneof![Just(0.0), decades(-3.0, 5.0)];
    (decades(0.0, 3.0), decades(0.0, 3.0), -2e3..2e3, prop::array::uniform4(contact))
}

proptest! {
    #[test]
    fn a_film_shows_the_resistances_it_was_made_of((a, b, hall, contacts) in films()) {
        let field = 0.7;
        let film = Film::new(Ohm(a), Ohm(b), hall / field, contacts.map(Ohm)).unwrap();
        let terminals = film.terminal_matrix(Tesla(field)).unwrap();
        // Two-terminal resistances of the ring: p (p + 2q) / S, q (q + 2p) / S and (p + q) / 2, with S = 2 (p + q).
        let (p, q) = (2.0 * (a + (a * b).sqrt()), 2.0 * (b + (a * b).sqrt()));
        let [c1, c2, c3, c4] = contacts;
        let expected = [
            ("12,43", a), ("21,34", a), ("34,21", a), ("43,12", a),
            ("23,14", b), ("14,23", b), ("32,41", b), ("41,32", b),
            ("13,24", b - a + hall), ("31,42", b - a + hall), ("24,13", b - a - hall), ("42,13", a - b + hall),
            ("12,12", c1 + c2 + p * (p + 2.0 * q) / (2.0 * (p + q))),
            ("23,23", c2 + c3 + q * (q + 2.0 * p) / (2.0 * (p + q))),
            ("34,34", c3 + c4 + p * (p + 2.0 * q) / (2.0 * (p + q))),
            ("41,41", c4 + c1 + q * (q + 2.0 * p) / (2.0 * (p + q))),
            ("13,13", c1 + c3 + (p + q) / 2.0),
            ("24,24", c2 + c4 + (p + q) / 2.0),
        ];
        // Relative to everything the terminals see, squared over the film: at R_H B = 2000 times the film the
        // conductances nearly cancel.
        let seen = a + b + hall.abs() + contacts.iter().fold(0.0_f64, |m, &c| m.max(c));
        let tolerance = 1e-14 * seen * seen / a.min(b);
        for (text, ohm) in expected {
            let found = ohms(&terminals, text);
            prop_assert!((found - ohm).abs() <= tolerance, "{}: {} instead of {}, {}", text, found, ohm, tolerance);
        }
    }

    #[test]
    fn exchanging_current_and_sense_reverses_the_field((a, b, hall, contacts) in films()) {
        let film = Film::new(Ohm(a), Ohm(b), hall, contacts.map(Ohm)).unwrap();
        let (plus, minus) = (film.terminal_matrix(Tesla(1.0)).unwrap(), film.terminal_matrix(Tesla(-1.0)).unwrap());
        let all = plus.all_four_terminal().unwrap();
        prop_assert_eq!(all.len(), 24);
        let seen = a + b + hall.abs() + contacts.iter().fold(0.0_f64, |m, &c| m.max(c));
        for (asked, Ohm(ohm)) in all {
            let Ohm(other) = minus.four_terminal(asked.reciprocal()).unwrap();
            prop_assert!((ohm - other).abs() <= 1e-14 * seen * seen / a.min(b), "{}: {} and {}", asked, ohm, other);
        }
    }

    #[test]
    fn the_cyclic_sum_is_the_odd_hall_resistance((a, b, hall, contacts) in films()) {
        let film = Film::new(Ohm(a), Ohm(b), hall, contacts.map(Ohm)).unwrap();
        let sum = |field: f64| {
            let terminals = film.terminal_matrix(Tesla(field)).unwrap();
            ohms(&terminals, "12,34") + ohms(&terminals, "23,14") + ohms(&terminals, "31,24")
        };
        let seen = a + b + hall.abs() + contacts.iter().fold(0.0_f64, |m, &c| m.max(c));
        let tolerance = 1e-14 * seen * seen / a.min(b);
        prop_assert!(sum(0.0).abs() <= tolerance);
        prop_assert!((sum(1.0) + hall).abs() <= tolerance);
        prop_assert!((sum(1.0) + sum(-1.0)).abs() <= tolerance);
    }
}

#[test]
fn contacts_in_series_outside_are_those_inside() {
    let ohms = [3.0, 0.0, 17.0, 250.0].map(Ohm);
    let bare = Film::new(Ohm(120.0), Ohm(70.0), 35.0, [Ohm(0.0); 4]).unwrap();
    let inside = Film::new(Ohm(120.0), Ohm(70.0), 35.0, ohms).unwrap();
    for field in [-1.5, 0.0, 4.0] {
        let outside = bare.terminal_matrix(Tesla(field)).unwrap().behind(&ohms).unwrap();
        let inside = inside.terminal_matrix(Tesla(field)).unwrap();
        for k in Contact::first(4) {
            for j in Contact::first(4) {
                let (a, b) = (outside.admittance(k, j), inside.admittance(k, j));
                assert!((a - b).abs() <= 1e-13 * inside.admittance(k, k), "{k} {j} at {field} T: {a} {b}");
            }
        }
    }
}
