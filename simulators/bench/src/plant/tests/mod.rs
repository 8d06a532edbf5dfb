//! Heat and field against closed forms that are written here, and the faults that a plant may show.

mod heat;
mod magnetism;
