//! What the tests of sheets share.

#![allow(clippy::unwrap_used, dead_code, reason = "helpers of tests, not all of them used by each")]

use quadrille_experiment::{Configuration, Contact};
use quadrille_network::{EdgeContact, Outline, Sheet, SolvedSheet, TerminalMatrix};
use quadrille_quantity::Ohm;
use std::f64::consts::TAU;

/// Contacts of one length.
pub(crate) fn contacts(at: &[f64], length_m: f64) -> Vec<EdgeContact> {
    at.iter().map(|&at_m| EdgeContact { at_m, length_m }).collect()
}

/// R_ab,cd over the sheet resistance.
pub(crate) fn resistance(sheet: &SolvedSheet, tan_hall: f64, configuration: &str) -> f64 {
    let terminals = sheet.terminals(Ohm(1.0), tan_hall).unwrap();
    terminals.four_terminal(configuration.parse().unwrap()).unwrap().0
}

#[track_caller]
pub(crate) fn close(found: f64, expected: f64, relative: f64) {
    let error = (found - expected).abs() / expected.abs();
    assert!(error <= relative, "{found} instead of {expected}: {error:e}");
}

/// An outline without symmetry, with a re-entrant corner.
pub(crate) fn irregular() -> Outline {
    Outline::polygon(&[[0.0, 0.0], [1.3, -0.2], [1.7, 0.9], [0.8, 0.55], [0.2, 1.2]]).unwrap()
}

/// Four contacts of unlike lengths on it, one of them around a corner.
pub(crate) fn unlike() -> Vec<EdgeContact> {
    [(0.3, 0.2), (1.3, 0.25), (2.9, 0.11), (4.35, 0.4)]
        .map(|(at_m, length_m)| EdgeContact { at_m, length_m })
        .to_vec()
}

pub(crate) fn solved(outline: Outline, contacts: &[EdgeContact]) -> SolvedSheet {
    Sheet::new(outline, contacts).unwrap().solve(1e-6).unwrap()
}

/// Largest error of a resistance relative to √(R_ab,ab R_cd,cd), as the bound counts it.
pub(crate) fn error(found: &TerminalMatrix, truth: &TerminalMatrix) -> f64 {
    let contacts = || Contact::first(truth.count());
    let pairs: Vec<(Contact, Contact)> =
        contacts().flat_map(|a| contacts().filter(move |&b| b > a).map(move |b| (a, b))).collect();
    let mut largest = 0.0_f64;
    for &(source_in, source_out) in &pairs {
        for &(sense_high, sense_low) in &pairs {
            let configuration = Configuration { source_in, source_out, sense_high, sense_low };
            let of = |matrix: &TerminalMatrix| matrix.four_terminal(configuration).unwrap().0;
            let two = |a, b| truth.two_terminal(a, b).unwrap().0;
            let scale = (two(source_in, source_out) * two(sense_high, sense_low)).sqrt();
            largest = largest.max((of(found) - of(truth)).abs() / scale);
        }
    }
    largest
}

/// Uniform numbers from a seed (splitmix64; Steele, Lea & Flood 2014, from memory).
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn within(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        low + (high - low) * ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn below(&mut self, count: usize) -> usize {
        (self.within(0.0, count as f64) as usize).min(count - 1)
    }

    /// A polygon of 3 to 9 corners around the origin, re-entrant ones among them, or now and then a disc.
    pub(crate) fn outline(&mut self) -> Outline {
        let count = 2 + self.below(8);
        if count == 2 {
            return Outline::disc(self.within(0.5, 2.0)).unwrap();
        }
        let mut corner = |i: usize| {
            let angle = TAU * (i as f64 + self.within(-0.35, 0.35)) / count as f64;
            let radius = self.within(0.35, 1.0);
            [radius * angle.cos(), radius * angle.sin()]
        };
        Outline::polygon(&(0..count).map(&mut corner).collect::<Vec<_>>()).unwrap()
    }

    /// Contacts and gaps between them whose lengths differ up to twentyfold.
    pub(crate) fn contacts(&mut self, count: usize, perimeter: f64) -> Vec<EdgeContact> {
        let parts: Vec<f64> = (0..2 * count).map(|_| self.within(-3.0, 0.0).exp()).collect();
        let scale = perimeter / parts.iter().sum::<f64>();
        let mut start = self.within(0.0, perimeter);
        let place = |pair: &[f64]| {
            let length_m = pair[0] * scale;
            let at_m = (start + length_m / 2.0) % perimeter;
            start += (pair[0] + pair[1]) * scale;
            EdgeContact { at_m, length_m }
        };
        parts.chunks(2).map(place).collect()
    }
}
