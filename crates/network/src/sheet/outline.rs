//! The edge of a sheet as a closed way of straight stretches and arcs, with holes; and whether it can be one.

use super::error::{Part, SheetError};
use std::f64::consts::{PI, TAU};

/// Closest that two parts of an outline may come, relative to its size: beyond the digits of coordinates.
const CLOSEST: f64 = 1e-9;

/// A point, in metres.
pub(crate) type Point = [f64; 2];

/// One piece of an edge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Piece {
    /// From one point to another.
    Line { from: Point, to: Point },
    /// Counter-clockwise about a centre, from one angle to a larger one.
    Arc { centre: Point, radius: f64, from: f64, to: f64 },
}

impl Piece {
    pub(crate) fn length(&self) -> f64 {
        match *self {
            Self::Line { from, to } => distance(from, to),
            Self::Arc { radius, from, to, .. } => radius * (to - from),
        }
    }

    /// The point `s` after the beginning. Small `s` keep their digits, as long as the coordinates do.
    pub(crate) fn after(&self, s: f64) -> Point {
        match *self {
            Self::Line { from, to } => along(from, to, s / distance(from, to)),
            Self::Arc { centre, radius, from, .. } => on_circle(centre, radius, from + s / radius),
        }
    }

    /// The point `s` before the end.
    pub(crate) fn before(&self, s: f64) -> Point {
        match *self {
            Self::Line { from, to } => along(to, from, s / distance(from, to)),
            Self::Arc { centre, radius, to, .. } => on_circle(centre, radius, to - s / radius),
        }
    }

    /// Direction at the beginning and at the end.
    fn directions(&self) -> [Point; 2] {
        match *self {
            Self::Line { from, to } => {
                let length = distance(from, to);
                [[(to[0] - from[0]) / length, (to[1] - from[1]) / length]; 2]
            }
            Self::Arc { from, to, .. } => [from, to].map(|angle| [-angle.sin(), angle.cos()]),
        }
    }
}

fn along(from: Point, to: Point, part: f64) -> Point {
    [from[0] + part * (to[0] - from[0]), from[1] + part * (to[1] - from[1])]
}

fn on_circle(centre: Point, radius: f64, angle: f64) -> Point {
    [centre[0] + radius * angle.cos(), centre[1] + radius * angle.sin()]
}

pub(crate) fn distance(a: Point, b: Point) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// The edge of a sheet, counter-clockwise, with holes; lengths in metres. Positions along the edge begin where the
/// constructor says.
#[derive(Clone, Debug, PartialEq)]
pub struct Outline {
    pub(crate) pieces: Vec<Piece>,
    pub(crate) holes: Vec<Vec<Point>>,
}

impl Outline {
    /// A disc about the origin; its edge begins at angle 0.
    pub fn disc(diameter_m: f64) -> Result<Self, SheetError> {
        positive("diameter", diameter_m)?;
        let quarter = |k: f64| Piece::Arc {
            centre: [0.0, 0.0],
            radius: diameter_m / 2.0,
            from: k * PI / 2.0,
            to: (k + 1.0) * PI / 2.0,
        };
        Ok(Self { pieces: [0.0, 1.0, 2.0, 3.0].map(quarter).to_vec(), holes: Vec::new() })
    }

    /// A square; its edge begins at the lower left corner.
    pub fn square(side_m: f64) -> Result<Self, SheetError> {
        Self::rectangle(side_m, side_m)
    }

    /// A rectangle; its edge begins at the lower left corner.
    pub fn rectangle(width_m: f64, height_m: f64) -> Result<Self, SheetError> {
        positive("width", width_m)?;
        positive("height", height_m)?;
        Self::polygon(&[[0.0, 0.0], [width_m, 0.0], [width_m, height_m], [0.0, height_m]])
    }

