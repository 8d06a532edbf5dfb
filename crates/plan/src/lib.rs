//! Documents to steps
