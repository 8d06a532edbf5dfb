//! Sheets against exact and tabulated values.
//!
//! Tables without a source beside them were computed outside the project, by a boundary integral and by a conformal map, two
//! codes that agree to all digits shown.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod sheets;

use quadrille_experiment::Contact;
use quadrille_network::{EdgeArcs, EdgeContact, InnerContact, Outline, Sheet, SolvedSheet};
use quadrille_quantity::Ohm;
use sheets::{close, contacts, irregular, resistance, solved};
use std::f64::consts::{LN_2, PI, SQRT_2, TAU};

/// `count` contacts of half-angle `alpha` on a disc of diameter 1, contact 1 at angle zero.
fn disc(count: usize, alpha: f64) -> SolvedSheet {
    let at: Vec<f64> = (0..count).map(|k| PI * k as f64 / count as f64).collect();
    solved(Outline::disc(1.0).unwrap(), &contacts(&at, alpha))
}

fn square_with_corner_contacts(delta: f64) -> SolvedSheet {
    solved(Outline::square(1.0).unwrap(), &contacts(&[0.0, 1.0, 2.0, 3.0], 2.0 * delta))
}

/// ρ_app/ρ by van der Pauw's formula for point contacts, of a sheet with fourfold symmetry.
fn apparent(sheet: &SolvedSheet) -> f64 {
    PI / LN_2 * resistance(sheet, 0.0, "12,43")
}

/// Hall resistance over that of point contacts, in low field: the part odd in the field, as what is left of R13,24 at zero
/// field, some 1e-10, would be 1e-6 of it.
fn hall_factor(sheet: &SolvedSheet) -> f64 {
    (resistance(sheet, 1e-4, "13,24") - resistance(sheet, -1e-4, "13,24")) / 2e-4
}

/// Exact: contacts as long as the gaps.
#[test]
fn a_disc_with_contacts_as_long_as_its_gaps_has_its_exact_resistances() {
    let sheet = disc(4, PI / 8.0);
    close(resistance(&sheet, 0.0, "12,43"), (SQRT_2 - 1.0) / 2.0, 1e-7);
    close(resistance(&sheet, 0.0, "13,13"), SQRT_2, 1e-7);
    close(hall_factor(&sheet), 2.0 / 3.0, 1e-6);
    // A disc's bound holds against what is exact, not against another mesh only.
    let error = (resistance(&sheet, 0.0, "13,13") / SQRT_2 - 1.0).abs();
    assert!(error < sheet.bound(0.0) && sheet.bound(0.0) < 1e-6);
}

#[test]
fn discs_have_their_tabulated_resistances_at_zero_field() {
    // α, ρ_app/ρ, G, R_opp, R_adj.
    let table = [
        (0.01, 0.999963931, 0.991894080, 3.814247658, 3.593620016),
        (0.05, 0.999097021, 0.959443342, 2.788755015, 2.568318644),
        (0.2, 0.985230557, 0.836042509, 1.891922220, 1.674545285),
    ];
    for (alpha, rho, hall, opposite, adjacent) in table {
        let sheet = disc(4, alpha);
        close(apparent(&sheet), rho, 1e-7);
        close(hall_factor(&sheet), hall, 1e-6);
        close(resistance(&sheet, 0.0, "13,13"), opposite, 1e-7);
        close(resistance(&sheet, 0.0, "12,12"), adjacent, 1e-7);
    }
}

