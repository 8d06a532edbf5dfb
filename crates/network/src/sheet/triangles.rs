//! The sheet divided into triangles, graded, with the edge's stretches on their edges. Knows no equation.

use super::{
    error::SheetError,
    grading::Sizes,
    layout::{Label, Layout, Stretch},
    piece::{Point, cross, distance},
};
use spade::{
    AngleLimit, ConstrainedDelaunayTriangulation, Point2, RefinementParameters, Triangulation as _,
    handles::{FixedFaceHandle, InnerTag},
};
use std::collections::{HashMap, HashSet};

type Delaunay = ConstrainedDelaunayTriangulation<Point2<f64>>;

/// Degrees; above about 30 refinement need not end.
const LEAST_ANGLE: f64 = 25.0;
/// Times the square of the wanted size: an equilateral triangle has 0.43.
const LARGEST_AREA: f64 = 0.65;
/// Rounds of dividing the triangles that are too large; one or two do.
const ROUNDS: usize = 12;

/// An edge of a triangle on an edge of the sheet, passed with the sheet on its left.
#[derive(Clone, Copy, Debug)]
pub(crate) struct EdgeSegment {
    pub(crate) ends: [usize; 2],
    pub(crate) stretch: Stretch,
    /// Fractions of the stretch at the ends.
    pub(crate) from: f64,
    pub(crate) to: f64,
}

impl EdgeSegment {
    pub(crate) fn label(&self) -> Label {
        self.stretch.label
    }
}

/// Vertices in coordinates in which the sheet is isotropic; triangles counter-clockwise.
#[derive(Clone, Debug)]
pub(crate) struct Triangles {
    pub(crate) vertices: Vec<Point>,
    pub(crate) corners: Vec<[usize; 3]>,
    pub(crate) edge: Vec<EdgeSegment>,
}

/// Nodes on the edges of the sheet, before anything is divided; what a mesh costs is estimated from their number.
pub(crate) struct EdgeNodes {
    /// For each edge, stretch by stretch.
    loops: Vec<Vec<(usize, f64)>>,
}

impl EdgeNodes {
    /// If there are more than `most`: how many were counted until it was noticed.
    pub(crate) fn new(layout: &Layout, sizes: &Sizes, most: usize) -> Result<Self, usize> {
        let mut left = most;
        let mut loops = Vec::new();
        for stretches in &layout.loops {
            let mut nodes = Vec::new();
            for (i, stretch) in stretches.iter().enumerate() {
                let fractions = sizes.nodes(stretch, left).map_err(|more| most - left + more)?;
                left -= fractions.len();
                nodes.extend(fractions.into_iter().map(|fraction| (i, fraction)));
            }
            loops.push(nodes);
        }
        Ok(Self { loops })
    }

    pub(crate) fn count(&self) -> usize {
        self.loops.iter().map(Vec::len).sum()
    }
}

impl Triangles {
    pub(crate) fn new(layout: &Layout, sizes: &Sizes, nodes: &EdgeNodes) -> Result<Self, SheetError> {
        let mut points = Vec::with_capacity(nodes.count());
        let mut constraints = Vec::with_capacity(nodes.count());
        for (stretches, nodes) in layout.loops.iter().zip(&nodes.loops) {
            let first = points.len();
            for (i, &(stretch, fraction)) in nodes.iter().enumerate() {
                let [x, y] = sizes.mapped(stretches[stretch].at(fraction));
                points.push(Point2::new(x, y));
                constraints.push([first + i, first + (i + 1) % nodes.len()]);
            }
        }
        let count = points.len();
        let mut delaunay = Delaunay::bulk_load_cdt(points, constraints)
            .map_err(|error| SheetError::Mesh { reason: error.to_string() })?;
        if delaunay.num_vertices() != count {
            return Err(SheetError::Mesh { reason: "two points of its edge fall together".into() });
        }
        let outer = divide(&mut delaunay, sizes, 40 * count + 10_000)?;
        let mut triangles = Self::inside(&delaunay, &outer);
        triangles.edge = edge_segments(&delaunay, &triangles.corners, layout, nodes)?;
        triangles.snap(sizes)?;
        Ok(triangles)
    }

    fn inside(delaunay: &Delaunay, outer: &HashSet<FixedFaceHandle<InnerTag>>) -> Self {
        let vertices = delaunay.vertices().map(|v| [v.position().x, v.position().y]).collect();
        let inner = delaunay.inner_faces().filter(|face| !outer.contains(&face.fix()));
        let corners = inner.map(|face| face.vertices().map(|v| v.index())).collect();
        Self { vertices, corners, edge: Vec::new() }
    }

