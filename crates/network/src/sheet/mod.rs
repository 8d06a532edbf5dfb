//! Conducting sheets of any outline with contacts on their edge or inside, in a magnetic field: finite elements graded to
//! where the potential is not smooth, and an error that is bounded from both sides.
//!
//! Lengths do not matter and the sheet resistance is a factor, so that a solved sheet is asked for any of them; asked
//! for a Hall angle that it was asked for before, it remembers. E = R_s (J + t Rot J), t = tan(Hall angle) = μB,
//! Rot (x, y) = (−y, x): positive for p-type with +B pointing at the viewer, who sees contacts counter-clockwise.
//!
//! At zero field the potential gives resistances that are too low and the stream function, with contacts and gaps
//! exchanged on the same mesh, resistances that are too high (as forms in the currents: Dirichlet's and Thomson's
//! principle); the answer is their mean. Where the sheet is simply connected, uniform, and has all its contacts on
//! its edge, its terminals at zero field say which disc it maps to, and that disc gives every Hall angle exactly
//! ([`EdgeArcs`](crate::EdgeArcs)); the bound is half of what the two sides' discs differ by. Everything else is
//! solved at each Hall angle, from the one factorisation, and bounded by what the order below gives on the same mesh.

mod element;
mod error;
mod matrices;
mod mesh;
mod outline;
mod sizes;
mod solve;
mod space;

pub use error::{Part, SheetError};
pub use outline::Outline;

use crate::{EdgeArcs, NetworkError, TerminalMatrix};
use element::Tensor;
use faer::Mat;
use mesh::Mesh;
use outline::Point;
use quadrille_quantity::Ohm;
use sizes::Fineness;
use solve::{InField, MOST_TAN, Singular, Ties, Zero};
use space::Space;
use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};

/// A contact on the edge, all at one potential.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EdgeContact {
    /// Its centre along the edge, counter-clockwise from where the edge begins, in metres.
    pub at_m: f64,
    /// Its length along the edge, in metres. It may run round a corner and across the beginning.
    pub length_m: f64,
}

/// A contact inside: an area at one potential.
#[derive(Clone, Debug, PartialEq)]
pub struct InnerContact {
    /// Its corners, in either sense, in metres.
    pub vertices_m: Vec<[f64; 2]>,
}

impl InnerContact {
    fn clockwise(&self) -> Vec<Point> {
        let ring = &self.vertices_m;
        let next = |k: usize| ring[(k + 1) % ring.len()];
        let twice: f64 = ring.iter().enumerate().map(|(k, a)| a[0] * next(k)[1] - a[1] * next(k)[0]).sum();
        let mut corners = ring.clone();
        if twice > 0.0 {
            corners.reverse();
        }
        corners
    }
}

type Field = Arc<dyn Fn(f64, f64) -> f64 + Send + Sync>;

/// A sheet with its contacts.
#[derive(Clone)]
pub struct Sheet {
    outline: Outline,
    contacts: Vec<EdgeContact>,
    inner: Vec<InnerContact>,
    tensor: Tensor,
    conductance: Option<Field>,
}

impl fmt::Debug for Sheet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { outline, contacts, inner, tensor, .. } = self;
        f.debug_struct("Sheet")
            .field("outline", outline)
            .field("contacts", contacts)
            .field("inner", inner)
            .field("tensor", tensor)
            .finish_non_exhaustive()
    }
}

/// Most contacts on the edge for which the disc is looked for: the search takes longer with each.
const MOST_MAPPED: usize = 8;

/// How the mesh is refined until the bound is met: the first is enough for most sheets at 1e-6. γ and order were chosen
/// by `cargo bench`: the fewest unknowns for an error.
const ATTEMPTS: usize = 5;

/// Hall angles at which the bound is judged.
const JUDGED: [f64; 3] = [0.0, 0.7, 3.0];

