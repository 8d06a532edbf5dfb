//! The Fermi–Dirac integral of order 1/2 and a bracketed root.

/// Γ(3/2) = √π/2.
const GAMMA_THREE_HALVES: f64 = 0.886_226_925_452_758;

// H. M. Antia, Rational function approximations for Fermi–Dirac integrals, Astrophys. J. Suppl. 84, 101 (1993), order
// 1/2; his maximum relative error 5.5e-13. Below 2 in exp(η), from 2 on in 1/η².
const LOW_ABOVE: [f64; 8] = [
    5.75834152995465e6,
    1.30964880355883e7,
    1.07608632249013e7,
    3.93536421893014e6,
    6.42493233715640e5,
    4.16031909245777e4,
    7.77238678539648e2,
    1.0,
];
const LOW_BELOW: [f64; 8] = [
    6.49759261942269e6,
    1.70750501625775e7,
    1.69288134856160e7,
    7.95192647756086e6,
    1.83167424554505e6,
    1.95155948326832e5,
    8.17922106644547e3,
    9.02129136642157e1,
];
const HIGH_ABOVE: [f64; 11] = [
    4.85378381173415e-14,
    1.64429113030738e-11,
    3.76794942277806e-9,
    4.69233883900644e-7,
    3.40679845803144e-5,
    1.32212995937796e-3,
    2.60768398973913e-2,
    2.48653216266227e-1,
    1.08037861921488,
    1.91247528779676,
    1.0,
];
const HIGH_BELOW: [f64; 12] = [
    7.28067571760518e-14,
    2.45745452167585e-11,
    5.62152894375277e-9,
    6.96888634549649e-7,
    5.02360015186394e-5,
    1.92040136756592e-3,
    3.66887808002874e-2,
    3.24095226486468e-1,
    1.16434871200131,
    1.34981244060549,
    2.01311836975930e-1,
    -2.14562434782759e-2,
];

fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, &coefficient| sum * x + coefficient)
}

/// The normalised Fermi–Dirac integral of order 1/2, F(η) = (2/√π)∫√t/(1 + exp(t − η)) dt from 0 to infinity, which is
/// exp(η) far below the band edge (Boltzmann) and (4/3√π)·η^1.5 far above. Relative error below 1e-12 (Antia 1993).
pub fn fermi_dirac_half(eta: f64) -> f64 {
    ln_fermi_dirac_half(eta).exp()
}

/// Its natural logarithm, which has a value where the integral itself is smaller than any number.
pub(crate) fn ln_fermi_dirac_half(eta: f64) -> f64 {
    let (outside, above, below) = if eta < 2.0 {
        let x = eta.exp();
        (eta, polynomial(&LOW_ABOVE, x), polynomial(&LOW_BELOW, x))
    } else {
        let x = 1.0 / (eta * eta);
        (1.5 * eta.ln(), polynomial(&HIGH_ABOVE, x), polynomial(&HIGH_BELOW, x))
    };
    outside + (above / below / GAMMA_THREE_HALVES).ln()
}

/// ln(1 + exp(x)) at any x.
pub(crate) fn softplus(x: f64) -> f64 {
    if x > 0.0 { x + (-x).exp().ln_1p() } else { x.exp().ln_1p() }
}

/// ln(exp(a) + exp(b)) at any a and b, minus infinity standing for nothing.
pub(crate) fn ln_sum(a: f64, b: f64) -> f64 {
    let (low, high) = if a < b { (a, b) } else { (b, a) };
    if low == f64::NEG_INFINITY { high } else { high + (low - high).exp().ln_1p() }
}

/// Where a falling function crosses zero, to the last digit: a bracket widened until it holds the root, then halved.
/// `None` where it does not cross within 1e12 of the start, or is no number.
pub(crate) fn falling_root(f: impl Fn(f64) -> f64, low: f64, high: f64) -> Option<f64> {
    let (mut low, mut high, mut width) = (low, high, 1.0);
    while !(f(low) >= 0.0 && f(high) <= 0.0) {
        if width > 1e12 {
            return None;
        }
        (low, high, width) = (low - width, high + width, 2.0 * width);
    }
    loop {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            return Some(middle);
        }
        if f(middle) >= 0.0 { low = middle } else { high = middle }
    }
}