    /// Moves nodes that divided a chord out onto the arc.
    fn snap(&mut self, sizes: &Sizes) -> Result<(), SheetError> {
        for segment in &self.edge {
            self.vertices[segment.ends[0]] = sizes.mapped(segment.stretch.at(segment.from));
        }
        let folded = |&[a, b, c]: &[usize; 3]| {
            let [a, b, c] = [a, b, c].map(|i| self.vertices[i]);
            cross(a, b, c) <= 0.0
        };
        if self.corners.iter().any(folded) {
            return Err(SheetError::Mesh { reason: "an arc folds a triangle over".into() });
        }
        Ok(())
    }
}

/// Refines until every triangle is as small as wanted; the faces that lie outside the sheet.
fn divide(
    delaunay: &mut Delaunay,
    sizes: &Sizes,
    most: usize,
) -> Result<HashSet<FixedFaceHandle<InnerTag>>, SheetError> {
    for _ in 0..ROUNDS {
        let parameters = RefinementParameters::new()
            .with_angle_limit(AngleLimit::from_deg(LEAST_ANGLE))
            .exclude_outer_faces(true)
            .with_max_additional_vertices(most);
        let result = delaunay.refine(parameters);
        if !result.refinement_complete {
            return Err(SheetError::Mesh { reason: format!("{most} more points were not enough") });
        }
        let outer: HashSet<_> = result.excluded_faces.into_iter().collect();
        let centres = too_large(delaunay, &outer, sizes);
        if centres.is_empty() {
            return Ok(outer);
        }
        for centre in centres {
            delaunay.insert(centre).map_err(|error| SheetError::Mesh { reason: error.to_string() })?;
        }
    }
    Err(SheetError::Mesh { reason: "its triangles do not become small enough".into() })
}

fn too_large(
    delaunay: &Delaunay,
    outer: &HashSet<FixedFaceHandle<InnerTag>>,
    sizes: &Sizes,
) -> Vec<Point2<f64>> {
    let large = delaunay.inner_faces().filter(|face| !outer.contains(&face.fix())).filter_map(|face| {
        let centre = face.center();
        let size = sizes.at([centre.x, centre.y]);
        (face.area() > LARGEST_AREA * size * size).then_some(centre)
    });
    large.collect()
}

/// The stretches of the edges as the triangulation has divided them, walked from node to node.
fn edge_segments(
    delaunay: &Delaunay,
    corners: &[[usize; 3]],
    layout: &Layout,
    nodes: &EdgeNodes,
) -> Result<Vec<EdgeSegment>, SheetError> {
    let constraints: HashSet<(usize, usize)> = delaunay
        .undirected_edges()
        .filter(|edge| edge.is_constraint_edge())
        .map(|edge| edge.vertices().map(|v| v.index()))
        .map(|[a, b]| (a.min(b), a.max(b)))
        .collect();
    let sides = corners.iter().flat_map(|&[a, b, c]| [(a, b), (b, c), (c, a)]);
    let next: HashMap<usize, usize> =
        sides.filter(|&(a, b)| constraints.contains(&(a.min(b), a.max(b)))).collect();
    let position = |v: usize| {
        let p = delaunay.vertex(spade::handles::FixedVertexHandle::from_index(v)).position();
        [p.x, p.y]
    };
    let broken = || SheetError::Mesh { reason: "its edge is not closed after refinement".into() };
    let mut segments = Vec::new();
    let mut first = 0;
    for (stretches, nodes) in layout.loops.iter().zip(&nodes.loops) {
        for (i, &(stretch, from)) in nodes.iter().enumerate() {
            let (start, end) = (first + i, first + (i + 1) % nodes.len());
            let to = nodes.get(i + 1).filter(|&&(next, _)| next == stretch).map_or(1.0, |&(_, to)| to);
            let chord = distance(position(start), position(end));
            let (mut at, mut fraction) = (start, from);
            while at != end {
                let following = *next.get(&at).ok_or_else(broken)?;
                let reached = if following == end {
                    to
                } else {
                    from + (to - from) * (distance(position(start), position(following)) / chord)
                };
                if reached <= fraction {
                    return Err(broken());
                }
                let stretch = stretches[stretch];
                segments.push(EdgeSegment { ends: [at, following], stretch, from: fraction, to: reached });
                (at, fraction) = (following, reached);
            }
        }
        first += nodes.len();
    }
    Ok(segments)
}
