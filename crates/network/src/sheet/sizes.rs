//! Where the potential is not smooth, and how fine a mesh must be near there: geometric grading to the ends of contacts
//! and to corners.

use super::outline::{Point, distance};
use std::f64::consts::PI;

/// How fine a mesh is wanted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Fineness {
    /// Order of the polynomials on a triangle.
    pub(crate) order: usize,
    /// Size of a triangle over its distance from the nearest singular point.
    pub(crate) grading: f64,
    /// Part of the answer that the innermost triangles may spoil.
    pub(crate) innermost: f64,
}

/// Largest triangle, relative to the size of the sheet.
const LARGEST: f64 = 0.25;

/// Finest that coordinates near one resolve.
const FINEST: f64 = 1e-12;

/// A point at which derivatives of the potential are not bounded.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Singular {
    at: Point,
    smallest: f64,
}

impl Singular {
    /// The end of a contact, at an edge with an interior angle there.
    ///
    /// The potential goes as r^λ and that of the reversed field as r^λ*, λ + λ* = π/angle at every Hall angle; what a
    /// triangle of size h spoils of the answer goes as h^(λ + λ*).
    pub(crate) fn contact_end(at: Point, angle: f64, stretch: f64, fineness: &Fineness) -> Self {
        Self::new(at, fineness.innermost.powf(angle / PI), stretch)
    }

    /// A corner of the edge with the same condition on both sides: λ = π/angle and the answer suffers with h^(2λ).
    /// None where the potential is smooth all the same.
    pub(crate) fn corner(at: Point, angle: f64, stretch: f64, fineness: &Fineness) -> Option<Self> {
        let exponent = PI / angle;
        let is_smooth = (exponent - exponent.round()).abs() < 1e-9;
        (!is_smooth).then(|| Self::new(at, fineness.innermost.powf(0.5 / exponent), stretch))
    }

    fn new(at: Point, part: f64, stretch: f64) -> Self {
        Self { at, smallest: (part * stretch).max(FINEST) }
    }
}

/// The size that a triangle may have, everywhere; the sheet's own size is one.
pub(crate) struct Sizes {
    singular: Vec<Singular>,
    grading: f64,
    largest: f64,
}

impl Sizes {
    pub(crate) fn new(singular: Vec<Singular>, fineness: &Fineness) -> Self {
        Self { singular, grading: fineness.grading, largest: LARGEST }
    }

    pub(crate) fn at(&self, point: Point) -> f64 {
        let near = |singular: &Singular| (self.grading * distance(singular.at, point)).max(singular.smallest);
        self.singular.iter().map(near).fold(self.largest, f64::min)
    }

    /// Distances from the beginning at which a stretch of some length is divided, ends not included.
    pub(crate) fn divide(
        &self,
        length: f64,
        after: impl Fn(f64) -> Point,
        before: impl Fn(f64) -> Point,
    ) -> Vec<Cut> {
        let half = length / 2.0;
        let march = |point: &dyn Fn(f64) -> Point| {
            let mut cuts = Vec::new();
            let mut at = self.at(point(0.0));
            while at < half {
                cuts.push(at);
                at += self.at(point(at));
            }
            cuts
        };
        let (mut left, mut right) = (march(&after), march(&before));
        let wanted = self.at(after(half));
        let open = length - left.last().unwrap_or(&0.0) - right.last().unwrap_or(&0.0);
        if open < 0.5 * wanted && left.len() + right.len() > 1 {
            let side = if left.last() > right.last() { &mut left } else { &mut right };
            side.pop();
        }
        let open = length - left.last().unwrap_or(&0.0) - right.last().unwrap_or(&0.0);
        let middle = left.last().unwrap_or(&0.0) + open / 2.0;
        let cuts = left.into_iter().map(Cut::After);
        let middle = (open > 1.4 * wanted).then_some(Cut::After(middle));
        cuts.chain(middle).chain(right.into_iter().rev().map(Cut::Before)).collect()
    }
}

/// A place on a stretch, counted from the end that is nearer.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Cut {
    After(f64),
    Before(f64),
}