/// By both ways: the map onto a disc, which a disc makes nearly trivial, and the Krylov space.
#[test]
fn discs_have_their_tabulated_resistances_at_finite_hall_angles() {
    // α, tan θ, R13,13, R13,24, R12,43, R12,12.
    let table = [
        (0.01, 0.1, 3.81966017320, 0.0991920937636, 0.220627802141, 3.59903237106),
        (0.01, 1.0, 4.25552283663, 0.993633563526, 0.220637589428, 4.03488524720),
        (0.1, 0.1, 2.35009652132, 0.0918984658449, 0.219851253651, 2.13024526767),
        (0.1, 1.0, 2.78634356260, 0.936097520384, 0.220832903816, 2.56551065879),
        (PI / 8.0, 0.1, 1.41969787513, 0.0667678316144, 0.207355156511, 1.21234271862),
        (PI / 8.0, 0.5, 1.54314957158, 0.344513279458, 0.212557791417, 1.33059178017),
        (PI / 8.0, 1.0, 1.86059301718, 0.733616810353, 0.223189727402, 1.63740328978),
    ];
    for (alpha, t, r1313, r1324, r1243, r1212) in table {
        let check = |sheet: &SolvedSheet, relative: f64| {
            close(resistance(sheet, t, "13,13"), r1313, relative);
            close(resistance(sheet, t, "13,24"), r1324, 10.0 * relative);
            close(resistance(sheet, t, "12,43"), r1243, 10.0 * relative);
            close(resistance(sheet, t, "12,12"), r1212, relative);
            // An n-type sheet, or the field the other way.
            close(resistance(sheet, -t, "13,24"), -r1324, 10.0 * relative);
        };
        let sheet = disc(4, alpha);
        check(&sheet, 1e-8);
        check(&sheet.without_map(), 2e-7);
    }
}

#[test]
fn squares_with_corner_contacts_have_their_tabulated_resistances() {
    // δ/L, ρ_app/ρ − 1, G − 1, R_opp, R_adj.
    let table = [
        (0.01, -4.262e-8, -2.786e-4, 5.959947, 5.739312),
        (0.1, -4.264e-4, -2.7869e-2, 3.027866, 2.807325),
        (0.2, -6.859e-3, -1.1176e-1, 2.140198, 1.921076),
        (1.0 / 3.0, -5.530e-2, -3.1668e-1, 1.450266, 1.241832),
    ];
    for (delta, rho, hall, opposite, adjacent) in table {
        let sheet = square_with_corner_contacts(delta);
        close(1.0 + rho, apparent(&sheet), 5e-6 * f64::abs(rho) / 5e-2 + 2e-8);
        close(1.0 + hall, hall_factor(&sheet), 5e-6 + 1e-5 * f64::abs(hall));
        close(resistance(&sheet, 0.0, "13,13"), opposite, 2e-7);
        close(resistance(&sheet, 0.0, "12,12"), adjacent, 3e-7);
    }
}

#[test]
fn squares_with_contacts_in_the_middle_of_their_sides_have_their_tabulated_resistances() {
    let table = [
        (0.01, -6.199e-5, -1.0627e-2, 3.641853, 3.421231),
        (0.05, -1.549e-3, -5.312e-2, 2.616597, 2.396303),
        (0.2, -2.464e-2, -2.1170e-1, 1.723789, 1.508590),
    ];
    for (width, rho, hall, opposite, adjacent) in table {
        let sheet = solved(Outline::square(1.0).unwrap(), &contacts(&[0.5, 1.5, 2.5, 3.5], width));
        close(1.0 + rho, apparent(&sheet), 2e-4 * f64::abs(rho) + 2e-8);
        close(1.0 + hall, hall_factor(&sheet), 2e-6 + 1e-4 * f64::abs(hall));
        close(resistance(&sheet, 0.0, "13,13"), opposite, 2e-7);
        close(resistance(&sheet, 0.0, "12,12"), adjacent, 2e-7);
    }
}

/// With the ends of the arms as contacts; G − 1 ≈ −1.045 exp(−π h/k) (Versnel, Solid-State Electron. 22, 911, 1979, from
/// memory).
#[test]
fn greek_crosses_have_their_tabulated_resistances() {
    // h/k, ρ_app/ρ − 1, G − 1, R_opp.
    let table = [
        (0.5, -2.575e-2, -2.1641e-1, 1.70917),
        (1.0, -1.120e-3, -4.5164e-2, 2.72014),
        (2.0, -2.09e-6, -1.9520e-3, 4.72063),
    ];
    for (length, rho, hall, opposite) in table {
        let turn = 1.0 + 2.0 * length;
        let at: Vec<f64> = (0..4).map(|k| 0.5 + f64::from(k) * turn).collect();
        let sheet = solved(Outline::greek_cross(1.0, length).unwrap(), &contacts(&at, 1.0));
        close(1.0 + rho, apparent(&sheet), 5e-4 * f64::abs(rho) + 1e-8);
        close(1.0 + hall, hall_factor(&sheet), 1e-4 * f64::abs(hall) + 1e-6);
        close(resistance(&sheet, 0.0, "13,13"), opposite, 3e-6);
    }
}