    /// A square of the arms' width with an arm on each side; its edge begins at the lower left corner of the lower arm.
    pub fn greek_cross(arm_width_m: f64, arm_length_m: f64) -> Result<Self, SheetError> {
        positive("width of the arms", arm_width_m)?;
        positive("length of the arms", arm_length_m)?;
        let (a, b) = (arm_width_m / 2.0, arm_width_m / 2.0 + arm_length_m);
        Self::polygon(&[
            [-a, -b],
            [a, -b],
            [a, -a],
            [b, -a],
            [b, a],
            [a, a],
            [a, b],
            [-a, b],
            [-a, a],
            [-b, a],
            [-b, -a],
            [-a, -a],
        ])
    }

    /// A square cut in from the middle of each side; its edge begins at the lower left corner.
    pub fn cloverleaf(side_m: f64, slot_width_m: f64, slot_depth_m: f64) -> Result<Self, SheetError> {
        positive("side", side_m)?;
        positive("width of the slots", slot_width_m)?;
        positive("depth of the slots", slot_depth_m)?;
        let half = side_m / 2.0;
        if slot_width_m >= side_m || slot_depth_m + slot_width_m / 2.0 >= half {
            let problem = "the slots meet in the middle of the cloverleaf";
            return Err(SheetError::new(Part::Outline, problem, "make them narrower or less deep"));
        }
        let w = slot_width_m / 2.0;
        let side =
            [[-half, -half], [-w, -half], [-w, slot_depth_m - half], [w, slot_depth_m - half], [w, -half]];
        let turned = |quarter: usize, [x, y]: Point| match quarter {
            0 => [x, y],
            1 => [-y, x],
            2 => [-x, -y],
            _ => [y, -x],
        };
        let vertices: Vec<Point> = (0..4).flat_map(|q| side.map(|corner| turned(q, corner))).collect();
        Self::polygon(&vertices)
    }

    /// A bar along x from the origin, with arms on both long sides; its edge begins at the lower left corner.
    /// `arms_at_m` says where their middles are, from the left end.
    pub fn bridge(
        length_m: f64,
        width_m: f64,
        arms_at_m: &[f64],
        arm_width_m: f64,
        arm_length_m: f64,
    ) -> Result<Self, SheetError> {
        for (what, value) in [("length", length_m), ("width", width_m), ("width of the arms", arm_width_m)] {
            positive(what, value)?;
        }
        positive("length of the arms", arm_length_m)?;
        let mut arms = arms_at_m.to_vec();
        arms.sort_by(f64::total_cmp);
        let ends = arms.iter().flat_map(|arm| [arm - arm_width_m / 2.0, arm + arm_width_m / 2.0]);
        let steps: Vec<f64> = std::iter::once(0.0).chain(ends).chain([length_m]).collect();
        if !steps.windows(2).all(|pair| pair[0] < pair[1]) {
            let problem = "arms of the bridge overlap, or lie beyond its ends";
            return Err(SheetError::new(Part::Outline, problem, "place them apart along the bar"));
        }
        let below = arms.iter().flat_map(|arm| {
            let (left, right) = (arm - arm_width_m / 2.0, arm + arm_width_m / 2.0);
            [[left, 0.0], [left, -arm_length_m], [right, -arm_length_m], [right, 0.0]]
        });
        let above = arms.iter().rev().flat_map(|arm| {
            let (left, right) = (arm - arm_width_m / 2.0, arm + arm_width_m / 2.0);
            let (edge, end) = (width_m, width_m + arm_length_m);
            [[right, edge], [right, end], [left, end], [left, edge]]
        });
        let vertices: Vec<Point> = std::iter::once([0.0, 0.0])
            .chain(below)
            .chain([[length_m, 0.0], [length_m, width_m]])
            .chain(above)
            .chain([[0.0, width_m]])
            .collect();
        Self::polygon(&vertices)
    }

    /// A polygon by its corners, counter-clockwise; its edge begins at the first. Refused where it crosses or touches
    /// itself, runs clockwise, or has a side without length.
    pub fn polygon(vertices_m: &[[f64; 2]]) -> Result<Self, SheetError> {
        check_polygon(vertices_m, Part::Vertex)?;
        if area(vertices_m) <= 0.0 {
            let problem = "the corners run clockwise";
            return Err(SheetError::new(Part::Outline, problem, "list them counter-clockwise"));
        }
        let next = |k: usize| vertices_m[(k + 1) % vertices_m.len()];
        let lines = vertices_m.iter().enumerate().map(|(k, &from)| Piece::Line { from, to: next(k) });
        Ok(Self { pieces: lines.collect(), holes: Vec::new() })
    }

