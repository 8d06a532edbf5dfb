//! The resistance of each contact, from two-terminal values less what the film has between the contacts.
//!
//! T_ij = c_i + c_j + F_ij, where F is what the film has between two contacts. Four-terminal readings say what F is
//! but for a part of each contact alone: for any film that obeys reciprocity R_ij,kl = (F_il + F_jk − F_ik − F_jl)/2,
//! and F_ij → F_ij + s_i + s_j changes none of them. That part is real: it is how the film narrows towards a
//! contact, of the size of the sheet resistance and larger the smaller the contact is. So without the outline a
//! contact and its narrowing are one number, which is the most that the contact can have; with the film's part given
//! for each pair, as it follows from outline and contact lengths, it is the contact alone.
//!
//! For contacts in order around the edge of a film F is a sum over the ways to cut the film in two between two gaps of
//! its edge, each with a weight that is not negative and counts for the pairs that it separates:
//! F_ij = Σ w_pq over gaps p on one way from i to j and q on the other. The weight of gaps p and q is the four-terminal
//! resistance with current through the two contacts of p and sense at those of q, if the gaps share no contact (put
//! F into the formula above: all other cuts cancel). Cuts of gaps that share a contact part it from all others: those
//! weights are the s_i. (Four contacts: F₁₂ = F₃₄ = R_A, F₂₃ = F₁₄ = R_B, F₁₃ = F₂₄ = R_A + R_B.) A film without
//! contacts inside has s_i ≥ 0, which is why c_i + s_i is the most that a contact can have.

use super::ContactLine;
use crate::least_squares::LeastSquares;
use crate::pair::numbers;
use crate::resistance::PairResistance;
use crate::van_der_pauw::sheet_resistance;
use nalgebra::{DMatrix, DVector};
use quadrille_experiment::Contact;
use quadrille_quantity::Estimate;
use serde::Serialize;

/// What the film has between two contacts, in units of its sheet resistance, as it follows from the outline.
pub type Squares = ([Contact; 2], f64);

/// What is known of the film beside the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Film<'a> {
    /// Contacts in order around the edge of a film without holes: the film's part as far as four-terminal readings
    /// tell it. What narrows towards a contact counts as the contact's.
    Edge,
    /// The film's part of every pair in squares; of the readings only the sheet resistance is used.
    Squares(&'a [Squares]),
}

/// Resistances of the contacts with what they rest on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ContactResistances {
    /// Each contact of which there is a pair; `None` where the pairs that were measured do not tell it from others.
    pub contacts: Vec<(Contact, Option<Estimate>)>,
    /// Sheet resistance in ohms by the four-terminal readings of contacts 1 to 4.
    pub sheet: Option<Estimate>,
    /// Largest disagreement of a pair with the sum of its contacts and film, in ohms, with its standard uncertainty;
    /// `None` where no pair is more than is needed.
    pub disagreement: Option<Estimate>,
    /// What was assumed, in sentences.
    pub assumed: Vec<String>,
}

/// Each contact's resistance by least squares over all pairs, each weighing as it is known: a bent line of one contact
/// then says little of the others.
///
/// Uncertainties are propagated with correlations (JCGM 100:2008, 5.2.2): one reading of the film enters many pairs,
/// and gains are common to all.
pub fn contact_resistances(
    lines: &[ContactLine],
    four_terminal: &[PairResistance],
    film: Film<'_>,
) -> ContactResistances {
    let mut contacts: Vec<Contact> = lines.iter().flat_map(|line| line.pair).collect();
    contacts.sort_unstable();
    contacts.dedup();
    let mut inputs = Inputs::new(lines);
    let sheet = Sheet::find(&mut inputs, four_terminal);
    let mut assumed = Vec::new();
    let film_part = film_part(&mut inputs, lines, four_terminal, film, sheet.as_ref(), &mut assumed);
    let told = told(&contacts, lines);
    let solution = solve(&contacts, &told, lines, &film_part, &inputs);
    if told.iter().any(|told| !told) && !contacts.is_empty() {
        let names: Vec<String> =
            contacts.iter().zip(&told).filter(|(_, told)| !**told).map(|(c, _)| c.to_string()).collect();
        assumed.push(format!(
            "contacts {} cannot be told from one another: the pairs that were measured make no ring of an odd number \
             of contacts with them",
            names.join(", ")
        ));
    }
    ContactResistances {
        contacts: contacts.iter().map(|c| (*c, solution.of(*c))).collect(),
        sheet: sheet.map(|sheet| sheet.estimate(&inputs)),
        disagreement: solution.disagreement,
        assumed,
    }
}

