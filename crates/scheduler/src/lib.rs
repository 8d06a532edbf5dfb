//! Carries out a plan on a bench of role traits
