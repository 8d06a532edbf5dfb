//! A sheet to be solved, and a solved one to be asked.

use super::{
    bracket::{Bracket, inverse, relative_norm, symmetric},
    checks,
    error::{Part, SheetError},
    grading::{Fineness, Map, Sizes, inverse_of, mapped},
    krylov::Krylov,
    layout::{EdgeContact, InnerContact, Layout},
    mapped::{Mapped, admittances},
    memory,
    outline::Outline,
    piece::{Piece, polyline},
    space::{Profile, Space},
    system::{Equations, Problem, System},
    triangles::{EdgeNodes, Triangles},
};
use crate::{NetworkError, TerminalMatrix};
use quadrille_quantity::Ohm;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// How many times the measured differences the error is taken to be where no bound is proved.
const SAFETY: f64 = 2.0;
/// No bound is less: rounding in the solution of equations with elements 1e-9 of the sheet in size.
const ROUNDING: f64 = 1e-10;

/// A conducting sheet with contacts, not yet solved.
#[derive(Clone)]
pub struct Sheet {
    outline: Outline,
    contacts: Vec<EdgeContact>,
    inner: Vec<Vec<Piece>>,
    map: Map,
    profile: Option<Arc<Profile>>,
}

impl std::fmt::Debug for Sheet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Sheet")
            .field("outline", &self.outline)
            .field("contacts", &self.contacts)
            .field("inner", &self.inner)
            .field("map", &self.map)
            .field("uniform", &self.profile.is_none())
            .finish()
    }
}

impl Sheet {
    /// A uniform, isotropic sheet with contacts on its edge, numbered as they are listed, in any order.
    ///
    /// Contacts must lie on the edge, apart from each other. A single contact may cover the whole edge, if a contact inside
    /// follows.
    pub fn new(outline: Outline, contacts: &[EdgeContact]) -> Result<Self, SheetError> {
        Layout::new(&outline, contacts, &[])?;
        Ok(Self {
            outline,
            contacts: contacts.to_vec(),
            inner: Vec::new(),
            map: [[1.0, 0.0], [0.0, 1.0]],
            profile: None,
        })
    }

    /// With an equipotential area inside, numbered after the contacts on the edge.
    pub fn with_inner_contact(mut self, contact: &InnerContact) -> Result<Self, SheetError> {
        let part = Part::InnerContact(self.inner.len());
        let edge = contact.edge(part)?;
        let others: Vec<_> =
            self.outline.holes().iter().chain(&self.inner).map(|hole| polyline(hole)).collect();
        checks::hole(&polyline(&edge), &polyline(self.outline.edge()), &others, part)?;
        self.inner.push(edge);
        Ok(self)
    }

    /// With conductances that differ in direction: the symmetric tensor (xx, xy, yy), of which only the shape counts. The
    /// sheet resistance is the geometric mean √(ρ_1 ρ_2) of the principal ones.
    pub fn with_anisotropy(mut self, [xx, xy, yy]: [f64; 3]) -> Result<Self, SheetError> {
        let determinant = xx * yy - xy * xy;
        let positive = xx > 0.0 && yy > 0.0 && determinant > 1e-12 * (xx + yy).powi(2);
        if !(positive && determinant.is_finite()) {
            let problem = format!("its conductance is the tensor xx {xx}, xy {xy}, yy {yy}");
            return Err(SheetError::bad(Part::Request, problem, "both principal values must be above zero"));
        }
        // x → T^-½ x makes it isotropic; T^½ = (T + 1)/√(tr T + 2) for determinant one, and its inverse likewise.
        let scale = determinant.sqrt();
        let [xx, xy, yy] = [xx / scale, xy / scale, yy / scale];
        let root = (xx + yy + 2.0).sqrt();
        self.map = [[(yy + 1.0) / root, -xy / root], [-xy / root, (xx + 1.0) / root]];
        Ok(self)
    }

