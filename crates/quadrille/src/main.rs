//! The program: command line, terminal, exit codes. No logic of its own.

fn main() {}
