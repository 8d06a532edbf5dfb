//! What a mesh costs, estimated from the nodes on its edges before anything is allocated.

use super::grading::Fineness;

/// A solution that takes more bytes is refused.
pub(crate) const LIMIT: usize = 4 << 30;
/// Bytes per unknown at the peak, most of them for the factor of Cholesky: measured, 1.8 to 2.4 thousand.
const BYTES: usize = 2400;

/// Around a point of angle ω, triangles of 0.4 h² with h = γ r are ω/(0.4 γ²) to each factor e in r, the nodes on its two
/// edges 2/γ: of an edge with ω = π, 4/γ times as many triangles as nodes. Away from such points there are as many as large
/// ones fill the sheet.
pub(crate) fn unknowns(edge_nodes: usize, fineness: Fineness) -> usize {
    let triangles = edge_nodes as f64 * (1.0 + 4.0 / fineness.growth) + 2.0 / fineness.largest.powi(2);
    (triangles * (fineness.order * fineness.order) as f64 / 2.0) as usize
}

pub(crate) fn bytes(unknowns: usize) -> usize {
    unknowns.saturating_mul(BYTES)
}

/// How many nodes on the edge the limit allows.
pub(crate) fn edge_nodes(fineness: Fineness) -> usize {
    let of = |nodes| bytes(unknowns(nodes, fineness));
    let thousand = (of(1000) - of(0)) as f64;
    (LIMIT.saturating_sub(of(0)) as f64 / thousand * 1000.0) as usize
}
