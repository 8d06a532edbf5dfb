//! Triangles over a sheet, graded to where the potential is not smooth. Lengths are relative to the size of the sheet.

use super::error::{Part, SheetError};
use super::outline::{Outline, Piece, Point};
use super::sizes::{Cut, Fineness, Singular, Sizes};
use super::{EdgeContact, InnerContact};
use spade::{AngleLimit, ConstrainedDelaunayTriangulation, Point2, RefinementParameters, Triangulation};
use std::collections::HashSet;

/// Smallest angle wanted of a triangle, in degrees.
const ANGLE_DEG: f64 = 25.0;

/// A triangle is divided if its area is larger than this times the square of the wanted size.
const ROOM: f64 = 0.65;

/// Rounds of dividing; one or two are enough.
const ROUNDS: usize = 8;

/// Most triangles. At order five that is a million unknowns and some four gigabytes while they are solved.
const MOST_TRIANGLES: f64 = 80_000.0;

/// Bytes for each triangle while the sheet is solved; measured at order five.
const BYTES_PER_TRIANGLE: f64 = 5e4;

/// Whose a stretch of edge is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Owner {
    /// A contact's.
    Contact(usize),
    /// The gap's after contact k.
    Gap(usize),
    /// A hole's.
    Hole(usize),
}

/// A side of a triangle that lies on the edge.
#[derive(Clone, Copy, Debug)]
pub(crate) struct EdgeSide {
    pub(crate) from: usize,
    pub(crate) to: usize,
    pub(crate) owner: Owner,
    /// Centre, radius, and the angles of its ends, where it is an arc.
    pub(crate) arc: Option<Arc>,
}

/// A piece of a circle.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Arc {
    pub(crate) centre: Point,
    pub(crate) radius: f64,
    pub(crate) from: f64,
    pub(crate) to: f64,
}

/// Triangles and what of them is on the edge.
pub(crate) struct Mesh {
    pub(crate) points: Vec<Point>,
    /// Corners counter-clockwise.
    pub(crate) triangles: Vec<[usize; 3]>,
    /// Sides on the edge and on holes, with the sheet to their left.
    pub(crate) sides: Vec<EdgeSide>,
}

/// A stretch of edge with one owner on one piece: between two places where something changes.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    piece: Piece,
    /// From and to, after the beginning of the piece.
    from: f64,
    to: f64,
    owner: Owner,
    /// Interior angle at its beginning.
    angle: f64,
}

impl Stretch {
    fn length(&self) -> f64 {
        self.to - self.from
    }

    fn point(&self, cut: Cut) -> Point {
        let piece_length = self.piece.length();
        let at = match cut {
            Cut::After(r) => self.from + r,
            Cut::Before(r) => self.to - r,
        };
        // From the end that is nearer: small distances keep their digits there.
        if at <= piece_length / 2.0 { self.piece.after(at) } else { self.piece.before(piece_length - at) }
    }
}

impl Mesh {
    pub(crate) fn new(
        outline: &Outline,
        contacts: &[EdgeContact],
        inner: &[InnerContact],
        fineness: &Fineness,
    ) -> Result<Self, SheetError> {
        let scale = 1.0 / outline.size();
        let mut rings = vec![edge(outline, contacts, scale)];
        rings.extend(outline.holes.iter().enumerate().map(|(h, hole)| ring(hole, Owner::Hole(h), scale)));
        let first = contacts.len();
        let areas = inner.iter().enumerate();
        rings.extend(areas.map(|(k, area)| ring(&area.clockwise(), Owner::Contact(first + k), scale)));
        let singular = rings.iter().flat_map(|ring| singular_points(ring, fineness)).collect();
        let sizes = Sizes::new(singular, fineness);
        let mut points = Vec::new();
        let mut sides = Vec::new();
        for ring in &rings {
            divide(ring, &sizes, &mut points, &mut sides);
        }
        check_memory(outline, scale, sides.len())?;
        triangulate(points, sides, &sizes)
    }
}

