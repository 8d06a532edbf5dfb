//! How fine a mesh must be where: geometrically finer towards contact ends and corners, where the field is singular.

use super::{
    error::{Part, SheetError},
    layout::{Label, Layout, Stretch},
    piece::{Point, distance},
};
use std::f64::consts::PI;

/// Order of the elements and how finely they are graded: all that the accuracy of a solution hangs on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fineness {
    /// Degree of the polynomials, 2 to 8. Beyond 7, rounding grows.
    pub order: usize,
    /// Size of an element over its distance from the nearest singular point: 0.8 or so.
    pub growth: f64,
    /// Error that the innermost elements may leave, roughly: h^s over the distance to the next singular point, where s is
    /// the sum of the exponents of the solution and of its adjoint.
    pub innermost: f64,
    /// Largest element over the size of the sheet.
    pub largest: f64,
    /// Largest angle of an arc that one element spans, in rad.
    pub arc: f64,
}

impl Fineness {
    pub(crate) fn check(&self) -> Result<(), SheetError> {
        let Self { order, growth, innermost, largest, arc } = *self;
        if !(2..=8).contains(&order) {
            let problem = format!("elements of order {order}");
            return Err(SheetError::bad(Part::Request, problem, "2 to 8 are possible"));
        }
        for (name, value) in
            [("growth", growth), ("innermost", innermost), ("largest", largest), ("arc", arc)]
        {
            if !(value > 0.0 && value <= 2.0) {
                let problem = format!("a mesh with {name} {value}");
                return Err(SheetError::bad(Part::Request, problem, "must be above 0 and not above 2"));
            }
        }
        Ok(())
    }
}

/// A linear map of the plane of determinant one, that takes the anisotropy away.
pub(crate) type Map = [[f64; 2]; 2];

pub(crate) fn inverse_of(map: &Map) -> Map {
    [[map[1][1], -map[0][1]], [-map[1][0], map[0][0]]]
}

pub(crate) fn mapped(map: &Map, [x, y]: Point) -> Point {
    [map[0][0] * x + map[0][1] * y, map[1][0] * x + map[1][1] * y]
}

/// A singular point and the size of the elements at it.
#[derive(Clone, Copy, Debug)]
struct Spot {
    at: Point,
    least: f64,
}

/// Wanted size of an element at each point.
#[derive(Clone, Debug)]
pub(crate) struct Sizes {
    spots: Vec<Spot>,
    growth: f64,
    largest: f64,
    arc: f64,
    map: Map,
}

impl Sizes {
    pub(crate) fn new(layout: &Layout, map: Map, fineness: Fineness) -> Self {
        let found: Vec<Singular> =
            layout.loops.iter().flat_map(|stretches| singular_points(stretches, &map)).collect();
        let ends = layout.loops.iter().flatten().map(|stretch| mapped(&map, stretch.at(0.0)));
        let size = span(&ends.chain(middles(layout, &map)).collect::<Vec<_>>());
        let spots = found.iter().enumerate().map(|(i, spot)| {
            let others = found.iter().enumerate().filter(|&(j, _)| j != i);
            let scale = others.fold(size / 2.0, |least, (_, other)| least.min(distance(spot.at, other.at)));
            // The error is bilinear in the solution's and the adjoint's share of the singularity.
            let innermost = (fineness.innermost / spot.strength.powi(2)).powf(1.0 / spot.exponent);
            Spot { at: spot.at, least: scale * innermost.min(0.5) }
        });
        Self {
            spots: spots.collect(),
            growth: fineness.growth,
            largest: fineness.largest * size,
            arc: fineness.arc,
            map,
        }
    }

    pub(crate) fn at(&self, point: Point) -> f64 {
        self.spots.iter().fold(self.largest, |size, spot| {
            size.min((self.growth * distance(point, spot.at)).max(spot.least))
        })
    }

    pub(crate) fn mapped(&self, point: Point) -> Point {
        mapped(&self.map, point)
    }

