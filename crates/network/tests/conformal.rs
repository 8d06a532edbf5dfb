//! Sheets with arcs on their edge against exact values, symmetries and the theorem of van der Pauw.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use quadrille_network::{EdgeArcs, TerminalMatrix};
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