/// Measured values that the solution is a function of, in ohms.
struct Inputs {
    values: Vec<f64>,
    own: Vec<f64>,
    common: Vec<[f64; 4]>,
}

impl Inputs {
    fn new(lines: &[ContactLine]) -> Self {
        Self {
            values: lines.iter().map(|line| line.resistance.value).collect(),
            own: lines.iter().map(|line| line.own).collect(),
            common: lines.iter().map(|line| line.common).collect(),
        }
    }

    /// Adds a four-terminal resistance and answers its place.
    fn push(&mut self, resistance: &PairResistance) -> usize {
        let sources = resistance.sources;
        self.values.push(resistance.resistance.value);
        self.own.push(sources.own());
        self.common.push([
            sources.voltmeter_gain,
            sources.ammeter_gain,
            sources.voltmeter_settling,
            sources.ammeter_settling,
        ]);
        self.values.len() - 1
    }

    fn covariance(&self) -> DMatrix<f64> {
        let count = self.values.len();
        DMatrix::from_fn(count, count, |a, b| {
            let common: f64 = self.common[a].iter().zip(self.common[b]).map(|(x, y)| x * y).sum();
            common + if a == b { self.own[a].powi(2) } else { 0.0 }
        })
    }

    /// Standard uncertainty of a sum of inputs.
    fn uncertainty(&self, sum: &Sum) -> f64 {
        let row = self.row(sum);
        (&row * self.covariance() * row.transpose())[(0, 0)].max(0.0).sqrt()
    }

    fn row(&self, sum: &Sum) -> DMatrix<f64> {
        let mut row = DMatrix::zeros(1, self.values.len());
        sum.iter().for_each(|(place, weight)| row[(0, *place)] += weight);
        row
    }

    fn value(&self, sum: &Sum) -> f64 {
        sum.iter().map(|(place, weight)| weight * self.values[*place]).sum()
    }
}

/// Places of inputs with a weight each.
type Sum = Vec<(usize, f64)>;

/// The four-terminal resistance with current through one gap and sense at another, positive in a film with contacts in
/// order: mean of the reading and its reciprocal, whichever are there, at zero field.
fn transfer(inputs: &mut Inputs, four_terminal: &[PairResistance], gap: [[u8; 2]; 2]) -> Option<Sum> {
    let ascending = |[a, b]: [u8; 2]| if a < b { ([a, b], 1.0) } else { ([b, a], -1.0) };
    let ((first, first_sign), (second, second_sign)) = (ascending(gap[0]), ascending(gap[1]));
    let orders = [[first, second], [second, first]];
    let found: Vec<&PairResistance> = four_terminal
        .iter()
        .filter(|r| {
            let [a, b, c, d] = numbers(r.configuration);
            r.level == 0.0 && orders.contains(&[[a, b], [c, d]])
        })
        .collect();
    let weight = first_sign * second_sign / found.len() as f64;
    (!found.is_empty()).then(|| found.into_iter().map(|r| (inputs.push(r), weight)).collect())
}

/// The two resistances of van der Pauw, and the sheet resistance with its derivatives by them.
struct Sheet {
    value: f64,
    by_inputs: Sum,
}

impl Sheet {
    fn find(inputs: &mut Inputs, four_terminal: &[PairResistance]) -> Option<Self> {
        let a = transfer(inputs, four_terminal, [[1, 2], [4, 3]])?;
        let b = transfer(inputs, four_terminal, [[2, 3], [1, 4]])?;
        let (r_a, r_b) = (inputs.value(&a), inputs.value(&b));
        let value = sheet_resistance(r_a, r_b)?;
        // e^(−πR_A/R_s) + e^(−πR_B/R_s) = 1, differentiated.
        let part = |r: f64| (-std::f64::consts::PI * r / value).exp();
        let whole = r_a * part(r_a) + r_b * part(r_b);
        let (by_a, by_b) = (value * part(r_a) / whole, value * part(r_b) / whole);
        let scaled = |sum: Sum, by: f64| sum.into_iter().map(move |(place, weight)| (place, weight * by));
        Some(Self { value, by_inputs: scaled(a, by_a).chain(scaled(b, by_b)).collect() })
    }

