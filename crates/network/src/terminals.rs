//! A circuit or film as its terminals see it, and the resistances measured at them.

use crate::{NetworkError, star_mesh::StarMesh, transfer::transfer, wide::Wide};
use quadrille_experiment::{Configuration, Contact};
use quadrille_quantity::{Ampere, Ohm, Volt};

/// Conductances among the contacts of a sample and from each to ground, with everything else eliminated.
///
/// I_k = Σ_j g_kj (V_k − V_j) + (conductance to ground) V_k is the current into contact k; g_kj ≠ g_jk in a
/// magnetic field. The diagonal is not kept, so that the sum of a row is exactly what leaks to ground.
#[derive(Clone, Debug, PartialEq)]
pub struct TerminalMatrix {
    count: usize,
    /// g_kj in siemens by rows, ground being the last row and column; with the digits that a difference of products of
    /// them may lose.
    conductances: Vec<Wide>,
    /// The island of each contact, and the names of the nodes of each island.
    island_of: Vec<usize>,
    islands: Vec<Vec<String>>,
}

impl TerminalMatrix {
    /// From conductances g_kj in siemens, `between[k][j]` (diagonal ignored), and from each contact to ground.
    ///
    /// Conductances may be negative, as they can be in strong magnetic fields; they must be finite, and ground must
    /// give back what it takes, Σ_j g_kj = Σ_j g_jk, which every conductor between the contacts fulfils.
    pub fn new(between: &[Vec<f64>], to_ground: &[f64]) -> Result<Self, NetworkError> {
        let count = between.len();
        if count < 2 {
            return Err(NetworkError::TooFewContacts { count });
        }
        check_length("conductances to ground", to_ground.len(), count)?;
        let mut mesh = StarMesh::new(count + 1);
        for (k, row) in between.iter().enumerate() {
            check_length("a row of conductances", row.len(), count)?;
            for (j, &g) in row.iter().enumerate().filter(|&(j, _)| j != k) {
                mesh.add(k, j, Wide::from(finite(g)?));
            }
            check_balance(between, k)?;
            let leak = Wide::from(finite(to_ground[k])?);
            mesh.add(k, count, leak);
            mesh.add(count, k, leak);
        }
        let names: Vec<String> = Contact::first(count).map(|c| c.to_string()).collect();
        let island = mesh.islands();
        let mut islands = vec![Vec::new(); count + 2];
        for (name, &i) in names.into_iter().zip(&island) {
            islands[i].push(name);
        }
        Ok(Self::from_mesh(&mesh, &(0..=count).collect::<Vec<_>>(), island[..count].to_vec(), islands))
    }

    /// Of a reduced mesh; `kept` lists its contacts in order, then ground.
    pub(crate) fn from_mesh(
        mesh: &StarMesh,
        kept: &[usize],
        island_of: Vec<usize>,
        islands: Vec<Vec<String>>,
    ) -> Self {
        let conductances = kept
            .iter()
            .flat_map(|&k| kept.iter().map(move |&j| if k == j { Wide::ZERO } else { mesh.get(k, j) }));
        Self { count: kept.len() - 1, conductances: conductances.collect(), island_of, islands }
    }

    /// The same behind a resistance in series with each contact, in ohms, zero or above. What leads to ground does so
    /// from inside.
    pub fn behind(&self, series: &[Ohm]) -> Result<Self, NetworkError> {
        check_length("resistances in series", series.len(), self.count)?;
        let bad = series.iter().find(|ohm| !(ohm.0.is_finite() && ohm.0 >= 0.0));
        if let Some(ohm) = bad {
            let quantity = "resistance in series in ohms";
            return Err(NetworkError::OutOfRange { quantity, value: ohm.0, range: "zero or above" });
        }
        // The outer ends, ground, and the inner ends of those that have a resistance.
        let inner = |k: usize| {
            if k == self.count || series[k].0 == 0.0 { k } else { self.count + 1 + k }
        };
        let mut mesh = StarMesh::new(2 * self.count + 1);
        for k in 0..=self.count {
            for j in (0..=self.count).filter(|&j| j != k) {
                mesh.add(inner(k), inner(j), self.wide(k, j));
            }
        }
        for (k, ohm) in series.iter().enumerate().filter(|(_, ohm)| ohm.0 > 0.0) {
            let siemens = Wide::from(1.0) / Wide::from(ohm.0);
            mesh.add(k, inner(k), siemens);
            mesh.add(inner(k), k, siemens);
        }
        let kept: Vec<usize> = (0..=self.count).collect();
        mesh.reduce_to(&kept);
        Ok(Self::from_mesh(&mesh, &kept, self.island_of.clone(), self.islands.clone()))
    }

    /// The same with every conductance multiplied, as by light; a factor above zero.
    pub fn times(&self, factor: f64) -> Self {
        let conductances = self.conductances.iter().map(|g| *g * Wide::from(factor)).collect();
        Self { conductances, ..self.clone() }
    }

    /// How many contacts there are.
    pub fn count(&self) -> usize {
        self.count
    }

    /// g_kj in siemens: minus the current into `k` per volt at `j`. Zero for `k` = `j`.
    ///
    /// # Panics
    /// If a contact is beyond [`count`](Self::count).
    pub fn conductance(&self, k: Contact, j: Contact) -> f64 {
        self.at(self.checked(k), self.checked(j))
    }

    /// Conductance from contact `k` to ground, in siemens; zero for a floating sample.
    ///
    /// # Panics
    /// If the contact is beyond [`count`](Self::count).
    pub fn to_ground(&self, k: Contact) -> f64 {
        self.at(self.checked(k), self.count)
    }

