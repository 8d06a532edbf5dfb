//! The equations with nodes tied together and some of them held: conductances among what is held, at zero field and, from
//! the same factorisation, in a field.

use super::mesh::Owner;
use super::space::Space;
use faer::linalg::solvers::Solve;
use faer::sparse::linalg::solvers::{Llt, Lu, SymbolicLlt, SymbolicLu};
use faer::sparse::{SparseColMat, Triplet};
use faer::{Mat, Side};

/// What a tie makes of a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Place {
    /// An unknown.
    Free(usize),
    /// Held at the value of a group.
    Held(usize),
}

/// Nodes of the whole sheet as unknowns and held groups.
pub(crate) struct Ties {
    places: Vec<Place>,
    free: usize,
    held: usize,
}

impl Ties {
    /// The potential: each contact is one group.
    pub(crate) fn potential(space: &Space, contacts: usize) -> Self {
        Self::new(space, contacts, |owner| match owner {
            Owner::Contact(k) => Tie::Hold(k),
            Owner::Gap(_) | Owner::Hole(_) => Tie::None,
        })
    }

    /// The stream function: each gap is one group, each hole an unknown of its own.
    pub(crate) fn stream(space: &Space, gaps: usize) -> Self {
        Self::new(space, gaps, |owner| match owner {
            Owner::Gap(k) => Tie::Hold(k),
            Owner::Hole(h) => Tie::Float(h),
            Owner::Contact(_) => Tie::None,
        })
    }