impl Sheet {
    /// A uniform, isotropic sheet with contacts on its edge, counter-clockwise. Refused where they overlap or touch, or
    /// lie off the edge.
    pub fn new(outline: Outline, contacts: &[EdgeContact]) -> Result<Self, SheetError> {
        check_contacts(&outline, contacts)?;
        let contacts = contacts.to_vec();
        Ok(Self { outline, contacts, inner: Vec::new(), tensor: [1.0, 0.0, 1.0], conductance: None })
    }

    /// The same with one more contact, inside; it comes after those on the edge.
    pub fn with_inner_contact(mut self, contact: InnerContact) -> Result<Self, SheetError> {
        let part = Part::Contact(self.contacts.len() + self.inner.len());
        // It must lie where a hole could.
        let others = self.inner.iter().try_fold(self.outline.clone(), |o, i| o.with_hole(&i.vertices_m));
        others
            .and_then(|outline| outline.with_hole(&contact.vertices_m))
            .map_err(|error| SheetError { part, ..error })?;
        self.inner.push(contact);
        Ok(self)
    }

    /// The same of a material whose resistivity along an axis, `axis_rad` from x, is `ratio` times that across it. The
    /// sheet resistance is then their geometric mean, and the Hall angle that of E = R_s Rot J over it.
    pub fn with_anisotropy(mut self, ratio: f64, axis_rad: f64) -> Result<Self, SheetError> {
        if !(ratio.is_finite() && ratio > 0.0 && axis_rad.is_finite()) {
            let problem = format!("an anisotropy of {ratio} along {axis_rad} rad");
            return Err(SheetError::new(
                Part::Outline,
                problem,
                "write a ratio above zero and a finite angle",
            ));
        }
        let (along, across) = (1.0 / ratio.sqrt(), ratio.sqrt());
        let (c, s) = (axis_rad.cos(), axis_rad.sin());
        self.tensor =
            [along * c * c + across * s * s, (along - across) * c * s, along * s * s + across * c * c];
        Ok(self)
    }

    /// The same with a conductance that changes from place to place: relative to 1/R_s, at x and y in metres, finite and
    /// above zero. Its Hall angle is the same everywhere.
    pub fn with_conductance(mut self, conductance: impl Fn(f64, f64) -> f64 + Send + Sync + 'static) -> Self {
        self.conductance = Some(Arc::new(conductance));
        self
    }

    /// How many contacts it has.
    pub fn count(&self) -> usize {
        self.contacts.len() + self.inner.len()
    }

    /// Solves the sheet so that the bound of its error, as [`SolvedSheet::bound`] says it, is at most `relative`.
    pub fn solve(&self, relative: f64) -> Result<SolvedSheet, SheetError> {
        if !(relative.is_finite() && relative > 0.0) {
            let problem = format!("a relative error of {relative}");
            return Err(SheetError::new(Part::Outline, problem, "write a number above zero, 1e-6 for one"));
        }
        if self.count() < 2 {
            let problem = format!("{} contacts", self.count());
            return Err(SheetError::new(Part::Outline, problem, "give it two contacts or more"));
        }
        let mut reached = f64::INFINITY;
        for attempt in 0..ATTEMPTS {
            let solved = self.attempt(&fineness(relative, attempt))?;
            let worst = JUDGED.map(|tan_hall| solved.bound(tan_hall)).into_iter().fold(0.0, f64::max);
            if worst <= relative {
                return Ok(solved);
            }
            reached = reached.min(worst);
        }
        let problem = format!("an error below {relative:e} cannot be shown, only one below {reached:.1e}");
        Err(SheetError::new(Part::Outline, problem, "write a larger tolerance"))
    }

    fn attempt(&self, fineness: &Fineness) -> Result<SolvedSheet, SheetError> {
        let mesh = Mesh::new(&self.outline, &self.contacts, &self.inner, fineness)?;
        let singular = |_: Singular| {
            SheetError::new(Part::Outline, "its equations have no solution", "simplify the outline")
        };
        let scale = self.outline.size();
        let solver = Solver { sheet: self.clone(), mesh, order: fineness.order, scale };
        let (kind, unknowns) = solver.solve().map_err(singular)?;
        Ok(SolvedSheet { count: self.count(), unknowns, kind: Arc::new(kind), known: Mutex::default() })
    }