/// R1 = (8/π) Σ 1/(n sinh(nπ a/b)), n odd, for point contacts (Logan, Rice & Wick, J. Appl. Phys. 42, 2975, 1971); contacts of
/// 1/200 leave a part in 1e8.
#[test]
fn a_rectangle_with_small_corner_contacts_has_the_resistances_of_points() {
    let (a, b) = (1.25, 1.0);
    let series = |ratio: f64| {
        let term = |n: i32| 1.0 / (f64::from(n) * (f64::from(n) * PI * ratio).sinh());
        8.0 / PI * (0..20).map(|i| term(2 * i + 1)).sum::<f64>()
    };
    let at = [0.0, a, a + b, 2.0 * a + b];
    let sheet = solved(Outline::rectangle(a, b).unwrap(), &contacts(&at, 0.01));
    close(resistance(&sheet, 0.0, "12,43"), series(b / a), 1e-6);
    close(resistance(&sheet, 0.0, "23,14"), series(a / b), 1e-6);
}

/// Conductance matrix of N equal contacts and gaps: eigenvalues 2 sin(πk/N)/Rs.
#[test]
fn six_contacts_as_long_as_their_gaps_have_the_exact_conductances() {
    for sheet in [disc(6, PI / 12.0), disc(6, PI / 12.0).without_map()] {
        let terminals = sheet.terminals(Ohm(1.0), 0.0).unwrap();
        let contact = |k: usize| Contact::first(6).nth(k).unwrap();
        for k in 1..4 {
            let row = (0..6)
                .map(|j| terminals.admittance(contact(0), contact(j)) * (TAU * (k * j) as f64 / 6.0).cos());
            close(row.sum(), 2.0 * (PI * k as f64 / 6.0).sin(), 1e-7);
        }
    }
}

#[test]
fn a_disc_with_unequal_contacts_is_the_disc_with_those_arcs() {
    let arcs = [(0.1, 0.35), (0.9, 1.95), (2.0, 2.02), (3.7, 4.6)];
    let on_edge =
        arcs.map(|(start, end)| EdgeContact { at_m: (start + end) / 4.0, length_m: (end - start) / 2.0 });
    let sheet = solved(Outline::disc(1.0).unwrap(), &on_edge);
    let exact = EdgeArcs::new(&arcs).unwrap();
    let largest = |sheet: &SolvedSheet, t: f64| {
        let rows = exact.conductances(t).unwrap();
        let between: Vec<Vec<f64>> = rows.iter().map(|row| row.iter().map(|y| -y).collect()).collect();
        let truth = quadrille_network::TerminalMatrix::new(&between, &[0.0; 4]).unwrap();
        sheets::error(&sheet.terminals(Ohm(1.0), t).unwrap(), &truth)
    };
    for t in [0.0, 0.5, -2.0, 5.0] {
        assert!(largest(&sheet, t) < sheet.bound(t) && sheet.bound(t) < 1e-6);
    }
    let direct = sheet.without_map();
    for t in [0.0, 0.5, -2.0, 5.0] {
        assert!(largest(&direct, t) < direct.bound(t) && direct.bound(t) < 2e-6, "{t}");
    }
}

/// Corbino's disc: ln(b/a)/2π, and 1 + t² times as much in a field, which no contact on an edge shows.
#[test]
fn a_ring_between_round_contacts_is_a_corbino_disc() {
    let outline = Outline::disc(2.0).unwrap();
    let whole = EdgeContact { at_m: 1.0, length_m: outline.perimeter_m() };
    let sheet = Sheet::new(outline, &[whole]).unwrap();
    let sheet = sheet.with_inner_contact(&InnerContact::round([0.0; 2], 0.6)).unwrap().solve(1e-6).unwrap();
    for t in [0.0, 0.7, -3.0] {
        close(resistance(&sheet, t, "12,12"), (1.0 + t * t) * (2.0 / 0.6_f64).ln() / TAU, 1e-6);
    }
}

