//! Chords between the ends of contacts on a circle, without loss of digits however close these lie.

use std::f64::consts::PI;

/// sin(d/2) for the arc d between any two ends; ends are numbered a_1, b_1, a_2, b_2, … from 0.
///
/// With an edge point in homogeneous coordinates v(φ) = (cos φ/2, sin φ/2), half a chord is the determinant of two
/// points; Möbius maps change determinants by factors only.
pub(super) struct Chords {
    ends: usize,
    half: Vec<f64>,
}

impl Chords {
    /// From the lengths of contact 1, gap, contact 2, … in rad.
    pub(super) fn new(lengths: &[f64]) -> Self {
        let ends = lengths.len();
        let mut half = vec![0.0; ends * ends];
        for from in 0..ends {
            for to in from + 1..ends {
                // The shorter way round, each way being a sum of lengths: never a difference.
                let forward: f64 = lengths[from..to].iter().sum();
                let arc =
                    if forward <= PI { forward } else { lengths[to..].iter().chain(&lengths[..from]).sum() };
                let chord = (arc / 2.0).sin();
                half[from * ends + to] = chord;
                half[to * ends + from] = chord;
            }
        }
        Self { ends, half }
    }

    /// How many ends there are: two for each contact.
    pub(super) fn ends(&self) -> usize {
        self.ends
    }

    /// Half the chord between two ends of a circle of radius 1.
    pub(super) fn half(&self, from: usize, to: usize) -> f64 {
        self.half[from * self.ends + to]
    }
}