    /// With a conductance that depends on the place: the factor at (x, y) in metres on that of the sheet, above zero and
    /// smooth. Where it jumps the mesh does not follow, and accuracy is lost.
    pub fn with_conductance(mut self, factor: impl Fn(f64, f64) -> f64 + Send + Sync + 'static) -> Self {
        self.profile = Some(Arc::new(factor));
        self
    }

    /// Solves with a bound of the error, as [`SolvedSheet::bound`] gives it at zero field and at a Hall angle of 45°, of
    /// `relative` or less; 1e-6 is a good choice.
    pub fn solve(&self, relative: f64) -> Result<SolvedSheet, SheetError> {
        if !(relative.is_finite() && relative > 0.0) {
            let problem = format!("a relative accuracy of {relative} is asked for");
            return Err(SheetError::bad(Part::Request, problem, "must be above zero"));
        }
        let mut reached = f64::INFINITY;
        let mut unknowns = 0;
        for fineness in levels(relative) {
            let solved = self.solve_on(fineness)?;
            reached = solved.bound(0.0).max(solved.bound(1.0));
            if reached <= relative {
                return Ok(solved);
            }
            unknowns = solved.unknowns;
        }
        Err(SheetError::NotReached { relative, reached, unknowns })
    }

    /// Solves on a mesh of given fineness, whatever its error.
    pub fn solve_on(&self, fineness: Fineness) -> Result<SolvedSheet, SheetError> {
        fineness.check()?;
        let layout = self.layout()?;
        let triangles = self.triangles(&layout, fineness)?;
        self.check_conductance(&triangles)?;
        let mut bracket = self.bracket(&layout, &triangles, fineness.order)?;
        let unknowns = bracket.potential.system().free;
        let mappable = layout.is_simply_connected() && self.profile.is_none() && layout.edge_contacts >= 3;
        let arcs = if mappable { Mapped::new(&mut bracket) } else { None };
        let coarser = if bracket.stream.is_none() {
            let coarser = self.bracket(&layout, &triangles, fineness.order - 1)?;
            Some(Mutex::new(coarser))
        } else {
            None
        };
        Ok(SolvedSheet { bracket: Mutex::new(bracket), coarser, arcs, given: layout.given, unknowns })
    }

    /// The equations of the potential on a mesh, not solved: for checks and measurements from outside.
    pub fn equations(&self, fineness: Fineness) -> Result<Equations, SheetError> {
        fineness.check()?;
        let layout = self.layout()?;
        let triangles = self.triangles(&layout, fineness)?;
        let space = Space::new(&triangles, fineness.order, &self.map, self.profile.as_deref());
        Ok(Equations::new(&space, Problem::Potential, layout.terminals()))
    }

    fn layout(&self) -> Result<Layout, SheetError> {
        let layout = Layout::new(&self.outline, &self.contacts, &self.inner)?;
        let terminals = layout.terminals();
        if terminals < 2 {
            let problem = format!("{terminals} contacts");
            return Err(SheetError::bad(Part::Request, problem, "give two at least"));
        }
        Ok(layout)
    }

    fn triangles(&self, layout: &Layout, fineness: Fineness) -> Result<Triangles, SheetError> {
        let sizes = Sizes::new(layout, self.map, fineness);
        let affordable = memory::edge_nodes(fineness);
        let nodes = EdgeNodes::new(layout, &sizes, affordable).map_err(|nodes| {
            let unknowns = memory::unknowns(nodes, fineness);
            SheetError::TooFine { unknowns, bytes: memory::bytes(unknowns), limit: memory::LIMIT }
        })?;
        Triangles::new(layout, &sizes, &nodes)
    }

    fn check_conductance(&self, triangles: &Triangles) -> Result<(), SheetError> {
        let Some(profile) = &self.profile else { return Ok(()) };
        for &vertex in &triangles.vertices {
            let [x, y] = mapped(&inverse_of(&self.map), vertex);
            let factor = profile(x, y);
            if !(factor.is_finite() && factor > 0.0) {
                let problem = format!("its conductance at ({x}, {y}) m is {factor} of the sheet's");
                return Err(SheetError::bad(
                    Part::Request,
                    problem,
                    "must be above zero and finite everywhere",
                ));
            }
        }
        Ok(())
    }

