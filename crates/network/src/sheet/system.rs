//! The equations of one problem (potential or stream function) on a sheet, with the nodes of each terminal tied to one
//! unknown, and their solution at Hall angle zero.

use super::{
    error::SheetError,
    layout::Label,
    space::{Space, Weight},
};
use faer::{
    Mat, Side,
    linalg::solvers::Solve,
    sparse::{SparseColMat, SymbolicSparseColMat, linalg::solvers::Llt},
};

/// What is held constant: the potential on contacts, or the stream function on insulating edges.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Problem {
    Potential,
    Stream,
}

impl Problem {
    pub(crate) fn weight(self) -> Weight {
        match self {
            Self::Potential => Weight::Conductance,
            Self::Stream => Weight::Resistance,
        }
    }

    /// Whether the function is constant on a stretch.
    fn holds(self, label: Label) -> bool {
        matches!(label, Label::Contact(_)) == (self == Self::Potential)
    }
}

/// S and A of K(t) = (S + t A)/(1 + t²), over the unknowns: free ones first, then the terminals in counter-clockwise order,
/// inner ones last.
#[derive(Clone, Debug)]
pub struct Equations {
    free: usize,
    terminals: usize,
    /// Lower half of S among the free unknowns.
    inner: SparseColMat<usize, f64>,
    coupling: Mat<f64>,
    outer: Mat<f64>,
    hall: Vec<(usize, usize, f64)>,
}

impl Equations {
    pub(crate) fn new(space: &Space<'_>, problem: Problem, terminals: usize) -> Self {
        let (unknown, free) = tie(space, problem, terminals);
        let (inner, coupling, outer) = assemble(space, problem.weight(), &unknown, free, terminals);
        let hall = hall_entries(space, problem, &unknown);
        Self { free, terminals, inner, coupling, outer, hall }
    }

    /// How many unknowns are free.
    pub fn free(&self) -> usize {
        self.free
    }

    /// How many terminals there are.
    pub fn terminals(&self) -> usize {
        self.terminals
    }

    /// Entries (row, column, value) of the lower half of S.
    pub fn stiffness(&self) -> Vec<(usize, usize, f64)> {
        let inner = self.inner.triplet_iter().map(|entry| (entry.row, entry.col, *entry.val));
        let mut entries: Vec<_> = inner.collect();
        for k in 0..self.terminals {
            let coupled = (0..self.free).map(|i| (self.free + k, i, self.coupling[(i, k)]));
            entries.extend(coupled.filter(|entry| entry.2 != 0.0));
            entries.extend((0..=k).map(|j| (self.free + k, self.free + j, self.outer[(k, j)])));
        }
        entries
    }

    /// Entries of A; those of one place are to be added.
    pub fn hall(&self) -> &[(usize, usize, f64)] {
        &self.hall
    }
}

/// Equations with their solution at zero field. One terminal, the last, is held at zero.
pub(crate) struct System {
    pub(crate) free: usize,
    pub(crate) terminals: usize,
    factor: Llt<usize, f64>,
    /// Solutions for 1 at one terminal and 0 at the others, the last terminal left out.
    pub(crate) solutions: Mat<f64>,
    /// Schur complement of S on the terminals but the last.
    pub(crate) schur: Mat<f64>,
    /// Entries of A.
    pub(crate) hall: Vec<(usize, usize, f64)>,
}

impl System {
    pub(crate) fn new(equations: Equations) -> Result<Self, SheetError> {
        let Equations { free, terminals, inner, coupling, outer, hall } = equations;
        let factor = inner.sp_cholesky(Side::Lower).map_err(|error| SheetError::Mesh {
            reason: format!("the equations could not be factorised: {error:?}"),
        })?;
        let patterns = terminals - 1;
        let coupling = coupling.get(.., ..patterns);
        let solutions = factor.solve(-coupling);
        let schur = outer.get(..patterns, ..patterns) + coupling.transpose() * &solutions;
        let schur = (&schur + schur.transpose()) * 0.5;
        Ok(Self { free, terminals, factor, solutions, schur, hall })
    }

    /// S⁻¹ on the free unknowns.
    pub(crate) fn solve(&self, right: &Mat<f64>) -> Mat<f64> {
        self.factor.solve(right)
    }

    /// Value of an unknown in the solution for pattern `k`, terminals included.
    pub(crate) fn solution(&self, unknown: usize, k: usize) -> f64 {
        if unknown < self.free {
            self.solutions[(unknown, k)]
        } else {
            f64::from(u8::from(unknown - self.free == k))
        }
    }
}

/// Numbers the unknowns: nodes on held stretches are one unknown each; of a hole it is a free one.
fn tie(space: &Space<'_>, problem: Problem, terminals: usize) -> (Vec<usize>, usize) {
    const NONE: usize = usize::MAX;
    let mut unknown = vec![NONE; space.count];
    let mut free = 0;
    let mut of_hole = std::collections::HashMap::new();
    // Terminals are numbered from the end until the free ones are counted.
    let terminal = |k: usize| NONE - 1 - k;
    for part in space.edge.iter().filter(|part| problem.holds(part.label)) {
        let tied = match part.label {
            Label::Contact(k) | Label::Gap(k) => terminal(k),
            Label::Hole(h) => *of_hole.entry(h).or_insert_with(|| {
                free += 1;
                free - 1
            }),
        };
        for &node in &part.nodes {
            unknown[node] = tied;
        }
    }
    for number in &mut unknown {
        if *number == NONE {
            *number = free;
            free += 1;
        }
    }
    for number in &mut unknown {
        if *number >= terminal(terminals - 1) {
            *number = free + (NONE - 1 - *number);
        }
    }
    (unknown, free)
}

