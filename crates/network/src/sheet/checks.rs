//! What an outline must be, and in which words it is said that one is not.

use super::{
    error::{Part, SheetError},
    piece::{Point, distance, double_area, inside, segment_distance},
};

/// Stretches nearer than this to each other, relative to the size of the outline, touch.
const TOUCHING: f64 = 1e-9;

pub(crate) fn dimension(part: Part, name: &str, metres: f64) -> Result<(), SheetError> {
    if metres.is_finite() && metres > 0.0 {
        Ok(())
    } else {
        Err(SheetError::bad(part, format!("{name} is {metres} m"), "must be above zero and finite"))
    }
}

pub(crate) fn finite(part: Part, point: Point) -> Result<(), SheetError> {
    if point.iter().all(|x| x.is_finite()) {
        Ok(())
    } else {
        Err(SheetError::bad(part, format!("lies at ({}, {}) m", point[0], point[1]), "must be finite"))
    }
}

pub(crate) fn is_clockwise(vertices: &[Point]) -> bool {
    double_area(vertices) < 0.0
}

/// Three corners at least, no side of no length, no two sides that cross or touch.
pub(crate) fn polygon(
    vertices: &[Point],
    whole: Part,
    vertex: impl Fn(usize) -> Part,
) -> Result<(), SheetError> {
    let count = vertices.len();
    if count < 3 {
        return Err(SheetError::bad(whole, format!("{count} vertices"), "give three at least"));
    }
    for (i, &point) in vertices.iter().enumerate() {
        finite(vertex(i), point)?;
    }
    let least = TOUCHING * size(vertices);
    for i in 0..count {
        let next = (i + 1) % count;
        if distance(vertices[i], vertices[next]) <= least {
            let problem = format!("vertices {} and {} are the same point", i + 1, next + 1);
            let wanted =
                "leave one of them out; the last vertex is joined to the first without being repeated";
            return Err(SheetError::bad(vertex(next), problem, wanted));
        }
    }
    let side = |i: usize| [vertices[i], vertices[(i + 1) % count]];
    for i in 0..count {
        for j in i + 1..count {
            if neighbours_apart(vertices, i, j, least) && segment_distance(side(i), side(j)) > least {
                continue;
            }
            if (j == i + 1 || (i == 0 && j + 1 == count)) && neighbours_apart(vertices, i, j, least) {
                continue;
            }
            let name = |i: usize| format!("{} to {}", i + 1, (i + 1) % count + 1);
            let problem =
                format!("the side from vertex {} crosses or touches that from {}", name(i), name(j));
            return Err(SheetError::bad(vertex(j), problem, "sides may meet at their common vertex only"));
        }
    }
    Ok(())
}

/// Whether sides `i` and `j`, if they share a vertex, do not lie on each other; true for others.
fn neighbours_apart(vertices: &[Point], i: usize, j: usize, least: f64) -> bool {
    let count = vertices.len();
    let (before, common, after) = if j == i + 1 {
        (vertices[i], vertices[j], vertices[(j + 1) % count])
    } else if i == 0 && j + 1 == count {
        (vertices[j], vertices[0], vertices[1])
    } else {
        return true;
    };
    // The end of the shorter side must not lie on the longer one.
    let shorter = distance(before, common).min(distance(common, after));
    let towards = |end: Point| {
        let length = distance(common, end);
        [0, 1].map(|x| common[x] + (end[x] - common[x]) / length * shorter)
    };
    distance(towards(before), towards(after)) > least
}

/// A hole, as a polygon, must lie inside the edge and apart from it and from the other holes.
pub(crate) fn hole(
    hole: &[Point],
    edge: &[Point],
    others: &[Vec<Point>],
    part: Part,
) -> Result<(), SheetError> {
    let least = TOUCHING * size(edge);
    if apart(hole, edge) <= least {
        let wanted = "move it inside, or make it a part of the outline";
        return Err(SheetError::bad(part, "touches or crosses the edge of the sheet", wanted));
    }
    if !inside(hole[0], edge) {
        return Err(SheetError::bad(part, "lies outside the sheet", "move it inside or leave it out"));
    }
    for (h, other) in others.iter().enumerate() {
        if apart(hole, other) <= least {
            let problem = format!("touches or crosses {}", Part::Hole(h));
            return Err(SheetError::bad(part, problem, "keep them apart, or join them in one"));
        }
        if inside(hole[0], other) || inside(other[0], hole) {
            let problem = format!("one of this and {} lies in the other", Part::Hole(h));
            return Err(SheetError::bad(part, problem, "give the outer one only"));
        }
    }
    Ok(())
}

fn apart(one: &[Point], other: &[Point]) -> f64 {
    let side = |points: &[Point], i: usize| [points[i], points[(i + 1) % points.len()]];
    let pairs = (0..one.len()).flat_map(|i| (0..other.len()).map(move |j| (i, j)));
    pairs.fold(f64::INFINITY, |least, (i, j)| least.min(segment_distance(side(one, i), side(other, j))))
}

/// Diagonal of the box around the points.
pub(crate) fn size(points: &[Point]) -> f64 {
    let span = |x: usize| {
        let (low, high) = points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), point| {
            (low.min(point[x]), high.max(point[x]))
        });
        high - low
    };
    span(0).hypot(span(1))
}