/// Not concentric: arcosh((a² + b² − d²)/2ab)/2π (two circles, from memory; a bilinear map makes them concentric).
#[test]
fn a_contact_off_the_centre_has_its_exact_resistance() {
    let outline = Outline::disc(2.0).unwrap();
    let whole = EdgeContact { at_m: 2.0, length_m: outline.perimeter_m() };
    let sheet = Sheet::new(outline, &[whole]).unwrap();
    let sheet =
        sheet.with_inner_contact(&InnerContact::round([0.3, -0.2], 0.6)).unwrap().solve(1e-6).unwrap();
    let (a, b, d2) = (0.3_f64, 1.0_f64, 0.13_f64);
    close(resistance(&sheet, 0.0, "12,12"), ((a * a + b * b - d2) / (2.0 * a * b)).acosh() / TAU, 1e-6);
}

/// Computed by an independent finite-element program, orders 2 to 4 on one mesh: 3.3380841 to 3.3380853.
#[test]
fn a_square_with_a_square_hole_has_its_resistance() {
    let hole = [[0.3, 0.3], [0.6, 0.3], [0.6, 0.6], [0.3, 0.6]];
    let outline = Outline::square(1.0).unwrap().with_hole(&hole).unwrap();
    let sheet = solved(outline, &contacts(&[0.0, 1.0, 2.0, 3.0], 0.2));
    close(resistance(&sheet, 0.0, "13,13"), 3.3380847, 3e-7);
}

/// A small round hole of area fraction a in the middle of a disc raises R12,43 by 2 a · 2/ln 2 (perturbation theory: the
/// sensitivity of the middle; a conducting one lowers it as much).
#[test]
fn a_small_hole_changes_a_disc_as_the_sensitivity_of_its_middle_says() {
    let at = [0.0, 0.25, 0.5, 0.75].map(|turn| turn * PI);
    let plain = solved(Outline::disc(1.0).unwrap(), &contacts(&at, 1e-3));
    let holed = Outline::disc(1.0).unwrap().with_round_hole([0.0; 2], 0.02).unwrap();
    let holed = solved(holed, &contacts(&at, 1e-3));
    let change = resistance(&holed, 0.0, "12,43") / resistance(&plain, 0.0, "12,43") - 1.0;
    let fraction = 0.02_f64.powi(2);
    close(change, 2.0 * fraction * 2.0 / LN_2, 5e-3);
}

/// Current along x only: R is the integral of 1/(conductance) over the length.
#[test]
fn a_strip_whose_conductance_varies_along_it_adds_up() {
    let ends = [EdgeContact { at_m: 2.5, length_m: 1.0 }, EdgeContact { at_m: 5.5, length_m: 1.0 }];
    let sheet = Sheet::new(Outline::rectangle(2.0, 1.0).unwrap(), &ends).unwrap();
    let sheet = sheet.with_conductance(|x, _| 1.0 / (1.0 + x * x)).solve(1e-6).unwrap();
    close(resistance(&sheet, 0.0, "12,12"), 2.0 + 8.0 / 3.0, 1e-7);
}

#[test]
fn an_irregular_sheet_with_tiny_contacts_obeys_the_theorem_of_van_der_pauw() {
    // Van der Pauw, Philips Res. Rep. 13, 1 (1958): exp(−πR_A) + exp(−πR_B) = 1 for points, off by the square of their size.
    let points: Vec<EdgeContact> =
        [0.3, 1.9, 3.1, 4.4].iter().map(|&at_m| EdgeContact { at_m, length_m: 2e-4 }).collect();
    let sheet = solved(irregular(), &points);
    let sum = (-PI * resistance(&sheet, 0.0, "12,43")).exp() + (-PI * resistance(&sheet, 0.0, "23,14")).exp();
    close(sum, 1.0, 1e-6);
    // And their Hall resistance is that of the sheet: R12,34 has no odd part, R13,24 has t.
    let odd = |c: &str| (resistance(&sheet, 0.4, c) - resistance(&sheet, -0.4, c)) / 2.0;
    close(odd("13,24"), 0.4, 5e-4);
}