    fn estimate(&self, inputs: &Inputs) -> Estimate {
        Estimate::new(self.value, inputs.uncertainty(&self.by_inputs))
    }
}

/// The film's part of a pair: its value, and its derivatives by the inputs.
struct Part {
    value: f64,
    by_inputs: Sum,
}

fn film_part(
    inputs: &mut Inputs,
    lines: &[ContactLine],
    four_terminal: &[PairResistance],
    film: Film<'_>,
    sheet: Option<&Sheet>,
    assumed: &mut Vec<String>,
) -> Vec<Part> {
    let parts = match film {
        Film::Squares(squares) => sheet.and_then(|sheet| by_squares(lines, squares, sheet)),
        Film::Edge => by_cuts(inputs, lines, four_terminal),
    };
    match (&parts, film) {
        (Some(_), Film::Edge) => assumed.push(
            "contacts in order around the edge of a film without holes, and reciprocity: what the film narrows \
             towards a contact counts as the contact's, so that each value is the most that the contact can have"
                .into(),
        ),
        (Some(_), Film::Squares(_)) => assumed.push(
            "a uniform film with the outline and contacts that the sample document says: each value is the contact \
             alone"
                .into(),
        ),
        (None, _) => assumed.push(
            "the film's part is not known, for there are no readings of it at zero field: it counts as the contacts'"
                .into(),
        ),
    }
    parts.unwrap_or_else(|| lines.iter().map(|_| Part { value: 0.0, by_inputs: Vec::new() }).collect())
}

fn by_squares(lines: &[ContactLine], squares: &[Squares], sheet: &Sheet) -> Option<Vec<Part>> {
    lines
        .iter()
        .map(|line| {
            let (_, squares) = squares.iter().find(|(pair, _)| *pair == line.pair)?;
            let by_inputs =
                sheet.by_inputs.iter().map(|(place, weight)| (*place, weight * squares)).collect();
            Some(Part { value: sheet.value * squares, by_inputs })
        })
        .collect()
}

/// Sums of the cuts that part the contacts of each line. The contacts are those of the lines and the four-terminal
/// readings, all of them on the edge, in order of their numbers.
fn by_cuts(
    inputs: &mut Inputs,
    lines: &[ContactLine],
    four_terminal: &[PairResistance],
) -> Option<Vec<Part>> {
    let of_lines = lines.iter().flat_map(|line| line.pair.map(Contact::number));
    let count = of_lines.chain(four_terminal.iter().flat_map(|r| numbers(r.configuration))).max()?;
    let next = |contact: u8| contact % count + 1;
    // A gap has the number of the contact before it. Every gap with those that share no contact with it.
    let mut cuts: Vec<([u8; 2], Sum)> = Vec::new();
    for p in 1..=count {
        for q in p + 2..=count {
            if next(q) != p {
                cuts.push(([p, q], transfer(inputs, four_terminal, [[p, next(p)], [next(q), q]])?));
            }
        }
    }
    let part = |line: &ContactLine| {
        let [low, high] = line.pair.map(Contact::number);
        let between = |gap: u8| (low..high).contains(&gap);
        let separating = cuts.iter().filter(|([p, q], _)| between(*p) != between(*q));
        let by_inputs: Sum = separating.flat_map(|(_, sum)| sum.iter().copied()).collect();
        Part { value: inputs.value(&by_inputs), by_inputs }
    };
    Some(lines.iter().map(part).collect())
}

