//! The outline of a sheet: a closed edge of straight stretches and arcs, and holes. Knows no contact.

use super::{
    checks,
    error::{Part, SheetError},
    piece::{Piece, Point, circle, closed, polyline},
};

/// The outline of a sheet in metres, checked: an edge passed counter-clockwise that does not cross itself, with holes
/// inside that touch neither it nor each other.
///
/// Positions on the edge are arc lengths from a start, counter-clockwise: angle zero of a disc, the lower left corner of
/// a rectangle, the first vertex of a polygon.
#[derive(Clone, Debug, PartialEq)]
pub struct Outline {
    edge: Vec<Piece>,
    /// Each passed clockwise, with the sheet on the left.
    holes: Vec<Vec<Piece>>,
}

impl Outline {
    /// A disc, its centre at the origin; the edge starts at angle zero.
    pub fn disc(diameter_m: f64) -> Result<Self, SheetError> {
        checks::dimension(Part::Outline, "diameter", diameter_m)?;
        Ok(Self { edge: circle([0.0; 2], diameter_m / 2.0), holes: Vec::new() })
    }

    /// A square; the edge starts at its lower left corner, the origin.
    pub fn square(side_m: f64) -> Result<Self, SheetError> {
        checks::dimension(Part::Outline, "side", side_m)?;
        Self::rectangle(side_m, side_m)
    }

    /// A rectangle; the edge starts at its lower left corner, the origin, and goes along the width first.
    pub fn rectangle(width_m: f64, height_m: f64) -> Result<Self, SheetError> {
        checks::dimension(Part::Outline, "width", width_m)?;
        checks::dimension(Part::Outline, "height", height_m)?;
        Self::polygon(&[[0.0, 0.0], [width_m, 0.0], [width_m, height_m], [0.0, height_m]])
    }

    /// A polygon, counter-clockwise; the edge starts at its first vertex. The last vertex is joined to the first.
    pub fn polygon(vertices_m: &[[f64; 2]]) -> Result<Self, SheetError> {
        checks::polygon(vertices_m, Part::Outline, Part::Vertex)?;
        if checks::is_clockwise(vertices_m) {
            return Err(SheetError::bad(
                Part::Outline,
                "the vertices go clockwise",
                "list them counter-clockwise, as contacts are counted along the edge in that direction",
            ));
        }
        Ok(Self { edge: closed(vertices_m), holes: Vec::new() })
    }

    /// With a polygonal hole, its vertices in either direction.
    pub fn with_hole(self, vertices_m: &[[f64; 2]]) -> Result<Self, SheetError> {
        let part = Part::Hole(self.holes.len());
        self.with_hole_of(polygonal_hole(vertices_m, part)?, part)
    }

    /// With a round hole.
    pub fn with_round_hole(self, centre_m: [f64; 2], diameter_m: f64) -> Result<Self, SheetError> {
        let part = Part::Hole(self.holes.len());
        self.with_hole_of(round_hole(centre_m, diameter_m, part)?, part)
    }

    pub(crate) fn with_hole_of(mut self, hole: Vec<Piece>, part: Part) -> Result<Self, SheetError> {
        let others: Vec<Vec<Point>> = self.holes.iter().map(|hole| polyline(hole)).collect();
        checks::hole(&polyline(&hole), &polyline(&self.edge), &others, part)?;
        self.holes.push(hole);
        Ok(self)
    }

    /// From pieces that a shape of the library is made of.
    pub(crate) fn of_pieces(edge: Vec<Piece>) -> Self {
        Self { edge, holes: Vec::new() }
    }

    /// Length of the outer edge in metres.
    pub fn perimeter_m(&self) -> f64 {
        self.edge.iter().map(Piece::length).sum()
    }

    /// Where on the edge each straight stretch or arc begins, in metres from the start: the corners.
    pub fn corners_m(&self) -> Vec<f64> {
        let mut at = 0.0;
        let corner = |piece: &Piece| {
            let start = at;
            at += piece.length();
            start
        };
        self.edge.iter().map(corner).collect()
    }

    /// The point of the outer edge at an arc length from its start (modulo the perimeter), in metres.
    pub fn point_m(&self, at_m: f64) -> [f64; 2] {
        let mut rest = at_m.rem_euclid(self.perimeter_m());
        for piece in &self.edge {
            let length = piece.length();
            if rest <= length {
                return piece.at(rest / length);
            }
            rest -= length;
        }
        self.edge[0].at(0.0)
    }

    pub(crate) fn edge(&self) -> &[Piece] {
        &self.edge
    }

    pub(crate) fn holes(&self) -> &[Vec<Piece>] {
        &self.holes
    }
}

/// A polygon passed clockwise.
pub(crate) fn polygonal_hole(vertices: &[Point], part: Part) -> Result<Vec<Piece>, SheetError> {
    checks::polygon(vertices, part, |_| part)?;
    let mut vertices = vertices.to_vec();
    if !checks::is_clockwise(&vertices) {
        vertices.reverse();
    }
    Ok(closed(&vertices))
}

/// A circle passed clockwise.
pub(crate) fn round_hole(centre: Point, diameter: f64, part: Part) -> Result<Vec<Piece>, SheetError> {
    checks::dimension(part, "diameter", diameter)?;
    checks::finite(part, centre)?;
    Ok(circle(centre, diameter / 2.0).iter().map(Piece::reversed).collect())
}