/// Refuses before anything large is made.
fn check_memory(outline: &Outline, scale: f64, sides: usize) -> Result<(), SheetError> {
    // A graded mesh has some seven triangles for each side on its edge.
    let triangles = 7.0 * sides as f64 + 2.0 * outline.area() * scale * scale / 0.0625;
    if triangles <= MOST_TRIANGLES {
        return Ok(());
    }
    let problem = format!(
        "the mesh would need about {triangles:.0} triangles, {:.0} unknowns and {:.0} GB",
        12.5 * triangles,
        triangles * BYTES_PER_TRIANGLE / 1e9
    );
    let remedy = "use fewer corners and contacts, or a larger tolerance";
    Err(SheetError::new(Part::Outline, problem, remedy))
}

/// The edge as stretches.
fn edge(outline: &Outline, contacts: &[EdgeContact], scale: f64) -> Vec<Stretch> {
    let whole = outline.perimeter_m();
    let near = 1e-12 * whole;
    let starts = outline.starts();
    let snapped = |s: f64| {
        let s = s.rem_euclid(whole);
        let corner = starts.iter().copied().chain([whole]).find(|corner| (corner - s).abs() <= near);
        corner.map_or(s, |corner| if corner == whole { 0.0 } else { corner })
    };
    let ends: Vec<[f64; 2]> = contacts
        .iter()
        .map(|c| [c.at_m - c.length_m / 2.0, c.at_m + c.length_m / 2.0].map(snapped))
        .collect();
    let mut marks: Vec<f64> = starts.iter().copied().chain(ends.iter().flatten().copied()).collect();
    marks.sort_by(f64::total_cmp);
    marks.dedup_by(|a, b| *a == *b);
    let owner = |s: f64| {
        let passed = |from: f64| (s - from).rem_euclid(whole);
        let inside = ends.iter().position(|&[from, to]| passed(from) < (to - from).rem_euclid(whole));
        let last = || {
            let after = |k: &usize| passed(ends[*k][1]);
            (0..ends.len()).min_by(|j, k| after(j).total_cmp(&after(k))).unwrap_or(0)
        };
        inside.map_or_else(|| Owner::Gap(last()), Owner::Contact)
    };
    let angles = outline.angles();
    let stretch = |k: usize| {
        let (from, to) = (marks[k], marks.get(k + 1).copied().unwrap_or(whole));
        let piece = starts.partition_point(|start| *start <= from) - 1;
        let angle = if from == starts[piece] { angles[piece] } else { std::f64::consts::PI };
        Stretch {
            piece: scaled(outline.pieces[piece], scale),
            from: (from - starts[piece]) * scale,
            to: (to - starts[piece]) * scale,
            owner: owner((from + to) / 2.0),
            angle,
        }
    };
    (0..marks.len()).map(stretch).collect()
}

/// A ring of corners, clockwise, around what is not sheet.
fn ring(corners: &[Point], owner: Owner, scale: f64) -> Vec<Stretch> {
    let count = corners.len();
    let stretch = |k: usize| {
        let (before, from, to) = (corners[(k + count - 1) % count], corners[k], corners[(k + 1) % count]);
        let (a, b) = ([from[0] - before[0], from[1] - before[1]], [to[0] - from[0], to[1] - from[1]]);
        let turn = (a[0] * b[1] - a[1] * b[0]).atan2(a[0] * b[0] + a[1] * b[1]);
        let piece = scaled(Piece::Line { from, to }, scale);
        Stretch { piece, from: 0.0, to: piece.length(), owner, angle: std::f64::consts::PI - turn }
    };
    (0..count).map(stretch).collect()
}

fn scaled(piece: Piece, scale: f64) -> Piece {
    let moved = |[x, y]: Point| [x * scale, y * scale];
    match piece {
        Piece::Line { from, to } => Piece::Line { from: moved(from), to: moved(to) },
        Piece::Arc { centre, radius, from, to } => {
            Piece::Arc { centre: moved(centre), radius: radius * scale, from, to }
        }
    }
}

fn singular_points(ring: &[Stretch], fineness: &Fineness) -> Vec<Singular> {
    let count = ring.len();
    let at = |k: usize| {
        let (before, after) = (&ring[(k + count - 1) % count], &ring[k]);
        let stretch = before.length().min(after.length());
        let point = after.point(Cut::After(0.0));
        if before.owner == after.owner {
            Singular::corner(point, after.angle, stretch, fineness)
        } else {
            Some(Singular::contact_end(point, after.angle, stretch, fineness))
        }
    };
    (0..count).filter_map(at).collect()
}

