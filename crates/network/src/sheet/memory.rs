//! What a mesh costs, estimated from the nodes on its edges before anything is allocated.

/// A solution that takes more is refused.
pub(crate) const LIMIT: usize = 4 << 30;
/// Triangles per node on the edge: measured, 4 to 7.
const TRIANGLES: usize = 6;
/// Bytes per unknown, most of them for the factor of Cholesky: measured.
const BYTES: usize = 4000;

pub(crate) fn unknowns(edge_nodes: usize, order: usize) -> usize {
    edge_nodes.saturating_mul(TRIANGLES * order * order / 2)
}

pub(crate) fn bytes(unknowns: usize) -> usize {
    unknowns.saturating_mul(BYTES)
}

/// How many nodes on the edge the limit allows.
pub(crate) fn edge_nodes(order: usize) -> usize {
    LIMIT / bytes(unknowns(1, order))
}