/// Whether each contact can be told from the others: T_ij − F_ij = c_i + c_j for all lines has one solution for the
/// contacts that lines join if, and only if, the lines among them make a ring of odd length; an even ring
/// allows +δ and −δ in turn.
fn told(contacts: &[Contact], lines: &[ContactLine]) -> Vec<bool> {
    let place = |contact: Contact| contacts.binary_search(&contact).unwrap_or(0);
    let mut colour: Vec<Option<bool>> = vec![None; contacts.len()];
    let mut told = vec![false; contacts.len()];
    for start in 0..contacts.len() {
        if colour[start].is_some() {
            continue;
        }
        colour[start] = Some(true);
        let (mut island, mut odd) = (vec![start], false);
        let mut next = 0;
        while let Some(&here) = island.get(next) {
            next += 1;
            for line in lines {
                let [a, b] = line.pair.map(place);
                let Some(other) = (a == here).then_some(b).or((b == here).then_some(a)) else { continue };
                match colour[other] {
                    None => {
                        colour[other] = colour[here].map(|colour| !colour);
                        island.push(other);
                    }
                    Some(_) => odd |= colour[other] == colour[here],
                }
            }
        }
        island.into_iter().for_each(|k| told[k] = odd);
    }
    told
}

/// One over what a line's resistance is known to, in 1/Ω; no line is taken to be known to less than a millionth, as scatter
/// is only estimated, and may be none by chance.
fn weight(line: &ContactLine) -> f64 {
    let ohm = line.own.max(1e-6 * line.resistance.value.abs());
    if ohm > 0.0 { 1.0 / ohm } else { 1.0 }
}

struct Solution {
    contacts: Vec<(Contact, Estimate)>,
    disagreement: Option<Estimate>,
}

impl Solution {
    fn of(&self, contact: Contact) -> Option<Estimate> {
        self.contacts.iter().find(|(other, _)| *other == contact).map(|(_, estimate)| *estimate)
    }
}

fn solve(
    contacts: &[Contact],
    told: &[bool],
    lines: &[ContactLine],
    film: &[Part],
    inputs: &Inputs,
) -> Solution {
    let unknown: Vec<Contact> =
        contacts.iter().zip(told).filter(|(_, told)| **told).map(|(c, _)| *c).collect();
    let rows: Vec<usize> = (0..lines.len()).filter(|&k| unknown.contains(&lines[k].pair[0])).collect();
    let weights: Vec<f64> = rows.iter().map(|&k| weight(&lines[k])).collect();
    let design = DMatrix::from_fn(rows.len(), unknown.len(), |row, column| {
        weights[row] * f64::from(u8::from(lines[rows[row]].pair.contains(&unknown[column])))
    });
    let left = |&k: &usize| lines[k].resistance.value - film[k].value;
    let weighed = rows.iter().zip(&weights).map(|(k, weight)| weight * left(k));
    let observed = DVector::from_iterator(rows.len(), weighed);
    let Some(fit) = LeastSquares::solve(&design, &observed) else {
        return Solution { contacts: Vec::new(), disagreement: None };
    };
    // Derivatives of what is observed, weights apart, by the inputs.
    let mut by_inputs: DMatrix<f64> = DMatrix::zeros(rows.len(), inputs.values.len());
    for (row, &k) in rows.iter().enumerate() {
        by_inputs[(row, k)] += 1.0;
        film[k].by_inputs.iter().for_each(|(place, weight)| by_inputs[(row, *place)] -= weight);
    }
    let covariance: DMatrix<f64> = &by_inputs * inputs.covariance() * by_inputs.transpose();
    let u = |operator: &DMatrix<f64>, k: usize| {
        let row: DVector<f64> = operator.row(k).transpose();
        row.dot(&(&covariance * &row)).max(0.0).sqrt()
    };
    let mut by_observed = fit.by_observation.clone();
    by_observed.column_iter_mut().zip(&weights).for_each(|(mut column, weight)| column *= *weight);
    let estimates = unknown
        .iter()
        .enumerate()
        .map(|(k, contact)| (*contact, Estimate::new(fit.coefficients[k], u(&by_observed, k))))
        .collect();
    let mut joins = design;
    joins.row_iter_mut().zip(&weights).for_each(|(mut row, weight)| row /= *weight);
    let to_residuals: DMatrix<f64> = DMatrix::identity(rows.len(), rows.len()) - &joins * &by_observed;
    let residual = |row: usize| (fit.residuals[row] / weights[row]).abs();
    let worst = (0..rows.len()).max_by(|&a, &b| residual(a).total_cmp(&residual(b)));
    let disagreement = worst
        .filter(|_| fit.degrees_of_freedom() > 0)
        .map(|worst| Estimate::new(residual(worst), u(&to_residuals, worst)));
    Solution { contacts: estimates, disagreement }
}