fn divide(ring: &[Stretch], sizes: &Sizes, points: &mut Vec<Point>, sides: &mut Vec<EdgeSide>) {
    let first = points.len();
    for stretch in ring {
        let (after, before) = (|r| stretch.point(Cut::After(r)), |r| stretch.point(Cut::Before(r)));
        let cuts = sizes.divide(stretch.length(), after, before);
        let places = std::iter::once(Cut::After(0.0)).chain(cuts);
        let begin = points.len();
        points.extend(places.clone().map(|cut| stretch.point(cut)));
        let along = |cut: Cut| match cut {
            Cut::After(r) => stretch.from + r,
            Cut::Before(r) => stretch.to - r,
        };
        let ends: Vec<f64> = places.map(along).chain([stretch.to]).collect();
        for (k, pair) in ends.windows(2).enumerate() {
            let arc = match stretch.piece {
                Piece::Line { .. } => None,
                Piece::Arc { centre, radius, from, .. } => {
                    let [from, to] = [pair[0], pair[1]].map(|s| from + s / radius);
                    Some(Arc { centre, radius, from, to })
                }
            };
            sides.push(EdgeSide { from: begin + k, to: begin + k + 1, owner: stretch.owner, arc });
        }
    }
    if let Some(last) = sides.last_mut() {
        last.to = first;
    }
}

fn triangulate(points: Vec<Point>, sides: Vec<EdgeSide>, sizes: &Sizes) -> Result<Mesh, SheetError> {
    let failed = |why: String| {
        SheetError::new(Part::Outline, format!("no mesh could be made: {why}"), "simplify the outline")
    };
    let vertices = points.iter().map(|p| Point2::new(p[0], p[1])).collect();
    let edges = sides.iter().map(|side| [side.from, side.to]).collect();
    let mut cdt = ConstrainedDelaunayTriangulation::<Point2<f64>>::bulk_load_cdt(vertices, edges)
        .map_err(|error| failed(error.to_string()))?;
    let most = 4 * MOST_TRIANGLES as usize;
    let parameters = || {
        RefinementParameters::<f64>::new()
            .with_angle_limit(AngleLimit::from_deg(ANGLE_DEG))
            .keep_constraint_edges()
            .exclude_outer_faces(true)
            .with_max_additional_vertices(most)
    };
    let mut outer: HashSet<usize> = HashSet::new();
    for _ in 0..ROUNDS {
        let result = cdt.refine(parameters());
        if !result.refinement_complete {
            return Err(failed("it does not come to an end".to_owned()));
        }
        outer = result.excluded_faces.iter().map(|face| face.index()).collect();
        let mut middles = Vec::new();
        for face in cdt.inner_faces().filter(|face| !outer.contains(&face.fix().index())) {
            let middle = face.center();
            let size = sizes.at([middle.x, middle.y]);
            if face.area() > ROOM * size * size {
                middles.push(middle);
            }
        }
        if middles.is_empty() {
            break;
        }
        for middle in middles {
            cdt.insert(middle).map_err(|error| failed(error.to_string()))?;
        }
    }
    let result = cdt.refine(parameters());
    if result.refinement_complete {
        outer = result.excluded_faces.iter().map(|face| face.index()).collect();
    }
    let triangles = cdt
        .inner_faces()
        .filter(|face| !outer.contains(&face.fix().index()))
        .map(|face| face.vertices().map(|vertex| vertex.fix().index()))
        .collect();
    let points = cdt.vertices().map(|vertex| [vertex.position().x, vertex.position().y]).collect();
    Ok(Mesh { points, triangles, sides })
}

impl Arc {
    /// How far the arc lies from its chord at a part of it, over part × (1 − part): smooth, also at its ends.
    pub(crate) fn bulge(&self, part: f64) -> Point {
        let on = |angle: f64| {
            [self.centre[0] + self.radius * angle.cos(), self.centre[1] + self.radius * angle.sin()]
        };
        let (from, to) = (on(self.from), on(self.to));
        let here = on(self.from + part * (self.to - self.from));
        let chord = |axis: usize| from[axis] + part * (to[axis] - from[axis]);
        let weight = part * (1.0 - part);
        [0, 1].map(|axis| (here[axis] - chord(axis)) / weight)
    }
}
