//! Transfer resistance of a network already reduced to the two, three or four nodes asked about, in which at most
//! one subtraction is left.

use crate::wide::Wide;

/// Voltage of `c` against `d` for one ampere into `a` and out of `b`, in ohms. `g(k, j)` are the conductances g_kj
/// among the distinct nodes of the four, with no other node left. a ≠ b, c ≠ d, all connected.
///
/// With b as reference, Cramer's rule on the 3 × 3 system of a, c, d gives
/// R_ab,cd = (g_ca g_db − g_cb g_da) / T_b, where T_b is its determinant: the sum over spanning trees (matrix-tree
/// theorem, Kirchhoff 1847; Tutte 1948 for g_kj ≠ g_jk), every term positive. Two and three nodes leave no
/// subtraction at all. Where 1 Ω is measured through 10 GΩ, the two products agree in ten digits or more, which
/// [`Wide`] conductances have to lose.
pub(crate) fn transfer(a: usize, b: usize, c: usize, d: usize, g: &impl Fn(usize, usize) -> Wide) -> Wide {
    match (c == a || c == b, d == a || d == b) {
        (true, true) if c == a => Wide::from(1.0) / g(a, b),
        (true, true) => -Wide::from(1.0) / g(a, b),
        (true, false) => against_source(a, b, c, d, g),
        (false, true) => -against_source(a, b, d, c, g),
        (false, false) => (g(c, a) * g(d, b) - g(c, b) * g(d, a)) / trees_of_four(a, b, c, d, g),
    }
}

/// Voltage of current contact `s` (`a` or `b`) against `x`.
fn against_source(a: usize, b: usize, s: usize, x: usize, g: &impl Fn(usize, usize) -> Wide) -> Wide {
    let trees = g(a, b) * (g(x, a) + g(x, b)) + g(a, x) * g(x, b);
    if s == a { g(x, b) / trees } else { -g(x, a) / trees }
}

/// Determinant of the system of a, c, d against b, as a product of pivots.
fn trees_of_four(a: usize, b: usize, c: usize, d: usize, g: &impl Fn(usize, usize) -> Wide) -> Wide {
    let pivot_d = g(d, a) + g(d, b) + g(d, c);
    let through_d = |k: usize, j: usize| g(k, j) + g(k, d) * g(d, j) / pivot_d;
    let pivot_c = through_d(c, a) + through_d(c, b);
    let pivot_a = through_d(a, b) + through_d(a, c) * through_d(c, b) / pivot_c;
    pivot_a * pivot_c * pivot_d
}
