//! Contacts laid out on the edges of a sheet: which stretch of which edge is contact, gap or hole.

use super::{
    error::{Part, SheetError},
    outline::{Outline, polygonal_hole, round_hole},
    piece::{Piece, Point},
};

/// A contact on the edge, counted along it from its start, counter-clockwise. It may run round corners and across the
/// start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EdgeContact {
    /// Its middle.
    pub at_m: f64,
    /// Its length along the edge.
    pub length_m: f64,
}

/// An equipotential area inside the sheet, with a terminal of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct InnerContact {
    shape: Shape,
}

#[derive(Clone, Debug, PartialEq)]
enum Shape {
    Polygon(Vec<Point>),
    Round { centre: Point, diameter: f64 },
}

impl InnerContact {
    /// A polygon, in metres, its vertices in either direction.
    pub fn polygon(vertices_m: &[[f64; 2]]) -> Self {
        Self { shape: Shape::Polygon(vertices_m.to_vec()) }
    }

    /// A round one.
    pub fn round(centre_m: [f64; 2], diameter_m: f64) -> Self {
        Self { shape: Shape::Round { centre: centre_m, diameter: diameter_m } }
    }

    pub(crate) fn edge(&self, part: Part) -> Result<Vec<Piece>, SheetError> {
        match &self.shape {
            Shape::Polygon(vertices) => polygonal_hole(vertices, part),
            Shape::Round { centre, diameter } => round_hole(*centre, *diameter, part),
        }
    }
}

/// What a stretch of an edge is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Label {
    /// Terminal, counted counter-clockwise, inner ones after those on the edge.
    Contact(usize),
    /// The insulating edge that follows the contact of this number.
    Gap(usize),
    Hole(usize),
}

/// A part of a piece, between fractions of its length.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stretch {
    pub(crate) piece: Piece,
    pub(crate) from: f64,
    pub(crate) to: f64,
    pub(crate) label: Label,
}

impl Stretch {
    /// The point at a fraction of the stretch.
    pub(crate) fn at(&self, fraction: f64) -> Point {
        let back = 1.0 - fraction;
        // From the nearer end, so that small distances from it keep their digits.
        let along = if fraction <= 0.5 {
            self.from + fraction * (self.to - self.from)
        } else {
            self.to - back * (self.to - self.from)
        };
        self.piece.at(along)
    }
}

/// The edges of a sheet, outer one first, divided into stretches.
#[derive(Clone, Debug)]
pub(crate) struct Layout {
    pub(crate) loops: Vec<Vec<Stretch>>,
    /// Contacts on the edge; inner ones follow.
    pub(crate) edge_contacts: usize,
    pub(crate) inner_contacts: usize,
    pub(crate) holes: usize,
    /// Where each contact comes in the list that was given.
    pub(crate) given: Vec<usize>,
}

impl Layout {
    pub(crate) fn new(
        outline: &Outline,
        contacts: &[EdgeContact],
        inner: &[Vec<Piece>],
    ) -> Result<Self, SheetError> {
        let perimeter = outline.perimeter_m();
        let spans = Spans::new(contacts, perimeter)?;
        let mut loops = vec![spans.divide(outline.edge())];
        let whole = |pieces: &[Piece], label| -> Vec<Stretch> {
            pieces.iter().map(|&piece| Stretch { piece, from: 0.0, to: 1.0, label }).collect()
        };
        loops.extend(outline.holes().iter().enumerate().map(|(h, hole)| whole(hole, Label::Hole(h))));
        let terminal = |k: usize| Label::Contact(contacts.len() + k);
        loops.extend(inner.iter().enumerate().map(|(k, edge)| whole(edge, terminal(k))));
        let mut given = spans.given;
        given.extend(contacts.len()..contacts.len() + inner.len());
        Ok(Self {
            loops,
            edge_contacts: contacts.len(),
            inner_contacts: inner.len(),
            holes: outline.holes().len(),
            given,
        })
    }

    pub(crate) fn terminals(&self) -> usize {
        self.edge_contacts + self.inner_contacts
    }

    /// Nothing inside: the sheet maps to a disc.
    pub(crate) fn is_simply_connected(&self) -> bool {
        self.holes == 0 && self.inner_contacts == 0
    }
}

/// Where contacts start, modulo the perimeter, and how long they are; in the order of their starts.
struct Spans {
    perimeter: f64,
    spans: Vec<(f64, f64)>,
    given: Vec<usize>,
}