    fn bracket(&self, layout: &Layout, triangles: &Triangles, order: usize) -> Result<Bracket, SheetError> {
        let space = Space::new(triangles, order, &self.map, self.profile.as_deref());
        let system =
            |problem, terminals| System::new(Equations::new(&space, problem, terminals)).map(Krylov::new);
        let potential = system(Problem::Potential, layout.terminals())?;
        // Around a contact inside, the stream function has many values.
        let single = layout.inner_contacts == 0;
        let stream = single.then(|| system(Problem::Stream, layout.edge_contacts)).transpose();
        Ok(Bracket { potential, stream: stream? })
    }
}

/// Ever finer meshes of ever higher order.
fn levels(relative: f64) -> impl Iterator<Item = Fineness> {
    let first = if relative < 3e-7 {
        6
    } else if relative < 3e-6 {
        5
    } else {
        4
    };
    (0..3).map(move |step| Fineness {
        order: first + step.min(7 - first),
        growth: 0.8 * 0.75_f64.powi(step as i32),
        innermost: 0.2 * relative * 0.1_f64.powi(step as i32),
        largest: 0.25 * 0.75_f64.powi(step as i32),
        arc: 0.25,
    })
}

/// A solved sheet: its terminals at every Hall angle, in units of a sheet resistance that is named when asked.
pub struct SolvedSheet {
    bracket: Mutex<Bracket>,
    /// The same with elements of one order less, where nothing else says how good it is.
    coarser: Option<Mutex<Bracket>>,
    arcs: Option<Mapped>,
    given: Vec<usize>,
    unknowns: usize,
}

impl Equations {
    /// Terminals' admittances in units of 1/R_s at each Hall angle, contacts counter-clockwise: one factorisation, and as many
    /// vectors as the largest angle takes.
    pub fn admittances(self, tan_hall: &[f64]) -> Result<Vec<Vec<Vec<f64>>>, SheetError> {
        let mut krylov = Krylov::new(System::new(self)?);
        let one = |&t: &f64| {
            let problem = || format!("a Hall angle with the tangent {t}");
            let schur = krylov
                .schur(t)
                .ok_or_else(|| SheetError::bad(Part::Request, problem(), "must be smaller"))?;
            Ok(admittances(&(schur * (1.0 / (1.0 + t * t)))))
        };
        tan_hall.iter().map(one).collect()
    }
}

impl SolvedSheet {
    /// The terminals where the sheet resistance, in this field, is `sheet_resistance` and the tangent of the Hall angle
    /// `tan_hall` = μB: above zero for p-type with +B pointing at the viewer, for whom the edge is counter-clockwise.
    /// Contacts are numbered as they were given.
    pub fn terminals(&self, sheet_resistance: Ohm, tan_hall: f64) -> Result<TerminalMatrix, NetworkError> {
        if !(sheet_resistance.0.is_finite() && sheet_resistance.0 > 0.0) {
            let quantity = "sheet resistance in ohms";
            return Err(NetworkError::OutOfRange {
                quantity,
                value: sheet_resistance.0,
                range: "above zero",
            });
        }
        let rows = self.rows(tan_hall)?;
        let count = rows.len();
        let mut between = vec![vec![0.0; count]; count];
        for (k, row) in rows.iter().enumerate() {
            for (j, y) in row.iter().enumerate().filter(|&(j, _)| j != k) {
                between[self.given[k]][self.given[j]] = -y / sheet_resistance.0;
            }
        }
        TerminalMatrix::new(&between, &vec![0.0; count])
    }