/// S divided into free unknowns (lower half), their coupling to the terminals, and the terminals.
fn assemble(
    space: &Space<'_>,
    weight: Weight,
    unknown: &[usize],
    free: usize,
    terminals: usize,
) -> (SparseColMat<usize, f64>, Mat<f64>, Mat<f64>) {
    let count = space.element.count();
    let mut local = vec![0.0; count * count];
    let (mut coupling, mut outer) = (Mat::zeros(free, terminals), Mat::zeros(terminals, terminals));
    let mut entries = Entries::with_capacity(space.elements() * count * (count + 1) / 2);
    for element in 0..space.elements() {
        space.stiffness(element, weight, &mut local);
        let of: Vec<usize> = space.nodes_of(element).iter().map(|&node| unknown[node]).collect();
        for (i, &row) in of.iter().enumerate() {
            for (j, &column) in of.iter().enumerate() {
                let value = local[i * count + j];
                match (row < free, column < free) {
                    (true, true) if row >= column => entries.push(row, column, value),
                    (true, true) | (false, true) => {}
                    (true, false) => coupling[(row, column - free)] += value,
                    (false, false) => outer[(row - free, column - free)] += value,
                }
            }
        }
    }
    (entries.into_columns(free), coupling, outer)
}

/// Entries of a sparse matrix in any order, equal places to be added.
struct Entries {
    rows: Vec<u32>,
    columns: Vec<u32>,
    values: Vec<f64>,
}

impl Entries {
    fn with_capacity(count: usize) -> Self {
        Self {
            rows: Vec::with_capacity(count),
            columns: Vec::with_capacity(count),
            values: Vec::with_capacity(count),
        }
    }

    fn push(&mut self, row: usize, column: usize, value: f64) {
        self.rows.push(row as u32);
        self.columns.push(column as u32);
        self.values.push(value);
    }

    /// Sorted by row, then by column, each by counting: linear in the number of entries.
    fn into_columns(self, size: usize) -> SparseColMat<usize, f64> {
        let all: Vec<u32> = (0..self.values.len() as u32).collect();
        let by_row = counted(&all, &self.rows, size);
        let order = counted(&by_row, &self.columns, size);
        drop(by_row);
        let (mut starts, mut rows, mut values) = (vec![0; size + 1], Vec::<usize>::new(), Vec::<f64>::new());
        let mut last = (u32::MAX, u32::MAX);
        for &at in &order {
            let at = at as usize;
            let place = (self.rows[at], self.columns[at]);
            if place == last {
                if let Some(sum) = values.last_mut() {
                    *sum += self.values[at];
                }
            } else {
                rows.push(place.0 as usize);
                values.push(self.values[at]);
                starts[place.1 as usize + 1] += 1;
                last = place;
            }
        }
        for column in 0..size {
            starts[column + 1] += starts[column];
        }
        SparseColMat::new(SymbolicSparseColMat::new_checked(size, size, starts, None, rows), values)
    }
}

/// The places in the order of their keys, equal keys as they were.
fn counted(places: &[u32], keys: &[u32], size: usize) -> Vec<u32> {
    let mut starts = vec![0_usize; size + 1];
    for &key in keys {
        starts[key as usize + 1] += 1;
    }
    for i in 0..size {
        starts[i + 1] += starts[i];
    }
    let mut sorted = vec![0; places.len()];
    for &place in places {
        let start = &mut starts[keys[place as usize] as usize];
        sorted[*start] = place;
        *start += 1;
    }
    sorted
}

/// A_ij = ∫ w (∂_x φ_i ∂_y φ_j − ∂_y φ_i ∂_x φ_j). In a uniform sheet it is the edge integral ∮ φ_i dφ_j, to which a
/// stretch on which the functions are constant gives nothing.
fn hall_entries(space: &Space<'_>, problem: Problem, unknown: &[usize]) -> Vec<(usize, usize, f64)> {
    let mut entries = Vec::new();
    if space.is_uniform() {
        let count = space.element.order + 1;
        for part in space.edge.iter().filter(|part| !problem.holds(part.label)) {
            for (i, &row) in part.nodes.iter().enumerate() {
                for (j, &column) in part.nodes.iter().enumerate() {
                    entries.push((unknown[row], unknown[column], space.element.along[i * count + j]));
                }
            }
        }
    } else {
        let count = space.element.count();
        let mut local = vec![0.0; count * count];
        for element in 0..space.elements() {
            // The stream function's Hall term is ∫ w t Rot J · …, with the resistivity as its weight.
            space.hall(element, problem.weight(), &mut local);
            let nodes = space.nodes_of(element);
            for (i, &row) in nodes.iter().enumerate() {
                for (j, &column) in nodes.iter().enumerate() {
                    entries.push((unknown[row], unknown[column], local[i * count + j]));
                }
            }
        }
    }
    entries
}
