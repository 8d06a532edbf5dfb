//! Straight stretches and circular arcs, of which the edges of a sheet are made.

pub(crate) type Point = [f64; 2];

/// One stretch of an edge, passed with the sheet on its left.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Piece {
    Line {
        from: Point,
        to: Point,
    },
    /// Angles in rad; a negative sweep goes clockwise.
    Arc {
        centre: Point,
        radius: f64,
        start: f64,
        sweep: f64,
    },
}

impl Piece {
    pub(crate) fn length(&self) -> f64 {
        match *self {
            Self::Line { from, to } => distance(from, to),
            Self::Arc { radius, sweep, .. } => radius * sweep.abs(),
        }
    }

    /// The point a fraction 0 to 1 of the length from the start. Near the end it is reckoned from the end, so that both
    /// ends are hit exactly.
    pub(crate) fn at(&self, fraction: f64) -> Point {
        match *self {
            Self::Line { from, to } => {
                let step = [to[0] - from[0], to[1] - from[1]];
                if fraction <= 0.5 {
                    [from[0] + fraction * step[0], from[1] + fraction * step[1]]
                } else {
                    let back = 1.0 - fraction;
                    [to[0] - back * step[0], to[1] - back * step[1]]
                }
            }
            Self::Arc { centre, radius, start, sweep } => {
                let (sin, cos) = (start + fraction * sweep).sin_cos();
                [centre[0] + radius * cos, centre[1] + radius * sin]
            }
        }
    }

    /// Unit direction of travel at the fraction.
    pub(crate) fn direction(&self, fraction: f64) -> Point {
        match *self {
            Self::Line { from, to } => {
                let length = distance(from, to);
                [(to[0] - from[0]) / length, (to[1] - from[1]) / length]
            }
            Self::Arc { start, sweep, .. } => {
                let (sin, cos) = (start + fraction * sweep).sin_cos();
                [-sin * sweep.signum(), cos * sweep.signum()]
            }
        }
    }

    /// Turning of the direction along the whole piece, without sign, in rad.
    pub(crate) fn turning(&self) -> f64 {
        match self {
            Self::Line { .. } => 0.0,
            Self::Arc { sweep, .. } => sweep.abs(),
        }
    }

    pub(crate) fn reversed(&self) -> Self {
        match *self {
            Self::Line { from, to } => Self::Line { from: to, to: from },
            Self::Arc { centre, radius, start, sweep } => {
                Self::Arc { centre, radius, start: start + sweep, sweep: -sweep }
            }
        }
    }
}

/// The closed polygon through the vertices.
pub(crate) fn closed(vertices: &[Point]) -> Vec<Piece> {
    (0..vertices.len())
        .map(|i| Piece::Line { from: vertices[i], to: vertices[(i + 1) % vertices.len()] })
        .collect()
}

/// A full circle, counter-clockwise from angle zero.
pub(crate) fn circle(centre: Point, radius: f64) -> Vec<Piece> {
    vec![Piece::Arc { centre, radius, start: 0.0, sweep: std::f64::consts::TAU }]
}

/// Points along a closed edge, arcs in steps of a few degrees: for tests of inside and outside.
pub(crate) fn polyline(pieces: &[Piece]) -> Vec<Point> {
    pieces
        .iter()
        .flat_map(|piece| {
            let steps = (piece.turning() / 0.05).ceil().max(1.0) as usize;
            (0..steps).map(move |i| piece.at(i as f64 / steps as f64))
        })
        .collect()
}

pub(crate) fn distance(a: Point, b: Point) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// Twice the area of the triangle, above zero where it is passed counter-clockwise.
pub(crate) fn cross(a: Point, b: Point, c: Point) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

/// Twice the area enclosed, above zero if passed counter-clockwise.
pub(crate) fn double_area(points: &[Point]) -> f64 {
    let origin = points[0];
    (1..points.len().saturating_sub(1)).map(|i| cross(origin, points[i], points[i + 1])).sum()
}

/// Whether the point is inside the closed polygon (crossings of a ray to the right are odd).
pub(crate) fn inside(point: Point, polygon: &[Point]) -> bool {
    let mut odd = false;
    for i in 0..polygon.len() {
        let (a, b) = (polygon[i], polygon[(i + 1) % polygon.len()]);
        if (a[1] > point[1]) != (b[1] > point[1]) {
            let x = a[0] + (point[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0]);
            odd ^= x > point[0];
        }
    }
    odd
}

/// Least distance between the segments a b and c d, zero if they cross or touch.
pub(crate) fn segment_distance([a, b]: [Point; 2], [c, d]: [Point; 2]) -> f64 {
    let opposite = |p: f64, q: f64| (p > 0.0 && q < 0.0) || (p < 0.0 && q > 0.0);
    let crossing = opposite(cross(a, b, c), cross(a, b, d)) && opposite(cross(c, d, a), cross(c, d, b));
    if crossing {
        return 0.0;
    }
    let near = |p: Point, [a, b]: [Point; 2]| {
        let (along, length) = ([b[0] - a[0], b[1] - a[1]], distance(a, b));
        if length == 0.0 {
            return distance(p, a);
        }
        let part = ((p[0] - a[0]) * along[0] + (p[1] - a[1]) * along[1]) / (length * length);
        let part = part.clamp(0.0, 1.0);
        distance(p, [a[0] + part * along[0], a[1] + part * along[1]])
    };
    near(a, [c, d]).min(near(b, [c, d])).min(near(c, [a, b])).min(near(d, [a, b]))
}