    fn rows(&self, tan_hall: f64) -> Result<Vec<Vec<f64>>, NetworkError> {
        if !tan_hall.is_finite() {
            let quantity = "tangent of the Hall angle";
            return Err(NetworkError::OutOfRange { quantity, value: tan_hall, range: "finite" });
        }
        match &self.arcs {
            Some(mapped) => mapped.mean.conductances(tan_hall),
            None => {
                let pair = self.solved().impedances(tan_hall).ok_or(NetworkError::OutOfRange {
                    quantity: "tangent of the Hall angle of a sheet with holes, contacts inside or a varying conductance",
                    value: tan_hall,
                    range: "nearer to zero: with four contacts within ±20, with six within ±12",
                })?;
                Ok(admittances(&inverse(&pair.mean())))
            }
        }
    }

    /// A bound of the error at a Hall angle: |δR_ab,cd| is less than this times √(R_ab,ab R_cd,cd), for every choice of
    /// contacts. For a two-terminal resistance that is its relative error.
    ///
    /// * At zero field, with straight edges and all contacts on the edge, it is proved: half the difference between a solution
    ///   below and one above the truth.
    /// * For one uniform sheet without holes it is, at every angle, half the difference between the discs that have the one's
    ///   and the other's conductances.
    /// * With holes, or a conductance that varies, it is at an angle twice the larger of the half differences there
    ///   and at zero field; with contacts inside, the change of the last order of the elements times the same.
    ///
    /// The second and the third are measured, not proved: see `docs/sheets.md`.
    pub fn bound(&self, tan_hall: f64) -> f64 {
        let bound = match (&self.arcs, &self.coarser) {
            (Some(mapped), _) => mapped.bound(tan_hall),
            (None, None) => {
                let spreads = self.solved().half_spreads(tan_hall);
                let safety = if tan_hall == 0.0 { 1.0 } else { SAFETY };
                spreads.map(|[now, rest]| safety * now.max(rest))
            }
            (None, Some(coarser)) => {
                let both = (self.solved().impedances(tan_hall), locked(coarser).impedances(tan_hall));
                both.0.zip(both.1).map(|(finer, coarser)| {
                    let mean = finer.mean();
                    SAFETY * relative_norm(&(coarser.mean() - &mean), &symmetric(&mean))
                })
            }
        };
        bound.map_or(f64::INFINITY, |bound| bound.max(ROUNDING))
    }

    /// The same without the map onto a disc, as every sheet with holes is solved: for checks of one way by the other.
    #[must_use]
    pub fn without_map(mut self) -> Self {
        self.arcs = None;
        self
    }

    /// How many unknowns the mesh has.
    pub fn unknowns(&self) -> usize {
        self.unknowns
    }

    fn solved(&self) -> MutexGuard<'_, Bracket> {
        locked(&self.bracket)
    }
}

/// A panic while the space grows leaves whole vectors only.
fn locked(bracket: &Mutex<Bracket>) -> MutexGuard<'_, Bracket> {
    bracket.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn the_estimate_of_unknowns_is_right_within_a_factor_of_two() {
        let outline =
            Outline::polygon(&[[0.0, 0.0], [1.3, -0.2], [1.7, 0.9], [0.8, 0.55], [0.2, 1.2]]).unwrap();
        let contacts = [(0.3, 0.2), (2.9, 0.11)].map(|(at_m, length_m)| EdgeContact { at_m, length_m });
        let sheet = Sheet::new(outline, &contacts).unwrap();
        for (growth, innermost, largest) in
            [(0.8, 1e-6, 0.25), (0.3, 1e-6, 0.1), (0.8, 1e-2, 0.02), (0.4, 1e-9, 0.05)]
        {
            let fineness = Fineness { order: 3, growth, innermost, largest, arc: 0.25 };
            let sizes = Sizes::new(&sheet.layout().unwrap(), sheet.map, fineness);
            let nodes = EdgeNodes::new(&sheet.layout().unwrap(), &sizes, 1_000_000).unwrap().count();
            let ratio =
                memory::unknowns(nodes, fineness) as f64 / sheet.equations(fineness).unwrap().free() as f64;
            assert!((0.5..2.0).contains(&ratio), "{fineness:?}: {ratio}");
        }
    }
}
