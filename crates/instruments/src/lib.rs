//! Roles of instruments and their contract
