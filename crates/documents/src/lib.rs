//! The documents a person writes: bench, dialect, sample, recipe, readings