    fn is_mapped(&self) -> bool {
        let simple = self.outline.holes.is_empty() && self.inner.is_empty() && self.conductance.is_none();
        simple && (3..=MOST_MAPPED).contains(&self.contacts.len())
    }
}

fn fineness(relative: f64, attempt: usize) -> Fineness {
    let finer = 0.05f64.powi(attempt as i32);
    let digits = (-relative.log10()).clamp(2.0, 10.0);
    // One order more for each two digits.
    let order = ((digits / 2.0).floor() as usize + 1 + attempt).clamp(3, 8);
    Fineness { order, grading: 0.8, innermost: (0.05 * relative * finer).max(1e-11) }
}

fn check_contacts(outline: &Outline, contacts: &[EdgeContact]) -> Result<(), SheetError> {
    let whole = outline.perimeter_m();
    for (k, contact) in contacts.iter().enumerate() {
        let refused = |problem: String, remedy: &str| Err(SheetError::new(Part::Contact(k), problem, remedy));
        if !(contact.at_m >= 0.0 && contact.at_m <= whole) {
            let problem =
                format!("contact {} at {} m is off the edge, {whole:.6e} m long", k + 1, contact.at_m);
            return refused(problem, "write where its centre is along the edge");
        }
        if !(contact.length_m > 1e-9 * whole && contact.length_m < whole) {
            let problem =
                format!("contact {} of {} m on an edge {whole:.6e} m long", k + 1, contact.length_m);
            return refused(problem, "write its length along the edge");
        }
    }
    // From the first contact's beginning on, each must begin after the one before it has ended.
    let passed = |s: f64| (s - contacts[0].at_m + contacts[0].length_m / 2.0).rem_euclid(whole);
    let mut end = 0.0;
    for (k, contact) in contacts.iter().enumerate() {
        let middle = if k == 0 { contact.length_m / 2.0 } else { passed(contact.at_m) };
        let begin = middle - contact.length_m / 2.0;
        let overlaps = k > 0 && begin - end <= 1e-9 * whole;
        let around =
            k + 1 == contacts.len() && k > 0 && middle + contact.length_m / 2.0 >= whole * (1.0 - 1e-9);
        if overlaps || around {
            let other = if overlaps { k } else { 1 };
            let problem =
                format!("contact {} overlaps or touches contact {other}, or comes before it", k + 1);
            let remedy = "leave a gap between contacts, and number them counter-clockwise";
            return Err(SheetError::new(Part::Contact(k), problem, remedy));
        }
        end = middle + contact.length_m / 2.0;
    }
    Ok(())
}

/// A sheet whose terminals are known at every Hall angle, in units of its sheet resistance. Cheap to clone and to ask.
pub struct SolvedSheet {
    count: usize,
    unknowns: usize,
    kind: Arc<Kind>,
    /// By the bits of the tangent of the Hall angle.
    known: Mutex<BTreeMap<u64, Known>>,
}

impl fmt::Debug for SolvedSheet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("SolvedSheet")
            .field("count", &self.count)
            .field("unknowns", &self.unknowns)
            .finish_non_exhaustive()
    }
}

/// Answers that are kept.
const MOST_KNOWN: usize = 4096;

#[derive(Clone)]
struct Known {
    /// Conductances in units of 1/R_s.
    conductances: Mat<f64>,
    bound: f64,
}

/// How a sheet answers.
enum Kind {
    /// By a disc, and those of the two sides of the bracket.
    Mapped { disc: EdgeArcs, low: EdgeArcs, high: EdgeArcs, residual: f64 },
    /// From one factorisation, and that of the order below.
    Lanczos { fine: Box<InField>, coarse: Box<InField>, solver: Box<Solver> },
    /// At each Hall angle anew.
    Direct(Box<Solver>),
}

