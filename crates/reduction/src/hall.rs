//! The slope of the Hall resistance with field, from the two diagonals at fields of both signs.

use crate::field::{self, Reversal};
use crate::pair::numbers;
use crate::resistance::PairResistance;

/// A diagonal: the current pair, the sense pair, and the sign of its resistance for a positive Hall coefficient.
///
/// R₁₃,₂₄ and R₄₂,₁₃ = −R₂₄,₁₃ rise with field for holes, with contacts counter-clockwise and +B towards the viewer
/// (E = R_H B × J).
pub(crate) const DIAGONALS: [([u8; 4], f64); 2] = [([1, 3, 2, 4], 1.0), ([2, 4, 1, 3], -1.0)];

/// A sum of resistances: their places in a list with a weight each.
pub(crate) type Combination = Vec<(usize, f64)>;

/// What the diagonals gave.
pub(crate) struct Hall {
    /// Hall slope of each diagonal, Ω/T, as weights of the resistances in 1/T; `None` without a reversal of field.
    pub(crate) slopes: [Option<Combination>; 2],
    /// Whether there were diagonals in a field, with or without its reversal.
    pub(crate) in_field: bool,
    /// Whether a diagonal was measured in fields of one sign only.
    pub(crate) one_signed: bool,
    /// Pairs of levels whose magnitudes differ, weakest first.
    pub(crate) uneven: Vec<Reversal>,
    /// Largest departure of the Hall resistance from its straight line, relative to the largest Hall resistance;
    /// `None` with one level only.
    pub(crate) curvature: Option<f64>,
}

/// Combines the diagonals of a list of resistances.
///
/// At each pair of levels (R(+B) − R(−B))/2 belongs to (B₊ − B₋)/2, whatever the two magnitudes are: terms that do
/// not depend on the field go, and so does the misalignment of the contacts; terms that are even in it go where the
/// magnitudes are equal. Through all pairs the line goes through the origin by least squares with equal weights:
/// slope = Σ B R / Σ B².
pub(crate) fn combine(resistances: &[PairResistance]) -> Hall {
    let mut hall = Hall {
        slopes: [None, None],
        in_field: false,
        one_signed: false,
        uneven: Vec::new(),
        curvature: None,
    };
    for (slope, (contacts, sign)) in hall.slopes.iter_mut().zip(DIAGONALS) {
        let of_diagonal: Vec<usize> = (0..resistances.len())
            .filter(|&k| numbers(resistances[k].configuration) == contacts && resistances[k].level != 0.0)
            .collect();
        hall.in_field |= !of_diagonal.is_empty();
        let levels: Vec<f64> = of_diagonal.iter().map(|&k| resistances[k].level).collect();
        let at = |level: f64| of_diagonal.iter().copied().find(|&k| resistances[k].level == level);
        let pairs = field::reversals(&levels);
        let points: Vec<Point> = pairs
            .iter()
            .filter_map(|pair| Some(Point::new(resistances, at(pair.plus)?, at(pair.minus)?)))
            .collect();
        hall.one_signed |= !levels.is_empty() && points.is_empty();
        hall.uneven.extend(pairs.iter().filter(|pair| !pair.is_of_one_field()));
        let square: f64 = points.iter().map(|point| point.field * point.field).sum();
        if points.is_empty() {
            continue;
        }
        let combination: Combination = points
            .iter()
            .flat_map(|point| {
                let weight = sign * point.field / (2.0 * square);
                [(point.plus, weight), (point.minus, -weight)]
            })
            .collect();
        if points.len() > 1 {
            let line = sign * value(&combination, resistances);
            let largest = points.iter().fold(0.0, |m: f64, p| m.max((line * p.field).abs()));
            let departure = points.iter().fold(0.0, |m: f64, p| m.max((p.odd - line * p.field).abs()));
            hall.curvature = Some(hall.curvature.unwrap_or(0.0).max(departure / largest));
        }
        *slope = Some(combination);
    }
    hall.uneven.sort_by(|a, b| a.plus.total_cmp(&b.plus).then(b.minus.total_cmp(&a.minus)));
    hall.uneven.dedup();
    hall
}

/// The odd part of a diagonal at one pair of levels.
struct Point {
    plus: usize,
    minus: usize,
    field: f64,
    odd: f64,
}

impl Point {
    fn new(resistances: &[PairResistance], plus: usize, minus: usize) -> Self {
        let (up, down) = (&resistances[plus], &resistances[minus]);
        Self {
            plus,
            minus,
            field: (up.field.0 - down.field.0) / 2.0,
            odd: (up.resistance.value - down.resistance.value) / 2.0,
        }
    }
}

/// The value of a combination.
pub(crate) fn value(combination: &Combination, resistances: &[PairResistance]) -> f64 {
    combination.iter().map(|(k, weight)| weight * resistances[*k].resistance.value).sum()
}

/// The mean of combinations; `None` of none.
pub(crate) fn mean<'a>(combinations: impl IntoIterator<Item = &'a Combination>) -> Option<Combination> {
    let all: Vec<&Combination> = combinations.into_iter().collect();
    let share = 1.0 / all.len() as f64;
    let scaled = all.iter().flat_map(|one| one.iter().map(|(k, weight)| (*k, weight * share)));
    (!all.is_empty()).then(|| scaled.collect())
}
