//! Checks of the whole: outside references, arrows, the program end to end
