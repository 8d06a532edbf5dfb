//! Sheets with arcs on their edge against exact values, symmetries and the theorem of van der Pauw.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use proptest::prelude::*;
use quadrille_network::{EdgeArcs, Film, TerminalMatrix};
use quadrille_quantity::{Ohm, Tesla};
use std::f64::consts::{PI, SQRT_2, TAU};

/// The disc with four equal contacts of half-angle α, contact 1 at φ = 0.
fn four_equal(half_angle: f64) -> EdgeArcs {
    equal(4, half_angle)
}

fn equal(count: usize, half_angle: f64) -> EdgeArcs {
    let centre = |k: usize| TAU * k as f64 / count as f64;
    let arcs: Vec<_> = (0..count).map(|k| (centre(k) - half_angle, centre(k) + half_angle)).collect();
    EdgeArcs::new(&arcs).unwrap()
}

/// Four contacts without symmetry.
const UNEQUAL: [(f64, f64); 4] = [(0.1, 0.35), (0.9, 1.95), (2.0, 2.02), (3.7, 4.6)];

/// R_ab,cd in units of R_s.
fn resistance(arcs: &EdgeArcs, tan_hall: f64, configuration: &str) -> f64 {
    let rows = arcs.conductances(tan_hall).unwrap();
    let between: Vec<Vec<f64>> = rows.iter().map(|row| row.iter().map(|y| -y).collect()).collect();
    let terminals = TerminalMatrix::new(&between, &vec![0.0; between.len()]).unwrap();
    terminals.four_terminal(configuration.parse().unwrap()).unwrap().0
}

#[track_caller]
fn close(found: f64, expected: f64, relative: f64) {
    let deviation = (found - expected).abs();
    assert!(
        deviation <= relative * expected.abs(),
        "{found} instead of {expected}: {:e}",
        deviation / expected
    );
}

/// Largest difference between two matrices over the largest entry.
fn deviation(one: &[Vec<f64>], other: impl Fn(usize, usize) -> f64) -> f64 {
    let mut largest = (0.0_f64, 0.0_f64);
    for (k, row) in one.iter().enumerate() {
        for (j, &y) in row.iter().enumerate() {
            largest = (largest.0.max((y - other(k, j)).abs()), largest.1.max(y.abs()));
        }
    }
    largest.0 / largest.1
}

/// Computed outside the project by a boundary integral and by a conformal map, two codes that agree to all digits.
#[test]
fn a_disc_with_four_equal_contacts_has_its_known_resistances_at_zero_field() {
    // α, ρ_app/ρ, R13,13, R12,12.
    let rows = [
        (0.01, 0.999963931, 3.814247658, 3.593620016),
        (0.05, 0.999097021, 2.788755015, 2.568318644),
        (0.2, 0.985230557, 1.891922220, 1.674545285),
        (PI / 8.0, 0.938682520, SQRT_2, (1.0 + SQRT_2) / 2.0),
    ];
    for (half_angle, apparent, opposite, adjacent) in rows {
        let arcs = four_equal(half_angle);
        close(PI / 2.0_f64.ln() * resistance(&arcs, 0.0, "12,43"), apparent, 1e-9);
        close(resistance(&arcs, 0.0, "13,13"), opposite, 3e-10);
        close(resistance(&arcs, 0.0, "12,12"), adjacent, 3e-10);
    }
}

