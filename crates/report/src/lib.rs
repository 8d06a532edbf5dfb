//! Results and readings as tables
