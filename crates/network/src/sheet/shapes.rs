//! Outlines that samples are often cut to: Greek cross, bridge with side arms, cloverleaf.

use super::{
    checks,
    error::{Part, SheetError},
    outline::Outline,
    piece::{Piece, Point},
};
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4};

/// An arm on a long side of a bridge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SideArm {
    /// On the upper side of the bar; otherwise on the lower one.
    pub upper: bool,
    /// Middle of the arm along the bar, from its left end.
    pub at_m: f64,
    /// Width of the arm.
    pub width_m: f64,
    /// How far it stands out from the bar.
    pub length_m: f64,
}

impl Outline {
    /// Four arms around a square as wide as they are, its centre at the origin. `arm_length_m` is from that square to the
    /// end of an arm. The edge starts at the lower left corner, which is that of the lower arm's end; the middles of the
    /// ends are at w/2 + k (w + 2 l), k = 0 to 3: lower, right, upper, left.
    pub fn greek_cross(arm_width_m: f64, arm_length_m: f64) -> Result<Self, SheetError> {
        checks::dimension(Part::Outline, "arm width", arm_width_m)?;
        checks::dimension(Part::Outline, "arm length", arm_length_m)?;
        let (near, far) = (arm_width_m / 2.0, arm_width_m / 2.0 + arm_length_m);
        let lower = [[-near, -far], [near, -far], [near, -near]];
        Self::polygon(&four_times(&lower))
    }

    /// A bar from (0, 0) to (`length_m`, `width_m`) with arms on its long sides. The edge starts at its lower left corner.
    pub fn bridge(length_m: f64, width_m: f64, arms: &[SideArm]) -> Result<Self, SheetError> {
        checks::dimension(Part::Outline, "length", length_m)?;
        checks::dimension(Part::Outline, "width", width_m)?;
        for (i, arm) in arms.iter().enumerate() {
            let named = |what: &str| format!("{what} of side arm {}", i + 1);
            checks::dimension(Part::Outline, &named("width"), arm.width_m)?;
            checks::dimension(Part::Outline, &named("length"), arm.length_m)?;
            if !(arm.at_m - arm.width_m / 2.0 > 0.0 && arm.at_m + arm.width_m / 2.0 < length_m) {
                let problem = format!("side arm {} at {} m reaches past the bar", i + 1, arm.at_m);
                let wanted =
                    format!("its middle must be half its width or more from both ends of {length_m} m");
                return Err(SheetError::bad(Part::Outline, problem, wanted));
            }
        }
        let side = |upper: bool| {
            let mut on: Vec<SideArm> = arms.iter().copied().filter(|arm| arm.upper == upper).collect();
            on.sort_by(|a, b| a.at_m.total_cmp(&b.at_m));
            on
        };
        let mut vertices: Vec<Point> = vec![[0.0, 0.0]];
        for arm in side(false) {
            let (left, right) = (arm.at_m - arm.width_m / 2.0, arm.at_m + arm.width_m / 2.0);
            let end = -arm.length_m;
            vertices.extend([[left, 0.0], [left, end], [right, end], [right, 0.0]]);
        }
        vertices.extend([[length_m, 0.0], [length_m, width_m]]);
        for arm in side(true).into_iter().rev() {
            let (left, right) = (arm.at_m - arm.width_m / 2.0, arm.at_m + arm.width_m / 2.0);
            let end = width_m + arm.length_m;
            vertices.extend([[right, width_m], [right, end], [left, end], [left, width_m]]);
        }
        vertices.push([0.0, width_m]);
        Self::polygon(&vertices)
    }

    /// A square with a slot from the middle of each side towards the centre, the origin, so that a leaf is left at each
    /// corner. The edge starts at the lower left corner.
    pub fn cloverleaf_square(side_m: f64, slot_width_m: f64, slot_length_m: f64) -> Result<Self, SheetError> {
        checks::dimension(Part::Outline, "side", side_m)?;
        let half = side_m / 2.0;
        let near = slots(half, slot_width_m, slot_length_m)?;
        let w = slot_width_m / 2.0;
        Self::polygon(&four_times(&[[-half, -half], [-w, -half], [-w, -near], [w, -near], [w, -half]]))
    }

    /// A disc with four slots towards its centre, the origin, at 45°, 135°, … The edge starts at angle zero, in the
    /// middle of a leaf; the middles of the leaves are quarters of the perimeter apart.
    pub fn cloverleaf_disc(
        diameter_m: f64,
        slot_width_m: f64,
        slot_length_m: f64,
    ) -> Result<Self, SheetError> {
        checks::dimension(Part::Outline, "diameter", diameter_m)?;
        let radius = diameter_m / 2.0;
        let near = slots(radius, slot_width_m, slot_length_m)?;
        let w = slot_width_m / 2.0;
        let opening = (w / radius).asin();
        let arc = |start: f64, end: f64| Piece::Arc { centre: [0.0; 2], radius, start, sweep: end - start };
        let mut edge = Vec::new();
        for k in 0..4 {
            let leaf = f64::from(k) * FRAC_PI_2;
            let slot = leaf + FRAC_PI_4;
            let (sin, cos) = slot.sin_cos();
            let turned = |along: f64, across: f64| [along * cos - across * sin, along * sin + across * cos];
            let mouth = radius * opening.cos();
            let corners = [turned(mouth, -w), turned(near, -w), turned(near, w), turned(mouth, w)];
            edge.push(arc(leaf, slot - opening));
            edge.extend(corners.windows(2).map(|ends| Piece::Line { from: ends[0], to: ends[1] }));
            edge.push(arc(slot + opening, leaf + FRAC_PI_2));
        }
        Ok(Self::of_pieces(edge))
    }
}

/// The points, and these turned by a quarter, a half and three quarters.
fn four_times(points: &[Point]) -> Vec<Point> {
    let mut all: Vec<Point> = points.to_vec();
    for quarter in 0..3 {
        let turned: Vec<Point> = all[quarter * points.len()..].iter().map(|&[x, y]| [-y, x]).collect();
        all.extend(turned);
    }
    all
}

/// How far from the centre the slots end, which must not meet.
fn slots(from: f64, width: f64, length: f64) -> Result<f64, SheetError> {
    checks::dimension(Part::Outline, "slot width", width)?;
    checks::dimension(Part::Outline, "slot length", length)?;
    let near = from - length;
    if near > width / 2.0 {
        Ok(near)
    } else {
        let problem = format!("slots {length} m long and {width} m wide meet in the middle");
        Err(SheetError::bad(
            Part::Outline,
            problem,
            "their length and half their width must be less than half the size",
        ))
    }
}