/// Computed outside the project by a boundary integral and by a conformal map, two codes that agree to all digits; the
/// rows at t = 2 by the latter in 25 to 30 digits.
#[test]
fn a_disc_with_four_equal_contacts_has_its_known_resistances_at_any_hall_angle() {
    // α, t, R13,13, R13,24, R12,43, R12,12.
    let rows = [
        (0.01, 0.1, 3.81966017320, 0.0991920937636, 0.220627802141, 3.59903237106),
        (0.01, 1.0, 4.25552283663, 0.993633563526, 0.220637589428, 4.03488524720),
        (0.1, 0.1, 2.35009652132, 0.0918984658449, 0.219851253651, 2.13024526767),
        (0.1, 1.0, 2.78634356260, 0.936097520384, 0.220832903816, 2.56551065879),
        (PI / 8.0, 0.1, 1.41969787513, 0.0667678316144, 0.207355156511, 1.21234271862),
        (PI / 8.0, 0.5, 1.54314957158, 0.344513279458, 0.212557791417, 1.33059178017),
        (PI / 8.0, 1.0, 1.86059301718, 0.733616810353, 0.223189727402, 1.63740328978),
    ];
    for (half_angle, t, r13_13, r13_24, r12_43, r12_12) in rows {
        let arcs = four_equal(half_angle);
        for (configuration, expected) in
            [("13,13", r13_13), ("13,24", r13_24), ("12,43", r12_43), ("12,12", r12_12), ("24,13", -r13_24)]
        {
            close(resistance(&arcs, t, configuration), expected, 5e-12);
        }
        close(resistance(&arcs, -t, "13,24"), -r13_24, 5e-12);
    }
    let at_2 = [
        (PI / 8.0, 2.71699537079998, 1.61800375619203, 0.240463696650093),
        (0.1, 3.63672275410423, 1.90983163467246, 0.221822710290224),
    ];
    for (half_angle, r13_13, r13_24, r12_43) in at_2 {
        let arcs = four_equal(half_angle);
        close(resistance(&arcs, 2.0, "13,13"), r13_13, 1e-13);
        close(resistance(&arcs, 2.0, "13,24"), r13_24, 1e-13);
        close(resistance(&arcs, 2.0, "12,43"), r12_43, 5e-13);
    }
}

#[test]
fn contacts_as_long_as_gaps_have_exact_values() {
    let arcs = four_equal(PI / 8.0);
    close(resistance(&arcs, 0.0, "12,43"), (SQRT_2 - 1.0) / 2.0, 1e-13);
    close(resistance(&arcs, 0.0, "13,13"), SQRT_2, 1e-13);
    // Low field: the Hall factor is 2/3, and grows by about t²/6.
    close(resistance(&arcs, 1e-5, "13,24") / 1e-5, 2.0 / 3.0, 1e-10);
}

#[test]
fn reversing_the_field_exchanges_current_and_voltage() {
    let arcs = EdgeArcs::new(&UNEQUAL).unwrap();
    for t in [0.0, 0.3, 1.0, 2.0, 20.0, 1000.0] {
        let (plus, minus) = (arcs.conductances(t).unwrap(), arcs.conductances(-t).unwrap());
        assert!(deviation(&plus, |k, j| minus[j][k]) < 1e-13, "{t}");
    }
}

#[test]
fn no_current_is_lost_and_a_common_voltage_drives_none() {
    let arcs = EdgeArcs::new(&UNEQUAL).unwrap();
    for t in [0.0, 0.7, -20.0] {
        let rows = arcs.conductances(t).unwrap();
        for k in 0..4 {
            assert!(rows[k].iter().sum::<f64>().abs() < 1e-15 * rows[k][k], "row {k}");
            // Not imposed: each column comes of the integrals over its contacts.
            assert!(rows.iter().map(|row| row[k]).sum::<f64>().abs() < 1e-13 * rows[k][k], "column {k}");
        }
    }
}

/// 2 sin(πk/n), from memory; closed forms for such plates are due to Ausserlechner, arXiv:2306.14450 (2023).
#[test]
fn equal_contacts_as_long_as_their_gaps_have_the_known_eigenvalues() {
    for count in [3, 5, 6, 8] {
        let rows = equal(count, PI / (2 * count) as f64).conductances(0.0).unwrap();
        for k in 1..count {
            // Each row is the one above it moved by one contact, so that eigenvalues are its Fourier transform.
            let cosine = |j: usize| (TAU * (j * k) as f64 / count as f64).cos();
            let eigenvalue: f64 = (0..count).map(|j| rows[0][j] * cosine(j)).sum();
            close(eigenvalue, 2.0 * (PI * k as f64 / count as f64).sin(), 1e-13);
        }
    }
}