    /// Y_kj in siemens, its diagonal formed as the sum of the row.
    ///
    /// # Panics
    /// If a contact is beyond [`count`](Self::count).
    pub fn admittance(&self, k: Contact, j: Contact) -> f64 {
        if k == j {
            (0..=self.count).map(|j| self.at(self.checked(k), j)).sum()
        } else {
            -self.conductance(k, j)
        }
    }

    /// Currents into the contacts for given voltages against ground, one for each contact.
    pub fn currents(&self, voltages: &[Volt]) -> Result<Vec<Ampere>, NetworkError> {
        check_length("voltages", voltages.len(), self.count)?;
        let into = |k: usize| {
            let between = (0..self.count).map(|j| self.at(k, j) * (voltages[k].0 - voltages[j].0));
            Ampere(between.sum::<f64>() + self.at(k, self.count) * voltages[k].0)
        };
        Ok((0..self.count).map(into).collect())
    }

    /// (V of sense high − V of sense low) / I, with I into source in and out of source out; all other contacts
    /// float.
    ///
    /// Also for configurations that sense at current contacts, down to `12,12`. What leaks through ground is
    /// included: no net current enters ground.
    pub fn four_terminal(&self, configuration: Configuration) -> Result<Ohm, NetworkError> {
        let [a, b, c, d] = self.indices(configuration)?;
        let mut kept = vec![a, b, c, d];
        kept.sort_unstable();
        kept.dedup();
        let reduced = self.reduced_to(&kept);
        Ok(Ohm(transfer(a, b, c, d, &|k, j| reduced.get(k, j)).rounded()))
    }

    /// Resistance between two contacts, all others floating.
    pub fn two_terminal(&self, a: Contact, b: Contact) -> Result<Ohm, NetworkError> {
        if a == b {
            return Ok(Ohm(0.0));
        }
        self.four_terminal(Configuration { source_in: a, source_out: b, sense_high: a, sense_low: b })
    }

    /// Every ordered choice of four different contacts with its resistance; none where there are fewer than four.
    pub fn all_four_terminal(&self) -> Result<Vec<(Configuration, Ohm)>, NetworkError> {
        let contacts = || Contact::first(self.count);
        let mut all = Vec::new();
        for source_in in contacts() {
            for source_out in contacts() {
                for sense_high in contacts() {
                    for sense_low in contacts() {
                        let configuration = Configuration { source_in, source_out, sense_high, sense_low };
                        let distinct = source_in != source_out && sense_high != sense_low;
                        if distinct && configuration.is_four_terminal() {
                            all.push((configuration, self.four_terminal(configuration)?));
                        }
                    }
                }
            }
        }
        Ok(all)
    }

    /// Every pair of contacts, lower number first, with its resistance.
    pub fn all_two_terminal(&self) -> Result<Vec<(Contact, Contact, Ohm)>, NetworkError> {
        let pairs = Contact::first(self.count)
            .flat_map(|a| Contact::first(self.count).filter(move |&b| b > a).map(move |b| (a, b)));
        pairs.map(|(a, b)| Ok((a, b, self.two_terminal(a, b)?))).collect()
    }

    /// The conductance g_kj by index, `count` standing for ground.
    pub(crate) fn at(&self, k: usize, j: usize) -> f64 {
        self.wide(k, j).rounded()
    }

    fn wide(&self, k: usize, j: usize) -> Wide {
        self.conductances[k * (self.count + 1) + j]
    }

    fn checked(&self, contact: Contact) -> usize {
        assert!(contact.index() < self.count, "contact {contact} of {}", self.count);
        contact.index()
    }

    fn indices(&self, configuration: Configuration) -> Result<[usize; 4], NetworkError> {
        let contacts = configuration.contacts();
        if let Some(&contact) = contacts.iter().find(|c| c.index() >= self.count) {
            return Err(NetworkError::NoSuchContact { contact, count: self.count });
        }
        let indices = contacts.map(Contact::index);
        let mut touched: Vec<usize> = indices.iter().map(|&k| self.island_of[k]).collect();
        touched.sort_unstable();
        touched.dedup();
        if touched.len() > 1 {
            let islands = touched.iter().map(|&i| self.islands[i].clone()).collect();
            return Err(NetworkError::Floating { islands });
        }
        Ok(indices)
    }

    fn reduced_to(&self, kept: &[usize]) -> StarMesh {
        let mut mesh = StarMesh::new(self.count + 1);
        for k in 0..=self.count {
            for j in (0..=self.count).filter(|&j| self.wide(k, j) != Wide::ZERO) {
                mesh.add(k, j, self.wide(k, j));
            }
        }
        mesh.reduce_to(kept);
        mesh
    }
}

pub(crate) fn check_length(quantity: &'static str, given: usize, wanted: usize) -> Result<(), NetworkError> {
    if given == wanted { Ok(()) } else { Err(NetworkError::WrongLength { quantity, given, wanted }) }
}

pub(crate) fn finite(siemens: f64) -> Result<f64, NetworkError> {
    if siemens.is_finite() {
        Ok(siemens)
    } else {
        Err(NetworkError::OutOfRange { quantity: "conductance in siemens", value: siemens, range: "finite" })
    }
}

/// Rounding leaves about n ε of the largest term; a billionth of the sum is far above that.
fn check_balance(between: &[Vec<f64>], k: usize) -> Result<(), NetworkError> {
    let others = || (0..between.len()).filter(|&j| j != k);
    let entry = |k: usize, j: usize| between[k].get(j).copied().unwrap_or_default();
    let imbalance: f64 = others().map(|j| entry(k, j) - entry(j, k)).sum();
    let scale: f64 = others().map(|j| entry(k, j).abs() + entry(j, k).abs()).sum();
    if imbalance.abs() <= 1e-9 * scale { Ok(()) } else { Err(NetworkError::Unbalanced { column: k }) }
}
