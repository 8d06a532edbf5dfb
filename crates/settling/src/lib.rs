//! When a series of readings has arrived: how far off it may still be, and how certain that is. Pure: numbers with
//! their times in, a judgement out. Knows no clock, no instrument, no plan; a voltage and a temperature are alike to it.

pub mod stability;
pub mod transient;