/// With contacts and gaps exchanged, currents are voltages: R/R_s times R/R_s of the other sheet is 1 + t². Here the other
/// sheet is this one, turned (Wick, J. Appl. Phys. 25, 741, 1954, from memory).
#[test]
fn two_contacts_as_long_as_their_gaps_show_the_root_of_one_plus_t_squared() {
    for t in [0.0, 0.1, -1.0, 3.0, 20.0, 1e6] {
        let rows = equal(2, PI / 4.0).conductances(t).unwrap();
        close(1.0 / rows[0][0], f64::hypot(1.0, t), 1e-14);
        close(1.0 / rows[1][0], -f64::hypot(1.0, t), 1e-14);
    }
}

#[test]
fn a_moebius_map_of_the_disc_changes_nothing() {
    let original = EdgeArcs::new(&UNEQUAL).unwrap();
    // z ↦ (z − a) / (1 − a z), turned: in angles tan(φ'/2) = (1 + a) / (1 − a) tan(φ/2).
    let map = |a: f64, turn: f64| {
        let angle =
            |phi: f64| 2.0 * ((1.0 + a) * (phi / 2.0).sin()).atan2((1.0 - a) * (phi / 2.0).cos()) + turn;
        EdgeArcs::new(&UNEQUAL.map(|(start, end)| (angle(start), angle(end)))).unwrap()
    };
    for (a, turn) in [(0.0, 1.0), (0.0, -4.0), (0.5, 0.0), (-0.9, 2.0), (0.99, 0.3)] {
        let mapped = map(a, turn);
        for t in [0.0, 0.5, -2.0, 20.0] {
            let rows = original.conductances(t).unwrap();
            assert!(deviation(&mapped.conductances(t).unwrap(), |k, j| rows[k][j]) < 3e-13, "{a} {turn} {t}");
        }
    }
}

#[test]
fn contacts_may_be_listed_from_any_one_and_in_any_turn() {
    let rows = EdgeArcs::new(&UNEQUAL).unwrap().conductances(1.5).unwrap();
    let [first, second, third, fourth] = UNEQUAL;
    let turned = (third.0 - TAU, third.1 + 2.0 * TAU);
    let other = EdgeArcs::new(&[second, turned, fourth, first]).unwrap().conductances(1.5).unwrap();
    assert!(deviation(&other, |k, j| rows[(k + 1) % 4][(j + 1) % 4]) < 1e-12);
}

/// Theorem of van der Pauw (Philips Res. Rep. 13, 1, 1958) with ρ/d = 1, and its Hall effect: R13,24 changes by t.
#[test]
fn point_like_contacts_are_a_film() {
    let centres = [0.3, 1.1, 2.9, 4.0];
    let arcs = EdgeArcs::new(&centres.map(|phi| (phi - 1e-7, phi + 2e-7))).unwrap();
    let (a, b) = (resistance(&arcs, 0.0, "12,43"), resistance(&arcs, 0.0, "23,14"));
    close((-PI * a).exp() + (-PI * b).exp(), 1.0, 1e-9);
    // Two-terminal resistances depend on the contacts, four-terminal ones do not.
    let film = Film::new(Ohm(a), Ohm(b), 1.0, [Ohm(0.0); 4]).unwrap();
    for t in [0.3, -2.0, 20.0] {
        let terminals = film.terminal_matrix(Tesla(t)).unwrap();
        for text in ["13,24", "24,13", "31,24", "12,43", "43,12", "23,14", "14,23"] {
            let expected = terminals.four_terminal(text.parse().unwrap()).unwrap().0;
            let found = resistance(&arcs, t, text);
            // First order in the contacts, some 1e-7 of R_s √(1 + t²).
            assert!((found - expected).abs() < 3e-7 * f64::hypot(1.0, t), "{t} {text}: {found}, {expected}");
        }
    }
    assert!(resistance(&arcs, 2.0, "13,24") > 1.0);
}

