//! Forward problem: circuits of resistors and capacitors, and films in a magnetic field, to terminal conductances,
//! four-terminal resistances and transients. Knows no instrument, no document and no reading.
//!
//! Everything rests on one habit: a node is eliminated (star-mesh transformation) from its conductances to other
//! nodes and to ground, and its diagonal is always formed as their sum. Without a subtraction, 1 Ω beside 10 GΩ
//! costs no digits (Grassmann, Taksar & Heyman, Oper. Res. 33, 1107, 1985, for Markov chains). The one subtraction that a
//! four-terminal resistance has loses as many digits as the sample lies below the resistances that lead to it; at rest,
//! twice the digits of `f64` are carried up to it.
//!
//! Sign of a terminal matrix: I_k = Σ_j Y_kj V_j with I_k the current *into* terminal k; its conductances are
//! g_kj = −Y_kj, and Y_kk = Σ_j g_kj + (conductance to ground). In a magnetic field g_kj ≠ g_jk.

mod circuit;
mod conformal;
mod dynamics;
mod elimination;
mod error;
mod film;
mod mesh;
mod sheet;
mod star_mesh;
mod terminals;
mod transfer;
mod wide;

pub use circuit::{Capacitor, Circuit, CircuitBuilder, GROUND, NodeId, Resistor};
pub use conformal::EdgeArcs;
pub use dynamics::{Dynamics, Fading, Response};
pub use error::NetworkError;
pub use film::Film;
pub use mesh::Mesh;
pub use sheet::{
    EdgeContact, Equations, Fineness, InnerContact, Outline, Part, Sheet, SheetError, SideArm, SolvedSheet,
};
pub use terminals::TerminalMatrix;
