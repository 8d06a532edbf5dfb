//! What tests of the world have in common: a world that is driven, a mean, a comparison.

use super::{Quantity, Source, World};
use crate::testing::{Dialects, relays, world};
use quadrille_documents::{Bench, Sample};

/// A world with relays closed, ammeter's input open, and the source driving.
pub(crate) fn driven(mut world: World, contacts: [usize; 4], amperes: f64) -> World {
    world.set_input(0.0, true);
    world.switch(0.0, &relays(contacts));
    drive(&mut world, 0.0, amperes);
    world
}

/// The same of a bench without instruments' errors and a sample.
pub(crate) fn driven_on(bench: &Bench, sample: &Sample, contacts: [usize; 4], amperes: f64) -> World {
    driven(world(bench, &Dialects::ideal(), sample), contacts, amperes)
}

pub(crate) fn drive(world: &mut World, time: f64, amperes: f64) {
    let source = Source { on: true, level: amperes, current: amperes, ..world.source() };
    world.set_source(time, source);
}

pub(crate) fn mean(world: &mut World, from: f64, to: f64) -> f64 {
    let id = world.begin_window(Quantity::Voltage, from, to);
    world.advance(to);
    world.end_window(id).unwrap()
}

#[track_caller]
pub(crate) fn close(value: f64, expected: f64, relative: f64) {
    assert!((value / expected - 1.0).abs() < relative, "{value:e} is not {expected:e} within {relative:e}");
}