    /// The same with a hole, by its corners in either sense. Refused where it crosses itself, or does not lie inside,
    /// apart from the edge and from other holes.
    pub fn with_hole(mut self, vertices_m: &[[f64; 2]]) -> Result<Self, SheetError> {
        let hole = self.holes.len();
        check_polygon(vertices_m, |_| Part::Hole(hole))?;
        let refused = |problem: &str| {
            Err(SheetError::new(
                Part::Hole(hole),
                problem,
                "draw it inside the sheet, apart from everything else",
            ))
        };
        let apart =
            |ring: &[Point]| sides(ring).all(|a| sides(vertices_m).all(|b| gap(a, b) > self.closest()));
        let edge = self.as_polygon();
        if !inside(&edge, vertices_m[0]) || !apart(&edge) {
            return refused("the hole is not inside the sheet");
        }
        let meets = |other: &Vec<Point>| {
            !apart(other) || inside(other, vertices_m[0]) || inside(vertices_m, other[0])
        };
        if self.holes.iter().any(meets) {
            return refused("the hole meets another one");
        }
        let mut vertices = vertices_m.to_vec();
        if area(&vertices) > 0.0 {
            vertices.reverse();
        }
        self.holes.push(vertices);
        Ok(self)
    }

    /// Length of the edge, holes not counted, in metres.
    pub fn perimeter_m(&self) -> f64 {
        self.pieces.iter().map(Piece::length).sum()
    }

    /// Where each piece begins along the edge.
    pub(crate) fn starts(&self) -> Vec<f64> {
        let mut at = 0.0;
        let begin = |piece: &Piece| {
            let here = at;
            at += piece.length();
            here
        };
        self.pieces.iter().map(begin).collect()
    }

    /// Interior angle where each piece begins, in rad.
    pub(crate) fn angles(&self) -> Vec<f64> {
        let count = self.pieces.len();
        let angle = |k: usize| {
            let [_, before] = self.pieces[(k + count - 1) % count].directions();
            let [after, _] = self.pieces[k].directions();
            PI - turn(before, after)
        };
        (0..count).map(angle).collect()
    }

    /// A length that tells the size of the sheet.
    pub(crate) fn size(&self) -> f64 {
        let edge = self.as_polygon();
        let extent = |axis: usize| {
            let values = edge.iter().map(|point| point[axis]);
            values.clone().fold(f64::MIN, f64::max) - values.fold(f64::MAX, f64::min)
        };
        extent(0).max(extent(1))
    }

    /// Area, in square metres; arcs by the polygon that stands for them.
    pub(crate) fn area(&self) -> f64 {
        area(&self.as_polygon())
    }

    fn closest(&self) -> f64 {
        CLOSEST * self.size()
    }

    /// The edge as a polygon; arcs by chords of a degree.
    fn as_polygon(&self) -> Vec<Point> {
        let mut points = Vec::new();
        for piece in &self.pieces {
            let count = match piece {
                Piece::Line { .. } => 1,
                Piece::Arc { from, to, .. } => ((to - from) / TAU * 360.0).ceil() as usize,
            };
            let length = piece.length();
            points.extend((0..count).map(|k| piece.after(length * k as f64 / count as f64)));
        }
        points
    }
}

fn positive(what: &str, value: f64) -> Result<(), SheetError> {
    if value.is_finite() && value > 0.0 {
        return Ok(());
    }
    Err(SheetError::new(Part::Outline, format!("the {what} is {value} m"), "write a length above zero"))
}

/// Angle from one direction to another, −π to π.
fn turn(a: Point, b: Point) -> f64 {
    (a[0] * b[1] - a[1] * b[0]).atan2(a[0] * b[0] + a[1] * b[1])
}

fn area(ring: &[Point]) -> f64 {
    sides(ring).map(|[a, b]| a[0] * b[1] - a[1] * b[0]).sum::<f64>() / 2.0
}