/// Van der Pauw, Philips Res. Rep. 13, 1 (1958), Fig. 6 and 9, from memory: one contact of length d along the edge of a
/// disc of diameter D, the others points: Δρ/ρ = −d² / (16 D² ln 2) and ΔR_H/R_H = −2d / (π² D), to lowest order in d/D.
/// At d/D = 0.1, Δρ/ρ = −9.0404e-4 was computed outside the project from a conformal map, and ΔR_H/R_H = −2.0295266e-2
/// with the integral equation of the outside checks.
#[test]
fn one_long_contact_among_points_lowers_both_results() {
    let changes = |ratio: f64| {
        let point = |k: f64| (k * PI / 2.0 - 1e-9, k * PI / 2.0 + 1e-9);
        let arcs = EdgeArcs::new(&[(-ratio, ratio), point(1.0), point(2.0), point(3.0)]).unwrap();
        let (a, b) = (resistance(&arcs, 0.0, "12,43"), resistance(&arcs, 0.0, "23,14"));
        let (mut low, mut high): (f64, f64) = (0.5, 2.0);
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            let sum = (-PI * a / middle).exp() + (-PI * b / middle).exp();
            *if sum < 1.0 { &mut low } else { &mut high } = middle;
        }
        let t = 1e-3;
        let hall = (resistance(&arcs, t, "13,24") - resistance(&arcs, -t, "13,24")) / (2.0 * t);
        (low - 1.0, hall - 1.0)
    };
    let (density, hall) = changes(0.01);
    close(density, -1e-4 / (16.0 * 2.0_f64.ln()), 1e-4);
    close(hall, -0.02 / (PI * PI), 5e-5);
    let (density, hall) = changes(0.1);
    close(density, -9.0404e-4, 1e-5);
    close(hall, -2.0295266e-2, 1e-6);
}

#[test]
fn what_is_no_layout_is_refused_by_quantity() {
    let check = |arcs: &[(f64, f64)], expected: &str| {
        let error = EdgeArcs::new(arcs).unwrap_err().to_string();
        assert!(error.contains(expected), "{error}");
    };
    check(&[(0.0, 1.0)], "1 contacts given, at least 2 are needed");
    check(&[(0.0, 1.0), (2.0, 2.0)], "length of a contact in rad is 0");
    check(&[(0.0, 1.0), (2.0, f64::NAN)], "length of a contact in rad is NaN");
    check(&[(0.0, 1.0), (1.0, 2.0)], "gap between neighbouring contacts in rad is 0");
    check(&[(0.0, 1.0), (0.9, 2.0), (3.0, 4.0)], "turns around the edge from contact to contact is 2");
    check(&[(3.0, 4.0), (1.0, 2.0), (0.0, 0.5)], "must not overlap and must be listed counter-clockwise");
    let arcs = EdgeArcs::new(&UNEQUAL).unwrap();
    assert!(arcs.conductances(f64::INFINITY).unwrap_err().to_string().contains("tangent of the Hall angle"));
    // Lengths of which positions keep no digits.
    let w = 1e-12;
    let arcs =
        EdgeArcs::new(&[(0.0, w), (1.0, 1.0 + w), (1.0 + 3.0 * w, 1.0 + 4.0 * w), (3.0, 3.0 + w)]).unwrap();
    assert!(arcs.conductances(1.0).unwrap_err().to_string().contains("sum of voltages around the edge"));
}

#[test]
fn what_cannot_be_fitted_is_refused() {
    let check = |change: &dyn Fn(&mut Vec<Vec<f64>>), expected: &str| {
        let mut rows = EdgeArcs::new(&UNEQUAL).unwrap().conductances(0.0).unwrap();
        change(&mut rows);
        let error = EdgeArcs::fit(&rows).unwrap_err().to_string();
        assert!(error.contains(expected), "{error}");
    };
    check(&|rows| rows.truncate(2), "is 2, must be of three contacts at least");
    check(&|rows| rows[1].truncate(3), "a row of admittances has 3 entries, must have 4");
    check(&|rows| rows[0][2] = 1e-3, "conductance between two contacts at zero field is -0.001");
    check(&|rows| rows[0][1] *= 1.001, "relative difference of Y_kj and Y_jk at zero field");
    check(&|rows| rows[3][2] = f64::NAN, "conductance between two contacts at zero field is NaN");
}

