//! Small dense matrices of a sheet's contacts: conductances to resistances and back, and what can be measured of them.

use faer::{Mat, linalg::solvers::Solve};

/// Resistances for currents into all contacts but the last, voltages against the last: the inverse of conductances
/// without their last row and column.
pub(crate) fn resistances(conductances: &Mat<f64>) -> Mat<f64> {
    let size = conductances.nrows() - 1;
    let reduced = conductances.submatrix(0, 0, size, size).to_owned();
    reduced.partial_piv_lu().solve(Mat::<f64>::identity(size, size))
}

/// The way back; rows and columns of the last contact make the sums zero.
pub(crate) fn conductances(resistances: &Mat<f64>) -> Mat<f64> {
    let size = resistances.nrows();
    let inner = resistances.partial_piv_lu().solve(Mat::<f64>::identity(size, size));
    let row = |k: usize| (0..size).map(|j| inner[(k, j)]).sum::<f64>();
    let column = |j: usize| (0..size).map(|k| inner[(k, j)]).sum::<f64>();
    let all: f64 = (0..size).map(row).sum();
    Mat::from_fn(size + 1, size + 1, |k, j| match (k == size, j == size) {
        (false, false) => inner[(k, j)],
        (false, true) => -row(k),
        (true, false) => -column(j),
        (true, true) => all,
    })
}

/// Resistances from the voltages along the gaps per unit of the stream function on them: I_k = ψ_k − ψ_k−1 and V_k − V_k+1
/// = e_k, gap k lying between contact k and the next.
pub(crate) fn from_gaps(drops: &Mat<f64>) -> Mat<f64> {
    let size = drops.nrows() - 1;
    // One unit into contact j and out of the last: ψ is 1 on the gaps from j on, up to the last but one.
    let drop = |gap: usize, j: usize| (j..size).map(|m| drops[(gap, m)]).sum::<f64>();
    Mat::from_fn(size, size, |k, j| (k..size).map(|gap| drop(gap, j)).sum())
}

/// Mean of two matrices.
pub(crate) fn mean(a: &Mat<f64>, b: &Mat<f64>) -> Mat<f64> {
    (a + b) * faer::Scale(0.5)
}

/// Every pair of contacts as a row of ones: which resistances can be measured.
fn pairs(size: usize) -> Vec<(usize, usize)> {
    (0..=size).flat_map(|a| (a + 1..=size).map(move |b| (a, b))).collect()
}

/// (V_c − V_d) / I, with I into a and out of b.
fn between(matrix: &Mat<f64>, (a, b): (usize, usize), (c, d): (usize, usize)) -> f64 {
    let last = matrix.nrows();
    let at = |k: usize, j: usize| if k == last || j == last { 0.0 } else { matrix[(k, j)] };
    at(c, a) - at(d, a) - at(c, b) + at(d, b)
}

/// The largest difference of any four-terminal or two-terminal resistance between two matrices.
pub(crate) fn largest_difference(one: &Mat<f64>, other: &Mat<f64>) -> f64 {
    let difference = one - other;
    let pairs = pairs(difference.nrows());
    let largest = |source: &(usize, usize)| {
        pairs.iter().map(|sense| between(&difference, *source, *sense).abs()).fold(0.0, f64::max)
    };
    pairs.iter().map(largest).fold(0.0, f64::max)
}

/// The smallest resistance between two contacts.
pub(crate) fn smallest_two_terminal(matrix: &Mat<f64>) -> f64 {
    pairs(matrix.nrows()).iter().map(|pair| between(matrix, *pair, *pair)).fold(f64::INFINITY, f64::min)
}