fn sides(ring: &[Point]) -> impl Iterator<Item = [Point; 2]> + Clone + '_ {
    (0..ring.len()).map(move |k| [ring[k], ring[(k + 1) % ring.len()]])
}

/// Even-odd rule.
pub(crate) fn inside(ring: &[Point], point: Point) -> bool {
    let crosses = |[a, b]: &[Point; 2]| {
        (a[1] > point[1]) != (b[1] > point[1])
            && point[0] < a[0] + (point[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
    };
    sides(ring).filter(crosses).count() % 2 == 1
}

/// Shortest distance between two sides; zero where they cross.
fn gap([a, b]: [Point; 2], [c, d]: [Point; 2]) -> f64 {
    let cross = |o: Point, p: Point, q: Point| (p[0] - o[0]) * (q[1] - o[1]) - (p[1] - o[1]) * (q[0] - o[0]);
    let apart = |p: Point, q: Point, r: Point, s: Point| cross(p, q, r) * cross(p, q, s) < 0.0;
    if apart(a, b, c, d) && apart(c, d, a, b) {
        return 0.0;
    }
    let to_side = |p: Point, [a, b]: [Point; 2]| {
        let length = distance(a, b).powi(2);
        let part = ((p[0] - a[0]) * (b[0] - a[0]) + (p[1] - a[1]) * (b[1] - a[1])) / length;
        distance(p, along(a, b, part.clamp(0.0, 1.0)))
    };
    [to_side(a, [c, d]), to_side(b, [c, d]), to_side(c, [a, b]), to_side(d, [a, b])]
        .into_iter()
        .fold(f64::INFINITY, f64::min)
}

/// Sides have a length, and sides that are not neighbours do not meet.
fn check_polygon(ring: &[Point], part: impl Fn(usize) -> Part) -> Result<(), SheetError> {
    if ring.len() < 3 {
        let problem = format!("{} corners are no polygon", ring.len());
        return Err(SheetError::new(Part::Outline, problem, "write three corners or more"));
    }
    if let Some(k) = ring.iter().position(|p| !p[0].is_finite() || !p[1].is_finite()) {
        return Err(SheetError::new(part(k), "a corner is not finite", "write two finite numbers"));
    }
    let size = sides(ring).map(|[a, b]| distance(a, b)).fold(0.0, f64::max);
    let all: Vec<_> = sides(ring).collect();
    let count = all.len();
    for (k, &[a, b]) in all.iter().enumerate() {
        if distance(a, b) <= CLOSEST * size {
            let remedy = "leave one of the two corners out";
            return Err(SheetError::new(part(k), "this corner and the next are one", remedy));
        }
        let [_, c] = all[(k + 1) % count];
        if PI - turn([b[0] - a[0], b[1] - a[1]], [c[0] - b[0], c[1] - b[1]]).abs() < 1e-6 {
            let remedy = "leave the corner out, or open the angle";
            return Err(SheetError::new(
                part((k + 1) % count),
                "the edge runs back onto itself here",
                remedy,
            ));
        }
    }
    // Sides sorted by their left end, so that only those that overlap in x are held against each other.
    let left = |[a, b]: [Point; 2]| a[0].min(b[0]);
    let right = |[a, b]: [Point; 2]| a[0].max(b[0]);
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by(|&k, &j| left(all[k]).total_cmp(&left(all[j])));
    for (place, &k) in order.iter().enumerate() {
        let reach = right(all[k]) + CLOSEST * size;
        for &j in order[place + 1..].iter().take_while(|&&j| left(all[j]) <= reach) {
            let neighbours = (k + 1) % count == j || (j + 1) % count == k;
            if !neighbours && gap(all[k], all[j]) <= CLOSEST * size {
                let (k, j) = (k.min(j), k.max(j));
                let problem = format!("the side from corner {} meets the one from corner {}", j + 1, k + 1);
                let remedy = "draw an edge that does not cross or touch itself";
                return Err(SheetError::new(part(j), problem, remedy));
            }
        }
    }
    Ok(())
}