#[test]
fn a_sample_that_is_no_uniform_sheet_leaves_a_residual() {
    let mut rows = EdgeArcs::new(&UNEQUAL).unwrap().conductances(0.0).unwrap();
    rows[0][2] *= 1.2;
    rows[2][0] *= 1.2;
    let (arcs, residual) = EdgeArcs::fit(&rows).unwrap();
    assert!(residual > 0.005 && residual < 0.2, "{residual}");
    let fitted = arcs.conductances(0.0).unwrap();
    let pairs = || (0..4).flat_map(|k| (0..k).map(move |j| (k, j)));
    let largest = pairs().map(|(k, j)| (fitted[k][j] / rows[k][j]).ln().abs()).fold(0.0, f64::max);
    close(residual, largest.exp_m1(), 1e-9);
    // Wrong R_s: no layout has these conductances either.
    let mut rows = EdgeArcs::new(&UNEQUAL).unwrap().conductances(0.0).unwrap();
    rows.iter_mut().flatten().for_each(|y| *y *= 1.05);
    let (_, residual) = EdgeArcs::fit(&rows).unwrap();
    assert!(residual > 0.005 && residual < 0.05, "{residual}");
}

/// Lengths of contacts and gaps in proportion to numbers between 0.001 and 1, even on a logarithmic scale.
fn layouts(count: impl Strategy<Value = usize>) -> impl Strategy<Value = Vec<(f64, f64)>> {
    let length = (-3.0..0.0).prop_map(|x| 10.0_f64.powf(x));
    count.prop_flat_map(move |count| prop::collection::vec(length.clone(), 2 * count)).prop_map(|lengths| {
        let scale = TAU / lengths.iter().sum::<f64>();
        let mut at = 0.0;
        let arc = |pair: &[f64]| {
            let start = at;
            at += scale * (pair[0] + pair[1]);
            (start, start + scale * pair[0])
        };
        lengths.chunks_exact(2).map(arc).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn every_conductance_obeys_onsager_by_itself(arcs in layouts(2..=8_usize), t in -20.0..20.0) {
        let arcs = EdgeArcs::new(&arcs).unwrap();
        let (rest, plus, minus) =
            (arcs.conductances(0.0).unwrap(), arcs.conductances(t).unwrap(), arcs.conductances(-t).unwrap());
        for (k, row) in rest.iter().enumerate() {
            for (j, &y) in row.iter().enumerate() {
                prop_assert!((y - rest[j][k]).abs() <= 1e-11 * y.abs());
                let scale = plus[k][k].min(plus[j][j]);
                prop_assert!((plus[k][j] - minus[j][k]).abs() <= 1e-11 * scale);
            }
        }
    }

    #[test]
    fn zero_field_tells_all_other_fields_of_four_contacts(arcs in layouts(Just(4_usize)), t in -20.0..20.0) {
        let arcs = EdgeArcs::new(&arcs).unwrap();
        let (fitted, residual) = EdgeArcs::fit(&arcs.conductances(0.0).unwrap()).unwrap();
        prop_assert!(residual < 1e-12);
        for t in [2.0, t] {
            let rows = arcs.conductances(t).unwrap();
            prop_assert!(deviation(&fitted.conductances(t).unwrap(), |k, j| rows[k][j]) < 1e-11);
        }
    }

    #[test]
    fn zero_field_tells_all_other_fields_of_three_to_eight_contacts(arcs in layouts(3..=8_usize)) {
        let arcs = EdgeArcs::new(&arcs).unwrap();
        let (fitted, _) = EdgeArcs::fit(&arcs.conductances(0.0).unwrap()).unwrap();
        let rows = arcs.conductances(2.0).unwrap();
        prop_assert!(deviation(&fitted.conductances(2.0).unwrap(), |k, j| rows[k][j]) < 1e-11);
    }
}