impl SolvedSheet {
    /// What its contacts see: those on the edge in order, then those inside. Refused where an argument is not finite, or
    /// the resistance not above zero.
    pub fn terminals(&self, sheet_resistance: Ohm, tan_hall: f64) -> Result<TerminalMatrix, NetworkError> {
        if !(sheet_resistance.0.is_finite() && sheet_resistance.0 > 0.0) {
            let quantity = "sheet resistance in ohms";
            let (value, range) = (sheet_resistance.0, "finite and above zero");
            return Err(NetworkError::OutOfRange { quantity, value, range });
        }
        let known = self.known(tan_hall)?;
        let between = |k: usize, j: usize| {
            if j == k { 0.0 } else { -known.conductances[(k, j)] / sheet_resistance.0 }
        };
        let row = |k: usize| (0..self.count).map(|j| between(k, j)).collect();
        let between: Vec<Vec<f64>> = (0..self.count).map(row).collect();
        TerminalMatrix::new(&between, &vec![0.0; self.count])
    }

    /// What every four-terminal and two-terminal resistance is at most off by, relative to the smallest resistance between
    /// two contacts at this Hall angle; infinite where there is no answer.
    pub fn bound(&self, tan_hall: f64) -> f64 {
        self.known(tan_hall).map_or(f64::INFINITY, |known| known.bound)
    }

    /// Unknowns of the finite elements.
    pub fn unknowns(&self) -> usize {
        self.unknowns
    }

    fn known(&self, tan_hall: f64) -> Result<Known, NetworkError> {
        if !tan_hall.is_finite() {
            let quantity = "tangent of the Hall angle";
            return Err(NetworkError::OutOfRange { quantity, value: tan_hall, range: "finite" });
        }
        // Minus zero is zero.
        let key = (tan_hall + 0.0).to_bits();
        let kept = || self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = kept().get(&key) {
            return Ok(known.clone());
        }
        let known = self.kind.at(tan_hall)?;
        let mut kept = kept();
        if kept.len() >= MOST_KNOWN {
            kept.clear();
        }
        kept.insert(key, known.clone());
        Ok(known)
    }
}

/// What rounding alone may spoil.
const ROUNDING: f64 = 1e-11;

/// The order below differs from the answer by this many times what the answer differs from the truth, at least: see
/// docs/sheets.md for what was measured.
const ORDER_BELOW: f64 = 1.0;

impl Kind {
    fn at(&self, tan_hall: f64) -> Result<Known, NetworkError> {
        match self {
            Self::Mapped { disc, low, high, residual } => {
                let [disc, low, high] = [disc, low, high].map(|arcs| arcs.conductances(tan_hall));
                let conductances = from_rows(&disc?);
                let [low, high] = [low?, high?].map(|rows| matrices::resistances(&from_rows(&rows)));
                let least = matrices::smallest_two_terminal(&matrices::resistances(&conductances));
                let spread = matrices::largest_difference(&low, &high) / 2.0 / least;
                Ok(Known { conductances, bound: spread + residual + ROUNDING })
            }
            Self::Lanczos { fine, coarse, solver } => {
                let (fine, coarse) = if tan_hall.abs() <= MOST_TAN {
                    (fine.at(tan_hall), coarse.at(tan_hall))
                } else {
                    let at = |order| solver.at_large_angle(order, tan_hall).map_err(|_| no_answer(tan_hall));
                    (at(solver.order)?, at(solver.order - 1)?)
                };
                Ok(compared(fine, &coarse))
            }
            Self::Direct(solver) => {
                let at = |order| solver.direct(order, tan_hall).map_err(|_| no_answer(tan_hall));
                Ok(compared(at(solver.order)?, &at(solver.order - 1)?))
            }
        }
    }
}

fn no_answer(tan_hall: f64) -> NetworkError {
    let range = "one at which the sheet's equations have a solution";
    NetworkError::OutOfRange { quantity: "tangent of the Hall angle", value: tan_hall, range }
}

fn compared(fine: Mat<f64>, coarse: &Mat<f64>) -> Known {
    let (one, other) = (matrices::resistances(&fine), matrices::resistances(coarse));
    let least = matrices::smallest_two_terminal(&one);
    let bound = ORDER_BELOW * matrices::largest_difference(&one, &other) / least + ROUNDING;
    Known { conductances: fine, bound }
}