    fn new(space: &Space, held: usize, tie: impl Fn(Owner) -> Tie) -> Self {
        let mut ties = vec![Tie::None; space.nodes];
        for (nodes, owner) in &space.sides {
            let tie = tie(*owner);
            if tie != Tie::None {
                nodes.iter().for_each(|&node| ties[node] = tie);
            }
        }
        let mut free = 0;
        let mut next = || {
            free += 1;
            free - 1
        };
        let mut floating = std::collections::HashMap::new();
        let places = ties
            .into_iter()
            .map(|tie| match tie {
                Tie::Hold(k) => Place::Held(k),
                Tie::Float(h) => Place::Free(*floating.entry(h).or_insert_with(&mut next)),
                Tie::None => Place::Free(next()),
            })
            .collect();
        Self { places, free, held }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Tie {
    None,
    Hold(usize),
    Float(usize),
}

/// Matrices of the tied equations: unknowns among each other, by held groups, held groups among each other.
struct System {
    free: Vec<Triplet<usize, usize, f64>>,
    /// Rows of unknowns, columns of held groups.
    coupling: Mat<f64>,
    /// Rows of held groups, columns of unknowns.
    back: Mat<f64>,
    held: Mat<f64>,
}

impl System {
    fn new(space: &Space, ties: &Ties, lower_only: bool) -> Self {
        let (free, held) = (ties.free, ties.held);
        let mut system = Self {
            free: Vec::new(),
            coupling: Mat::zeros(free, held),
            back: Mat::zeros(held, free),
            held: Mat::zeros(held, held),
        };
        for element in &space.elements {
            let count = element.nodes.len();
            for (i, &row) in element.nodes.iter().enumerate() {
                for (j, &column) in element.nodes.iter().enumerate() {
                    let value = element.matrix[i * count + j];
                    match (ties.places[row], ties.places[column]) {
                        (Place::Free(row), Place::Free(column)) if !lower_only || row >= column => {
                            system.free.push(Triplet::new(row, column, value));
                        }
                        (Place::Free(_), Place::Free(_)) => {}
                        (Place::Free(row), Place::Held(k)) => system.coupling[(row, k)] += value,
                        (Place::Held(k), Place::Free(column)) => system.back[(k, column)] += value,
                        (Place::Held(k), Place::Held(j)) => system.held[(k, j)] += value,
                    }
                }
            }
        }
        system
    }
}

/// A sheet whose potential (or stream function) is known for each held group at one and the others at zero.
pub(crate) struct Zero {
    factor: Llt<usize, f64>,
    /// Unknowns by held groups.
    solution: Mat<f64>,
    /// Currents into held groups per unit of each.
    pub(crate) conductances: Mat<f64>,
}

/// The equations are singular, or as good as that.
#[derive(Debug)]
pub(crate) struct Singular;

impl Zero {
    pub(crate) fn new(space: &Space, ties: &Ties) -> Result<Self, Singular> {
        let system = System::new(space, ties, true);
        let matrix = SparseColMat::<usize, f64>::try_new_from_triplets(ties.free, ties.free, &system.free)
            .map_err(|_| Singular)?;
        let symbolic = SymbolicLlt::try_new(matrix.symbolic(), Side::Lower).map_err(|_| Singular)?;
        let factor =
            Llt::try_new_with_symbolic(symbolic, matrix.as_ref(), Side::Lower).map_err(|_| Singular)?;
        let mut solution = factor.solve(&system.coupling);
        solution *= faer::Scale(-1.0);
        let mut conductances = &system.held + &system.back * &solution;
        balance(&mut conductances);
        Ok(Self { factor, solution, conductances })
    }
}

/// Rows sum to zero: nothing leads elsewhere. The diagonal has lost more digits than the rest.
fn balance(conductances: &mut Mat<f64>) {
    for k in 0..conductances.nrows() {
        let others = (0..conductances.ncols()).filter(|&j| j != k).map(|j| conductances[(k, j)]);
        conductances[(k, k)] = -others.sum::<f64>();
    }
}

/// Conductances of a sheet whose equations are not symmetric.
pub(crate) fn direct(space: &Space, ties: &Ties) -> Result<Mat<f64>, Singular> {
    let system = System::new(space, ties, false);
    direct_of(ties, &system)
}

fn direct_of(ties: &Ties, system: &System) -> Result<Mat<f64>, Singular> {
    let matrix = SparseColMat::<usize, f64>::try_new_from_triplets(ties.free, ties.free, &system.free)
        .map_err(|_| Singular)?;
    let symbolic = SymbolicLu::try_new(matrix.symbolic()).map_err(|_| Singular)?;
    let factor = Lu::try_new_with_symbolic(symbolic, matrix.as_ref()).map_err(|_| Singular)?;
    let solution = factor.solve(&system.coupling);
    let mut conductances = &system.held - &system.back * &solution;
    balance(&mut conductances);
    Ok(conductances)
}

/// What the sheet has in a field, from its solution at zero field: G (1 + t²) = G₀ + t A₀ + t² Rᵀ [(1 + t T)⁻¹]₁₁ R.
///
/// The Hall angle adds t A to the equations, A being antisymmetric and on the edge alone. With W the solutions at zero
/// field and C = (A W) at the unknowns, the Schur complement is G₀ + t WᵀAW + t² Cᵀ (S + t A)⁻¹ C. M = S⁻¹ A is
/// skew in the inner product of S, so that block Lanczos from S⁻¹ C makes an antisymmetric T that serves every t; the
/// error falls as tan(θ/2)^(2k) with k blocks.
pub(crate) struct InField {
    zero: Mat<f64>,
    first: Mat<f64>,
    /// Of the starting block, by held groups.
    start: Mat<f64>,
    projected: Mat<f64>,
}

/// Blocks of the Krylov space: at t = 2 what is left is then below 1e-14.
const BLOCKS: usize = 34;

/// Largest tangent of the Hall angle for which they are enough: 1e-12.
pub(crate) const MOST_TAN: f64 = 2.0;

impl InField {
    pub(crate) fn new(space: &Space, ties: &Ties, zero: &Zero) -> Self {
        let turning = Turning::new(space, ties);
        let (turned, first) = turning.apply(&zero.solution);
        // The columns sum to zero; without the last one they are independent.
        let width = ties.held - 1;
        let given = turned.subcols(0, width).to_owned();
        let mut block = zero.factor.solve(&given);
        let mut weighted = given;
        let mut bases: Vec<(Mat<f64>, Mat<f64>)> = Vec::new();
        let mut start = Mat::zeros(width, width);
        let mut projected = Mat::zeros(BLOCKS * width, BLOCKS * width);
        let mut blocks = 0;
        for k in 0..BLOCKS {
            // Twice is enough (Parlett, The Symmetric Eigenvalue Problem, 6.9, from memory).
            for _ in 0..2 {
                for (basis, weighted_basis) in &bases {
                    let overlap = weighted_basis.transpose() * &block;
                    block -= basis * &overlap;
                    weighted -= weighted_basis * &overlap;
                }
            }
            let Some(scale) = orthonormalise(&mut block, &mut weighted) else { break };
            if k == 0 {
                start = scale;
            }
            let next = turning.apply_free(&block);
            bases.push((block, weighted));
            blocks = k + 1;
            for (j, (basis, _)) in bases.iter().enumerate() {
                let entry = basis.transpose() * &next;
                for row in 0..width {
                    for column in 0..width {
                        projected[(j * width + row, k * width + column)] = entry[(row, column)];
                        projected[(k * width + column, j * width + row)] = -entry[(row, column)];
                    }
                }
            }
            block = zero.factor.solve(&next);
            weighted = next;
        }
        let size = blocks * width;
        let projected = projected.submatrix(0, 0, size, size).to_owned();
        Self { zero: zero.conductances.clone(), first, start, projected }
    }

    /// Conductances at a tangent of the Hall angle, in units of 1/R_s.
    pub(crate) fn at(&self, tan_hall: f64) -> Mat<f64> {
        let t = tan_hall;
        let (size, width) = (self.projected.nrows(), self.start.ncols());
        let mut conductances = &self.zero + faer::Scale(t) * &self.first;
        if size > 0 {
            let matrix = Mat::<f64>::identity(size, size) + faer::Scale(t) * &self.projected;
            let unit = Mat::from_fn(size, width, |i, j| f64::from(u8::from(i == j)));
            let solved = matrix.partial_piv_lu().solve(&unit);
            let corner = solved.submatrix(0, 0, width, width);
            let second = self.start.transpose() * corner * &self.start;
            for k in 0..width {
                for j in 0..width {
                    conductances[(k, j)] += t * t * second[(k, j)];
                }
            }
            // The last group's rows and columns follow from their sums, which are zero.
            for k in 0..width {
                let row: f64 = (0..width).map(|j| second[(k, j)]).sum();
                let column: f64 = (0..width).map(|j| second[(j, k)]).sum();
                conductances[(k, width)] -= t * t * row;
                conductances[(width, k)] -= t * t * column;
            }
        }
        conductances *= faer::Scale(1.0 / (1.0 + t * t));
        balance(&mut conductances);
        conductances
    }
}

/// Makes the columns of a block orthonormal in the inner product of S, given S times the block; answers what they
/// were made of. `None` where nothing new is left.
fn orthonormalise(block: &mut Mat<f64>, weighted: &mut Mat<f64>) -> Option<Mat<f64>> {
    let width = block.ncols();
    let mut scale = Mat::zeros(width, width);
    for column in 0..width {
        for _ in 0..2 {
            for earlier in 0..column {
                let overlap = dot(weighted, earlier, block, column);
                scale[(earlier, column)] += overlap;
                subtract(block, column, earlier, overlap);
                subtract(weighted, column, earlier, overlap);
            }
        }
        let norm = dot(weighted, column, block, column).max(0.0).sqrt();
        if norm < 1e-13 {
            return None;
        }
        scale[(column, column)] = norm;
        for matrix in [&mut *block, &mut *weighted] {
            (0..matrix.nrows()).for_each(|row| matrix[(row, column)] /= norm);
        }
    }
    Some(scale)
}

fn dot(a: &Mat<f64>, i: usize, b: &Mat<f64>, j: usize) -> f64 {
    (0..a.nrows()).map(|row| a[(row, i)] * b[(row, j)]).sum()
}

fn subtract(matrix: &mut Mat<f64>, column: usize, other: usize, times: f64) {
    for row in 0..matrix.nrows() {
        let value = matrix[(row, other)];
        matrix[(row, column)] -= times * value;
    }
}

/// A among unknowns and held groups.
struct Turning {
    free: usize,
    held: usize,
    entries: Vec<(Place, Place, f64)>,
}

impl Turning {
    fn new(space: &Space, ties: &Ties) -> Self {
        let entry = |(row, column, value)| (ties.places[row], ties.places[column], value);
        Self { free: ties.free, held: ties.held, entries: space.turning().map(entry).collect() }
    }

    /// A W at the unknowns, and Wᵀ A W, for W = solutions with their held groups.
    fn apply(&self, solution: &Mat<f64>) -> (Mat<f64>, Mat<f64>) {
        let value = |place: Place, column: usize| match place {
            Place::Free(row) => solution[(row, column)],
            Place::Held(k) => f64::from(u8::from(k == column)),
        };
        let mut turned = Mat::zeros(self.free, self.held);
        let mut form = Mat::zeros(self.held, self.held);
        for &(row, column, entry) in &self.entries {
            for j in 0..self.held {
                let flow = entry * value(column, j);
                if let Place::Free(row) = row {
                    turned[(row, j)] += flow;
                }
                for k in 0..self.held {
                    form[(k, j)] += value(row, k) * flow;
                }
            }
        }
        (turned, form)
    }

    /// A times a block of unknowns, held groups at zero.
    fn apply_free(&self, block: &Mat<f64>) -> Mat<f64> {
        let mut turned = Mat::zeros(self.free, block.ncols());
        for &(row, column, entry) in &self.entries {
            if let (Place::Free(row), Place::Free(column)) = (row, column) {
                for j in 0..block.ncols() {
                    turned[(row, j)] += entry * block[(column, j)];
                }
            }
        }
        turned
    }
}

/// The same at a Hall angle beyond [`MOST_TAN`], by a factorisation of its own.
pub(crate) fn at_large_angle(space: &Space, ties: &Ties, tan_hall: f64) -> Result<Mat<f64>, Singular> {
    let mut system = System::new(space, ties, false);
    for (row, column, value) in Turning::new(space, ties).entries {
        let value = tan_hall * value;
        match (row, column) {
            (Place::Free(row), Place::Free(column)) => system.free.push(Triplet::new(row, column, value)),
            (Place::Free(row), Place::Held(k)) => system.coupling[(row, k)] += value,
            (Place::Held(k), Place::Free(column)) => system.back[(k, column)] += value,
            (Place::Held(k), Place::Held(j)) => system.held[(k, j)] += value,
        }
    }
    let mut conductances = direct_of(ties, &system)?;
    conductances *= faer::Scale(1.0 / (1.0 + tan_hall * tan_hall));
    Ok(conductances)
}
