//! Every fault that the simulated bench can show, against the real plan, scheduler and drivers in virtual time: how the
//! run ends, how it stands down, and that no reading is recorded that a sound bench would not have given.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod circuit;
mod exchanges;
mod night;
mod nights;