    /// Fractions of the stretch, 0 first and 1 left out, at which its nodes are; or, if it takes more than
    /// `most`, how many there were until it was noticed.
    pub(crate) fn nodes(&self, stretch: &Stretch, most: usize) -> Result<Vec<f64>, usize> {
        let turning = stretch.piece.turning() * (stretch.to - stretch.from);
        let mut cells = Cells { sizes: self, stretch, turning, ends: vec![(0.0, 0.0)], most };
        cells.fill(0.0, 1.0)?;
        let total = cells.ends.last().map_or(0.0, |&(_, count)| count);
        let count = total.ceil().max(1.0) as usize;
        let mut nodes = Vec::with_capacity(count);
        let mut cell = 1;
        for i in 0..count {
            let wanted = i as f64 / count as f64 * total;
            while cells.ends[cell].1 < wanted {
                cell += 1;
            }
            let ((a, m), (b, n)) = (cells.ends[cell - 1], cells.ends[cell]);
            nodes.push(a + (b - a) * ((wanted - m) / (n - m)).clamp(0.0, 1.0));
        }
        Ok(nodes)
    }
}

/// Cells so short that the wanted size hardly varies in one, and the number of elements up to the end of each.
struct Cells<'a> {
    sizes: &'a Sizes,
    stretch: &'a Stretch,
    turning: f64,
    ends: Vec<(f64, f64)>,
    most: usize,
}

impl Cells<'_> {
    fn fill(&mut self, from: f64, to: f64) -> Result<(), usize> {
        let point = |fraction: f64| self.sizes.mapped(self.stretch.at(fraction));
        let length = distance(point(from), point(to));
        let elements = (length / self.sizes.at(point((from + to) / 2.0)))
            .max(self.turning * (to - from) / self.sizes.arc);
        if elements > 0.3 && to - from > 1e-15 {
            let middle = (from + to) / 2.0;
            self.fill(from, middle)?;
            return self.fill(middle, to);
        }
        let before = self.ends.last().map_or(0.0, |&(_, count)| count);
        let count = before + elements.max(f64::MIN_POSITIVE);
        self.ends.push((to, count));
        if count <= self.most as f64 { Ok(()) } else { Err(count.ceil() as usize) }
    }
}

/// A point where a derivative of the solution is infinite.
struct Singular {
    at: Point,
    /// Sum of the exponents of the solution and of its adjoint.
    exponent: f64,
    /// 1, or less for a corner that is nearly straight: its share goes with the angle by which the edge turns.
    strength: f64,
}

/// Points where a derivative of the solution is infinite.
///
/// In a wedge of angle ω between a contact and an insulating edge they are (π/2 ∓ θ)/ω, between two stretches of one kind
/// π/ω each, at any Hall angle θ; where π/ω is an integer the solution is smooth.
fn singular_points(stretches: &[Stretch], map: &Map) -> Vec<Singular> {
    let count = stretches.len();
    let at = |i: usize| {
        let (before, after) = (&stretches[(i + count - 1) % count], &stretches[i]);
        let [incoming, outgoing] =
            [before.piece.direction(before.to), after.piece.direction(after.from)].map(|d| mapped(map, d));
        let turn = (incoming[0] * outgoing[1] - incoming[1] * outgoing[0])
            .atan2(incoming[0] * outgoing[0] + incoming[1] * outgoing[1]);
        let exponent = PI / (PI - turn);
        let at = mapped(map, after.at(0.0));
        if is_contact(before.label) != is_contact(after.label) {
            Some(Singular { at, exponent, strength: 1.0 })
        } else if (exponent - exponent.round()).abs() > 1e-6 {
            Some(Singular { at, exponent: 2.0 * exponent, strength: (2.0 * turn.abs() / PI).min(1.0) })
        } else {
            None
        }
    };
    (0..count).filter_map(at).collect()
}

fn is_contact(label: Label) -> bool {
    matches!(label, Label::Contact(_))
}

fn middles<'a>(layout: &'a Layout, map: &'a Map) -> impl Iterator<Item = Point> + 'a {
    let quarters = |stretch: &'a Stretch| [0.25, 0.5, 0.75].map(|part| mapped(map, stretch.at(part)));
    layout.loops.iter().flatten().flat_map(quarters)
}

fn span(points: &[Point]) -> f64 {
    super::checks::size(points) / std::f64::consts::SQRT_2
}
