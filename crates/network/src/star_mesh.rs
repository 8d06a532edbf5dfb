//! Sparse star-mesh elimination of a large circuit down to chosen nodes, fewest neighbours first.

use crate::wide::Wide;
use std::collections::BTreeMap;

/// Conductances between nodes, directed (g_kj and g_jk both stored, also where one is zero), ground being a node
/// like any other.
#[derive(Clone)]
pub(crate) struct StarMesh {
    rows: Vec<BTreeMap<usize, Wide>>,
}

impl StarMesh {
    pub(crate) fn new(count: usize) -> Self {
        Self { rows: vec![BTreeMap::new(); count] }
    }

    /// Adds `siemens` to g_kj, the current into node `k` per volt that node `j` lies lower.
    pub(crate) fn add(&mut self, k: usize, j: usize, siemens: Wide) {
        *self.rows[k].entry(j).or_default() += siemens;
        self.rows[j].entry(k).or_default();
    }

    pub(crate) fn get(&self, k: usize, j: usize) -> Wide {
        self.rows[k].get(&j).copied().unwrap_or_default()
    }

    /// For each node the number of its island; islands are parts that conductances connect.
    pub(crate) fn islands(&self) -> Vec<usize> {
        let mut island = vec![usize::MAX; self.rows.len()];
        let mut next = 0;
        for start in 0..self.rows.len() {
            if island[start] != usize::MAX {
                continue;
            }
            island[start] = next;
            let mut reached = vec![start];
            while let Some(k) = reached.pop() {
                for &j in self.rows[k].keys() {
                    let connected = self.get(k, j) != Wide::ZERO || self.get(j, k) != Wide::ZERO;
                    if connected && island[j] == usize::MAX {
                        island[j] = next;
                        reached.push(j);
                    }
                }
            }
            next += 1;
        }
        island
    }

    /// Eliminates every node that is not among `kept`.
    pub(crate) fn reduce_to(&mut self, kept: &[usize]) {
        let mut left: Vec<usize> = (0..self.rows.len()).filter(|k| !kept.contains(k)).collect();
        while let Some((place, _)) = left.iter().enumerate().min_by_key(|&(_, &k)| self.rows[k].len()) {
            let node = left.swap_remove(place);
            self.eliminate(node);
        }
    }

    fn eliminate(&mut self, node: usize) {
        let row = std::mem::take(&mut self.rows[node]);
        let pivot: Wide = row.values().copied().sum();
        for &k in row.keys() {
            let into = self.rows[k].remove(&node).unwrap_or_default();
            if pivot == Wide::ZERO {
                continue;
            }
            let share = into / pivot;
            for (&j, &g) in row.iter().filter(|&(&j, _)| j != k) {
                *self.rows[k].entry(j).or_default() += share * g;
            }
        }
    }
}
