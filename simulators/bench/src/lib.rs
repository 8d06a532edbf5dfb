//! Virtual instruments around one electrical world