/// A contact's end this near to a corner, relative to the perimeter, is at the corner: rounding puts it there.
const AT_CORNER: f64 = 1e-12;
/// Contacts or gaps shorter than this, relative to the perimeter, have too few digits left in their ends.
const SHORTEST: f64 = 1e-7;

impl Spans {
    fn new(contacts: &[EdgeContact], perimeter: f64) -> Result<Self, SheetError> {
        for (k, contact) in contacts.iter().enumerate() {
            check(contact, Part::Contact(k), perimeter, contacts.len() == 1)?;
        }
        let start = |k: usize| (contacts[k].at_m - contacts[k].length_m / 2.0).rem_euclid(perimeter);
        let mut given: Vec<usize> = (0..contacts.len()).collect();
        given.sort_by(|&k, &j| start(k).total_cmp(&start(j)));
        let spans: Vec<(f64, f64)> = given.iter().map(|&k| (start(k), contacts[k].length_m)).collect();
        // A contact alone has no neighbour to touch.
        let pairs = if spans.len() < 2 { 0 } else { spans.len() };
        for i in 0..pairs {
            let next = (i + 1) % spans.len();
            let turn = if next == 0 { perimeter } else { 0.0 };
            let gap = spans[next].0 + turn - spans[i].0 - spans[i].1;
            if gap < SHORTEST * perimeter {
                let (one, other) = (given[i].min(given[next]), given[i].max(given[next]));
                let how = if gap < -AT_CORNER * perimeter { "overlaps" } else { "touches" };
                let problem = format!("{how} {}: {} m lie between them", Part::Contact(one), gap.max(0.0));
                let wanted = format!("leave at least {:e} m between contacts", SHORTEST * perimeter);
                return Err(SheetError::bad(Part::Contact(other), problem, wanted));
            }
        }
        Ok(Self { perimeter, spans, given })
    }

    fn divide(&self, edge: &[Piece]) -> Vec<Stretch> {
        let mut stretches = Vec::new();
        let mut start = 0.0;
        for &piece in edge {
            let length = piece.length();
            let mut cuts = self.ends_within(start, length);
            cuts.sort_by(f64::total_cmp);
            cuts.push(1.0);
            let mut from = 0.0;
            for to in cuts {
                let label = self.label(start + (from + to) / 2.0 * length);
                stretches.push(Stretch { piece, from, to, label });
                from = to;
            }
            start += length;
        }
        stretches
    }

    /// Ends of contacts inside the piece, as fractions of it.
    fn ends_within(&self, start: f64, length: f64) -> Vec<f64> {
        let near = AT_CORNER * self.perimeter;
        let ends = self.spans.iter().flat_map(|&(from, long)| {
            let whole = long >= self.perimeter * (1.0 - AT_CORNER);
            if whole { vec![] } else { vec![from, (from + long).rem_euclid(self.perimeter)] }
        });
        let inside = ends.filter(|&end| end > start + near && end < start + length - near);
        inside.map(|end| (end - start) / length).collect()
    }

    fn label(&self, at: f64) -> Label {
        let after = |&(from, _): &(f64, f64)| (at - from).rem_euclid(self.perimeter);
        let nearest =
            (0..self.spans.len()).min_by(|&i, &j| after(&self.spans[i]).total_cmp(&after(&self.spans[j])));
        match nearest {
            Some(k) if after(&self.spans[k]) < self.spans[k].1 => Label::Contact(k),
            Some(k) => Label::Gap(k),
            None => Label::Gap(0),
        }
    }
}

fn check(contact: &EdgeContact, part: Part, perimeter: f64, alone: bool) -> Result<(), SheetError> {
    let EdgeContact { at_m, length_m } = *contact;
    if !(at_m.is_finite() && (0.0..=perimeter).contains(&at_m)) {
        let problem = format!("its middle is at {at_m} m along the edge");
        return Err(SheetError::bad(part, problem, format!("the edge goes from 0 m to {perimeter} m")));
    }
    if !(length_m.is_finite() && length_m >= SHORTEST * perimeter) {
        let wanted = format!("must be at least {:e} m, a fraction of the edge", SHORTEST * perimeter);
        return Err(SheetError::bad(part, format!("its length is {length_m} m"), wanted));
    }
    let longest = perimeter * (1.0 - SHORTEST);
    let ring = alone && (length_m - perimeter).abs() <= AT_CORNER * perimeter;
    if length_m > longest && !ring {
        let problem = format!("its length is {length_m} m");
        return Err(SheetError::bad(part, problem, format!("the whole edge is {perimeter} m long")));
    }
    Ok(())
}
