//! Sorts the readings of a run into sets of one temperature each.

use quadrille_experiment::Reading;
use quadrille_quantity::Kelvin;

/// Readings further apart than this are not of one temperature: the limit of ASTM F76 between the start and the end
/// of a set (from memory).
const GAP_K: f64 = 1.0;

/// Readings clustered by temperature, coldest first, each set with its mean temperature and in the order given. Two
/// neighbours in temperature belong together unless more than 1 K apart.
pub fn by_temperature(readings: &[Reading]) -> Vec<(Kelvin, Vec<Reading>)> {
    let mut order: Vec<usize> = (0..readings.len()).collect();
    order.sort_by(|&a, &b| readings[a].temperature.0.total_cmp(&readings[b].temperature.0));
    order
        .chunk_by(|&a, &b| readings[b].temperature.0 - readings[a].temperature.0 <= GAP_K)
        .map(|cluster| {
            let sum: f64 = cluster.iter().map(|&k| readings[k].temperature.0).sum();
            let mean = Kelvin(sum / cluster.len() as f64);
            let mut in_order = cluster.to_vec();
            in_order.sort_unstable();
            (mean, in_order.into_iter().map(|k| readings[k]).collect())
        })
        .collect()
}