fn from_rows(rows: &[Vec<f64>]) -> Mat<f64> {
    Mat::from_fn(rows.len(), rows.len(), |k, j| rows[k][j])
}

fn to_rows(matrix: &Mat<f64>) -> Vec<Vec<f64>> {
    (0..matrix.nrows()).map(|k| (0..matrix.ncols()).map(|j| matrix[(k, j)]).collect()).collect()
}

/// A sheet on its mesh.
struct Solver {
    sheet: Sheet,
    mesh: Mesh,
    order: usize,
    /// Metres of the sheet's own length.
    scale: f64,
}

impl Solver {
    fn solve(self) -> Result<(Kind, usize), Singular> {
        let fine = self.space(self.order, 0.0);
        let unknowns = fine.unknowns;
        if self.sheet.conductance.is_some() {
            return Ok((Kind::Direct(Box::new(self)), unknowns));
        }
        let contacts = self.sheet.count();
        let ties = Ties::potential(&fine, contacts);
        let zero = Zero::new(&fine, &ties)?;
        if self.sheet.is_mapped()
            && let Some(mapped) = mapped(&fine, &zero, contacts)?
        {
            return Ok((mapped, unknowns));
        }
        let coarse_space = self.space(self.order - 1, 0.0);
        let coarse_ties = Ties::potential(&coarse_space, contacts);
        let coarse_zero = Zero::new(&coarse_space, &coarse_ties)?;
        let coarse = Box::new(InField::new(&coarse_space, &coarse_ties, &coarse_zero));
        let fine = Box::new(InField::new(&fine, &ties, &zero));
        Ok((Kind::Lanczos { fine, coarse, solver: Box::new(self) }, unknowns))
    }

    fn space(&self, order: usize, turned: f64) -> Space {
        let scaled = |conductance: &Field| {
            let (conductance, scale) = (Arc::clone(conductance), self.scale);
            move |[x, y]: Point| conductance(x * scale, y * scale)
        };
        match &self.sheet.conductance {
            None => Space::new(&self.mesh, order, self.sheet.tensor, None, turned),
            Some(field) => {
                let conductance = scaled(field);
                Space::new(&self.mesh, order, self.sheet.tensor, Some(&conductance), turned)
            }
        }
    }

    fn at_large_angle(&self, order: usize, tan_hall: f64) -> Result<Mat<f64>, Singular> {
        let space = self.space(order, 0.0);
        let ties = Ties::potential(&space, self.sheet.count());
        solve::at_large_angle(&space, &ties, tan_hall)
    }

    fn direct(&self, order: usize, tan_hall: f64) -> Result<Mat<f64>, Singular> {
        let space = self.space(order, tan_hall);
        let ties = Ties::potential(&space, self.sheet.count());
        let conductances = solve::direct(&space, &ties)?;
        Ok(conductances * faer::Scale(1.0 / (1.0 + tan_hall * tan_hall)))
    }
}

/// The discs of the mean and of both sides; `None` where one is not found (contacts too small for the search).
fn mapped(space: &Space, zero: &Zero, contacts: usize) -> Result<Option<Kind>, Singular> {
    let stream = Zero::new(space, &Ties::stream(space, contacts))?;
    let low = matrices::resistances(&zero.conductances);
    let high = matrices::from_gaps(&stream.conductances);
    let mean = matrices::mean(&low, &high);
    let least = matrices::smallest_two_terminal(&mean);
    let disc = |resistances: &Mat<f64>| EdgeArcs::fit(&to_rows(&matrices::conductances(resistances)));
    let (Ok((low, _)), Ok((high, _)), Ok((disc, _))) = (disc(&low), disc(&high), disc(&mean)) else {
        return Ok(None);
    };
    // At zero field the disc must give back what it was found from.
    let Ok(found) = disc.conductances(0.0) else { return Ok(None) };
    let residual = matrices::largest_difference(&matrices::resistances(&from_rows(&found)), &mean) / least;
    Ok(Some(Kind::Mapped { disc, low, high, residual }))
}
